"""Family shot choice: strokes that ask for more than the ball gives."""

from __future__ import annotations

from collections.abc import Iterator

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
    finding,
    grade,
    least,
    settle,
    spare_sd_s,
    unmeasured,
)
from rallymill.rules.shot_choice import ACROSS, STRAIGHT

MOVER = tactics.Mover()
INCOMING_SD_MPS = 1.5
"""Deviation of the speed of the ball that is met, which the tables do not carry."""


class ChangeDirectionThresholds(Thresholds):
    """Thresholds of ``change_direction``."""

    hard_mps: float = Field(gt=0)
    """A ball that still goes faster than this when it is met is hard."""
    behind_m: float
    """Met farther behind the baseline than this (negative: inside), there is no angle to use."""
    wide_m: float = 1.0
    """A ball is met outside when this far from the middle."""
    line_speed_mps: float = 22.0
    """Ground speed of a firm ball down the line, to tell whether the line lay open."""
    margin_m: float = 0.7
    """How far inside the sideline such a ball is taken to land."""


def _change_direction(play: Play, bounds: ChangeDirectionThresholds) -> Iterator[Result]:
    for shot in play.shots:
        before = play.previous(shot)
        if before is None or shot.stroke != "groundstroke" or before.direction not in ACROSS:
            continue
        if shot.direction not in (*ACROSS, *STRAIGHT, "middle"):
            continue
        lack = shot.lacks("contact_x_m", "contact_y_m", "incoming_speed_mps")
        if lack:
            yield unmeasured("change_direction", shot, lack)
            continue
        asked = (
            above(shot.incoming_speed_mps, bounds.hard_mps, INCOMING_SD_MPS)
            * above(abs(shot.contact_y_m) - court.HALF_LENGTH_M, bounds.behind_m,
                    shot.sd("contact_y_m", 0.3))
            * above(abs(shot.contact_x_m), bounds.wide_m, shot.sd("contact_x_m", 0.2))
        )
        if asked >= 0.5:
            yield _judge_change(play, shot, before, asked, bounds)


def _judge_change(
    play: Play, shot: Shot, before: Shot, asked: float, bounds: ChangeDirectionThresholds
) -> Result:
    sure = least(
        shot.direction_confidence, before.direction_confidence, shot.confidence, before.confidence)
    won = shot.ended_point and play.outcome(shot) == "won"
    if shot.direction not in STRAIGHT or won:
        return settle("change_direction", shot, bounds, chance=0.0, sure=sure)
    lack = shot.lacks("opponent_x_m", "opponent_y_m", "opponent_vx_mps", "opponent_vy_mps")
    if lack:
        return unmeasured("change_direction", shot, lack)
    line = (
        float(np.sign(shot.contact_x_m)) * (court.HALF_SINGLES_M - bounds.margin_m),
        shot.sign * 9.5,
    )
    threat = tactics.Threat(
        (shot.contact_x_m, shot.contact_y_m), bounds.line_speed_mps,
        (shot.opponent_x_m, shot.opponent_y_m), (shot.opponent_vx_mps, shot.opponent_vy_mps),
        shot.contact_z_m or 1.0,
    )
    spare = float(tactics.spare_time_s(threat, [line], MOVER)[0])
    # Who sees the line open is right to take it.
    covered = above(spare, 0.0, spare_sd_s(shot.sd("opponent_x_m", 0.3)))
    if asked * covered * sure < bounds.least_confidence:
        return settle("change_direction", shot, bounds, chance=covered, sure=sure)
    behind = abs(shot.contact_y_m) - court.HALF_LENGTH_M
    missed = shot.ended_point and play.outcome(shot) == "lost"
    return finding(
        "change_direction", "fault", shot, confidence=asked * covered * sure,
        severity=grade(shot.incoming_speed_mps, bounds.hard_mps, bounds.hard_mps + 10)
        + 0.3 * missed,
        evidence=[
            Evidence("speed of the ball that was met", shot.incoming_speed_mps, "m/s"),
            Evidence("contact behind the baseline", behind, "m"),
            Evidence("contact from the middle", abs(shot.contact_x_m), "m"),
            Evidence("time the opponent had to spare on the line", spare, "s"),
        ],
        sentence=(
            "Changed direction on a hard ball: a cross-court ball still at "
            f"{shot.incoming_speed_mps * 3.6:.0f} km/h, met {abs(behind):.1f} m "
            f"{'behind' if behind >= 0 else 'inside'} the baseline, was sent down the line, where "
            f"the opponent had {spare:.1f} s to spare{'; it missed' if missed else ''}."
        ),
    )


