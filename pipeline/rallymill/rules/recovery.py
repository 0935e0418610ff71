"""Family recovery: where a player is when the opponent strikes, after a wide ball or a return."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from pydantic import Field

from rallymill import tactics
from rallymill.intervals import above
from rallymill.rules.base import (
    Cover,
    Evidence,
    Finding,
    Play,
    Result,
    Rule,
    Shot,
    Thresholds,
    cover,
    finding,
    grade,
    known_mps,
    least,
    settle,
    spare_sd_s,
    unmeasured,
    velocity_sd_mps,
)


class RecoveryThresholds(Thresholds):
    """Thresholds of ``recovery``."""

    wide_m: float = Field(gt=0)
    """A ball is wide when met this far from the middle of the court."""
    short_m: float = Field(gt=0)
    """How far short of the recovery place is too far."""
    over_m: float = Field(gt=0)
    """How far beyond it is too far."""
    within_m: float = Field(gt=0)
    """A credit needs the place to be reached to within this."""
    follow_through_s: float = 0.25
    """Time that the stroke itself takes before the way back can begin."""
    long_way_m: float = 3.0
    """A credit needs a way of this length."""
    away_m: float = 0.7
    """Farther from the place than at the own contact by this is the wrong way."""
    baseline_from_m: float = 8.0
    """Nearer the net than this the player is at the net, which is another rule's matter."""
    still_moving_mps: float = 1.0
    """Faster toward the place than this is late rather than short."""


@dataclass(frozen=True)
class _Way:
    """A recovery: metres left to the place (negative: beyond it), its length, and the time."""

    left_m: float
    length_m: float
    time_s: float
    home: float
    sd_m: float

    @property
    def speed_mps(self) -> float:
        """Mean speed toward the place."""
        return (self.length_m - abs(self.left_m)) / max(self.time_s, 1e-3)


def _recovery(play: Play, bounds: RecoveryThresholds) -> Iterator[Result]:
    for shot in play.shots:
        reply = play.next(shot)
        wide = shot.contact_x_m is not None and abs(shot.contact_x_m) >= bounds.wide_m
        if reply is None or not (wide or shot.stroke == "return") or shot.stroke == "serve":
            continue
        covered = shot.lacks("hitter_x_m") or cover(reply)
        if isinstance(covered, str):
            yield unmeasured("recovery", shot, covered)
        elif abs(reply.opponent_y_m) >= bounds.baseline_from_m:
            yield from _judge(play, shot, reply, covered, bounds)


def _judge(
    play: Play, shot: Shot, reply: Shot, covered: Cover, bounds: RecoveryThresholds
) -> Iterator[Result]:
    home = float(np.sign(covered.place_x_m - shot.hitter_x_m)) or 1.0
    way = _Way(
        -covered.error_m * home, abs(covered.place_x_m - shot.hitter_x_m),
        reply.t_contact_s - shot.t_contact_s, home, covered.sd_m,
    )
    # Nobody is blamed for a place that could not be reached in the time.
    start = known_mps(shot.hitter_vx_mps) * home
    needed = bounds.follow_through_s + tactics.time_to_cover_s(
        max(way.length_m - bounds.short_m, 0.0), start, tactics.Mover())
    # A metre a second at the start is worth about a fifth of a second of the way.
    needed_sd = float(np.hypot(spare_sd_s(way.sd_m), 0.2 * velocity_sd_mps(shot, "hitter", "x")))
    possible = above(way.time_s, needed, needed_sd)
    falls_short = above(way.left_m, bounds.short_m, way.sd_m) * possible
    goes_over = above(-way.left_m, bounds.over_m, way.sd_m)
    sure = least(shot.confidence, reply.confidence)
    if falls_short * sure >= bounds.least_confidence:
        yield _fell_short(play, shot, reply, covered, way, falls_short * sure, bounds)
    elif goes_over * sure >= bounds.least_confidence:
        yield _went_over(shot, reply, way, goes_over * sure, bounds)
    elif possible >= 0.5 or way.left_m < 0:
        there = above(bounds.within_m, abs(way.left_m), way.sd_m) * above(
            way.length_m, bounds.long_way_m, way.sd_m)
        if there * sure >= bounds.least_confidence:
            yield _in_time(shot, reply, way, there * sure, bounds)
        else:
            chance = max(falls_short, goes_over)
            yield settle("recovery", shot, bounds, chance=chance, sure=sure)


