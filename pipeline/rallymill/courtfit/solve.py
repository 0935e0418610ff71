"""Fit a camera to measured line places by Gauss-Newton with robust weights.

The unknowns are the logarithm of the focal length, a small turn about the camera's axes, the
centre, the radial distortion and the height by which the net differs from the rules. Each
measurement constrains one direction only, across its line.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numba import njit
from numpy.typing import NDArray

from rallymill.camera import Camera
from rallymill.camera_spread import moved

Array = NDArray[np.float64]

N_UNKNOWNS = 9
FOCAL, TURN, CENTRE, K1, NET = 0, slice(1, 4), slice(4, 7), 7, 8
CORRELATION = 4.0
"""Neighbouring places on a line err alike; variances are raised by this."""


@dataclass(frozen=True)
class Places:
    """Measured places of lines.

    ``points_m`` (N, 3) in the court frame, ``image_px`` (N, 2) where the line is, ``normal``
    (N, 2) the direction in which it was measured, ``sd_px`` (N,) of noise,
    ``lasting_px`` (N,) of what stays from frame to frame, ``net`` (N,) true for the net.
    ``by_width`` (N, 2, 2) and ``piece`` (N,) are those of :class:`model.LinePoints`.
    """

    points_m: Array
    image_px: Array
    normal: Array
    sd_px: Array
    lasting_px: Array
    net: NDArray[np.bool_]
    by_width: Array
    piece: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.points_m)

    def take(self, chosen: NDArray[np.bool_] | NDArray[np.int64]) -> Places:
        """The chosen places."""
        return Places(
            self.points_m[chosen], self.image_px[chosen], self.normal[chosen],
            self.sd_px[chosen], self.lasting_px[chosen], self.net[chosen],
            self.by_width[chosen], self.piece[chosen],
        )

    @property
    def whole_sd_px(self) -> Array:
        """Standard deviation (N,) of all errors."""
        return np.hypot(self.sd_px, self.lasting_px)

    def widened(self, by_m: Array) -> Places:
        """The places with lines and baselines wider by so much (2,)."""
        points = self.points_m.copy()
        points[:, :2] += self.by_width @ by_m
        return replace(self, points_m=points)


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


@njit(cache=True)
def _rows(points, image, normal, net, net_m, camera, rotation, centre, residual, jacobian):  # type: ignore[no-untyped-def]
    """Residuals (N,) and the derivatives (N, 9) of what they are subtracted from.

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


@dataclass(frozen=True)
class Linear:
    """Places about a camera: ``jacobian`` (N, 9), ``residual`` (N,), ``weight`` (N,).

    Weights follow Cauchy's; ``spread`` is the robust spread of residuals over their deviations,
    never less than 1.
    """

    jacobian: Array
    residual: Array
    weight: Array
    spread: float


def _middle(values: Array) -> float:
    """Upper median; NumPy's own median takes longer than all else here."""
    half = len(values) // 2
    return float(np.partition(values, half)[half])


def linearised(camera: Camera, net_m: float, places: Places) -> Linear:
    """Residuals of places, how the unknowns change them and what each place weighs."""
    residual = np.empty(len(places))
    jacobian = np.empty((len(places), N_UNKNOWNS))
    lens = np.array([camera.focal_px, *camera.principal_px, camera.k1], dtype=float)
    _rows(
        places.points_m, places.image_px, places.normal, places.net, float(net_m), lens,
        camera.rotation, camera.centre_m, residual, jacobian,
    )
    sd = places.whole_sd_px
    ratio = residual / sd
    spread = max(1.4826 * _middle(np.abs(ratio)), 1.0) if len(ratio) else 1.0
    weight = 1.0 / (1.0 + (ratio / (2.4 * spread)) ** 2) / (sd * spread) ** 2
    return Linear(jacobian, residual, weight, spread)


def equations(camera: Camera, net_m: float, places: Places) -> tuple[Array, Array, Array, float]:
    """Normal equations of one frame: information (9, 9), right side (9,), residuals, scale."""
    at = linearised(camera, net_m, places)
    weighted = at.jacobian * at.weight[:, None]
    return weighted.T @ at.jacobian, weighted.T @ at.residual, at.residual, at.spread


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
    sd = places.whole_sd_px
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
