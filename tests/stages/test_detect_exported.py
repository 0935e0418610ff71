"""Exported weights in several threads beside the library's own prediction with them."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rallymill.config import home
from rallymill.stages import detect_exported, detect_networks
from rallymill.stages.base import Execution
from rallymill.stages.detect_boxes import Box, corners
from rallymill.stages.detect_exported import Asked, FittedDetector, apart, laid_out
from rallymill.stages.detect_networks import INPUT_SIZE, DetectConfig, as_input

SIZE = (64, 96)


def pictures(count: int, shape: tuple[int, ...]) -> list[np.ndarray]:
    """Smooth pictures with a few small bright things in them, which the network takes for balls."""
    rng = np.random.default_rng(7)
    found = []
    for _ in range(count):
        rows, columns = np.mgrid[: shape[0], : shape[1]]
        level = 90 + 30 * np.sin(columns / 90 + rng.uniform(0, 6)) * np.cos(rows / 70)
        picture = np.repeat(level[..., None], shape[2], axis=2)
        for k in range(shape[2]):
            for _ in range(12):
                y, x = rng.integers(4, shape[0] - 8), rng.integers(4, shape[1] - 8)
                picture[y : y + 5, x : x + 5, k] += 110
        found.append(picture.clip(0, 255).astype(np.uint8))
    return found


@given(height=st.integers(1, 200), width=st.integers(1, 200))
@settings(max_examples=20, deadline=None)
def test_input_is_what_the_library_would_prepare(height: int, width: int) -> None:
    from ultralytics.data.augment import LetterBox

    picture = np.random.default_rng(height * 500 + width).integers(
        0, 256, (height, width, 3), dtype=np.uint8
    )
    into = np.full((1, 3, *SIZE), 77, np.uint8)
    laid_out(picture, SIZE, into)
    theirs = LetterBox(SIZE, auto=False)(image=picture)[..., ::-1].transpose(2, 0, 1)
    assert np.array_equal(into[0], theirs)


def test_input_of_more_channels_stands_at_the_top_left() -> None:
    picture = pictures(1, (40, 60, 8))[0]
    size = INPUT_SIZE
    into = np.full((1, 8, *size), 77, np.uint8)
    laid_out(picture, size, into)
    assert np.abs(into / 255 - as_input([picture]).numpy()).max() <= 1e-6


@given(seed=st.integers(0, 10_000), count=st.integers(0, 60))
@settings(max_examples=30, deadline=None)
def test_boxes_that_stay_are_those_that_the_library_keeps(seed: int, count: int) -> None:
    import torch
    from ultralytics.utils import nms

    rng = np.random.default_rng(seed)
    # A few heaps of boxes, among many places that say nothing.
    found = np.zeros((6, count + 20), np.float32)
    heap = rng.uniform(20, 700, (2, 5))[:, rng.integers(0, 5, count)]
    found[:2, :count] = heap + rng.normal(0, 3, (2, count))
    found[2:4, :count] = rng.uniform(6, 30, (2, count))
    found[4:, :count] = rng.permutation(np.linspace(0.0, 0.99, 2 * count)).reshape(2, count)
    ours = apart(found, Asked(0.05, 0.6, 12))
    theirs = nms.non_max_suppression(
        torch.from_numpy(found[None]), 0.05, 0.6, max_det=12, nc=2
    )[0].numpy()
    assert ours.shape == theirs.shape
    assert np.abs(ours - theirs).max(initial=0.0) < 2e-3


def alike(ours: list[Box], theirs: list[Box], away_px: float, less: float) -> None:
    """Every box of ours has one of the same label and confidence at its place in theirs."""
    for box in ours:
        same = [b for b in theirs if b.label == box.label]
        away = np.abs(corners(same) - corners([box])).max(axis=1)
        near = int(np.argmin(away))
        assert away[near] <= away_px
        assert same[near].confidence == pytest.approx(box.confidence, abs=less)


@pytest.fixture(scope="module")
def exported() -> Path:
    pytest.importorskip("openvino")
    return detect_networks.weights_path(home() / "models", DetectConfig().model, "cpu")


def test_boxes_are_those_of_the_librarys_own_prediction(
    exported: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The library lets what is not in eight bits reckon in 16 where the processor can; so do both.
    monkeypatch.setattr(detect_exported, "eight_bits", lambda weights: False)
    asked = Asked(0.01, 0.6, 150)
    theirs = detect_networks._predicting(exported, 3, asked)
    network = detect_exported.backend(exported, 2)
    assert network is not None
    ours = FittedDetector(network, INPUT_SIZE, detect_networks.LABELS, asked)
    shapes = ((720, 1280, 3), (534, 1280, 3), (960, 1280, 3))
    given = [picture for shape in shapes for picture in pictures(1, shape)]
    both = list(zip(ours(given), theirs(given), strict=True))
    assert min(sum(box.confidence > 0.03 for box in boxes) for boxes, _ in both) >= 8
    for mine, other in both:
        alike([b for b in mine if b.confidence > 0.03],
              [b for b in other if b.confidence > 0.01], 0.5, 0.02)
        alike([b for b in other if b.confidence > 0.03],
              [b for b in mine if b.confidence > 0.01], 0.5, 0.02)


def test_threads_find_what_one_finds(exported: Path) -> None:
    config = DetectConfig(ball_look=None, hop_look=None)
    networks = detect_networks.load_networks(home() / "models", config, Execution("cpu", threads=3))
    assert networks.alone
    given = pictures(4, (720, 1280, 3))
    alone = networks.detector(given)
    with ThreadPoolExecutor(3) as pool:
        together = [boxes for [boxes] in pool.map(lambda p: networks.detector([p]), given)]
    assert together == alone


def test_an_unknown_backend_is_left_to_the_librarys_own_prediction(
    exported: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(detect_exported, "backend", lambda *given: None)
    config = DetectConfig(ball_look=None, hop_look=None)
    networks = detect_networks.load_networks(home() / "models", config, Execution("cpu"))
    assert not networks.alone
    assert networks.detector(pictures(1, (720, 1280, 3)))[0]
