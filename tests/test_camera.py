"""Camera: there and back, and what it does at the edges."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rallymill.camera import (
    Camera,
    from_homography,
    from_matrix,
    homography_from_points,
    refine,
)

CORNERS = np.array(
    [[x, y, 0] for x in (-5.485, -4.115, 0, 4.115, 5.485) for y in (-11.885, -6.4, 6.4, 11.885)]
)


def camera(k1: float = 0.0, roll: float = 0.01) -> Camera:
    return Camera.looking_at((1.0, -30, 9), (0, -1, 0), 2000, 1280, 720, roll_rad=roll, k1=k1)


cameras = st.builds(
    lambda x, y, z, tx, ty, f, roll, k1: Camera.looking_at(
        (x, y, z), (tx, ty, 0), f, 1280, 720, roll_rad=roll, k1=k1
    ),
    st.floats(-4, 4), st.floats(-40, -17), st.floats(2.5, 15), st.floats(-3, 3), st.floats(-4, 4),
    st.floats(1000, 3000), st.floats(-0.05, 0.05), st.floats(-0.15, 0.1),
)


@given(cameras, st.floats(-5, 5), st.floats(-10, 14))
def test_ground_undoes_project(one: Camera, x: float, y: float) -> None:
    image = one.project([x, y, 0.0])
    if np.abs(one.undistort(image)).max() < 0.8:
        assert one.ground(image) == pytest.approx([x, y, 0.0], abs=1e-4)


@given(cameras, st.floats(-5, 5), st.floats(-10, 14), st.floats(0, 3))
def test_height_above_undoes_project(one: Camera, x: float, y: float, z: float) -> None:
    image = one.project([x, y, z])
    if z < one.centre_m[2] and np.abs(one.undistort(image)).max() < 0.8:
        assert one.height_above([x, y], image) == pytest.approx(z, abs=1e-4)
        assert one.ground(image, z) == pytest.approx([x, y, z], abs=1e-3)


@given(cameras)
@settings(max_examples=50)
def test_matrix_keeps_the_camera(one: Camera) -> None:
    again = from_matrix(one.matrix.ravel() * -2.5, 1280, 720, one.k1)
    assert again.project(CORNERS) == pytest.approx(one.project(CORNERS), abs=1e-5)
    assert again.centre_m == pytest.approx(one.centre_m, abs=1e-6)


@given(cameras)
@settings(max_examples=50)
def test_parameters_there_and_back(one: Camera) -> None:
    again = one.with_parameters(one.parameters())
    assert again.project(CORNERS) == pytest.approx(one.project(CORNERS), abs=1e-6)


def test_axes_of_the_picture() -> None:
    one = camera(roll=0.0)
    middle, right, up, away = one.project([[0, 0, 0], [1, 0, 0], [0, 0, 1], [0, 1, 0]])
    assert right[0] > middle[0]
    assert up[1] < middle[1]
    assert away[1] < middle[1]


def test_homography_is_the_projection_of_the_ground() -> None:
    one = camera()
    seen = np.column_stack([CORNERS[:, :2], np.ones(len(CORNERS))]) @ one.homography.T
    assert seen[:, :2] / seen[:, 2:] == pytest.approx(one.project(CORNERS), abs=1e-8)


def test_a_point_behind_the_camera_is_not_seen() -> None:
    assert np.isnan(camera().project([0, -60, 0])).all()


def test_a_point_beyond_the_fold_of_the_lens_is_not_seen() -> None:
    one = Camera.looking_at((0, -16, 3), (0, 0, 0), 500, 1280, 720, k1=-0.2)
    assert one.fold_radius == pytest.approx(1.29, abs=0.01)
    beside = np.linspace(0, 60, 400)
    seen = one.project(np.column_stack([beside, np.zeros(400), np.full(400, 1.0)]))[:, 0]
    shown = np.isfinite(seen)
    # Up to the fold the image moves outward, beyond it there is none.
    assert (np.diff(seen[shown]) > 0).all()
    assert shown[0]
    assert not shown[-1]
    assert (np.diff(shown.astype(int)) <= 0).all()
    # The edge of what the lens can show: 2/3 of the fold radius in the picture.
    limit = 2 / 3 * one.fold_radius * one.focal_px
    inside, outside = np.array([[639.5 + limit * 0.999, 359.5], [639.5 + limit * 1.01, 359.5]])
    assert np.isfinite(one.undistort(inside)).all()
    assert np.isnan(one.undistort(outside)).all()
    assert np.isnan(one.ground(outside)).all()


def test_the_sky_is_not_on_the_ground() -> None:
    assert np.isnan(camera().ground([640, -5000])).all()


def test_scale_follows_distance() -> None:
    near, far = camera().pixels_per_metre([[0, -11.885, 0], [0, 11.885, 0]])
    assert near > 1.8 * far
    one = camera(roll=0.0)
    a, b = one.project([[0, 11.885, 0], [0.01, 11.885, 0]])
    assert np.linalg.norm(b - a) / 0.01 == pytest.approx(far, rel=0.01)


def test_a_homography_gives_its_camera_back() -> None:
    one = camera()
    found = from_homography(one.homography * -7, 1280, 720)
    assert found is not None
    assert found.focal_px == pytest.approx(one.focal_px, rel=1e-6)
    assert found.centre_m == pytest.approx(one.centre_m, abs=1e-5)


def test_no_camera_for_a_map_that_is_none() -> None:
    assert from_homography(np.eye(3), 1280, 720) is None


def test_four_points_are_enough_and_three_are_not() -> None:
    one = camera()
    four = CORNERS[[0, 3, 16, 19]]
    h = homography_from_points(four, one.project(four))
    assert h == pytest.approx(one.homography / one.homography[2, 2], rel=1e-5)
    with pytest.raises(ValueError, match="3 points, need 4"):
        homography_from_points(four[:3], one.project(four[:3]))


def test_points_on_one_line_are_refused() -> None:
    line = np.column_stack([np.arange(5.0), np.zeros(5)])
    with pytest.raises(ValueError, match="degenerate"):
        homography_from_points(line, line * 10)


@pytest.mark.filterwarnings("ignore:invalid value")
@pytest.mark.parametrize("matrix", [np.zeros((3, 4)), np.diag([1000.0, 300, 1]) @ np.eye(3, 4)])
def test_what_is_no_camera_matrix_is_refused(matrix: np.ndarray) -> None:
    with pytest.raises((ValueError, np.linalg.LinAlgError)):
        from_matrix(matrix, 1280, 720)


def test_refinement_bears_wild_points() -> None:
    rng = np.random.default_rng(2)
    one = camera()
    points = np.concatenate([CORNERS, [[0, 0, 0.914], [-6.399, 0, 1.07], [6.399, 0, 1.07]]])
    image = one.project(points) + rng.normal(0, 0.5, (len(points), 2))
    image[3] += [40, -30]
    start = Camera.looking_at((2.0, -28, 8), (0.5, 0, 0), 1800, 1280, 720)
    found = refine(start, points, image)
    away = np.linalg.norm(found.project(points) - one.project(points), axis=1)
    assert np.median(away) < 0.5
    assert away.max() < 2.0
