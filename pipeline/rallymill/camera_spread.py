"""How sure a camera is: from the covariance of its unknowns to metres anywhere on the court.

The eight unknowns of a camera are the logarithm of its focal length, a small turn about its own
axes, its centre and its radial distortion. First-order propagation (Hartley & Zisserman, section
5.2): what moves an image point by so many pixels moves the ground point seen there by so much.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from rallymill.camera import Camera

Array = NDArray[np.float64]

N_UNKNOWNS = 8
FOCAL, TURN, CENTRE, K1 = 0, slice(1, 4), slice(4, 7), 7
N_PACKED = N_UNKNOWNS * (N_UNKNOWNS + 1) // 2
_UPPER = np.triu_indices(N_UNKNOWNS)


def moved(camera: Camera, step: ArrayLike) -> Camera:
    """Camera after a step of the unknowns, the first eight of ``step``."""
    values = np.asarray(step, dtype=float)
    turn = cv2.Rodrigues(values[TURN].copy())[0]
    return replace(
        camera,
        focal_px=float(camera.focal_px * np.exp(np.clip(values[FOCAL], -0.5, 0.5))),
        rotation=turn @ camera.rotation,
        centre_m=camera.centre_m + values[CENTRE],
        k1=float(camera.k1 + values[K1]),
    )


def rates(camera: Camera, points_m: ArrayLike) -> tuple[Array, Array]:
    """Image points (N, 2) of points (N, 3) and their derivatives (N, 2, 8) by the unknowns."""
    points = np.asarray(points_m, dtype=float)
    local = (points - camera.centre_m) @ camera.rotation.T
    z = np.maximum(local[:, 2], 1e-6)
    x, y = local[:, 0] / z, local[:, 1] / z
    r2 = x * x + y * y
    k1, f = camera.k1, camera.focal_px
    scale = 1 + k1 * r2
    image = f * np.stack([x * scale, y * scale], 1) + np.asarray(camera.principal_px)
    # By the normalised point, then by the local point.
    dx = np.empty((len(z), 2, 2))
    dx[:, 0, 0] = f * (scale + 2 * k1 * x * x)
    dx[:, 0, 1] = dx[:, 1, 0] = f * 2 * k1 * x * y
    dx[:, 1, 1] = f * (scale + 2 * k1 * y * y)
    by_local = np.zeros((len(z), 2, 3))
    by_local[:, :, 0] = dx[:, :, 0] / z[:, None]
    by_local[:, :, 1] = dx[:, :, 1] / z[:, None]
    by_local[:, :, 2] = -(dx[:, :, 0] * x[:, None] + dx[:, :, 1] * y[:, None]) / z[:, None]
    found = np.zeros((len(z), 2, N_UNKNOWNS))
    found[:, :, FOCAL] = image - np.asarray(camera.principal_px)
    # A small turn w moves a local point by w x p.
    a, b, c = local[:, 0:1], local[:, 1:2], local[:, 2:3]
    found[:, :, 1] = by_local[:, :, 2] * b - by_local[:, :, 1] * c
    found[:, :, 2] = by_local[:, :, 0] * c - by_local[:, :, 2] * a
    found[:, :, 3] = by_local[:, :, 1] * a - by_local[:, :, 0] * b
    found[:, :, CENTRE] = -by_local @ camera.rotation
    found[:, 0, K1] = f * x * r2
    found[:, 1, K1] = f * y * r2
    return image, found


def image_covariance(camera: Camera, covariance: Array, points_m: ArrayLike) -> Array:
    """Covariance (N, 2, 2) in square pixels of the images of points (N, 3).

    ``covariance`` (8, 8) is that of the camera's unknowns.
    """
    _, by = rates(camera, points_m)
    return np.asarray(by @ covariance @ by.transpose(0, 2, 1))


def ground_covariance(camera: Camera, covariance: Array, points_m: ArrayLike) -> Array:
    """Covariance (N, 2, 2) in square metres of places found at a known height.

    It is that of x and y of :meth:`Camera.ground` for the images of points (N, 3), at the points'
    own height, as far as the camera causes it; NaN for points behind the camera.
    """
    points = np.asarray(points_m, dtype=float)
    _, by = rates(camera, points)
    spread = by @ covariance @ by.transpose(0, 2, 1)
    by_place = -by[:, :, CENTRE][:, :, :2]
    seen = (camera.depth_m(points) > 1e-3) & (np.abs(np.linalg.det(by_place)) > 1e-9)
    inverse = np.linalg.inv(np.where(seen[:, None, None], by_place, np.eye(2)))
    return np.where(
        seen[:, None, None], inverse @ spread @ inverse.transpose(0, 2, 1), np.nan
    )


def ground_sd_m(camera: Camera, covariance: Array, points_m: ArrayLike) -> Array:
    """Standard deviation (N,), in the direction in which it is greatest, of places found."""
    spread = ground_covariance(camera, covariance, points_m)
    middle = (spread[:, 0, 0] + spread[:, 1, 1]) / 2
    half = np.hypot((spread[:, 0, 0] - spread[:, 1, 1]) / 2, spread[:, 0, 1])
    return np.asarray(np.sqrt(np.maximum(middle + half, 0.0)))


def height_sd_m(camera: Camera, covariance: Array, points_m: ArrayLike) -> Array:
    """Standard deviation (N,) of heights measured over known ground points.

    It is that of :meth:`Camera.height_above` for the images of points (N, 3), as far as the camera
    causes it.
    """
    points = np.asarray(points_m, dtype=float)
    _, by = rates(camera, points)
    by_point = -by[:, :, CENTRE]
    # The vertical plane through ray and foot: the image may move across it without a change.
    away = points[:, :2] - camera.centre_m[:2]
    across = np.stack([-away[:, 1], away[:, 0], np.zeros(len(points))], 1)
    across_px = np.einsum("nij,nj->ni", by_point, across)
    size = np.maximum(np.linalg.norm(across_px, axis=1, keepdims=True), 1e-12)
    normal = np.stack([-across_px[:, 1], across_px[:, 0]], 1) / size
    per_height = np.einsum("ni,ni->n", normal, by_point[:, :, 2])
    moves = np.einsum("ni,nik->nk", normal, by) / per_height[:, None]
    return np.asarray(np.sqrt(np.maximum(np.einsum("nk,kl,nl->n", moves, covariance, moves), 0.0)))


def pack(covariance: Array) -> list[float]:
    """The 36 numbers on and above the diagonal of a covariance (8, 8), row by row."""
    return [float(value) for value in covariance[_UPPER]]


def unpack(numbers: ArrayLike) -> Array:
    """Covariance (8, 8) from the 36 numbers of :func:`pack`.

    Raises
    ------
    ValueError
        There are not 36 numbers.
    """
    values = np.asarray(numbers, dtype=float)
    if values.shape != (N_PACKED,):
        raise ValueError(f"{values.size} numbers, need {N_PACKED}")
    covariance = np.zeros((N_UNKNOWNS, N_UNKNOWNS))
    covariance[_UPPER] = values
    return covariance + np.triu(covariance, 1).T