class LowLineThresholds(Thresholds):
    """Thresholds of ``low_line``."""

    low_m: float = Field(gt=0)
    """A ball met lower than this must be lifted over the net."""
    margin_m: float = Field(gt=0)
    """Less room over the net than this is a small margin."""


def _low_line(play: Play, bounds: LowLineThresholds) -> Iterator[Result]:
    for shot in play.shots:
        if shot.stroke not in ("groundstroke", "approach") or shot.direction == "unknown":
            continue
        lack = shot.lacks("contact_z_m")
        if lack:
            yield unmeasured("low_line", shot, lack)
            continue
        low = above(bounds.low_m, shot.contact_z_m, shot.sd("contact_z_m", 0.1))
        if low >= 0.5:
            yield _judge_low(play, shot, low, bounds)


def crossing_x_m(shot: Shot) -> float | None:
    """x at which a stroke crosses the net, by the straight line to its landing."""
    if shot.lacks("contact_x_m", "contact_y_m", "bounce_x_m", "bounce_y_m"):
        return None
    share = shot.contact_y_m / (shot.contact_y_m - shot.bounce_y_m)
    return float(shot.contact_x_m + share * (shot.bounce_x_m - shot.contact_x_m))


def _judge_low(play: Play, shot: Shot, low: float, bounds: LowLineThresholds) -> Result:
    sure = least(shot.direction_confidence, shot.confidence)
    won = shot.ended_point and play.outcome(shot) == "won"
    if shot.direction not in STRAIGHT or won:
        return settle("low_line", shot, bounds, chance=0.0, sure=sure)
    netted = shot.ended_point and play.ending(shot) == "error_net"
    if shot.net_clearance_m is None and not netted:
        return unmeasured("low_line", shot, "not measured: net_clearance_m")
    room = shot.net_clearance_m if shot.net_clearance_m is not None else 0.0
    small = 1.0 if netted else above(bounds.margin_m, room, shot.sd("net_clearance_m", 0.15))
    if low * small * sure < bounds.least_confidence:
        return settle("low_line", shot, bounds, chance=small, sure=sure)
    crossing = crossing_x_m(shot)
    crossing = float(shot.contact_x_m or 0.0) if crossing is None else crossing
    top = float(court.net_height_m(crossing))
    evidence = [
        Evidence("height of the contact", shot.contact_z_m, "m"),
        Evidence("height of the net where it was crossed", top, "m"),
        Evidence("height of the net in the middle", court.NET_CENTRE_M, "m"),
    ]
    if not netted:
        evidence.append(Evidence("room over the net", room, "m"))
    passed = "it went into the net" if netted else f"it passed with {room * 100:.0f} cm to spare"
    return finding(
        "low_line", "fault", shot, confidence=low * small * sure, evidence=evidence,
        severity=grade(bounds.margin_m - max(room, 0.0), 0.0, bounds.margin_m) * 0.7
        + 0.3 * netted,
        sentence=(
            f"Low ball ({shot.contact_z_m:.1f} m) struck down the line, where the net is "
            f"{top * 100:.0f} cm high against {court.NET_CENTRE_M * 100:.0f} in the middle: "
            f"{passed}."
        ),
    )


RULES = (
    Rule("change_direction", "shot_choice", 1, {
        "club": ChangeDirectionThresholds(hard_mps=14.0, behind_m=-0.5),
        "college": ChangeDirectionThresholds(hard_mps=16.0, behind_m=0.0),
        "tour": ChangeDirectionThresholds(hard_mps=18.0, behind_m=0.5),
    }, _change_direction),
    Rule("low_line", "shot_choice", 1, {
        "club": LowLineThresholds(low_m=0.6, margin_m=0.4),
        "college": LowLineThresholds(low_m=0.55, margin_m=0.3),
        "tour": LowLineThresholds(low_m=0.5, margin_m=0.25),
    }, _low_line),
)
