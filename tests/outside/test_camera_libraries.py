"""Homography and camera against scikit-image and OpenCV."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage.transform import ProjectiveTransform

from rallymill import court
from rallymill.camera import Camera, from_homography, from_matrix, homography_from_points


def camera(seed: int, k1: float = 0.0) -> Camera:
    rng = np.random.default_rng(seed)
    return Camera.looking_at(
        (rng.uniform(-3, 3), rng.uniform(-35, -18), rng.uniform(3, 12)),
        (rng.uniform(-2, 2), rng.uniform(-3, 3), 0), rng.uniform(900, 2600), 1280, 720,
        roll_rad=rng.uniform(-0.03, 0.03), k1=k1,
    )


def ground_points() -> np.ndarray:
    return np.array([p for p in court.named_points().values() if p[2] == 0])


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("k1", [0.0, -0.12, 0.05])
def test_projection_agrees_with_opencv(seed: int, k1: float) -> None:
    one = camera(seed, k1)
    points = np.concatenate([ground_points(), [[0, 0, 0.914], [1, 5, 2.5], [-3, -8, 1.0]]])
    rotation = cv2.Rodrigues(one.rotation)[0]
    expected, _ = cv2.projectPoints(
        points, rotation, -one.rotation @ one.centre_m, one.intrinsic,
        np.array([k1, 0, 0, 0, 0.0]),
    )
    assert one.project(points) == pytest.approx(expected[:, 0], abs=1e-6)


@pytest.mark.parametrize("k1", [-0.08, 0.05])
def test_undistortion_agrees_with_opencv(k1: float) -> None:
    one = camera(1, k1)
    image = np.random.default_rng(1).uniform([0, 0], [1279, 719], (50, 2))
    distortion = np.array([k1, 0, 0, 0, 0.0])
    expected = cv2.undistortPoints(image[:, None], one.intrinsic, distortion)
    # OpenCV stops after five rounds by default, some 1e-4 away at the corners.
    assert one.undistort(image) == pytest.approx(expected[:, 0], abs=2e-4)
    rays = np.column_stack([one.undistort(image), np.ones(len(image))])
    again, _ = cv2.projectPoints(rays, np.zeros(3), np.zeros(3), one.intrinsic, distortion)
    assert again[:, 0] == pytest.approx(image, abs=1e-6)


@pytest.mark.parametrize("seed", range(5))
def test_homography_agrees_with_both(seed: int) -> None:
    rng = np.random.default_rng(seed)
    one = camera(seed)
    ground = ground_points()[:, :2]
    image = one.project(ground_points()) + rng.normal(0, 0.7, (len(ground), 2))
    found = homography_from_points(ground, image)
    by_opencv, _ = cv2.findHomography(ground, image, 0)
    by_skimage = ProjectiveTransform.from_estimate(ground, image)
    here = _apply(found, ground)
    # OpenCV minimises the distance in the picture, the other two the algebraic one.
    assert here == pytest.approx(by_skimage(ground), abs=0.05)
    assert here == pytest.approx(_apply(by_opencv, ground), abs=0.6)
    assert np.sqrt(np.mean((here - image) ** 2)) < 0.9


def _apply(h: np.ndarray, points: np.ndarray) -> np.ndarray:
    out = np.column_stack([points, np.ones(len(points))]) @ h.T
    return out[:, :2] / out[:, 2:]


@pytest.mark.parametrize("seed", range(8))
def test_ground_agrees_with_the_inverse_homography(seed: int) -> None:
    one = camera(seed)
    inverse = ProjectiveTransform(one.homography).inverse
    image = one.project(ground_points())
    assert one.ground(image)[:, :2] == pytest.approx(inverse(image), abs=1e-6)


@pytest.mark.parametrize("seed", range(8))
def test_decomposition_agrees_with_opencv(seed: int) -> None:
    one = camera(seed)
    again = from_matrix(one.matrix * -3.7, 1280, 720)
    intrinsic, rotation, centre = cv2.decomposeProjectionMatrix(one.matrix)[:3]
    assert again.focal_px == pytest.approx(intrinsic[0, 0] / intrinsic[2, 2], rel=1e-6)
    assert np.abs(again.rotation) == pytest.approx(np.abs(rotation), abs=1e-6)
    assert again.centre_m == pytest.approx((centre[:3] / centre[3])[:, 0], abs=1e-6)


@pytest.mark.parametrize("seed", range(8))
def test_pose_from_a_homography_agrees_with_solvepnp(seed: int) -> None:
    one = camera(seed)
    found = from_homography(one.homography, 1280, 720)
    assert found is not None
    points = ground_points()
    _, vector, translation = cv2.solvePnP(
        points, one.project(points), found.intrinsic, None, flags=cv2.SOLVEPNP_IPPE
    )
    centre = -cv2.Rodrigues(vector)[0].T @ translation[:, 0]
    assert found.centre_m == pytest.approx(centre, abs=0.02)
    assert found.focal_px == pytest.approx(one.focal_px, rel=1e-3)
