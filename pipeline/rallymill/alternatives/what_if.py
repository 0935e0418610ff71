"""Play the alternatives of a stroke: same contact and pace, other directions and depths.

For every target the elevation is solved that brings the ball there. Then the flight is drawn many
times over: contact, pace, topspin and the opponent as they may really have been, given their
standard deviations, and the player's scatter of elevation, azimuth and pace. What comes out is a
distribution. The draws are the same for every target of a stroke and for every run.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import atan2, nan

import numpy as np
from numpy.typing import NDArray

from rallymill import court, tactics
from rallymill.alternatives import flights
from rallymill.alternatives.drawing import (
    N_DRAWS,
    clears,
    flights_to,
    goes_in,
    standard_draws,
)
from rallymill.alternatives.scatter import Scatter
from rallymill.alternatives.stroke import Launches, Stroke
from rallymill.alternatives.targets import PLAYED, Target, played_target, targets
from rallymill.flight import SURFACES

Array = NDArray[np.float64]

LEAST_DRAWS = 8
"""Fewer balls that go in say nothing of when the opponent can meet them."""
MISSED_M = 0.3
"""A draw of a stroke that cannot be brought nearer than this to the target is none of it."""
OPEN_SHARE, CLOSED_SHARE = 0.65, 0.35
"""A direction is open where this share goes in, 7 of 10 when rounded, and closed below the other,
fewer than 4 of 10 (common practice, no source)."""
MISFIT_SDS = 3.5
"""Deviations by which the flight to the measured bounce may differ from the measured time and
clearance; one of a thousand strokes is further off by chance."""
MODEL_S, MODEL_M = 0.02, 0.1
"""What sidespin and wind, which are left out, may make of time and clearance (common practice, no
source)."""

MOVERS = {
    "tour": tactics.Mover(),
    "college": tactics.Mover(acceleration_mps2=4.7, speed_mps=5.6),
    "club": tactics.Mover(acceleration_mps2=4.2, speed_mps=5.0),
}
"""How an opponent moves by level of play: common practice, no source."""


@dataclass(frozen=True)
class Spread:
    """A quantity over the draws: its median, and half the distance of its 16 and 84 % points."""

    median: float
    sd: float

    @staticmethod
    def of(values: Array) -> Spread:
        """Spread of values (N,), NaN without any."""
        if not len(values):
            return Spread(nan, nan)
        low, middle, high = np.percentile(values, (15.87, 50.0, 84.13))
        return Spread(float(middle), float(high - low) / 2)


UNKNOWN = Spread(nan, nan)


@dataclass(frozen=True)
class Alternative:
    """What comes of a stroke toward a target.

    ``reason`` says why it could not be played, and all numbers are NaN then. ``clears`` and
    ``goes_in`` are shares of all draws, ``clearance_m`` that of the ball's lowest point over the
    net where it passes, which is ``net_m`` high there. Of balls that go in, ``ball_s`` is when the
    opponent can best meet them, ``needed_s`` how long the opponent takes to get there, ``late_s``
    the difference (positive: too late) and ``run_m`` the way. ``beats`` is the share of all draws
    that go in and are not reached; NaN where the opponent was not measured.
    """

    target: Target
    played: bool
    reason: str
    elevation_rad: float = nan
    net_m: float = nan
    clears: float = nan
    clearance_m: Spread = UNKNOWN
    goes_in: float = nan
    flight_s: float = nan
    ball_s: Spread = UNKNOWN
    needed_s: Spread = UNKNOWN
    late_s: Spread = UNKNOWN
    run_m: float = nan
    beats: float = nan

    @property
    def room(self) -> str:
        """``open``, ``narrow`` or ``closed``, by the share that goes in."""
        if self.goes_in != self.goes_in:
            return "closed" if self.reason == OUT_OF_REACH else "unknown"
        if self.goes_in >= OPEN_SHARE:
            return "open"
        return "closed" if self.goes_in < CLOSED_SHARE else "narrow"


OUT_OF_REACH = "no ball of this pace and topspin comes down there"
NOT_LANDED = "the stroke was not seen to come down beyond the net"
MISFIT = "contact, pace and bounce as measured do not belong to one flight"


def alternatives(
    stroke: Stroke, scatter: Scatter, mover: tactics.Mover, seed: int, surface: str = "hard",
    n_draws: int = N_DRAWS,
) -> list[Alternative]:
    """What the stroke itself and its alternatives come to, in order of targets, the played first.

    ``surface`` is one of :data:`rallymill.flight.SURFACES`.
    """
    launches = Launches(stroke)
    lofted = _lofted(stroke, launches)
    drawn = standard_draws(seed, n_draws)
    restitution = SURFACES[surface].restitution
    own = played_target(stroke)
    found = []
    if own is None:
        found.append(not_told(stroke.direction, NOT_LANDED))
    elif not _fits(stroke, own, launches, lofted, drawn):
        return [not_told(stroke.direction, MISFIT)]
    for target in ([] if own is None else [own]) + targets(stroke):
        elevation = (launches.high if lofted else launches.low)(
            stroke.distance_m((target.x_m, target.y_m)))
        if elevation != elevation:
            found.append(Alternative(target, target is own, OUT_OF_REACH))
            continue
        found.append(_played_out(
            stroke, target, target is own, elevation, scatter, mover, drawn, restitution))
    return found


def not_told(direction: str, reason: str) -> Alternative:
    """The played stroke where nothing can be said of it."""
    return Alternative(Target(PLAYED, direction, "unknown", nan, nan, "unknown"), True, reason)


def _fits(
    stroke: Stroke, own: Target, launches: Launches, lofted: bool, drawn: Array
) -> bool:
    """Whether the flight to the measured bounce agrees with the measured time and clearance."""
    elevation = (launches.high if lofted else launches.low)(
        stroke.distance_m((own.x_m, own.y_m)))
    if elevation != elevation:
        return False
    at = np.array([own.x_m, own.y_m])
    none = np.tile([0.0, 0.0, 1.0], (len(drawn), 1))
    flown = flights_to(
        stroke, (own.x_m, own.y_m), elevation, none, drawn, tactics.Mover(), 1.0)[0]
    reached = np.abs(flown[:, [flights.LANDED_X, flights.LANDED_Y]] - at).max(axis=1) < MISSED_M
    for column, measured, sd in (
        (flights.LANDED_S, stroke.landed_s, MODEL_S),
        (flights.CLEARANCE, stroke.clearance_m, float(np.hypot(stroke.clearance_sd_m, MODEL_M))),
    ):
        modelled = flown[reached, column]
        if measured != measured or len(modelled) < LEAST_DRAWS:
            continue
        spread = float(np.hypot(np.nanstd(modelled), sd))
        if abs(float(np.nanmedian(modelled)) - measured) > MISFIT_SDS * spread:
            return False
    return True


def _lofted(stroke: Stroke, launches: Launches) -> bool:
    """Whether the stroke went the higher of the two ways, by its time of flight where known."""
    if stroke.landed is None:
        return stroke.kind == "lob"
    distance = stroke.distance_m(stroke.landed)
    ways = [launches.low(distance), launches.high(distance)]
    if ways[0] != ways[0] or ways[1] != ways[1]:
        return ways[0] != ways[0] and ways[1] == ways[1]
    if stroke.landed_s != stroke.landed_s:
        return stroke.kind == "lob"
    off = [
        abs(flight_to(stroke, stroke.landed, way)[flights.LANDED_S] - stroke.landed_s)
        for way in ways
    ]
    return bool(off[1] < off[0])


def flight_to(stroke: Stroke, target_m: tuple[float, float], elevation_rad: float) -> Array:
    """The one flight at an elevation toward a target without any scatter, a row (7,) of
    :func:`rallymill.alternatives.flights.draw`."""
    azimuth = atan2(target_m[0] - stroke.contact[0], target_m[1] - stroke.contact[1])
    return flights.one(
        stroke.contact, stroke.pace_mps, elevation_rad, azimuth, stroke.topspin_radps)


def _played_out(
    stroke: Stroke, target: Target, played: bool, elevation: float, scatter: Scatter,
    mover: tactics.Mover, drawn: Array, restitution: float,
) -> Alternative:
    flown, met = flights_to(
        stroke, (target.x_m, target.y_m), elevation, scatter.errors(drawn), drawn, mover,
        restitution)
    clearance = flown[:, flights.CLEARANCE]
    passes = np.isfinite(clearance)
    inside = goes_in(stroke, flown)
    times = met[inside & np.isfinite(met[:, 0])]
    ball, needed, run = times.T
    told = len(times) >= LEAST_DRAWS
    measured = bool(np.isfinite(stroke.opponent).all())
    return Alternative(
        target, played, "", elevation,
        net_m=float(np.median(court.net_height_m(flown[passes, flights.NET_X]))),
        clears=float(np.mean(clears(flown))), clearance_m=Spread.of(clearance[passes]),
        goes_in=float(np.mean(inside)), flight_s=float(np.nanmedian(flown[:, flights.LANDED_S])),
        ball_s=Spread.of(ball) if told else UNKNOWN,
        needed_s=Spread.of(needed) if told else UNKNOWN,
        late_s=Spread.of(needed - ball) if told else UNKNOWN,
        run_m=float(np.median(run)) if told else nan,
        beats=float(np.sum(needed > ball)) / len(drawn) if measured else nan,
    )
