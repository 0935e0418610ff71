"""What runs on a graphics card, asked here of the processor: the library's answers and others'."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from rallymill.config import home
from rallymill.stages import graphics_card
from rallymill.stages.detect_boxes import corners
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


@pytest.mark.parametrize(
    ("device", "card"), [
        ("cpu", None), ("cuda", "cuda"), ("cuda:1", "cuda:1"), ("2", "cuda:2"), ("mps", "mps"),
    ],
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
