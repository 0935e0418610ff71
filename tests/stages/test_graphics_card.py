"""What runs on a graphics card, asked here of the processor: the library's answers and others'."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rallymill.config import home
from rallymill.stages import detect_balls, detect_hops, graphics_card, onnx_network
from rallymill.stages.base import Execution
from rallymill.stages.detect_boxes import Box, corners
from rallymill.stages.detect_exported import Asked, FittedDetector
from rallymill.stages.detect_networks import INPUT_SIZE, LABELS
from tests.stages.test_detect_exported import pictures

MODELS = home() / "models"
ASKED = Asked(0.01, 0.6, 150)


def detector(together: int) -> FittedDetector:
    network = graphics_card.detector(MODELS / "detector" / "weights.pt", "cpu", ASKED.least)
    return FittedDetector(network, INPUT_SIZE, LABELS, ASKED, together)


def test_boxes_are_those_of_the_librarys_own_prediction() -> None:
    from ultralytics import YOLO

    shapes = ((720, 1280, 3), (534, 1280, 3), (960, 1280, 3))
    given = [pictures(1, shape)[0] for shape in shapes]
    theirs = YOLO(MODELS / "detector" / "weights.pt", task="detect").predict(
        given, imgsz=list(INPUT_SIZE), conf=ASKED.least, iou=ASKED.overlap, max_det=ASKED.most,
        device="cpu", verbose=False,
    )
    n_sure = 0
    for boxes, other in zip(detector(2)(given), theirs, strict=True):
        said = other.boxes.data.numpy()
        ours = np.column_stack([
            corners(boxes), [box.confidence for box in boxes],
            [LABELS.index(box.label) for box in boxes],
        ])
        for one, rest in ((ours, said), (said, ours)):
            for row in one[one[:, 4] > 0.02]:
                same = rest[rest[:, 5] == row[5]]
                best = np.abs(same[:, :4] - row[:4]).max(axis=1).argmin()
                assert np.allclose(same[best, :4], row[:4], atol=0.1)
                assert same[best, 4] == pytest.approx(row[4], abs=1e-3)
                n_sure += 1
    assert n_sure >= 30


def test_it_does_not_matter_what_a_picture_is_looked_at_with() -> None:
    given = pictures(5, (720, 1280, 3))
    alone = detector(1)
    many = detector(4)
    with ThreadPoolExecutor(2) as pool:
        apart = list(pool.map(lambda picture: alone([picture])[0], given))
    for one, other in zip(many(given), apart, strict=True):
        assert len(one) == len(other) > 3
        assert np.allclose(corners(one), corners(other), atol=1e-2)
    assert many([]) == []


@pytest.mark.parametrize("name", ["ball_look", "hop_look"])
@pytest.mark.parametrize("count", [1, 7])
def test_looks_say_what_another_runtime_says(name: str, count: int) -> None:
    pytest.importorskip("onnx")
    path = MODELS / name / "weights.onnx"
    rng = np.random.default_rng(5)
    channels = detect_balls.CHANNELS if name == "ball_look" else detect_hops.CHANNELS
    given: list[Any] = [rng.integers(0, 256, (count, channels, 48, 48)).astype(np.uint8)]
    if name == "ball_look":
        given.append(rng.normal(0, 1, (count, detect_balls.FEATURES)).astype(np.float32))
    ours = graphics_card.onnx_on(path, "cpu")(given)
    theirs = onnx_network._opencv(path)(given)
    assert len(ours) == len(theirs) == 1
    assert ours[0].shape == theirs[0].shape
    assert np.allclose(ours[0], theirs[0], atol=1e-3 * max(1.0, np.abs(theirs[0]).max()))


def test_a_network_of_other_operations_is_left_to_the_processor(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    pytest.importorskip("onnx")
    asked: list[Path] = []

    def on_processor(path: Path, *_: object) -> object:
        asked.append(path)
        return None

    monkeypatch.setattr(graphics_card, "card_of", lambda device: "cpu")
    monkeypatch.setattr(onnx_network, "_opencv", on_processor)
    monkeypatch.setattr(onnx_network, "_openvino", on_processor)
    execution = Execution("cuda")
    people = "people_second/nanodet"
    onnx_network.open_network(MODELS, people, execution, "the second opinion", "second_opinion")
    assert [path.name for path in asked] == ["nanodet.onnx"]
    run = onnx_network.open_network(MODELS, "hop_look/weights", execution, "feet", "hop_look")
    assert run([np.zeros((2, detect_hops.CHANNELS, 48, 48), np.uint8)])[0].shape == (2, 2)
    assert len(asked) == 1


@pytest.mark.parametrize(
    ("device", "card"), [("cpu", None), ("cuda", "cuda"), ("cuda:1", "cuda:1"), ("2", "cuda:2")]
)
def test_a_card_is_named_as_in_the_configuration(device: str, card: str | None) -> None:
    assert graphics_card.card_of(device) == card


def test_auto_is_the_first_card_where_there_is_one(monkeypatch: pytest.MonkeyPatch) -> None:
    import torch

    for there, card in ((True, "cuda:0"), (False, None)):
        monkeypatch.setattr(torch.cuda, "is_available", lambda there=there: there)
        assert graphics_card.card_of("auto") == card


@pytest.mark.parametrize(("device", "half"), [("cuda", True), ("cpu", False)])
def test_half_precision_is_for_cards(
    monkeypatch: pytest.MonkeyPatch, device: str, half: bool
) -> None:
    asked: list[bool] = []

    class Library:
        def __init__(self, path: str, place: object, *, fp16: bool, verbose: bool) -> None:
            asked.append(fp16)

        def eval(self) -> None:
            return

    monkeypatch.setattr("ultralytics.nn.autobackend.AutoBackend", Library)
    graphics_card.detector(MODELS / "detector" / "weights.pt", device, 0.1)
    assert asked == [half]


def test_frames_looked_at_together_are_told_apart() -> None:
    """Each place gets the answer that was given to it, however many places other frames have."""
    rng = np.random.default_rng(11)
    from rallymill import motion_picture

    def answers(seen: np.ndarray, said: np.ndarray) -> np.ndarray:
        level = seen[:, motion_picture.MIDDLE].astype(np.float32).mean((1, 2))
        return np.column_stack([level / 64 - 2, level / 200, said[:, 2]]).astype(np.float32)

    look = detect_balls.BallLook(answers)
    around, boxes = [], []
    for count in (3, 0, 1, 5):
        shades = motion_picture.Moment(
            rng.integers(0, 256, (120, 160)).astype(np.uint8), np.zeros((120, 160), np.uint8)
        )
        around.append(([shades] * 5, [None] * 5))
        places = rng.uniform(20, 100, (count, 2)).tolist()
        boxes.append([Box("ball", x, y, x + 5, y + 4, rng.uniform(0.1, 0.9)) for x, y in places])
    together = look.looked_together(around, boxes)
    alone: Sequence[list[Box]] = [
        look.looked(*one, those) for one, those in zip(around, boxes, strict=True)
    ]
    assert together == list(alone)
    assert [len(one) for one in together] == [3, 0, 1, 5]
