"""Smooth the cameras of a view: what a frame measures, weighed with its neighbours.

Focal length (its logarithm) and direction follow a constant-velocity model with unknown jerkiness;
that is chosen by the likelihood of the view itself, so a fixed tripod is averaged over the whole
view and a shaken camera hardly at all. Kalman filter and Rauch-Tung-Striebel smoother by FilterPy.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from filterpy.kalman import KalmanFilter
from numba import njit
from numpy.typing import NDArray

from rallymill.camera import Camera

Array = NDArray[Any]

JERKINESS = tuple(10.0 ** np.arange(-8.0, 3.0, 1.0))
"""Spectral densities of acceleration tried, rad^2 / s^3."""
MOST_TRIED = 300
"""Frames on which jerkiness is chosen."""
START_SD = (0.1, 0.7)
"""Deviations of place and rate before the first frame."""


@dataclass(frozen=True)
class Smoothed:
    """Cameras of N frames and the covariance (N, 4, 4) of log focal length and direction."""

    cameras: list[Camera]
    covariance: Array
    jerkiness: float


def smooth(
    cameras: Sequence[Camera | None], covariances: Sequence[Array], times_s: Sequence[float]
) -> Smoothed:
    """Smooth the cameras of consecutive frames; frames without a camera are filled in.

    ``covariances`` are (4, 4) each, of log focal length and turn; those of missing cameras do not
    count. At least one camera must be there.
    """
    first = next(camera for camera in cameras if camera is not None)
    measured = [None if camera is None else _vector(camera, first) for camera in cameras]
    times = np.asarray(times_s, dtype=float)
    start = 0
    if len(times) > MOST_TRIED:
        start = (len(times) - MOST_TRIED) // 2
    part = slice(start, start + MOST_TRIED)
    scores = likelihoods(measured[part], covariances[part], times[part])
    chosen = JERKINESS[int(np.argmax(scores))]
    means, spreads, transitions, noises, kalman = _filter(measured, covariances, times, chosen)
    smoothed, spread, _, _ = kalman.rts_smoother(means, spreads, transitions, noises)
    result = []
    for row in smoothed[:, :4, 0]:
        turn = cv2.Rodrigues(row[1:4].copy())[0]
        result.append(
            replace(first, focal_px=float(first.focal_px * np.exp(row[0])),
                    rotation=turn @ first.rotation)
        )
    return Smoothed(result, spread[:, :4, :4], chosen)


def likelihoods(
    measured: Sequence[Array | None], covariances: Sequence[Array], times_s: Array
) -> Array:
    """Logarithm of the likelihood, but for a constant, of each of ``JERKINESS``, shape (J,)."""
    seen = np.array([value is not None for value in measured])
    values = np.array([np.zeros(4) if value is None else value for value in measured])
    noise = np.array([np.asarray(one, dtype=float) for one in covariances])
    if not seen.any():
        return np.zeros(len(JERKINESS))
    return np.array([
        _log_likelihood(values, seen, noise, times_s, jerkiness, START_SD[0] ** 2, START_SD[1] ** 2)
        for jerkiness in JERKINESS
    ])


@njit(cache=True)
def _log_likelihood(values, seen, noise, times, jerkiness, place_var, rate_var):  # type: ignore[no-untyped-def]
    """What :func:`_filter` would find, without keeping the states: only sizes are compared."""
    mean = np.zeros(8)
    spread = np.zeros((8, 8))
    f = np.eye(8)
    q = np.zeros((8, 8))
    total = 0.0
    first = 0
    while not seen[first]:
        first += 1
    for i in range(4):
        mean[i] = values[first, i]
        spread[i, i] = place_var
        spread[4 + i, 4 + i] = rate_var
    for step in range(values.shape[0]):
        dt = times[step] - times[step - 1] if step > 0 else 0.0
        for i in range(4):
            f[i, 4 + i] = dt
            q[i, i] = jerkiness * dt**3 / 3
            q[i, 4 + i] = jerkiness * dt**2 / 2
            q[4 + i, i] = jerkiness * dt**2 / 2
            q[4 + i, 4 + i] = jerkiness * dt
        mean = f @ mean
        spread = f @ spread @ f.T + q
        if not seen[step]:
            continue
        innovation = values[step] - mean[:4]
        inside = spread[:4, :4] + noise[step]
        gain = np.ascontiguousarray(np.linalg.solve(inside, spread[:4, :]).T)
        mean = mean + gain @ innovation
        spread = spread - gain @ np.ascontiguousarray(spread[:4, :])
        spread = 0.5 * (spread + spread.T)
        total -= 0.5 * (innovation @ np.linalg.solve(inside, innovation))
        total -= 0.5 * np.log(np.linalg.det(inside))
    return total


def _vector(camera: Camera, first: Camera) -> Array:
    turn = cv2.Rodrigues(camera.rotation @ first.rotation.T)[0].ravel()
    return np.concatenate([[np.log(camera.focal_px / first.focal_px)], turn])


_Run = tuple[Array, Array, list[Array], list[Array], KalmanFilter]


def _filter(
    measured: Sequence[Array | None], covariances: Sequence[Array], times: Array, jerkiness: float
) -> _Run:
    kalman = KalmanFilter(dim_x=8, dim_z=4)
    kalman.H = np.hstack([np.eye(4), np.zeros((4, 4))])
    begin = next(i for i, value in enumerate(measured) if value is not None)
    kalman.x = np.concatenate([measured[begin], np.zeros(4)])[:, None]
    kalman.P = np.diag([START_SD[0] ** 2] * 4 + [START_SD[1] ** 2] * 4)
    means, spreads, transitions, noises = [], [], [], []
    eye, none = np.eye(4), np.zeros((4, 4))
    known: dict[float, tuple[Array, Array]] = {}
    for index, value in enumerate(measured):
        dt = round(float(times[index] - times[index - 1]), 6) if index else 0.0
        if dt not in known:
            known[dt] = (
                np.block([[eye, dt * eye], [none, eye]]),
                jerkiness * np.block(
                    [[dt**3 / 3 * eye, dt**2 / 2 * eye], [dt**2 / 2 * eye, dt * eye]]
                ),
            )
        f, q = known[dt]
        kalman.predict(F=f, Q=q)
        if value is not None:
            kalman.update(value[:, None], R=covariances[index])
        means.append(kalman.x.copy())
        spreads.append(kalman.P.copy())
        transitions.append(f)
        noises.append(q)
    return np.array(means), np.array(spreads), transitions, noises, kalman
