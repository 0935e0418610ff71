"""Kalman filtering and smoothing of unevenly spaced measurements, on FilterPy.

The filter goes forward over the measurements, the smoother of Rauch, Tung and Striebel (1965)
comes back over them. Missing measurements (NaN) are bridged by prediction; wild ones can be
weighted down. Everything here is pure: arrays in, arrays out.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from filterpy.common import Q_continuous_white_noise
from filterpy.kalman import KalmanFilter
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

POSITION_2D = np.array([[1.0, 0, 0, 0], [0, 0, 1.0, 0]])
"""Measures (x, y) of a state (x, vx, y, vy), shape (2, 4)."""


@dataclass(frozen=True)
class Smoothed:
    """Result of a smoother over N steps of a state of d numbers.

    ``mean`` (N, d) and ``covariance`` (N, d, d) rest on all measurements, ``filtered_mean`` and
    ``filtered_covariance`` on those up to the step. ``nis`` (N,) is the normalised innovation
    squared before weighting, NaN where nothing was measured: its mean should come near the
    number of measured quantities (Bar-Shalom 2001). ``log_likelihood`` sums over all
    measurements.
    """

    mean: Array
    covariance: Array
    filtered_mean: Array
    filtered_covariance: Array
    nis: Array
    log_likelihood: float


@lru_cache(maxsize=1024)
def constant_velocity(step_s: float, noise_m2ps3: float) -> tuple[Array, Array]:
    """Transition (4, 4) and its noise (4, 4) for a state (x, vx, y, vy) over a step of time.

    ``noise_m2ps3`` is the spectral density of the white acceleration in each direction. Being a
    density it means the same at every frame rate. The two matrices are shared: do not change them.
    """
    block = np.array([[1.0, step_s], [0.0, 1.0]])
    transition = np.zeros((4, 4))
    transition[:2, :2] = transition[2:, 2:] = block
    noise = Q_continuous_white_noise(2, dt=step_s, spectral_density=noise_m2ps3, block_size=2)
    return transition, noise


def smooth(
    transitions: ArrayLike,
    noises: ArrayLike,
    observation: ArrayLike,
    measurements: ArrayLike,
    measurement_covariances: ArrayLike,
    start_mean: ArrayLike,
    start_covariance: ArrayLike,
    wild_nis: float = np.inf,
) -> Smoothed:
    """Filter forward and smooth back.

    Parameters
    ----------
    transitions, noises
        Shape (N, d, d); entry i leads from step i - 1 to step i, entry 0 is not used.
    observation
        What is measured of the state, shape (m, d).
    measurements
        Shape (N, m); a row with a NaN is missing.
    measurement_covariances
        Shape (N, m, m).
    start_mean, start_covariance
        The state before the first measurement, at its time: (d,) and (d, d).
    wild_nis
        A measurement whose normalised innovation squared exceeds this has its covariance
        enlarged in proportion, so that its pull stays that of one on the bound (Huber's weight).
    """
    transition = np.asarray(transitions, dtype=float)
    noise = np.asarray(noises, dtype=float)
    measured = np.asarray(measurements, dtype=float)
    spread = np.asarray(measurement_covariances, dtype=float)
    n, m = measured.shape
    d = len(np.asarray(start_mean))
    if n == 0:
        empty = np.empty((0, d)), np.empty((0, d, d))
        return Smoothed(*empty, *empty, np.empty(0), 0.0)
    kalman = KalmanFilter(dim_x=d, dim_z=m)
    kalman.x = np.asarray(start_mean, dtype=float).reshape(d, 1)
    kalman.P = np.array(start_covariance, dtype=float)
    kalman.H = np.asarray(observation, dtype=float)
    kalman.inv = inverse
    means = np.empty((n, d))
    covariances = np.empty((n, d, d))
    nis = np.full(n, np.nan)
    log_likelihood = 0.0
    for i in range(n):
        if i:
            kalman.predict(F=transition[i], Q=noise[i])
        if np.isfinite(measured[i]).all():
            nis[i] = update(kalman, measured[i], spread[i], wild_nis)
            log_likelihood -= 0.5 * float(
                kalman.y[:, 0] @ kalman.SI @ kalman.y[:, 0]
                + np.log(np.linalg.det(kalman.S)) + m * np.log(2 * np.pi)
            )
        means[i] = kalman.x[:, 0]
        covariances[i] = kalman.P
    mean, covariance, _, _ = kalman.rts_smoother(
        means[:, :, None], covariances, Fs=transition, Qs=noise
    )
    return Smoothed(mean[:, :, 0], covariance, means, covariances, nis, log_likelihood)


def update(kalman: KalmanFilter, measured: Array, spread: Array, wild_nis: float) -> float:
    """Update a filter in place with a measurement (m,); its NIS before weighting."""
    expected = kalman.H @ kalman.P @ kalman.H.T
    innovation = measured - (kalman.H @ kalman.x)[:, 0]
    found = float(innovation @ inverse(expected + spread) @ innovation)
    if found > wild_nis:
        spread = (expected + spread) * (found / wild_nis) - expected
    kalman.update(measured.reshape(-1, 1), R=spread)
    return found


def inverse(matrices: Array) -> Array:
    """Inverse of matrices (..., m, m), for m = 2 in closed form, which is many times faster."""
    if matrices.shape[-1] != 2:
        return np.asarray(np.linalg.inv(matrices), dtype=float)
    a, b = matrices[..., 0, 0], matrices[..., 0, 1]
    c, d = matrices[..., 1, 0], matrices[..., 1, 1]
    out = np.empty_like(matrices)
    determinant = a * d - b * c
    out[..., 0, 0], out[..., 1, 1] = d / determinant, a / determinant
    out[..., 0, 1], out[..., 1, 0] = -b / determinant, -c / determinant
    return out
