"""How sure a fitted rally is: the covariance of its unknowns.

How noisy the image points are is told by their residuals, since what was expected beforehand may be
off either way: along the ball's way in the picture, where the streak of a fast ball blurs its
place, and across it. The fit weighed both alike and as expected, so its covariance is the one that
an estimator has whose weights are not those of the noise (Huber 1967, White 1982: bread, meat and
bread). What is known beforehand of contacts, spin and ground is taken as it is. What lasts of a
camera's error moves all points alike, so that no residual shows it: it is carried through the
solution as a parameter that is considered but not estimated (Schmidt 1966, from memory). Drag and
lift are taken as known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rallymill.camera import Camera
from rallymill.camera_spread import N_UNKNOWNS, rates
from rallymill.flightfit.arc import CAUCHY

Array = NDArray[np.float64]

EXPECTED_DEGREES = 4.0
"""What was expected of the noise weighs as much as the residuals of so many degrees of freedom."""
HALF_SQUARE = 0.4549
"""Median of the square of a standard normal number."""


@dataclass(frozen=True)
class CameraSpread:
    """The cameras (N,) of a rally's image points, and what of their error lasts through it.

    ``covariance`` (8, 8) is that of :mod:`rallymill.camera_spread`.
    """

    cameras: Sequence[Camera | None]
    covariance: Array


@dataclass(frozen=True)
class FlightPoints:
    """Image points of one flight at a set of unknowns.

    ``span`` is where they stand among those of the rally, ``weight`` (n,) one over the deviation
    that is expected of them. ``rows`` (n, 2, 10) are the derivatives by the flight's unknowns,
    along the ball's way in the picture and across it, in units of that deviation and times the root
    of the robust weight; ``off`` (n, 2) the residuals likewise, without robust weight; ``states``
    (n, 6) the ball's.
    """

    span: slice
    weight: Array
    rows: Array
    off: Array
    states: Array

    @staticmethod
    def empty(span: slice, weight: Array) -> FlightPoints:
        """Room for the points of a flight."""
        n = span.stop - span.start
        return FlightPoints(span, weight, np.zeros((n, 2, 10)), np.zeros((n, 2)), np.zeros((n, 6)))


def noise_scale(off: Array, taken: float) -> float:
    """Variance of residuals as a multiple of the expected one.

    ``off`` (N,) are residuals in expected units, ``taken`` the number of unknowns that they had to
    tell. The mean of their squares, none counted above that of three deviations by the median, so
    that wild points hardly move it.
    """
    left = len(off) - taken
    if left <= 1:
        return 1.0
    square = off**2
    most = 9 * float(np.median(square)) / HALF_SQUARE
    seen = float(np.sum(np.minimum(square, most))) / left
    return (left * seen + EXPECTED_DEGREES) / (left + EXPECTED_DEGREES)


def covariance(
    hessian: Array, flights: Sequence[FlightPoints], where: Sequence[NDArray[np.int64]],
    spread: CameraSpread | None,
) -> Array:
    """Covariance (K, K) of a rally's unknowns.

    ``hessian`` (K, K) holds the normal equations with the expected noise, ``where`` for each flight
    the unknowns (10,) that its rows' columns stand for.
    """
    bread = np.linalg.pinv(hessian, hermitian=True)
    meat = hessian.copy()
    off = np.concatenate([points.off for points in flights])
    for axis in range(2):
        told = np.zeros_like(hessian)
        for points, at in zip(flights, where, strict=True):
            told[np.ix_(at, at)] += points.rows[:, axis].T @ points.rows[:, axis]
        scale = noise_scale(off[:, axis], float(np.sum(bread * told)))
        meat += (scale - 1) * told
    if spread is not None:
        moves = np.zeros((len(hessian), N_UNKNOWNS))
        for points, at in zip(flights, where, strict=True):
            moves[at] += np.einsum("nak,nac->kc", points.rows, _by_camera(points, spread))
        meat += moves @ spread.covariance @ moves.T
    return np.asarray(bread @ meat @ bread)


def _by_camera(points: FlightPoints, spread: CameraSpread) -> Array:
    """Derivatives (n, 2, 8) of a flight's points by the camera, turned and weighted like its rows.
    """
    found = np.zeros((len(points.off), 2, N_UNKNOWNS))
    weight = points.weight / np.sqrt(1 + np.sum(points.off**2, axis=1) / CAUCHY**2)
    for i, camera in enumerate(spread.cameras[points.span]):
        if camera is None:
            continue
        place = points.states[i, :3]
        image, by = rates(camera, [place, place + 0.01 * points.states[i, 3:]])
        way = image[1] - image[0]
        along = way / max(float(np.linalg.norm(way)), 1e-9)
        turn = np.array([along, [-along[1], along[0]]])
        found[i] = turn @ by[0] * weight[i]
    return found