def _evidence(shot: Shot, way: _Way) -> list[Evidence]:
    return [
        Evidence("contact from the middle", abs(shot.contact_x_m), "m"),
        Evidence("distance to the recovery place", abs(way.left_m), "m"),
        Evidence("deviation of that distance", way.sd_m, "m"),
        Evidence("time to recover", way.time_s, "s"),
        Evidence("mean speed toward the place", way.speed_mps, "m/s"),
    ]


def _after(shot: Shot, bounds: RecoveryThresholds) -> str:
    wide = abs(shot.contact_x_m) >= bounds.wide_m
    return "a return" if shot.stroke == "return" and not wide else "a wide ball"


def _fell_short(
    play: Play, shot: Shot, reply: Shot, covered: Cover, way: _Way, confidence: float,
    bounds: RecoveryThresholds,
) -> Finding:
    evidence = _evidence(shot, way)
    started = _started_s(play, shot, reply, covered.place_x_m)
    if started is not None:
        evidence.append(Evidence("start of the way back", started, "s"))
    late = known_mps(reply.opponent_vx_mps) * way.home > bounds.still_moving_mps
    wrong_way = way.left_m - way.length_m > bounds.away_m
    begun = f", having started back after {started:.1f} s," if late and started else ""
    how = f"still on the way{begun}" if late else "standing"
    word = "Moved the wrong way" if wrong_way else f"{'Late' if late else 'Short'} recovery"
    return finding(
        "recovery", "fault", shot,
        severity=grade(way.left_m, bounds.short_m, bounds.short_m + 3),
        confidence=confidence, evidence=evidence, until_s=reply.t_contact_s,
        sentence=(
            f"{word} after {_after(shot, bounds)}: met it {abs(shot.contact_x_m):.1f} m from the "
            f"middle and {way.time_s:.1f} s later, when the opponent hit, was {how} "
            f"{way.left_m:.1f} m short of the place that halves the opponent's angles."
        ),
    )


def _went_over(
    shot: Shot, reply: Shot, way: _Way, confidence: float, bounds: RecoveryThresholds
) -> Finding:
    return finding(
        "recovery", "fault", shot,
        severity=grade(-way.left_m, bounds.over_m, bounds.over_m + 3),
        confidence=confidence, evidence=_evidence(shot, way), until_s=reply.t_contact_s,
        sentence=(
            f"Recovered too far after {_after(shot, bounds)}: when the opponent hit, was "
            f"{-way.left_m:.1f} m beyond the place that halves the opponent's angles, which leaves "
            "the side just come from open."
        ),
    )


def _in_time(
    shot: Shot, reply: Shot, way: _Way, confidence: float, bounds: RecoveryThresholds
) -> Finding:
    return finding(
        "recovery", "credit", shot,
        severity=grade(way.length_m, bounds.long_way_m, bounds.long_way_m + 3),
        confidence=confidence, evidence=_evidence(shot, way), until_s=reply.t_contact_s,
        sentence=(
            f"Back in time after {_after(shot, bounds)}: {way.length_m:.1f} m to go, and within "
            f"{abs(way.left_m):.1f} m of the place that halves the opponent's angles when the "
            f"opponent hit {way.time_s:.1f} s later."
        ),
    )


def _started_s(play: Play, shot: Shot, reply: Shot, place_x_m: float) -> float | None:
    """Time from contact until the hitter moves back at 1 m/s, None where not measured."""
    track = play.tracks.get(shot.hitter)
    if track is None:
        return None
    moment = track.starts_toward(place_x_m, shot.t_contact_s, reply.t_contact_s, 1.0)
    return None if moment is None else moment - shot.t_contact_s


RULES = (
    Rule("recovery", "recovery", 4, {
        "club": RecoveryThresholds(wide_m=2.5, short_m=1.8, over_m=1.8, within_m=0.8),
        "college": RecoveryThresholds(wide_m=2.5, short_m=1.4, over_m=1.5, within_m=0.6),
        "tour": RecoveryThresholds(wide_m=2.5, short_m=1.1, over_m=1.3, within_m=0.5),
    }, _recovery),
)
