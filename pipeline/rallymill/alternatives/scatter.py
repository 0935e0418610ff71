"""How far a player's strokes scatter about where they are aimed.

Nobody sees what was aimed at. Strokes of a player in one direction, from one wing, have a spread
about their own middle that is partly scatter and partly choice; :data:`CHOICE_SHARE` of its
variance is taken for choice. Some strokes are mishit and scatter :data:`MISHIT_TIMES` as far; their
share is such that as many of the player's own strokes would go out or into the net as did. What is
measured so is drawn toward a prior by level of play, which weighs as much as :data:`PRIOR_STROKES`
strokes.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, replace
from math import nan, radians, sqrt

import numpy as np
from numpy.typing import NDArray

from rallymill import tactics
from rallymill.alternatives import drawing
from rallymill.alternatives.stroke import AIR, GROUND, SERVE, Launches, Stroke

Array = NDArray[np.float64]
Place = tuple[float, float]

NOBODY = np.full(4, np.nan)
PRIOR_STROKES = 20
LEAST_GROUP = 5
"""Strokes in one direction from one wing that have a middle of their own."""
CHOICE_SHARE = 0.25
"""Share of the spread's variance that is taken for differences of aim (no source: about what it is
in simulated play)."""
MISHIT_TIMES = 3.0
MOST_MISHIT = 0.4
TRIED = 24
"""Strokes of a player on which the share of mishits is tried, so many at most."""
TRIED_DRAWS = 32
FLATTEST_MPRAD = 8.0
"""Where a rad of elevation changes the range by less, depth tells nothing of elevation."""


@dataclass(frozen=True)
class Scatter:
    """Standard deviations of elevation and azimuth in rad, and of the pace as a share of it.

    ``mishits`` is the share of strokes that scatter ``MISHIT_TIMES`` as far. ``n_strokes`` are the
    player's own strokes that it rests on besides the prior of ``level``.
    """

    elevation_rad: float
    azimuth_rad: float
    pace_share: float
    mishits: float
    n_strokes: int
    level: str

    def errors(self, drawn: Array) -> Array:
        """Errors (N, 3) of elevation and azimuth in rad, and factors on the pace, from draws."""
        times = np.where(drawn[:, drawing.MISHIT] < self.mishits, MISHIT_TIMES, 1.0)
        return np.column_stack([
            times * self.elevation_rad * drawn[:, drawing.ELEVATION],
            times * self.azimuth_rad * drawn[:, drawing.AZIMUTH],
            np.maximum(1 + times * self.pace_share * drawn[:, drawing.ERROR], 0.5),
        ])


def _prior(
    level: str, elevation_deg: float, azimuth_deg: float, pace_share: float, mishits: float
) -> Scatter:
    return Scatter(radians(elevation_deg), radians(azimuth_deg), pace_share, mishits, 0, level)


PRIORS: dict[tuple[str, str], Scatter] = {
    ("tour", GROUND): _prior("tour", 1.0, 1.6, 0.04, 0.08),
    ("tour", SERVE): _prior("tour", 0.6, 1.0, 0.02, 0.08),
    ("tour", AIR): _prior("tour", 1.6, 2.2, 0.06, 0.08),
    ("college", GROUND): _prior("college", 1.3, 2.1, 0.05, 0.1),
    ("college", SERVE): _prior("college", 0.8, 1.3, 0.03, 0.1),
    ("college", AIR): _prior("college", 2.0, 2.8, 0.07, 0.1),
    ("club", GROUND): _prior("club", 1.8, 3.0, 0.07, 0.14),
    ("club", SERVE): _prior("club", 1.1, 2.0, 0.05, 0.14),
    ("club", AIR): _prior("club", 2.6, 3.8, 0.09, 0.14),
}
"""Scatter by level and family before any stroke is seen: common practice, no source. At 24 m a
degree of azimuth is 0.4 m, and a degree of elevation some 2 m of depth."""


def own_scatter(strokes: Iterable[Stroke], family: str, level: str) -> Scatter:
    """Scatter of a player from the strokes of a family, drawn toward the prior of a level.

    Groups of fewer than ``LEAST_GROUP`` strokes with a bounce tell nothing. Measured deviations of
    the bounce are taken off. Depth is turned into elevation by each stroke's own flight, less what
    the prior scatter of pace explains.
    """
    prior = PRIORS[(level, family)]
    groups: dict[tuple[str, str, str | None], list[Stroke]] = defaultdict(list)
    for stroke in strokes:
        if stroke.family == family and stroke.kind != "lob":
            groups[(stroke.direction, stroke.wing, stroke.box_side)].append(stroke)
    elevation: list[float] = []
    azimuth: list[float] = []
    aimed: list[tuple[Stroke, Place]] = []
    for group in groups.values():
        landed = [stroke for stroke in group if stroke.landed is not None]
        if len(landed) >= LEAST_GROUP:
            middle = np.median([stroke.landed for stroke in landed], axis=0)
            across, deep = _residuals(landed, middle, prior)
            azimuth += across
            elevation += deep
            aimed += [(stroke, (float(middle[0]), float(middle[1]))) for stroke in group]
    if not aimed:
        return prior
    found = replace(
        prior, elevation_rad=_drawn(prior.elevation_rad, elevation),
        azimuth_rad=_drawn(prior.azimuth_rad, azimuth), n_strokes=len(aimed),
    )
    return replace(found, mishits=_mishits(found, aimed))


def _mishits(scatter: Scatter, aimed: list[tuple[Stroke, Place]]) -> float:
    """Share of mishits with which as many strokes would go in as did, drawn toward the prior's."""
    judged = [(stroke, place) for stroke, place in aimed if stroke.in_court is not None]
    if not judged:
        return scatter.mishits
    clean, missed = (
        _share_in(replace(scatter, mishits=share), judged) for share in (0.0, 1.0))
    if not clean > missed:
        return scatter.mishits
    usual = clean + scatter.mishits * (missed - clean)
    n_in = sum(bool(stroke.in_court) for stroke, _ in judged)
    wanted = (n_in + PRIOR_STROKES * usual) / (len(judged) + PRIOR_STROKES)
    return float(np.clip((clean - wanted) / (clean - missed), 0.0, MOST_MISHIT))


