"""The look at players' feet: what is seen, who is looked at, what becomes of their boxes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rallymill.camera import Camera
from rallymill.stages import detect_hops
from rallymill.stages.detect_boxes import Box
from tests.stages.test_detect_balls import dotted, spot

SIZE = (1280, 720)
CAMERA = Camera.looking_at((0.0, -28.0, 9.0), (0.0, 0.0, 0.5), 1500.0, *SIZE)


def standing(x_m: float, y_m: float, confidence: float = 0.9, scale: float = 1.0) -> Box:
    """Box of somebody 1.8 m tall on the ground, from the corner of a picture scaled down."""
    foot, head = CAMERA.project([(x_m, y_m, 0.0), (x_m, y_m, 1.8)]) + 0.5
    half = 0.18 * (foot[1] - head[1])
    edges = np.array([foot[0] - half, head[1], foot[0] + half, foot[1]]) / scale
    return Box("player", *edges.tolist(), confidence)


@settings(max_examples=25)
@given(st.floats(60, 130), st.floats(120, 220), st.floats(150, 200), st.floats(2, 12))
def test_a_hop_is_seen_as_a_rise_of_the_feet(tall, x, y, rise) -> None:
    # A light at the feet stands for them; it rises in the middle moment alone.
    box = np.array([[x - 0.2 * tall, y - tall, x + 0.2 * tall, y]])
    moments = [dotted(x, y)] * 2 + [dotted(x, y - rise)] + [dotted(x, y)] * 2
    seen = detect_hops.looks(moments, [None] * 5, box)
    assert seen.shape == (1, detect_hops.CHANNELS, 48, 48)
    zoom = 48 / (detect_hops.VIEWS[0][1] * tall)
    up = spot(seen[0, 1])[1] - spot(seen[0, 2])[1]
    assert up == pytest.approx(rise * zoom, abs=0.15 * rise * zoom + 0.6)
    whole = 48 / (detect_hops.VIEWS[1][1] * tall)
    # The body's view is centred half the height above the feet.
    assert spot(seen[0, 5])[1] == pytest.approx(0.5 * tall * whole, abs=1.0)


@settings(max_examples=25)
@given(st.floats(-25, 25), st.floats(-15, 15))
def test_the_ground_stays_while_the_camera_pans(across, down) -> None:
    x, y = 160.0, 170.0
    matrix = np.array([[1, 0, across], [0, 1, down], [0, 0, 1.0]])
    other, here = dotted(x - across, y - down), dotted(x, y)
    seen = detect_hops.looks(
        [other, other, here, other, other], [matrix, matrix, None, matrix, matrix],
        np.array([[x - 15, y - 80, x + 15, y]]),
    )
    for k in range(detect_hops.CHANNELS):
        assert np.abs(seen[0, k].astype(int) - seen[0, 5 * (k // 5) + 2]).max() <= 12


@pytest.mark.parametrize("scale", [1.0, 1.5])
def test_those_on_court_are_looked_at(scale: float) -> None:
    boxes = [
        standing(1.0, -12.0, 0.6, scale), standing(-2.0, 11.0, 0.9, scale),
        standing(7.5, 0.2, 0.9, scale),  # At the net post.
        standing(0.0, 17.5, 0.9, scale),  # A line judge far behind.
        standing(0.0, -11.0, 0.3, scale),  # Not sure.
        replace(standing(0.0, -11.0, 0.9, scale), label="ball"),
    ]
    assert detect_hops.on_court(CAMERA, boxes, scale) == [1, 0]
    crowd = [standing(x, -10.0, 0.5 + 0.05 * k, scale) for k, x in enumerate(range(-3, 4))]
    assert detect_hops.on_court(CAMERA, crowd, scale) == [6, 5, 4, 3]
    assert detect_hops.on_court(CAMERA, [], scale) == []


def test_boxes_keep_their_order_and_say_who_is_in_the_air() -> None:
    asked: list[tuple[int, ...]] = []

    def run(seen: np.ndarray) -> np.ndarray:
        asked.append(seen.shape)
        assert seen.dtype == np.uint8
        return np.array([[2.0, 0.5], [-2.0, 0.0]], dtype=np.float32)[: len(seen)]

    boxes = [
        Box("ball", 5, 5, 9, 9, 0.5), standing(1.0, -12.0, 0.6), standing(-2.0, 11.0, 0.9),
        standing(0.0, 17.5, 0.9),
    ]
    moments = [dotted(300, 300, (720, 1280))] * 5
    look = detect_hops.HopLook(run)
    around = [(moments, [None] * 5)]
    [found] = look.looked_together(around, [(CAMERA, 1.0)], [boxes])
    assert [replace(box, airborne=None) for box in found] == boxes
    assert [box.airborne for box in found] == [
        None, pytest.approx(1 / (1 + np.exp(2))), pytest.approx(1 / (1 + np.exp(-2))), None,
    ]
    assert look.looked_together(around, [(None, 1.0)], [boxes]) == [boxes]
    assert look.looked_together(around, [(CAMERA, 1.0)], [boxes[:1]]) == [boxes[:1]]
    assert asked == [(2, detect_hops.CHANNELS, 48, 48)]
