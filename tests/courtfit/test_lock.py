from dataclasses import replace

import cv2
import numpy as np
import pytest

from rallymill import court
from rallymill.courtfit import evidence, lock, model, support
from tests.courtfit.pictures import (
    GROUNDS,
    Scene,
    broadcast_camera,
    draw,
    tripod_camera,
)

CORNERS = np.array([p for p in court.named_points().values() if p[2] == 0])


def error_px(found, truth):
    """Median distance in pixels of the court's named points that are in the picture."""
    seen = truth.project(CORNERS)
    inside = (seen > 0).all(1) & (seen < [truth.width_px, truth.height_px]).all(1)
    return float(np.median(np.linalg.norm(found.project(CORNERS) - seen, axis=1)[inside]))


@pytest.mark.parametrize("make", [broadcast_camera, tripod_camera])
@pytest.mark.parametrize("ground", list(GROUNDS))
def test_court_is_found_to_a_fifth_of_a_pixel(make, ground):
    rng = np.random.default_rng(len(ground))
    truth = make(rng)
    scene = Scene(ground, opacity=0.6, noise=4.0, shadow=ground != "grass", people=4, seed=7)
    found = lock.lock(draw(truth, scene))
    assert isinstance(found, lock.Lock)
    assert found.paint.doubles
    assert error_px(found.fit.camera, truth) < 0.2
    # Heights need the camera's true place, not the ground plane alone.
    assert np.linalg.norm(found.fit.camera.centre_m - truth.centre_m) < 0.3


def test_court_without_alleys():
    truth = tripod_camera(np.random.default_rng(4))
    found = lock.lock(draw(truth, Scene("clay", doubles=False, seed=2)))
    assert isinstance(found, lock.Lock)
    assert not found.paint.doubles
    assert error_px(found.fit.camera, truth) < 0.3


