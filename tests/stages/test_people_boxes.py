"""Boxes that show less than a whole person, or more."""

from __future__ import annotations

import numpy as np
import pytest

from rallymill.camera import Camera
from rallymill.stages.people import PeopleConfig
from rallymill.stages.people.ground import hop_shift, place

LOW = Camera.looking_at((0.5, -17, 4.5), (0, 2, 0.5), 900, 1280, 720)
HIGH = Camera.looking_at((0.0, -32, 9), (0, -1, 0), 2000, 1280, 720)
PLAIN = PeopleConfig(near_foot_m=0.0, far_foot_m=0.0)


def box(camera: Camera, x: float, y: float, tall: float = 1.75, wide: float = 0.6) -> np.ndarray:
    foot, head = camera.project([[x, y, 0], [x, y, tall]])
    half = wide / 2 * float(camera.pixels_per_metre([x, y, 0]))
    return np.array([[foot[0] - half, head[1], foot[0] + half, foot[1]]])


def at(camera: Camera, boxes: np.ndarray, **more: float) -> dict[str, np.ndarray]:
    return place(camera, boxes, camera.height_px, 0.04, PLAIN.model_copy(update=more))


def test_no_boxes_give_no_places() -> None:
    assert at(HIGH, np.empty((0, 4)))["ground_m"].shape == (0, 2)


@pytest.mark.parametrize(("x", "y"), [(0.0, -12.0), (3.0, 13.0), (-4.0, 0.5)])
def test_a_whole_person_stands_at_the_feet(x: float, y: float) -> None:
    found = at(HIGH, box(HIGH, x, y))
    assert found["ground_m"][0] == pytest.approx([x, y], abs=1e-6)
    assert found["tall_m"][0] == pytest.approx(1.75, abs=0.01)
    assert not found["cut"][0]


def test_covariance_is_that_of_shaken_boxes() -> None:
    rng = np.random.default_rng(0)
    one = box(HIGH, 2.0, 12.0)
    found = at(HIGH, one, foot_sd_px=1.0, foot_sd_share=0.0)
    foot = np.array([one[0, [0, 2]].mean(), one[0, 3]])
    shaken = HIGH.ground(foot + rng.normal(0, 1.0, (20000, 2)))[:, :2]
    assert found["covariance_m2"][0] == pytest.approx(np.cov(shaken.T), rel=0.06, abs=1e-4)


def test_far_depth_is_the_least_certain() -> None:
    near, far = (at(HIGH, box(HIGH, 0.0, y))["covariance_m2"][0] for y in (-12.0, 12.0))
    assert far[1, 1] > 2 * near[1, 1]
    assert far[1, 1] > 5 * far[0, 0]


def test_a_wide_box_is_worth_less_across_only() -> None:
    slim, wide = (at(HIGH, box(HIGH, 0, -12.0, wide=w))["covariance_m2"][0] for w in (0.6, 1.4))
    assert wide[0, 0] > 4 * slim[0, 0]
    assert wide[1, 1] == pytest.approx(slim[1, 1], rel=0.05)


def test_a_wide_box_weighs_the_same_at_every_frame_rate() -> None:
    one = box(HIGH, 0, -12.0, wide=1.6)
    variances = [
        place(HIGH, one, 720, step, PLAIN)["covariance_m2"][0, 0, 0] * step
        for step in (1 / 25, 1 / 50)
    ]
    assert variances[0] == pytest.approx(variances[1], rel=0.1)


@pytest.mark.parametrize("x", [0.0, 2.0])
def test_feet_below_the_picture_are_found_by_the_head(x: float) -> None:
    whole = box(LOW, x, -13.6)
    assert whole[0, 3] > 740, "the scene must cut the feet"
    cut = np.minimum(whole, 719.5)
    found = at(LOW, cut)
    assert found["cut"][0]
    edge = LOW.ground([cut[0, [0, 2]].mean(), 719.5])[1]
    assert abs(found["ground_m"][0, 1] + 13.6) < 0.4 * abs(edge + 13.6)
    assert found["covariance_m2"][0, 1, 1] > 0.01


def test_a_person_cut_by_the_side_of_the_picture() -> None:
    x = float(LOW.ground([1279, 500])[0])
    y = float(LOW.ground([1279, 500])[1])
    whole = box(LOW, x - 0.05, y)
    cut = whole.copy()
    cut[0, 2] = 1279.5
    found = at(LOW, cut)
    plain = float(LOW.ground([cut[0, [0, 2]].mean(), cut[0, 3]])[0])
    assert abs(found["ground_m"][0, 0] - (x - 0.05)) < 0.05 < abs(plain - (x - 0.05))


def test_a_hop_seems_to_be_a_step_away() -> None:
    """h D / (H - h): half a metre seems 1.05 m near and 2.30 m far, for a camera 20 m behind the
    baseline and 10 m up."""
    camera = Camera.looking_at((0, -31.885, 10), (0, 0, 0), 1800, 1280, 720)
    shift = hop_shift(camera, np.array([[0, -11.885], [0, 11.885]]), 0.5)
    assert shift[:, 1] == pytest.approx([1.05, 2.30], abs=0.01)
    assert shift[:, 0] == pytest.approx([0, 0], abs=1e-9)
