"""Family shot choice: what was made of a short ball."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from pydantic import Field

from rallymill import court, tactics
from rallymill.intervals import above
from rallymill.rules.base import (
    Evidence,
    Play,
    Result,
    Rule,
    Shot,
    Thresholds,
    cover,
    finding,
    grade,
    least,
    settle,
    spare_sd_s,
    speed_of,
    unmeasured,
)
from rallymill.rules.base import runs as on_the_run

MOVER = tactics.Mover()
ACROSS = ("cross_court", "inside_out")
STRAIGHT = ("down_the_line", "inside_in")
NEXT_WORDS = {
    "cross_court": "came across the court", "inside_out": "came across the court",
    "down_the_line": "came down the line", "inside_in": "came down the line",
    "middle": "came back through the middle",
}


class OpenLineThresholds(Thresholds):
    """Thresholds of ``open_line``."""

    run_mps: float = Field(gt=0)
    """A hitter who moves faster than this is on the run."""
    reply_speed_mps: float = Field(gt=0)
    """Ground speed of the reply that the hitter must be able to reach."""
    in_front_m: float = Field(gt=0)
    """A credit needs the hitter nearer than this to the place that halves the replies."""
    margin_m: float = 0.7
    """How far inside the sideline that reply is taken to land."""


def _open_line(play: Play, bounds: OpenLineThresholds) -> Iterator[Result]:
    for shot in play.shots:
        if shot.incoming_depth != "short" or shot.direction == "unknown":
            continue
        if shot.stroke in ("serve", "return", "overhead"):
            continue
        lack = shot.lacks("hitter_vx_mps", "hitter_vy_mps")
        if lack:
            yield unmeasured("open_line", shot, lack)
            continue
        speed, speed_sd = speed_of(shot, "hitter")
        runs = above(speed, bounds.run_mps, speed_sd)
        if runs >= 0.5:
            yield _judge_line(play, shot, speed, runs, bounds)


def _judge_line(
    play: Play, shot: Shot, speed: float, runs: float, bounds: OpenLineThresholds
) -> Result:
    reply = play.next(shot)
    sure = least(shot.confidence, shot.direction_confidence)
    straight = shot.direction in STRAIGHT
    if reply is None and not shot.ended_point:
        return unmeasured("open_line", shot, "reply not seen")
    if reply is None or not (straight or shot.direction in ACROSS):
        # It ended the point, or went through the middle: neither leaves the line open.
        return settle("open_line", shot, bounds, chance=0.0, sure=sure)
    lack = reply.lacks(
        "contact_x_m", "contact_y_m", "opponent_x_m", "opponent_y_m", "opponent_vx_mps",
        "opponent_vy_mps")
    if lack:
        return unmeasured("open_line", shot, lack)
    sure = least(shot.direction_confidence, shot.confidence, reply.confidence)
    seen = _ways(shot, reply, speed, bounds)
    if straight:
        return _line_taken(play, shot, reply, seen, runs, sure, bounds)
    return _line_left(play, shot, reply, seen, runs, sure, bounds)


@dataclass(frozen=True)
class _Ways:
    """The hitter's run, and the ways to the reply down the line and to the one across."""

    speed_mps: float
    gap_m: float
    line_s: float
    across_s: float
    sd_s: float


def _ways(shot: Shot, reply: Shot, speed: float, bounds: OpenLineThresholds) -> _Ways:
    side = float(np.sign(reply.contact_x_m)) or 1.0
    line = (side * (court.HALF_SINGLES_M - bounds.margin_m), reply.sign * 9.5)
    across = (-side * (court.HALF_SINGLES_M - bounds.margin_m), reply.sign * 8.0)
    threat = tactics.Threat(
        (reply.contact_x_m, reply.contact_y_m), bounds.reply_speed_mps,
        (reply.opponent_x_m, reply.opponent_y_m),
        (reply.opponent_vx_mps, reply.opponent_vy_mps), reply.contact_z_m or 1.0,
    )
    spare = tactics.spare_time_s(threat, [line, across], MOVER)
    deviation = spare_sd_s(reply.sd("opponent_x_m", 0.3))
    return _Ways(
        speed, abs(line[0] - reply.opponent_x_m), float(spare[0]), float(spare[1]), deviation)


def _line_left(
    play: Play, shot: Shot, reply: Shot, seen: _Ways, runs: float, sure: float,
    bounds: OpenLineThresholds,
) -> Result:
    chance = above(-seen.line_s, 0.0, seen.sd_s) * runs
    if chance * sure < bounds.least_confidence:
        return settle("open_line", shot, bounds, chance=chance, sure=sure)
    used = reply.direction == "down_the_line"
    lost = play.outcome(shot) == "lost"
    short = max(-seen.line_s, 0.0)
    return finding(
        "open_line", "fault", shot, confidence=chance * sure, until_s=reply.t_contact_s + 1.0,
        severity=0.4 + 0.2 * used + 0.2 * (used and lost) + min(0.2, short / 2),
        evidence=[
            Evidence("speed of the hitter at contact", seen.speed_mps, "m/s"),
            Evidence("distance to the line when the opponent hit", seen.gap_m, "m"),
            Evidence("time short for a ball down the line", short, "s"),
        ],
        sentence=(
            f"Short ball met on the run ({seen.speed_mps:.1f} m/s) and sent across the court "
            f"without ending the point: as the opponent hit, the line was {seen.gap_m:.1f} m away "
            f"and a ball down it out of reach by {short:.1f} s"
            f"{', and it came there' if used else ''}."
        ),
    )


