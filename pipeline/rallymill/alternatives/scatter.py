"""How far a player's strokes scatter about where they are aimed.

Nobody sees what was aimed at. Strokes of a player in one direction, from one wing, have a spread
about their own middle that is partly scatter and partly choice; :data:`CHOICE_SHARE` of its
variance is taken for choice. What is measured so is drawn toward a prior by level of play, which
weighs as much as :data:`PRIOR_STROKES` strokes.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from math import radians, sqrt

import numpy as np

from rallymill.alternatives.stroke import AIR, GROUND, SERVE, Launches, Stroke

PRIOR_STROKES = 20
LEAST_GROUP = 5
"""Strokes in one direction from one wing that have a middle of their own."""
CHOICE_SHARE = 0.5
"""Share of the spread's variance that is taken for differences of aim (common practice, no
source)."""
FLATTEST_MPRAD = 8.0
"""Where a rad of elevation changes the range by less, depth tells nothing of elevation."""


@dataclass(frozen=True)
class Scatter:
    """Standard deviations of elevation and azimuth in rad, and of the pace as a share of it.

    ``n_strokes`` are the player's own strokes that it rests on besides the prior of ``level``.
    """

    elevation_rad: float
    azimuth_rad: float
    pace_share: float
    n_strokes: int
    level: str


def _prior(level: str, elevation_deg: float, azimuth_deg: float, pace_share: float) -> Scatter:
    return Scatter(radians(elevation_deg), radians(azimuth_deg), pace_share, 0, level)


PRIORS: dict[tuple[str, str], Scatter] = {
    ("tour", GROUND): _prior("tour", 1.0, 1.6, 0.04),
    ("tour", SERVE): _prior("tour", 0.6, 1.0, 0.02),
    ("tour", AIR): _prior("tour", 1.6, 2.2, 0.06),
    ("college", GROUND): _prior("college", 1.3, 2.1, 0.05),
    ("college", SERVE): _prior("college", 0.8, 1.3, 0.03),
    ("college", AIR): _prior("college", 2.0, 2.8, 0.07),
    ("club", GROUND): _prior("club", 1.8, 3.0, 0.07),
    ("club", SERVE): _prior("club", 1.1, 2.0, 0.05),
    ("club", AIR): _prior("club", 2.6, 3.8, 0.09),
}
"""Scatter by level and family before any stroke is seen: common practice, no source. At 24 m a
degree of azimuth is 0.4 m, and a degree of elevation some 2 m of depth."""


def own_scatter(strokes: Iterable[Stroke], family: str, level: str) -> Scatter:
    """Scatter of a player from the strokes of a family, drawn toward the prior of a level.

    Strokes without a bounce, and groups of fewer than ``LEAST_GROUP``, tell nothing. Measured
    deviations of the bounce are taken off. Depth is turned into elevation by each stroke's own
    flight, less what the prior scatter of pace explains.
    """
    prior = PRIORS[(level, family)]
    groups: dict[tuple[str, str, str | None], list[Stroke]] = defaultdict(list)
    for stroke in strokes:
        if stroke.family == family and stroke.landed is not None and stroke.kind != "lob":
            groups[(stroke.direction, stroke.wing, stroke.box_side)].append(stroke)
    elevation: list[float] = []
    azimuth: list[float] = []
    for group in groups.values():
        if len(group) >= LEAST_GROUP:
            across, deep = _residuals(group, prior)
            azimuth += across
            elevation += deep
    return Scatter(
        _drawn(prior.elevation_rad, elevation), _drawn(prior.azimuth_rad, azimuth),
        prior.pace_share, len(azimuth), level,
    )


def _drawn(prior: float, squares: list[float]) -> float:
    """Deviation from squared residuals and the prior; residuals of mishits count no more than most.
    """
    if not squares:
        return prior
    # The median of a squared normal is 0.455 of its variance.
    own = max(float(np.median(squares)) / 0.455, 0.0) * (1 - CHOICE_SHARE)
    n = len(squares)
    return sqrt((PRIOR_STROKES * prior**2 + n * own) / (PRIOR_STROKES + n))


def _residuals(group: list[Stroke], prior: Scatter) -> tuple[list[float], list[float]]:
    """Squared errors of azimuth and of elevation about the group's middle, in rad squared."""
    places = np.array([stroke.landed for stroke in group])
    middle = np.median(places, axis=0)
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
