"""The detect stage without a network: neighbours in time, scales, choices."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rallymill import tables
from rallymill.errors import ModelMissingError
from rallymill.stages import detect, detect_networks, detect_stream
from rallymill.stages.base import Execution, MatchContext
from rallymill.stages.detect_boxes import Box
from rallymill.stages.detect_networks import (
    INPUT_SIZE,
    DetectConfig,
    as_input,
    choose,
    weights_path,
)


def test_nothing_has_no_moments_around() -> None:
    assert list(detect_stream.moments_around([], 2)) == []


@given(count=st.integers(1, 40), step=st.integers(1, 4))
def test_each_frame_meets_its_neighbours_in_time(count: int, step: int) -> None:
    found = list(detect_stream.moments_around(range(count), step))
    wanted = [
        [at + step * k if 0 <= at + step * k < count else at for k in (-2, -1, 0, 1, 2)]
        for at in range(count)
    ]
    assert found == wanted


def test_input_holds_the_picture_at_its_top_left() -> None:
    picture = np.random.default_rng(0).integers(0, 255, (20, 30, 8), dtype=np.uint8)
    given = as_input([picture, picture]).numpy()
    assert given.shape == (2, 8, *INPUT_SIZE)
    assert np.allclose(given[1, :, :20, :30] * 255, picture.transpose(2, 0, 1), atol=1e-3)
    assert not given[:, :, 20:].any() and not given[:, :, :, 30:].any()


def test_frame_step_follows_the_frame_rate() -> None:
    for rate, step in ((24, 1), (25, 1), (30, 1), (50, 2), (60, 2)):
        assert detect.frame_step(1 / rate, 0.036) == step


def test_no_main_view_gives_an_empty_table() -> None:
    context = MatchContext("m", Path("absent.mp4"))
    inputs = {"views": tables.VIEWS.empty(), "frames": tables.FRAMES.empty()}
    found = detect.STAGE.run(context, inputs, DetectConfig())
    assert found.num_rows == 0
    assert found.schema.equals(tables.DETECTIONS.schema())


def test_choose_keeps_the_most_confident_balls() -> None:
    config = DetectConfig(balls_a_frame=2, ball_confidence=0.1, player_confidence=0.3)
    boxes = [Box("ball", 0, 0, 1, 1, c) for c in (0.2, 0.9, 0.05, 0.5)]
    boxes += [Box("player", 0, 0, 1, 1, c) for c in (0.2, 0.4)]
    kept = choose(boxes, config)
    assert sorted((b.label, b.confidence) for b in kept) == [
        ("ball", 0.5), ("ball", 0.9), ("player", 0.4),
    ]


def test_missing_weights_name_the_remedy(tmp_path: Path) -> None:
    with pytest.raises(ModelMissingError, match="restore the models folder"):
        weights_path(tmp_path, "detector/weights", Execution().device)


def test_a_machine_that_stalls_loses_no_boxes(monkeypatch: pytest.MonkeyPatch) -> None:
    from ultralytics import YOLO
    from ultralytics.utils import nms

    # Whatever ran before in this process may have taken the library's hurry away.
    usual = getattr(nms.non_max_suppression, "func", nms.non_max_suppression)
    monkeypatch.setattr(nms, "non_max_suppression", usual)
    models = Path(__file__).resolve().parents[2] / "models"
    network = YOLO(models / "detector" / "weights.pt", task="detect")
    picture = np.zeros((96, 160, 3), np.uint8)
    picture[30:70, 60:80] = 200
    few: dict = {"imgsz": (96, 160), "conf": 1e-6, "verbose": False, "device": "cpu"}
    clock = iter(range(0, 10**9, 3600))
    monkeypatch.setattr(nms.time, "time", lambda: float(next(clock)))
    hurried = [len(result.boxes) for result in network.predict([picture] * 3, **few)]
    assert hurried[0] > 0 and hurried[1:] == [0, 0]
    detect_networks._never_hurried()
    detect_networks._never_hurried()
    assert [len(r.boxes) for r in network.predict([picture] * 3, **few)] == [hurried[0]] * 3
