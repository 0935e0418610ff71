"""Fit a camera to measured line places by Gauss-Newton with robust weights.

The unknowns are the logarithm of the focal length, a small turn about the camera's axes, the
centre, the radial distortion and the height by which the net differs from the rules. Each
measurement constrains one direction only, across its line.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from rallymill.camera import Camera

Array = NDArray[np.float64]

N_UNKNOWNS = 9
FOCAL, TURN, CENTRE, K1, NET = 0, slice(1, 4), slice(4, 7), 7, 8
FLOOR_PX = 0.12
"""Standard deviation of paint, lens and picture that no profile shows."""
CORRELATION = 4.0
"""Neighbouring places on a line err alike; variances are raised by this."""


@dataclass(frozen=True)
class Places:
    """Measured places of lines.

    ``points_m`` (N, 3) in the court frame, ``image_px`` (N, 2) where the line is, ``normal``
    (N, 2) the direction in which it was measured, ``sd_px`` (N,), ``net`` (N,) true for the net.
    """

    points_m: Array
    image_px: Array
    normal: Array
    sd_px: Array
    net: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.points_m)

    def take(self, chosen: NDArray[np.bool_] | NDArray[np.int64]) -> Places:
        """The chosen places."""
        return Places(
            self.points_m[chosen], self.image_px[chosen], self.normal[chosen],
            self.sd_px[chosen], self.net[chosen],
        )


@dataclass(frozen=True)
class Fit:
    """A camera fitted to places.

    ``information`` (9, 9) is the inverse covariance of the unknowns including priors;
    ``rms_px`` is the weighted root mean square distance of the places from the model,
    ``inliers`` (N,) tells which places agree with it.
    """

    camera: Camera
    net_m: float
    information: Array
    rms_px: float
    inliers: NDArray[np.bool_]


def moved(camera: Camera, step: Array) -> Camera:
    """Camera after a step of the unknowns, shape (9,)."""
    turn = cv2.Rodrigues(np.asarray(step[TURN], dtype=float).copy())[0]
    return replace(
        camera,
        focal_px=float(camera.focal_px * np.exp(np.clip(step[FOCAL], -0.5, 0.5))),
        rotation=turn @ camera.rotation,
        centre_m=camera.centre_m + step[CENTRE],
        k1=float(camera.k1 + step[K1]),
    )


def project_with_rates(camera: Camera, points_m: Array) -> tuple[Array, Array]:
    """Image points (N, 2) and their derivatives (N, 2, 9) by the unknowns."""
    local = (points_m - camera.centre_m) @ camera.rotation.T
    z = np.maximum(local[:, 2], 1e-6)
    x, y = local[:, 0] / z, local[:, 1] / z
    r2 = x * x + y * y
    k1 = camera.k1
    scale = 1 + k1 * r2
    f = camera.focal_px
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
    rates = np.zeros((len(z), 2, N_UNKNOWNS))
    rates[:, :, FOCAL] = image - np.asarray(camera.principal_px)
    # A small turn w moves a local point by w x p.
    a, b, c = local[:, 0:1], local[:, 1:2], local[:, 2:3]
    rates[:, :, 1] = by_local[:, :, 2] * b - by_local[:, :, 1] * c
    rates[:, :, 2] = by_local[:, :, 0] * c - by_local[:, :, 2] * a
    rates[:, :, 3] = by_local[:, :, 1] * a - by_local[:, :, 0] * b
    rates[:, :, CENTRE] = -by_local @ camera.rotation
    rates[:, 0, K1] = f * x * r2
    rates[:, 1, K1] = f * y * r2
    rates[:, :, NET] = by_local @ camera.rotation[:, 2]
    return image, rates


@njit(cache=True)
def _rows(points, image, normal, net, net_m, camera, rotation, centre, residual, jacobian):  # type: ignore[no-untyped-def]
    """Residuals (N,) and their derivatives (N, 9), as :func:`project_with_rates` gives them.

    ``camera`` holds focal length, principal point and k1.
    """
    f = camera[0]
    k1 = camera[3]
    local = np.zeros(3)
    side = np.zeros(3)
    for i in range(points.shape[0]):
        dx = points[i, 0] - centre[0]
        dy = points[i, 1] - centre[1]
        dz = points[i, 2] - centre[2]
        if net[i]:
            dz += net_m
        for k in range(3):
            local[k] = rotation[k, 0] * dx + rotation[k, 1] * dy + rotation[k, 2] * dz
        z = max(local[2], 1e-6)
        x = local[0] / z
        y = local[1] / z
        r2 = x * x + y * y
        scale = 1.0 + k1 * r2
        nu = normal[i, 0]
        nv = normal[i, 1]
        u = f * x * scale
        v = f * y * scale
        residual[i] = (image[i, 0] - u - camera[1]) * nu + (image[i, 1] - v - camera[2]) * nv
        # The normal's pull on the normalised point, then on the local point.
        cross = 2.0 * k1 * x * y
        gx = f * (nu * (scale + 2.0 * k1 * x * x) + nv * cross)
        gy = f * (nu * cross + nv * (scale + 2.0 * k1 * y * y))
        side[0] = gx / z
        side[1] = gy / z
        side[2] = -(gx * x + gy * y) / z
        jacobian[i, 0] = nu * u + nv * v
        jacobian[i, 1] = side[2] * local[1] - side[1] * local[2]
        jacobian[i, 2] = side[0] * local[2] - side[2] * local[0]
        jacobian[i, 3] = side[1] * local[0] - side[0] * local[1]
        for k in range(3):
            jacobian[i, 4 + k] = -(
                side[0] * rotation[0, k] + side[1] * rotation[1, k] + side[2] * rotation[2, k]
            )
        jacobian[i, 7] = f * r2 * (nu * x + nv * y)
        jacobian[i, 8] = -jacobian[i, 6] if net[i] else 0.0


@dataclass(frozen=True)
class Prior:
    """What is known before: ``mean`` (9,) as a step from the starting camera, ``information``."""

    mean: Array
    information: Array


def prior(sds: Array) -> Prior:
    """Prior about the starting camera with these standard deviations, shape (9,); inf is free."""
    with np.errstate(divide="ignore"):
        weights = np.where(np.isinf(sds), 0.0, 1.0 / np.maximum(sds, 1e-9) ** 2)
    return Prior(np.zeros(N_UNKNOWNS), np.diag(weights))


def usual_sds(camera: Camera, fixed_centre: bool = False, fixed_k1: bool = False) -> Array:
    """Standard deviations of the unknowns for a camera of which little is known, shape (9,)."""
    edge = camera.width_px / 2 / camera.focal_px
    k1 = 1e-7 if fixed_k1 else 0.008 / edge**2
    centre = 1e-6 if fixed_centre else np.inf
    return np.array([np.inf, np.inf, np.inf, np.inf, centre, centre, centre, k1, 0.012])


def equations(
    camera: Camera, net_m: float, places: Places, scale_px: float | None = None
) -> tuple[Array, Array, Array, float]:
    """Normal equations of one frame: information (9, 9), right side (9,), residuals, scale.

    Weights follow Cauchy's; the scale is the robust spread of residuals over their deviations,
    never less than 1.
    """
    residual = np.empty(len(places))
    jacobian = np.empty((len(places), N_UNKNOWNS))
    lens = np.array([camera.focal_px, *camera.principal_px, camera.k1], dtype=float)
    _rows(
        places.points_m, places.image_px, places.normal, places.net, float(net_m), lens,
        camera.rotation, camera.centre_m, residual, jacobian,
    )
    sd = np.hypot(places.sd_px, FLOOR_PX)
    ratio = residual / sd
    spread = 1.4826 * float(np.median(np.abs(ratio))) if len(ratio) else 1.0
    spread = max(spread, 1.0) if scale_px is None else max(scale_px, 1.0)
    weight = 1.0 / (1.0 + (ratio / (2.4 * spread)) ** 2) / (sd * spread) ** 2
    weighted = jacobian * weight[:, None]
    return weighted.T @ jacobian, weighted.T @ residual, residual, spread


def fit(
    camera: Camera, places: Places, known: Prior, net_m: float = 0.0, rounds: int = 8
) -> Fit | None:
    """Camera that fits places and what is known; None where the equations cannot be solved."""
    if len(places) == 0:
        return None
    start_net = net_m
    total = np.zeros(N_UNKNOWNS)
    current = camera
    information = known.information.copy()
    damping = 1e-9
    for _ in range(rounds):
        normal, right, _, _ = equations(current, net_m, places)
        information = normal + known.information
        gradient = right + known.information @ (known.mean - total)
        step = _solve(information, gradient, damping)
        if step is None:
            return None
        total = total + step
        current = moved(current, step)
        net_m = start_net + total[NET]
        if not 50 < current.focal_px < 1e6 or not np.isfinite(total).all():
            return None
        if abs(step[FOCAL]) < 3e-6 and np.abs(step[TURN]).max() < 1e-6:
            break
    normal, _, residual, spread = equations(current, net_m, places)
    information = normal + known.information
    sd = np.hypot(places.sd_px, FLOOR_PX)
    inliers = np.abs(residual) < np.maximum(3.5 * spread * sd, 0.6)
    rms = float(np.sqrt(np.mean(residual[inliers] ** 2))) if inliers.any() else np.inf
    return Fit(current, net_m, information, rms, inliers)


def _solve(information: Array, gradient: Array, damping: float) -> Array | None:
    size = np.sqrt(np.maximum(np.diag(information), 1e-12))
    scaled = information / np.outer(size, size)
    scaled[np.diag_indices(len(scaled))] += damping
    try:
        step = np.linalg.solve(scaled, gradient / size) / size
    except np.linalg.LinAlgError:
        return None
    # Long steps come from a poor start; the direction is kept.
    longest = np.array([0.15, 0.05, 0.05, 0.05, 4.0, 4.0, 4.0, 0.1, 0.03])
    excess = float(np.max(np.abs(step) / longest))
    return step / excess if excess > 1 else step


def covariance(information: Array) -> Array:
    """Covariance (9, 9) of the unknowns, raised for neighbours that err alike."""
    size = np.sqrt(np.maximum(np.diag(information), 1e-12))
    scaled = information / np.outer(size, size)
    return CORRELATION * np.linalg.pinv(scaled, hermitian=True) / np.outer(size, size)


def ground_sd_m(camera: Camera, information: Array, point_m: Array) -> float:
    """Standard deviation (m, larger axis) of the ground point seen where ``point_m`` is."""
    at = np.array([[point_m[0], point_m[1], 0.0]])
    _, rates = project_with_rates(camera, at)
    spread = rates[0, :, :] @ covariance(information) @ rates[0, :, :].T
    by_ground = np.stack(
        [
            project_with_rates(camera, at + d)[0][0] - project_with_rates(camera, at - d)[0][0]
            for d in (np.array([[0.05, 0, 0]]), np.array([[0, 0.05, 0]]))
        ],
        axis=1,
    ) / 0.1
    inverse = np.linalg.inv(by_ground)
    return float(np.sqrt(max(np.linalg.eigvalsh(inverse @ spread @ inverse.T)[-1], 0.0)))
