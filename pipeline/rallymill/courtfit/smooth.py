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
from numpy.typing import NDArray

from rallymill.camera import Camera

Array = NDArray[Any]

JERKINESS = tuple(10.0 ** np.arange(-8.0, 3.0, 1.0))
"""Spectral densities of acceleration tried, rad^2 / s^3."""
MOST_TRIED = 300
"""Frames on which jerkiness is chosen."""


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
    scores = [
        _filter(measured[part], covariances[part], times[part], q)[1] for q in JERKINESS
    ]
    chosen = JERKINESS[int(np.argmax(scores))]
    run, _ = _filter(measured, covariances, times, chosen)
    means, spreads, transitions, noises, kalman = run
    smoothed, spread, _, _ = kalman.rts_smoother(means, spreads, transitions, noises)
    result = []
    for row in smoothed[:, :4, 0]:
        turn = cv2.Rodrigues(row[1:4].copy())[0]
        result.append(
            replace(first, focal_px=float(first.focal_px * np.exp(row[0])),
                    rotation=turn @ first.rotation)
        )
    return Smoothed(result, spread[:, :4, :4], chosen)


def _vector(camera: Camera, first: Camera) -> Array:
    turn = cv2.Rodrigues(camera.rotation @ first.rotation.T)[0].ravel()
    return np.concatenate([[np.log(camera.focal_px / first.focal_px)], turn])


_Run = tuple[Array, Array, list[Array], list[Array], KalmanFilter]


def _filter(
    measured: Sequence[Array | None], covariances: Sequence[Array], times: Array, jerkiness: float
) -> tuple[_Run, float]:
    kalman = KalmanFilter(dim_x=8, dim_z=4)
    kalman.H = np.hstack([np.eye(4), np.zeros((4, 4))])
    begin = next(i for i, value in enumerate(measured) if value is not None)
    kalman.x = np.concatenate([measured[begin], np.zeros(4)])[:, None]
    kalman.P = np.diag([1e-2] * 4 + [0.5] * 4)
    likelihood = 0.0
    means, spreads, transitions, noises = [], [], [], []
    eye = np.eye(4)
    for index, value in enumerate(measured):
        dt = times[index] - times[index - 1] if index else 0.0
        f = np.block([[eye, dt * eye], [np.zeros((4, 4)), eye]])
        q = jerkiness * np.block(
            [[dt**3 / 3 * eye, dt**2 / 2 * eye], [dt**2 / 2 * eye, dt * eye]]
        )
        kalman.predict(F=f, Q=q)
        if value is not None:
            kalman.update(value[:, None], R=covariances[index])
            innovation = kalman.y[:, 0]
            # Gaussian log likelihood; FilterPy's own underflows for such small covariances.
            likelihood -= 0.5 * float(
                innovation @ np.linalg.solve(kalman.S, innovation) + np.linalg.slogdet(kalman.S)[1]
            )
        means.append(kalman.x.copy())
        spreads.append(kalman.P.copy())
        transitions.append(f)
        noises.append(q)
    return (np.array(means), np.array(spreads), transitions, noises, kalman), likelihood
