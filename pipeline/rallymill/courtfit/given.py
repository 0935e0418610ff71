"""A court of which points were given by hand: refined on its lines, or taken as given."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rallymill.camera import Camera
from rallymill.courtfit import bundle, evidence, lock, paint_widths, solve
from rallymill.courtfit.bundle import Place
from rallymill.courtfit.model import USUAL, Paint
from rallymill.courtfit.solve import Places

Array = NDArray[np.float64]
Picture = NDArray[Any]

REACHES_PX = (10.0, 6.0, 3.0)
AGREES_PX = 8.0
"""Lines may move given points so far; where they would move them further, the points stand.
Both for 1280 pixels of width."""
GIVEN_SD_PX = 2.0
"""Deviation of a point set by hand."""


@dataclass(frozen=True)
class Anchor:
    """A camera that stands at ``t_s``, whatever a search would say.

    ``refined`` tells whether the court's lines were found where the points are.
    """

    t_s: float
    fit: solve.Fit
    places: Places
    place: Place
    refined: bool


def anchor(image: Picture, t_s: float, camera: Camera, points_m: Array, doubles: bool) -> Anchor:
    """Refine a camera that sees given points (N, 3) where they are on the lines of a BGR picture.

    Where the lines are not found, or would move the points, the points alone make the camera.
    """
    white = evidence.whiteness(image)
    wanted = camera.project(points_m)
    scale = max(camera.width_px / 1280, 0.5)
    paint = USUAL[doubles]
    found = lock.refine(white, camera, paint, REACHES_PX)
    if found is not None:
        paint = paint_widths.estimate(white, found[0].camera, paint, found[0].net_m)
        found = lock.refine(white, found[0].camera, paint)
    if found is not None:
        off = np.linalg.norm(found[0].camera.project(points_m) - wanted, axis=1)
        if np.all(off < AGREES_PX * scale):
            fit, places = found
            return Anchor(t_s, fit, places, bundle.place_of(fit, paint), True)
    places = as_places(points_m, wanted, GIVEN_SD_PX * scale)
    by_points = solve.fit(camera, places, solve.prior(solve.usual_sds(camera)), rounds=12)
    if by_points is None:
        nothing = np.zeros((solve.N_UNKNOWNS, solve.N_UNKNOWNS))
        by_points = solve.Fit(camera, 0.0, nothing, np.inf, np.ones(len(places), bool))
    known = _place(by_points, USUAL[doubles], camera)
    return Anchor(t_s, by_points, places, known, False)


def as_places(points_m: Array, image_px: Array, sd_px: float) -> Places:
    """Points (N, 3) and images (N, 2) as places, each measured across and down."""
    count = len(points_m)
    normal = np.repeat(np.eye(2), count, axis=0)
    return Places(
        np.tile(points_m, (2, 1)), np.tile(image_px, (2, 1)), normal, np.full(2 * count, sd_px),
        np.zeros(2 * count), np.zeros(2 * count, bool), np.zeros((2 * count, 2, 2)),
        np.zeros(2 * count, np.int64),
    )


def _place(fit: solve.Fit, paint: Paint, camera: Camera) -> Place:
    """Place of a camera by points; four points leave some of it open, which usual values fill."""
    usual = np.array([1.0, 1.0, 1.0, 0.05, 0.012])
    information = fit.information.copy()
    information[np.ix_(bundle.IN_SOLVER, bundle.IN_SOLVER)] += np.diag(usual**-2.0)
    information[np.ix_(bundle.OWN, bundle.OWN)] += 1e-3 * np.eye(4)
    return bundle.place_of(
        solve.Fit(fit.camera, fit.net_m, information, fit.rms_px, fit.inliers), paint
    )
