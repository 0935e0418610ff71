"""Family returning: the return of serve, and the ball at the body."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from pydantic import Field

from rallymill import court
from rallymill.intervals import above
from rallymill.rules.base import (
    Evidence,
    Play,
    Result,
    Rule,
    Shot,
    Thresholds,
    finding,
    grade,
    least,
    settle,
    unmeasured,
)
from rallymill.rules.shot_choice import STRAIGHT

BODY_SD_M = 0.15
"""How far the trunk may lie from over the feet; common practice, no source."""
MISSES = ("error_net", "error_long", "error_wide", "unforced_error", "forced_error")


class ReturnChoiceThresholds(Thresholds):
    """Thresholds of ``return_choice``."""

    hard_mps: float = Field(gt=0)
    """A serve struck faster than this puts the receiver under pressure."""
    stretch_m: float = Field(gt=0)
    """So does a contact this far from the feet, across."""
    deep_m: float = Field(gt=0)
    """A return that lands at least this far from the net is deep."""
    line_margin_m: float = Field(gt=0)
    """A return that lands nearer the sideline than this is risky."""


def _return_choice(play: Play, bounds: ReturnChoiceThresholds) -> Iterator[Result]:
    for shot in play.shots:
        serve = play.previous(shot)
        if shot.stroke != "return" or serve is None or shot.direction == "unknown":
            continue
        lack = serve.lacks("speed_mps") or shot.lacks("contact_x_m", "hitter_x_m")
        if lack:
            yield unmeasured("return_choice", shot, lack)
            continue
        reach = abs(shot.contact_x_m - shot.hitter_x_m)
        reach_sd = float(np.hypot(shot.sd("contact_x_m", 0.2), shot.sd("hitter_x_m", 0.2)))
        pressed = max(
            above(serve.speed_mps, bounds.hard_mps, serve.sd("speed_mps", 1.5)),
            above(reach, bounds.stretch_m, reach_sd),
        )
        if pressed >= 0.5:
            yield _judge_return(play, shot, serve, pressed, bounds)


def _judge_return(
    play: Play, shot: Shot, serve: Shot, pressed: float, bounds: ReturnChoiceThresholds
) -> Result:
    sure = least(shot.direction_confidence, shot.confidence, serve.confidence)
    missed = bool(shot.ended_point) and play.ending(shot) in MISSES
    evidence = [
        Evidence("speed of the serve", serve.speed_mps, "m/s"),
        Evidence("contact from the feet, across", abs(shot.contact_x_m - shot.hitter_x_m), "m"),
    ]
    risky = safe = 0.0
    if shot.bounce_x_m is not None and shot.bounce_y_m is not None:
        inside = court.HALF_SINGLES_M - abs(shot.bounce_x_m)
        evidence.append(Evidence("landing inside the sideline", inside, "m"))
        evidence.append(Evidence("landing from the net", abs(shot.bounce_y_m), "m"))
        near = above(bounds.line_margin_m, inside, shot.sd("bounce_x_m", 0.2))
        risky = near if shot.direction in STRAIGHT else 0.0
        if shot.direction == "middle" and shot.in_court:
            safe = above(abs(shot.bounce_y_m), bounds.deep_m, shot.sd("bounce_y_m", 0.3))
            safe *= least(shot.in_court_confidence)
    if missed and shot.direction in STRAIGHT:
        risky = 1.0
    won = shot.ended_point and play.outcome(shot) == "won"
    if pressed * risky * sure >= bounds.least_confidence and not won:
        return finding(
            "return_choice", "fault", shot, confidence=pressed * risky * sure,
            severity=0.8 if missed else 0.5, evidence=evidence,
            sentence=(
                f"Return down the line against a serve of {serve.speed_mps * 3.6:.0f} km/h: the "
                "risky line at the first stroke, "
                f"{'and it missed' if missed else 'close to the sideline'}."
            ),
        )
    if pressed * safe * sure >= bounds.least_confidence:
        return finding(
            "return_choice", "credit", shot, confidence=pressed * safe * sure,
            severity=grade(abs(shot.bounce_y_m), bounds.deep_m, court.HALF_LENGTH_M),
            evidence=evidence,
            sentence=(
                f"Under pressure (a serve of {serve.speed_mps * 3.6:.0f} km/h) returned through "
                f"the middle and deep, {abs(shot.bounce_y_m):.1f} m from the net: no angle to work "
                "with for the server."
            ),
        )
    chance = max(0.0 if won else risky, safe)
    return settle("return_choice", shot, bounds, chance=chance, sure=sure)


class JammedThresholds(Thresholds):
    """Thresholds of ``jammed``."""

    jam_m: float = Field(gt=0)
    """A contact nearer the middle of the body than this leaves no room to swing."""
    weak_m: float = Field(gt=0)
    """A reply that lands nearer the net than this is short."""


def _jammed(play: Play, bounds: JammedThresholds) -> Iterator[Result]:
    for shot in play.shots:
        if shot.stroke not in ("return", "groundstroke"):
            continue
        lack = shot.lacks("contact_x_m", "hitter_x_m")
        yield unmeasured("jammed", shot, lack) if lack else _judge_jam(play, shot, bounds)


def _judge_jam(play: Play, shot: Shot, bounds: JammedThresholds) -> Result:
    beside = abs(shot.contact_x_m - shot.hitter_x_m)
    beside_sd = float(np.linalg.norm(
        [shot.sd("contact_x_m", 0.1), shot.sd("hitter_x_m", 0.1), BODY_SD_M]))
    # Both sides of the body count, so a contact on the trunk line itself is no surer than this.
    close = above(bounds.jam_m, beside, beside_sd) - above(-bounds.jam_m, beside, beside_sd)
    missed = bool(shot.ended_point) and play.ending(shot) in MISSES
    weak = 1.0 if missed else 0.0
    central = shot.direction == "middle"
    if central:
        weak = max(weak, least(shot.direction_confidence))
    if shot.bounce_y_m is not None and shot.in_court:
        short = above(bounds.weak_m, abs(shot.bounce_y_m), shot.sd("bounce_y_m", 0.3))
        weak = max(weak, short)
    sure = least(shot.confidence)
    chance = close * weak
    if chance * sure < bounds.least_confidence:
        return settle("jammed", shot, bounds, chance=chance, sure=sure)
    what = "a serve" if shot.stroke == "return" else "a ball"
    came = "missed" if missed else "went back through the middle" if central else (
        f"fell {abs(shot.bounce_y_m):.1f} m from the net")
    return finding(
        "jammed", "fault", shot, confidence=chance * sure,
        severity=grade(bounds.jam_m - beside, 0.0, bounds.jam_m) * 0.6 + 0.2 * missed,
        evidence=[
            Evidence("contact beside the middle of the body", beside, "m"),
            Evidence("deviation of that distance", beside_sd, "m"),
        ],
        sentence=(
            f"Jammed by {what} at the body: met {beside * 100:.0f} cm beside the middle of the "
            f"body, without room to swing, and the reply {came}."
        ),
    )


RULES = (
    Rule("return_choice", "returning", 1, {
        "club": ReturnChoiceThresholds(
            hard_mps=36.0, stretch_m=1.3, deep_m=8.5, line_margin_m=1.0),
        "college": ReturnChoiceThresholds(
            hard_mps=43.0, stretch_m=1.3, deep_m=9.0, line_margin_m=0.8),
        "tour": ReturnChoiceThresholds(
            hard_mps=48.0, stretch_m=1.3, deep_m=9.5, line_margin_m=0.7),
    }, _return_choice),
    Rule("jammed", "returning", 1, {
        "club": JammedThresholds(jam_m=0.35, weak_m=6.4),
        "college": JammedThresholds(jam_m=0.35, weak_m=6.4),
        "tour": JammedThresholds(jam_m=0.35, weak_m=7.0),
    }, _jammed),
)
