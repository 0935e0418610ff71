from math import erf

import numpy as np
import pytest

from rallymill.courtfit import profile


def bar(at: float, half: float, left: float, right: float, slope: float = 0.0) -> np.ndarray:
    """Picture of one bright line that runs down the picture at ``at + slope * row``."""
    rows, columns = np.mgrid[0:80, 0:120].astype(float)
    x = (columns - at - slope * rows) / np.hypot(1, slope)
    root = np.sqrt(2) * 0.8
    edge = np.vectorize(erf)
    paint = 0.5 * (edge((x + half) / root) - edge((x - half) / root))
    ground = left + (right - left) * 0.5 * (1 + edge(x / root))
    return np.round(ground + (225 - ground) * paint).astype(np.uint8)


def test_nothing_to_measure():
    seen = profile.measure(
        np.zeros((20, 20), np.uint8), np.zeros((0, 2)), np.zeros((0, 2)), np.zeros(0), 5.0
    )
    assert len(seen.offset_px) == 0


@pytest.mark.parametrize("half", [0.6, 1.5, 4.0])
@pytest.mark.parametrize("at", [60.0, 60.3, 62.75])
def test_place_of_a_line_to_a_twentieth_of_a_pixel(half, at):
    seen = profile.measure(
        bar(at, half, 90, 90), np.array([[60.0, 40.0]]), np.array([[1.0, 0.0]]),
        np.array([half]), 6.0,
    )
    assert seen.found[0]
    assert seen.offset_px[0] == pytest.approx(at - 60, abs=0.05)


def test_other_ground_on_the_two_sides_moves_it_little():
    seen = profile.measure(
        bar(60.4, 1.5, 60, 110), np.array([[60.0, 40.0]]), np.array([[1.0, 0.0]]),
        np.array([1.5]), 6.0,
    )
    assert seen.found[0]
    assert seen.offset_px[0] == pytest.approx(0.4, abs=0.08)


def test_slanted_line_is_measured_across():
    normal = np.array([1.0, -0.5]) / np.hypot(1, 0.5)
    seen = profile.measure(
        bar(40.0, 2.0, 80, 80, slope=0.5), np.array([[61.0, 40.0]]), normal[None], np.array([2.0]),
        6.0,
    )
    assert seen.offset_px[0] == pytest.approx(-1.0 * normal[0], abs=0.06)


def test_plain_ground_and_mere_edge_are_no_lines():
    point, normal = np.array([[60.0, 40.0]]), np.array([[1.0, 0.0]])
    plain = np.full((80, 120), 100, np.uint8)
    edge = np.where(np.arange(120) < 60, 60, 160).astype(np.uint8)[None].repeat(80, 0)
    for image in (plain, edge):
        assert not profile.measure(image, point, normal, np.array([1.5]), 6.0).found[0]


def test_dark_line_is_no_line():
    image = 255 - bar(60.0, 2.0, 90, 90)
    seen = profile.measure(
        image, np.array([[60.0, 40.0]]), np.array([[1.0, 0.0]]), np.array([2.0]), 3.0
    )
    assert not seen.found[0]


def test_a_place_at_the_picture_edge_is_not_measured():
    seen = profile.measure(
        bar(3.0, 2.0, 90, 90), np.array([[3.0, 40.0]]), np.array([[1.0, 0.0]]), np.array([2.0]), 6.0
    )
    assert not seen.found[0]