def _line_taken(
    play: Play, shot: Shot, reply: Shot, seen: _Ways, runs: float, sure: float,
    bounds: OpenLineThresholds,
) -> Result:
    where = cover(reply)
    if isinstance(where, str):
        return unmeasured("open_line", shot, where)
    off = abs(where.error_m)
    covered = above(bounds.in_front_m, off, where.sd_m) * runs
    if covered * sure < bounds.least_confidence:
        return settle("open_line", shot, bounds, chance=0.0, sure=sure)
    outcome = {"won": ", and the point was won", "lost": ", and the point was lost"}
    return finding(
        "open_line", "credit", shot, confidence=covered * sure, until_s=reply.t_contact_s + 1.0,
        severity=0.7 * grade(bounds.in_front_m - off, 0.0, bounds.in_front_m),
        evidence=[
            Evidence("speed of the hitter at contact", seen.speed_mps, "m/s"),
            Evidence("distance to the recovery place when the opponent hit", off, "m"),
            Evidence("time to spare for a reply down the line", seen.line_s, "s"),
            Evidence("time to spare for a reply across the court", seen.across_s, "s"),
        ],
        sentence=(
            f"Short ball met on the run ({seen.speed_mps:.1f} m/s) and sent down the line: as the "
            f"opponent hit, stood {off:.1f} m from the place that halves the opponent's angles; "
            f"the reply {NEXT_WORDS.get(reply.direction, 'came back')}"
            f"{outcome.get(play.outcome(shot), '')}."
        ),
    )


class ShortBallThresholds(Thresholds):
    """Thresholds of ``short_ball``."""

    bounce_m: float = Field(gt=0)
    """A ball that bounces nearer the net than this is short."""
    attack_mps: float = Field(gt=0)
    """A stroke faster than this attacks."""
    time_s: float = Field(gt=0)
    """Time to prepare from which the ball could be attacked."""
    back_at_m: float = 10.9
    """A player farther from the net than this at the reply has gone back to the baseline."""


def _short_ball(play: Play, bounds: ShortBallThresholds) -> Iterator[Result]:
    for shot in play.shots:
        before, reply = play.previous(shot), play.next(shot)
        if before is None or shot.incoming_depth != "short":
            continue
        if shot.stroke not in ("groundstroke", "approach"):
            continue
        lack = shot.lacks("incoming_bounce_y_m", "speed_mps", "time_to_prepare_s")
        if lack:
            yield unmeasured("short_ball", shot, lack)
            continue
        short = above(
            bounds.bounce_m, abs(shot.incoming_bounce_y_m), before.sd("bounce_y_m", 0.3))
        timely = above(shot.time_to_prepare_s, bounds.time_s, 0.03)
        if short * timely >= 0.5:
            yield _judge_short(shot, reply, short * timely, bounds)


def _judge_short(
    shot: Shot, reply: Shot | None, asked: float, bounds: ShortBallThresholds
) -> Result:
    sure = least(shot.confidence, shot.stroke_confidence)
    slow = 1 - above(shot.speed_mps, bounds.attack_mps, shot.sd("speed_mps", 1.5))
    if shot.stroke == "approach" or (reply is None and shot.ended_point):
        # Followed to the net, or the end of the point: attacked.
        return settle("short_ball", shot, bounds, chance=0.0, sure=sure)
    if reply is None:
        return unmeasured("short_ball", shot, "reply not seen")
    hurried = on_the_run(reply)
    if hurried >= 0.5:
        return settle("short_ball", shot, bounds, chance=1 - hurried, sure=sure)
    lack = reply.lacks("opponent_y_m")
    if lack:
        return unmeasured("short_ball", shot, lack)
    bounce, back = abs(shot.incoming_bounce_y_m), abs(reply.opponent_y_m)
    chance = (1 - hurried) * slow * above(back, bounds.back_at_m, reply.sd("opponent_y_m", 0.3))
    sure = least(shot.stroke_confidence, shot.confidence, reply.confidence)
    if asked * chance * sure < bounds.least_confidence:
        return settle("short_ball", shot, bounds, chance=chance, sure=sure)
    return finding(
        "short_ball", "fault", shot, confidence=asked * chance * sure, until_s=reply.t_contact_s,
        severity=grade(bounds.bounce_m - bounce, 0.0, 3.0),
        evidence=[
            Evidence("bounce of the ball from the net", bounce, "m"),
            Evidence("time to prepare", shot.time_to_prepare_s, "s"),
            Evidence("speed of the stroke", shot.speed_mps, "m/s"),
            Evidence("distance from the net at the reply", back, "m"),
        ],
        sentence=(
            f"Short ball not attacked: it bounced {bounce:.1f} m from the net with "
            f"{shot.time_to_prepare_s:.1f} s to prepare, was played at "
            f"{shot.speed_mps * 3.6:.0f} km/h, and the baseline was taken up again "
            f"({back:.1f} m from the net)."
        ),
    )


RULES = (
    Rule("open_line", "shot_choice", 3, {
        "club": OpenLineThresholds(run_mps=2.0, reply_speed_mps=18.0, in_front_m=1.4),
        "college": OpenLineThresholds(run_mps=2.5, reply_speed_mps=21.0, in_front_m=1.2),
        "tour": OpenLineThresholds(run_mps=2.5, reply_speed_mps=24.0, in_front_m=1.0),
    }, _open_line),
    Rule("short_ball", "shot_choice", 3, {
        "club": ShortBallThresholds(bounce_m=6.4, attack_mps=20.0, time_s=1.2),
        "college": ShortBallThresholds(bounce_m=6.4, attack_mps=24.0, time_s=1.0),
        "tour": ShortBallThresholds(bounce_m=6.4, attack_mps=27.0, time_s=0.9),
    }, _short_ball),
)
