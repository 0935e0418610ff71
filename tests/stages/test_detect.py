"""The detect stage without a network: neighbours in time, scales, choices."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rallymill import tables
from rallymill.errors import ModelMissingError
from rallymill.stages import detect
from rallymill.stages.base import Execution, MatchContext


def _grey(value: int) -> detect.Picture:
    return np.full((4, 6), value, np.uint8)


def _numbered(count: int) -> list[tuple[int, float, detect.Picture]]:
    return [(10 + i, i / 25, _grey(i)) for i in range(count)]


def test_no_frames_give_no_pictures() -> None:
    assert list(detect.motion_pictures([], 2)) == []


@given(count=st.integers(1, 30), step=st.integers(1, 4))
def test_each_frame_meets_its_neighbours_in_time(count: int, step: int) -> None:
    found = list(detect.motion_pictures(_numbered(count), step))
    assert [frame for frame, _, _ in found] == list(range(10, 10 + count))
    for i, (_, t_s, picture) in enumerate(found):
        before = i - step if i >= step else i
        after = i + step if i + step < count else i
        assert t_s == i / 25
        assert picture[0, 0].tolist() == [before, i, after]


def test_frame_step_follows_the_frame_rate() -> None:
    for rate, step in ((24, 1), (25, 1), (30, 1), (50, 2), (60, 2)):
        assert detect.frame_step(1 / rate, 0.036) == step


def test_no_main_view_gives_an_empty_table() -> None:
    context = MatchContext("m", Path("absent.mp4"))
    inputs = {"views": tables.VIEWS.empty()}
    found = detect.STAGE.run(context, inputs, detect.DetectConfig())
    assert found.num_rows == 0
    assert found.schema.equals(tables.DETECTIONS.schema())


def test_choose_keeps_the_most_confident_balls() -> None:
    config = detect.DetectConfig(balls_a_frame=2, ball_confidence=0.1, player_confidence=0.3)
    boxes = [detect.Box("ball", 0, 0, 1, 1, c) for c in (0.2, 0.9, 0.05, 0.5)]
    boxes += [detect.Box("player", 0, 0, 1, 1, c) for c in (0.2, 0.4)]
    kept = detect.choose(boxes, config)
    assert sorted((b.label, b.confidence) for b in kept) == [
        ("ball", 0.5), ("ball", 0.9), ("player", 0.4),
    ]


def test_missing_weights_name_the_remedy(tmp_path: Path) -> None:
    with pytest.raises(ModelMissingError, match="restore the models folder"):
        detect.weights_path(tmp_path, "detector/weights", Execution().device)
