"""Files beside a recording that a stage reads: a change of them runs the stage again."""

from __future__ import annotations

from pathlib import Path

from rallymill.runner.fingerprint import Ingredients, beside, difference, gather
from rallymill.stages import calibrate, detect, views


def ingredients(video: Path, stage: object = calibrate.STAGE) -> Ingredients:
    config = stage.config_class()  # type: ignore[attr-defined]
    return gather(stage, config, Path("models"), "hash", "", {}, video)  # type: ignore[arg-type]


def test_court_points_are_an_ingredient_of_the_stages_that_read_them(tmp_path: Path) -> None:
    video = tmp_path / "clip.mp4"
    without = {stage.name: ingredients(video, stage) for stage in (calibrate.STAGE, views.STAGE)}
    assert without["calibrate"].beside == {}
    (tmp_path / "clip.court.yaml").write_text("frames: []\n")
    (tmp_path / "other.court.yaml").write_text("frames: [1]\n")
    for stage in (calibrate.STAGE, views.STAGE):
        now = ingredients(video, stage)
        assert now.fingerprint() != without[stage.name].fingerprint()
        reason = difference(without[stage.name], now)
        assert reason == "file beside the recording changed: *.court.yaml"
    before = ingredients(video)
    (tmp_path / "clip.court.yaml").write_text("frames: []\ndoubles: false\n")
    assert ingredients(video).fingerprint() != before.fingerprint()
    (tmp_path / "clip.court.yaml").write_text("frames: []\n")
    assert ingredients(video).fingerprint() == before.fingerprint()


def test_other_stages_do_not_mind(tmp_path: Path) -> None:
    (tmp_path / "clip.court.yaml").write_text("frames: []\n")
    assert beside(detect.STAGE, tmp_path / "clip.mp4") == {}
    assert beside(calibrate.STAGE, None) == {}


def test_records_of_before_are_still_read(tmp_path: Path) -> None:
    old = ingredients(tmp_path / "clip.mp4")
    text = old.to_json().replace('"beside": {}, ', "")
    assert "beside" not in text
    assert Ingredients.from_json(text) == old
