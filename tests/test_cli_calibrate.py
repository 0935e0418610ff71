"""``rallymill calibrate``: propose, fill in, see what became of it."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np
import pytest

from rallymill import court, video
from rallymill.cli.main import run
from tests.courtfit.pictures import Scene, broadcast_camera, draw


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    path = tmp_path / "clip.mp4"
    image = draw(broadcast_camera(np.random.default_rng(3), 640, 360), Scene("clay", seed=1))
    with video.Writer(path, 640, 360, Fraction(25)) as out:
        for _ in range(3):
            out.write(image)
    return path


def test_points_are_proposed_filled_in_and_shown(
    recording: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["calibrate", str(recording)]) == 0
    text = (recording.parent / "clip.court.yaml").read_text()
    said = capsys.readouterr().out
    assert "clip.court.yaml is to be filled in" in said
    assert "the court as found at" in said
    picture = cv2.imread(str(recording.parent / "clip.court-1.png"))
    assert picture.shape[1] == 640
    assert picture.shape[0] > 360
    # Nothing is filled in yet: saying so is better than a picture of nothing.
    assert run(["calibrate", str(recording)]) == 2
    assert "no points are filled in" in capsys.readouterr().err
    truth = broadcast_camera(np.random.default_rng(3), 640, 360)
    filled = []
    for line in text.splitlines():
        name = line.strip().split(":")[0]
        place = court.named_points().get(name)
        if place is not None and "found at" in line:
            u, v = truth.project(place) + [0.7, -0.6]
            line = f"      {name}: [{u:.1f}, {v:.1f}]"
        filled.append(line)
    (recording.parent / "clip.court.yaml").write_text("\n".join(filled))
    assert run(["calibrate", str(recording)]) == 0
    assert "refined on the lines" in capsys.readouterr().out


def test_a_wrong_name_is_said_and_the_file_kept(
    recording: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = recording.parent / "clip.court.yaml"
    path.write_text("frames:\n- {at_s: 0.0, points: {near_tee: [1, 2]}}\n")
    before = path.read_text()
    assert run(["calibrate", str(recording)]) == 2
    assert "did you mean near_t?" in capsys.readouterr().err
    assert path.read_text() == before


def test_a_time_beyond_the_end(recording: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["calibrate", str(recording), "--at", "99"]) == 2
    assert "no frame at 99 s" in capsys.readouterr().err
