"""Find the court in one picture, with nothing known before."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from rallymill import camera as cameras
from rallymill.camera import Camera
from rallymill.courtfit import evidence, look, paint_widths, search, solve, support
from rallymill.courtfit.model import USUAL, Paint

Array = NDArray[np.float64]
Picture = NDArray[Any]

SEARCH_WIDTH_PX = 1280
"""Lines are searched in a picture no wider than this; they are measured at full size."""
TRIED = 8
"""Hypotheses that are refined, of each kind of court."""
ROUGH_REACHES_PX = (8.0, 5.0, 3.0)
REACHES_PX = (3.0, 3.0)
"""How far lines are looked for in each round of refinement, for 1280 px of width; the rough ones
are for hypotheses."""
LEAST_SHARE = 0.35
"""Share of places with a line below which a hypothesis is given up."""
WORST_RMS_PX = 1.5


@dataclass(frozen=True)
class Lock:
    """A court found in a picture: the fit, whether it has alleys, and what speaks for it."""

    fit: solve.Fit
    paint: Paint
    support: support.Support
    places: solve.Places


@dataclass(frozen=True)
class NotFound:
    """No court was found, and why; ``near`` if one all but was, so that it may be next time."""

    reason: str
    near: bool = False


def refine(
    white: Picture,
    camera: Camera,
    paint: Paint,
    reaches_px: tuple[float, ...] = REACHES_PX,
    known: solve.Prior | None = None,
    step_m: float = 0.3,
) -> tuple[solve.Fit, solve.Places] | None:
    """Fit a camera to the lines of a whiteness picture, from a near guess; None if that fails.

    Without ``known`` all unknowns are free, lens and net within what is usual.
    """
    scale = max(white.shape[1] / 1280, 0.5)
    current, net_m = camera, 0.0
    found = None
    for round_number, reach in enumerate(reaches_px):
        places, share = look.look(white, current, paint, reach * scale, step_m, net_m=net_m)
        if len(places) < 24 or share < LEAST_SHARE:
            return None
        # The lens is left alone until the rest is nearly right.
        early = round_number == 0 and len(reaches_px) > 2
        limits = known or solve.prior(solve.usual_sds(camera, fixed_k1=early))
        found = solve.fit(current, places, limits, net_m, rounds=5)
        if found is None:
            return None
        current, net_m = found.camera, found.net_m
        if not plausible(current):
            return None
    return (found, places) if found else None


def plausible(camera: Camera) -> bool:
    """Whether a main camera could be there."""
    x, y, z = camera.centre_m
    forward, down = camera.rotation[2], camera.rotation[1]
    return bool(
        search.LOWEST_M <= z <= search.HIGHEST_M
        and -search.FARTHEST_M <= y <= -search.NEAREST_M
        and abs(x) <= search.ASIDE_M
        and 0.25 * camera.width_px < camera.focal_px < 10 * camera.width_px
        and forward[1] > 0.3
        and down[2] < -0.4
        and abs(camera.k1) * (camera.width_px / 2 / camera.focal_px) ** 2 < 0.12
    )


def lock(image: Picture) -> Lock | NotFound:
    """Find the court in a BGR picture (H, W, 3).

    Courts with and without doubles alleys are tried; the one with more line under it, and less
    line missing, wins.
    """
    white = evidence.whiteness(image)
    height, width = white.shape
    small = white
    if width > SEARCH_WIDTH_PX:
        size = (SEARCH_WIDTH_PX, round(height * SEARCH_WIDTH_PX / width))
        small = cv2.resize(white, size, interpolation=cv2.INTER_AREA)
    seen = evidence.find(small)
    ratio = np.array([width / small.shape[1], height / small.shape[0]])
    best: Lock | None = None
    tried = 0
    for doubles in (True, False):
        for hypothesis in _ranked(seen, doubles)[:TRIED]:
            candidate = _from_homography(hypothesis.homography, ratio, width, height)
            if candidate is None:
                continue
            refined = refine(white, candidate, USUAL[doubles], ROUGH_REACHES_PX, step_m=0.6)
            if refined is None:
                continue
            tried += 1
            found, places = refined
            backing = support.check(
                white, found.camera, USUAL[doubles], found.net_m, step_m=0.5
            )
            better = best is None or backing.score_px > best.support.score_px
            if better:
                best = Lock(found, USUAL[doubles], backing, places)
            if backing.on > 0.9 and backing.off < 0.15 and backing.good:
                break
        if best is not None and best.support.on > 0.93 and best.support.good:
            break
    if best is None:
        return NotFound(f"no court fits {len(seen.lines)} bright lines")
    return judged(_with_true_paint(white, best), max(width / 1280, 1.0))


def _with_true_paint(white: Picture, found: Lock) -> Lock:
    """The lock, fitted again with the widths of paint and the net's posts that are seen."""
    if not found.support.good:
        return found
    paint = paint_widths.estimate(white, found.fit.camera, found.paint, found.fit.net_m)
    again = refine(white, found.fit.camera, paint)
    if again is None:
        return found
    fit, places = again
    backing = support.check(white, fit.camera, paint, fit.net_m)
    return Lock(fit, paint, backing, places) if backing.good else found


def judged(found: Lock, scale: float) -> Lock | NotFound:
    """The lock if it may be believed, otherwise why not."""
    s = found.support
    if not s.certain:
        return NotFound(
            f"best court has {s.on:.0%} of its lines, {s.off:.0%} beside them, "
            f"{s.across} across and {s.down} down, {s.net:.0%} of its net", s.good,
        )
    if found.fit.rms_px > WORST_RMS_PX * scale:
        return NotFound(f"lines lie {found.fit.rms_px:.1f} px from the best court")
    return found


def _ranked(seen: evidence.Evidence, doubles: bool) -> list[search.Hypothesis]:
    """Hypotheses by a finer score than the search's own."""
    found = search.search(seen, doubles)
    return sorted(
        found, key=lambda one: -search.score(one.homography, seen, doubles, tolerance=4.0)
    )


def _from_homography(
    homography: Array, ratio: Array, width: int, height: int
) -> Camera | None:
    # Pixel centres are at whole numbers, so sizes scale about (-0.5, -0.5).
    lift = np.array([
        [ratio[0], 0, 0.5 * ratio[0] - 0.5], [0, ratio[1], 0.5 * ratio[1] - 0.5], [0, 0, 1.0]
    ])
    return cameras.from_homography(lift @ homography, width, height)