@pytest.mark.parametrize("width", [640, 1920])
def test_other_sizes(width):
    truth = broadcast_camera(np.random.default_rng(11), width, width * 9 // 16)
    found = lock.lock(draw(truth, Scene("hard", seed=3)))
    assert isinstance(found, lock.Lock)
    assert error_px(found.fit.camera, truth) < 0.3


def test_half_the_lines_painted_over():
    truth = broadcast_camera(np.random.default_rng(21))
    image = draw(truth, Scene("hard_plain", seed=5, people=6))
    # A board hides the near right corner: right sidelines and part of the near baseline.
    corner = truth.project([2.0, -court.HALF_LENGTH_M, 0.0])
    cv2.rectangle(image, (int(corner[0]), int(corner[1]) - 160), (1280, 720), (90, 60, 40), -1)
    found = lock.lock(image)
    assert isinstance(found, lock.Lock)
    assert error_px(found.fit.camera, truth) < 0.5


def test_no_court_no_lock():
    rng = np.random.default_rng(0)
    plain = np.full((720, 1280, 3), 90, np.uint8)
    crowd = cv2.resize(
        rng.integers(0, 255, (120, 214, 3), dtype=np.uint8), (1280, 720),
        interpolation=cv2.INTER_NEAREST,
    )
    stripes = plain.copy()
    for _ in range(40):
        ends = rng.integers(0, 1280, 4)
        cv2.line(stripes, (int(ends[0]), int(ends[1])), (int(ends[2]), int(ends[3])),
                 (240, 240, 240), 2, cv2.LINE_AA)
    for image in (plain, crowd, stripes):
        assert isinstance(lock.lock(image), lock.NotFound)


def test_support_falls_when_the_court_is_moved_away():
    truth = broadcast_camera(np.random.default_rng(2))
    white = evidence.whiteness(draw(truth, Scene("clay", seed=1)))
    here = support.check(white, truth, model.Paint())
    aside = lock.Camera(
        truth.focal_px * 1.06, truth.rotation, truth.centre_m, truth.width_px, truth.height_px,
        truth.principal_px,
    )
    there = support.check(white, aside, model.Paint())
    assert here.good
    assert here.on > 0.9
    assert here.off < 0.25
    assert not there.good


def test_faint_lines_beside_the_paint_are_no_other_court():
    truth = broadcast_camera(np.random.default_rng(2))
    image = draw(truth, Scene("clay", seed=1, noise=0.0)).astype(int)
    # Stained, sharpened ground: a third of the paint's contrast everywhere.
    cells = np.random.default_rng(0).normal(0, 1, (180, 320)).astype(np.float32)
    stain = cv2.resize(cells, (1280, 720), interpolation=cv2.INTER_CUBIC)
    stained = np.clip(image + 14 * stain[..., None], 0, 255).astype(np.uint8)
    here = support.check(evidence.whiteness(stained), truth, model.Paint())
    assert here.off < 0.25
    assert here.good


def test_lines_without_their_net_are_believed_if_all_of_them_are_seen():
    truth = broadcast_camera(np.random.default_rng(2))
    image = draw(truth, Scene("clay", seed=1, net=False))
    here = support.check(evidence.whiteness(image), truth, model.Paint())
    assert here.on > 0.9
    assert here.net < 0.3
    assert here.certain == here.complete
    # Something lies over the far service line and what is beyond.
    low = int(truth.project(np.array([[0.0, 4.0, 0.0]]))[0, 1])
    image[:low] = image[low]
    covered = support.check(evidence.whiteness(image), truth, model.Paint())
    assert covered.net < 0.3
    assert not covered.good and not covered.complete


def test_whiteness_is_the_mean_of_luma_and_the_least_channel():
    image = np.random.default_rng(0).integers(0, 256, (40, 50, 3), dtype=np.uint8)
    luma = image.astype(float) @ [0.114, 0.587, 0.299]
    expected = (luma + image.min(axis=2)) / 2
    assert np.abs(evidence.whiteness(image) - expected).max() <= 1.0


def test_a_whole_court_needs_but_a_trace_of_its_net():
    whole = support.Support(0.94, 0.01, 4, 5, 0, 0.1, 4000.0, 3900.0)
    assert whole.good
    assert not replace(whole, net=0.0).good
    for less in ({"across": 3}, {"down": 3}, {"missing": 1}, {"on": 0.8}):
        assert not replace(whole, **less).good
    assert replace(whole, across=3, net=0.5).good


def test_a_court_of_which_all_is_seen_needs_no_net():
    complete = support.Support(0.99, 0.0, 4, 5, 0, 0.0, 4000.0, 3900.0)
    assert complete.certain
    for less in ({"across": 3}, {"down": 4}, {"missing": 1}, {"on": 0.94}, {"off": 0.04}):
        assert not replace(complete, **less).good


def test_a_court_moved_by_a_line_s_distance_is_not_whole():
    truth = broadcast_camera(np.random.default_rng(31))
    white = evidence.whiteness(draw(truth, Scene("hard", seed=6)))
    assert support.check(white, truth, model.Paint()).whole
    way = np.array([0.0, court.HALF_LENGTH_M - court.SERVICE_LINE_M, 0.0])
    for sign in (-1, 1):
        moved = replace(truth, centre_m=truth.centre_m + sign * way)
        assert not support.check(white, moved, model.Paint()).whole


@pytest.mark.parametrize(("seen", "certain"), [
    # Dark clay, half of it in shadow, on a drawn film: courts more than a line off.
    (support.Support(0.727, 0.079, 2, 5, 0, 0.73, 1925.0, 959.0), False),
    (support.Support(0.757, 0.237, 4, 3, 0, 0.64, 835.0, 323.0), False),
    (support.Support(0.924, 0.182, 4, 5, 0, 0.58, 2237.0, 1566.0), False),
    (support.Support(0.794, 0.150, 2, 5, 0, 0.94, 1926.0, 1024.0), False),
    # Right ones: worn paint, and a net that can hardly be seen.
    (support.Support(0.820, 0.094, 2, 5, 0, 1.0, 2401.0, 1506.0), True),
    (support.Support(0.989, 0.023, 4, 5, 0, 0.15, 2399.0, 2305.0), True),
    # From low down, the far lines behind the net's band, which is half hidden behind people.
    (support.Support(0.93, 0.01, 2, 5, 0, 0.64, 2399.0, 2305.0), True),
    (support.Support(0.93, 0.05, 2, 5, 0, 0.64, 2399.0, 2305.0), False),
])
def test_a_first_court_needs_its_net_and_clean_lines(seen, certain):
    assert seen.good
    assert seen.certain == certain