def _share_in(scatter: Scatter, aimed: list[tuple[Stroke, Place]]) -> float:
    """Share in of a player's strokes, each aimed at the middle of those like it; NaN if none is."""
    step = max(len(aimed) / TRIED, 1.0)
    tried = [aimed[int(k * step)] for k in range(min(len(aimed), TRIED))]
    drawn = drawing.standard_draws(0, TRIED_DRAWS)
    errors = scatter.errors(drawn)
    shares = []
    for stroke, place in tried:
        elevation = Launches(stroke).low(stroke.distance_m(place))
        if elevation == elevation:
            flown, _ = drawing.flights_to(
                replace(stroke, opponent=NOBODY), place, elevation, errors, drawn,
                tactics.Mover(), 1.0)
            shares.append(np.mean(drawing.goes_in(stroke, flown)))
    return float(np.mean(shares)) if shares else nan


def _drawn(prior: float, squares: list[float]) -> float:
    """Deviation from squared residuals and the prior; residuals of mishits count no more than most.
    """
    if not squares:
        return prior
    # The median of a squared normal is 0.455 of its variance.
    own = max(float(np.median(squares)) / 0.455, 0.0) * (1 - CHOICE_SHARE)
    n = len(squares)
    return sqrt((PRIOR_STROKES * prior**2 + n * own) / (PRIOR_STROKES + n))


def _residuals(
    group: list[Stroke], middle: Array, prior: Scatter
) -> tuple[list[float], list[float]]:
    """Squared errors of azimuth and of elevation about the group's middle, in rad squared."""
    places = np.array([stroke.landed for stroke in group])
    # The middle is itself drawn from the group, which makes the residuals smaller.
    wider = len(group) / (len(group) - 1)
    across: list[float] = []
    deep: list[float] = []
    for stroke, (x, y) in zip(group, places, strict=True):
        distance = stroke.distance_m((x, y))
        x_sd, y_sd = stroke.landed_sd
        across.append((wider * (x - middle[0]) ** 2 - x_sd**2) / distance**2)
        launches = Launches(stroke)
        slope = launches.slope_mprad(distance)
        if not slope > FLATTEST_MPRAD:
            continue
        # Range grows with about the square of the pace at even elevation, less by drag.
        by_pace = distance * prior.pace_share
        deep.append((wider * (y - middle[1]) ** 2 - y_sd**2 - by_pace**2) / slope**2)
    return across, deep
