"""Balls of a world: the one in play, and those that lie about or are rolled between points."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from rallymill import court
from rallymill.arena.rally_ball import ROLL_DECELERATION_MPS2, Arc, BallTrack
from rallymill.arena.rally_record import Behaviour, RallyRecord

Array = NDArray[np.float64]

TAKEN_BEFORE_S = 0.8
"""The ball is in the server's hand again so long before it is bounced."""
LEFT_LYING = 0.5
"""Odds that the ball of a fault is left where it does not disturb; common practice, no source."""
ROLLED = 0.3
"""Odds that a ball is rolled by ball kid or player in a pause; common practice, no source."""
CLEARED_AFTER_S = 2.0


@dataclass
class IdleBalls:
    """Balls 1, 2, ... of a world and what was noted of them."""

    tracks: list[BallTrack] = field(default_factory=list)
    behaviours: list[Behaviour] = field(default_factory=list)


def _taken_s(rallies: Sequence[RallyRecord], index: int) -> float:
    """When the ball of a rally is needed for the next one."""
    if index + 1 < len(rallies):
        return rallies[index + 1].before[0].start_s - TAKEN_BEFORE_S
    return float("inf")


def ball_in_play(rallies: Sequence[RallyRecord], idle_ball: str) -> BallTrack:
    """Track of ball 0: bounced, tossed, played, and followed until it rests or is taken."""
    track = BallTrack()
    for index, rally in enumerate(rallies):
        track.arcs += rally.before
        until = _taken_s(rallies, index)
        arcs = list(rally.arcs)
        if idle_ball == "gone":
            live = sum(arc.live for arc in arcs)
            arcs = arcs[: live + 1]
        arcs = [replace(arc, end_s=min(arc.end_s, until)) for arc in arcs if arc.start_s < until]
        track.arcs += arcs
        last: Arc = arcs[-1]
        if idle_ball == "rolls" and last.end_kind == "rest" and last.end_s < until:
            place = last.end()[0:3]
            track.rests.append((last.end_s, min(until, last.end_s + 30.0), place))
    track.finish()
    return track


def left_lying(
    rng: np.random.Generator, rallies: Sequence[RallyRecord]
) -> dict[int, tuple[float, float]]:
    """Rallies whose ball stays where it is while the next is played, with the span in which.

    Only a ball that does not disturb is left: outside the court or at the net.
    """
    spans = {}
    for index, rally in enumerate(rallies[:-1]):
        draw = float(rng.uniform())
        if rally.ended_by != "fault" or draw > LEFT_LYING:
            continue
        place = rally.arcs[-1].end()
        outside = abs(place[1]) > court.HALF_LENGTH_M + 0.8 or abs(place[0]) > court.HALF_DOUBLES_M
        if outside or abs(place[1]) < 1.5:
            spans[index] = (_taken_s(rallies, index), rallies[index + 1].free_s + CLEARED_AFTER_S)
    return spans


def _from(arcs: Sequence[Arc], start_s: float) -> list[Arc]:
    """Arcs from a time on, the first one cut."""
    kept = []
    for arc in arcs:
        if arc.end_s <= start_s:
            continue
        if arc.start_s < start_s:
            arc = replace(arc, start_s=start_s, state=arc.at(start_s))
        kept.append(arc)
    return kept


def _leftovers(
    rallies: Sequence[RallyRecord], lying: Mapping[int, tuple[float, float]]
) -> BallTrack:
    track = BallTrack()
    for index, (start_s, end_s) in lying.items():
        arcs = rallies[index].arcs
        track.arcs += [replace(arc, live=False) for arc in _from(arcs, start_s)]
        last = arcs[-1]
        track.rests.append((max(start_s, last.end_s), end_s, last.end()[0:3]))
    track.finish()
    return track


def _roll(rng: np.random.Generator, start_s: float) -> Arc:
    """Ball rolled along the back, along a side, or from the net to the back."""
    kind = int(rng.integers(3))
    side, way = float(rng.choice([-1.0, 1.0])), float(rng.choice([-1.0, 1.0]))
    back = side * (court.HALF_LENGTH_M + rng.uniform(3.8, 5.6))
    if kind == 0:
        start, goal = (-way * rng.uniform(3.0, 5.5), back), (way * rng.uniform(3.0, 6.0), back)
    else:
        x = way * (court.HALF_DOUBLES_M + rng.uniform(0.4, 0.8))
        if kind == 1:
            start, goal = (x, side * 1.0), (x + rng.normal(0, 0.6), back)
        else:
            start = (x, side * 0.6)
            goal = (way * rng.uniform(1.0, 4.5), back)
    path = np.subtract(goal, start)
    length = float(np.linalg.norm(path))
    # Just fast enough to come to rest at the goal.
    speed = float(np.sqrt(2 * ROLL_DECELERATION_MPS2 * length))
    v = speed * path / length
    state = np.array([*start, court.BALL_RADIUS_M, *v, 0.0])
    span = speed / ROLL_DECELERATION_MPS2
    return Arc(start_s, start_s + span, state, np.zeros(2), "hit", "rest", rolling=True)


def _rolled(
    rng: np.random.Generator, rallies: Sequence[RallyRecord]
) -> tuple[BallTrack, list[Behaviour]]:
    track, noted = BallTrack(), []
    for index, rally in enumerate(rallies[:-1]):
        if rally.won_by is None or rng.uniform() > ROLLED:
            continue
        arc = _roll(rng, rally.dead_s + float(rng.uniform(0.8, 1.8)))
        until = _taken_s(rallies, index) + TAKEN_BEFORE_S
        if arc.start_s > until - 0.5:
            continue
        arc = replace(arc, end_s=min(arc.end_s, until + 1.0))
        place = arc.end()
        track.arcs.append(arc)
        track.rests.append((arc.end_s, min(arc.end_s + CLEARED_AFTER_S, until + 1.0), place[0:3]))
        side = court.side_of(float(place[1]))
        noted.append(Behaviour(arc.start_s, side, "rolled"))
    track.finish()
    return track, noted


def idle_balls(
    rng: np.random.Generator,
    rallies: Sequence[RallyRecord],
    lying: Mapping[int, tuple[float, float]],
    n_spare: int,
    duration_s: float,
) -> IdleBalls:
    """All balls but the one in play: spare ones at the back, leftovers, rolled ones."""
    found = IdleBalls()
    for _ in range(n_spare):
        side = float(rng.choice([-1.0, 1.0]))
        place = np.array(
            [rng.uniform(-6.5, 6.5), side * rng.uniform(16.3, 17.9), court.BALL_RADIUS_M]
        )
        track = BallTrack(rests=[(0.0, duration_s + 60.0, place)])
        track.finish()
        found.tracks.append(track)
    left = _leftovers(rallies, lying)
    rolled, noted = _rolled(rng, rallies)
    found.behaviours += noted
    for index, (start_s, _) in lying.items():
        found.behaviours.append(Behaviour(start_s, rallies[index].server, "left_lying"))
    found.tracks += [track for track in (left, rolled) if track.arcs or track.rests]
    return found
