"""Family net play: where a player stands at the net, and whether the run has stopped there."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from pydantic import Field

from rallymill import court, tactics
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
    least,
    settle,
    unmeasured,
    velocity_sd_mps,
)

MOVER = tactics.Mover()
CLEARLY_ACROSS_M = 0.3
"""Nearer the centre line than this a player is on neither side."""


class NetPositionThresholds(Thresholds):
    """Thresholds of ``net_position``."""

    off_m: float = Field(gt=0)
    """How far off the middle of the passing angles is too far."""
    on_m: float = Field(gt=0)
    """A credit needs the player nearer to it than this."""
    net_zone_m: float = Field(gt=0)
    """A player nearer the net than this is at the net."""
    pass_mps: float = Field(gt=0)
    """Ground speed of a firm passing shot, for the times to reach it."""
    passer_from_m: float = court.SERVICE_LINE_M
    """An opponent nearer the net than this does not pass but volleys."""


def _net_position(play: Play, bounds: NetPositionThresholds) -> Iterator[Result]:
    for shot in play.shots:
        reply = play.next(shot)
        if reply is None or (reply.depth_m or 0.0) < bounds.passer_from_m:
            continue
        covered = cover(reply)
        if isinstance(covered, str):
            yield unmeasured("net_position", shot, covered)
        elif abs(reply.opponent_y_m) <= bounds.net_zone_m:
            yield _judge_place(play, shot, reply, covered, bounds)


def passing_times_s(reply: Shot, speed_mps: float) -> tuple[float, float]:
    """Time that the player at the net has to spare for a pass down the line and for one across.

    The passes go to the outermost places of :func:`rallymill.tactics.extremes`.
    """
    ends = tactics.extremes(reply.contact_x_m, reply.contact_y_m)
    line_first = reply.contact_x_m < 0
    line, across = ends if line_first else ends[::-1]
    threat = tactics.Threat(
        (reply.contact_x_m, reply.contact_y_m), speed_mps,
        (reply.opponent_x_m, reply.opponent_y_m), (0.0, 0.0), reply.contact_z_m or 1.0,
    )
    spare = tactics.spare_time_s(threat, [line, across], MOVER)
    return float(spare[0]), float(spare[1])


def _judge_place(
    play: Play, shot: Shot, reply: Shot, covered: Cover, bounds: NetPositionThresholds
) -> Result:
    error, deviation = covered.error_m, covered.sd_m
    off = above(abs(error), bounds.off_m, deviation)
    sure = least(shot.confidence, reply.confidence)
    if off * sure >= bounds.least_confidence:
        return _stood_off(play, shot, reply, covered, off * sure, bounds)
    on = above(bounds.on_m, abs(error), deviation)
    held = play.outcome(shot) == "won" and _soon_over(play, reply)
    if held and on * sure >= bounds.least_confidence:
        return _stood_right(shot, reply, covered, on * sure, bounds)
    return settle("net_position", shot, bounds, chance=off, sure=sure)


def _soon_over(play: Play, reply: Shot) -> bool:
    """Whether the point ended with the reply or the stroke after it."""
    volley = play.next(reply)
    return bool(reply.ended_point) or (volley is not None and bool(volley.ended_point))


def _place_evidence(
    reply: Shot, covered: Cover, bounds: NetPositionThresholds
) -> list[Evidence]:
    line, across = passing_times_s(reply, bounds.pass_mps)
    return [
        Evidence("distance from the middle of the passing angles", abs(covered.error_m), "m"),
        Evidence("deviation of that distance", covered.sd_m, "m"),
        Evidence("distance from the net", abs(reply.opponent_y_m), "m"),
        Evidence("time to spare for a pass down the line", line, "s"),
        Evidence("time to spare for a pass across the court", across, "s"),
    ]


def _stood_off(
    play: Play, shot: Shot, reply: Shot, covered: Cover, confidence: float,
    bounds: NetPositionThresholds,
) -> Finding:
    error = covered.error_m
    # The line is on the side of the opponent's contact, across on the other.
    open_line = error * np.sign(reply.contact_x_m or 0.0) < 0
    passed = play.ending(reply) == "winner" and bool(reply.ended_point)
    other_side = (
        reply.opponent_x_m * reply.contact_x_m < 0
        and min(abs(reply.opponent_x_m), abs(reply.contact_x_m)) > CLEARLY_ACROSS_M
    )
    line, across = passing_times_s(reply, bounds.pass_mps)
    spare = line if open_line else across
    reach = f"out of reach by {-spare:.1f} s" if spare < 0 else f"{spare:.1f} s to spare"
    return finding(
        "net_position", "fault", shot,
        severity=grade(abs(error), bounds.off_m, bounds.off_m + 2) + (0.2 if passed else 0.0),
        confidence=confidence, until_s=reply.t_contact_s,
        evidence=_place_evidence(reply, covered, bounds),
        sentence=(
            f"At the net, {abs(error):.1f} m off the line that halves the passing angles and "
            f"{abs(reply.opponent_y_m):.1f} m from the net as the opponent hit"
            f"{', on the other side of the court from the ball' if other_side else ''}: "
            f"{'down the line' if open_line else 'the pass across the court'} stood open ({reach})"
            f"{' and was used' if passed else ''}."
        ),
    )


def _stood_right(
    shot: Shot, reply: Shot, covered: Cover, confidence: float, bounds: NetPositionThresholds
) -> Finding:
    return finding(
        "net_position", "credit", shot, confidence=confidence, until_s=reply.t_contact_s + 1.0,
        severity=0.4, evidence=_place_evidence(reply, covered, bounds),
        sentence=(
            f"At the net on the line that halves the passing angles (to {abs(covered.error_m):.1f} "
            f"m), {abs(reply.opponent_y_m):.1f} m from the net as the opponent hit: neither pass "
            "was given, and the point was won."
        ),
    )


class NetMomentumThresholds(Thresholds):
    """Thresholds of ``net_momentum``."""

    carry_mps: float = Field(gt=0)
    """Faster across than this the feet are not ready to go either way."""
    past_m: float = Field(gt=0)
    """How far past the middle of the passing angles the run must lead."""
    stop_s: float = 0.35
    """Time over which the run goes on: reaction and first step."""
    net_zone_m: float = 7.0
    """A player nearer the net than this is at the net or nearly there."""
    passer_from_m: float = court.SERVICE_LINE_M
    """An opponent nearer the net than this does not pass but volleys."""


def _net_momentum(play: Play, bounds: NetMomentumThresholds) -> Iterator[Result]:
    for shot in play.shots:
        reply = play.next(shot)
        if reply is None or (reply.depth_m or 0.0) < bounds.passer_from_m:
            continue
        lack = reply.lacks("opponent_vx_mps", "opponent_vy_mps")
        covered = lack or cover(reply)
        if isinstance(covered, str):
            yield unmeasured("net_momentum", shot, covered)
        elif abs(reply.opponent_y_m) <= bounds.net_zone_m:
            yield _judge_run(play, shot, reply, covered, bounds)


def _judge_run(
    play: Play, shot: Shot, reply: Shot, covered: Cover, bounds: NetMomentumThresholds
) -> Result:
    speed = float(reply.opponent_vx_mps)
    way = float(np.sign(speed)) or 1.0
    past = (covered.error_m + speed * bounds.stop_s) * way
    speed_sd = velocity_sd_mps(reply, "opponent", "x")
    past_sd = float(np.hypot(covered.sd_m, speed_sd * bounds.stop_s))
    runs = above(abs(speed), bounds.carry_mps, speed_sd)
    chance = runs * above(past, bounds.past_m, past_sd)
    sure = least(shot.confidence, reply.confidence)
    if chance * sure < bounds.least_confidence:
        return settle("net_momentum", shot, bounds, chance=chance, sure=sure)
    # Carried toward the opponent's contact side the court across opens, away from it the line.
    to_line = speed * (reply.contact_x_m or 0.0) > 0
    behind = play.ending(reply) == "winner" and bool(reply.ended_point)
    return finding(
        "net_momentum", "fault", shot, confidence=chance * sure, until_s=reply.t_contact_s,
        severity=grade(past, bounds.past_m, bounds.past_m + 2) + (0.2 if behind else 0.0),
        evidence=[
            Evidence("speed across at the opponent's contact", abs(speed), "m/s"),
            Evidence("speed toward the net", -reply.sign * reply.opponent_vy_mps, "m/s"),
            Evidence("led past the middle of the passing angles", past, "m"),
            Evidence("deviation of that distance", past_sd, "m"),
            Evidence("distance from the net", abs(reply.opponent_y_m), "m"),
        ],
        sentence=(
            f"Still running across at {abs(speed):.1f} m/s as the opponent hit, "
            f"{abs(reply.opponent_y_m):.1f} m from the net: the run led {past:.1f} m past the line "
            "that halves the passing angles and left "
            f"{'the court across' if to_line else 'the line'} open behind it."
        ),
    )


RULES = (
    Rule("net_position", "net_play", 2, {
        "club": NetPositionThresholds(off_m=1.2, on_m=0.6, net_zone_m=5.5, pass_mps=18.0),
        "college": NetPositionThresholds(off_m=0.9, on_m=0.5, net_zone_m=5.5, pass_mps=21.0),
        "tour": NetPositionThresholds(off_m=0.75, on_m=0.4, net_zone_m=5.0, pass_mps=24.0),
    }, _net_position),
    Rule("net_momentum", "net_play", 2, {
        "club": NetMomentumThresholds(carry_mps=2.5, past_m=1.0),
        "college": NetMomentumThresholds(carry_mps=2.2, past_m=0.8),
        "tour": NetMomentumThresholds(carry_mps=2.0, past_m=0.7),
    }, _net_momentum),
)
