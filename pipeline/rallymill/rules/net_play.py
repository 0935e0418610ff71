"""Family net play: where a player stands at the net, and between net and baseline."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from pydantic import Field

from rallymill import court
from rallymill.rules.base import (
    Cover,
    Evidence,
    Play,
    Result,
    Rule,
    Shot,
    Thresholds,
    above,
    cover,
    finding,
    grade,
    settle,
    unmeasured,
)


class NetPositionThresholds(Thresholds):
    """Thresholds of ``net_position``."""

    off_m: float = Field(gt=0)
    """How far off the middle of the passing angles is too far."""
    net_zone_m: float = Field(gt=0)
    """A player nearer the net than this is at the net."""
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
            yield from _judge_net(play, shot, reply, covered, bounds)


def _judge_net(
    play: Play, shot: Shot, reply: Shot, covered: Cover, bounds: NetPositionThresholds
) -> Iterator[Result]:
    error, deviation = covered.error_m, covered.sd_m
    off = above(abs(error), bounds.off_m, deviation)
    sure = min(shot.confidence or 0.0, reply.confidence or 0.0)
    confidence = off * sure
    if confidence < bounds.least_confidence:
        yield settle("net_position", shot, bounds, chance=off, sure=sure)
        return
    # The line is on the side of the opponent's contact, across on the other.
    open_line = error * np.sign(reply.contact_x_m or 0.0) < 0
    passed = play.ending(reply) == "winner" and bool(reply.ended_point)
    yield finding(
        "net_position", "fault", shot,
        severity=grade(abs(error), bounds.off_m, bounds.off_m + 2) + (0.2 if passed else 0.0),
        confidence=confidence, until_s=reply.t_contact_s,
        evidence=[
            Evidence("distance from the middle of the passing angles", abs(error), "m"),
            Evidence("deviation of that distance", deviation, "m"),
            Evidence("distance from the net", abs(reply.opponent_y_m), "m"),
        ],
        sentence=(
            f"At the net, {abs(error):.1f} m off the line that halves the passing angles and "
            f"{abs(reply.opponent_y_m):.1f} m from the net as the opponent hit: "
            f"{'down the line' if open_line else 'the pass across the court'} stood open"
            f"{' and was used' if passed else ''}."
        ),
    )


class NoMansLandThresholds(Thresholds):
    """Thresholds of ``no_mans_land``."""

    front_m: float = Field(gt=0)
    """Distance from the net at which the zone starts."""
    back_m: float = Field(gt=0)
    """Distance from the net at which it ends."""
    passing_through_mps: float = 1.5
    """A player who moves faster is on the way through."""


def _no_mans_land(play: Play, bounds: NoMansLandThresholds) -> Iterator[Result]:
    for shot in play.shots:
        reply = play.next(shot)
        if reply is None:
            continue
        lack = reply.lacks("opponent_y_m", "opponent_vx_mps", "opponent_vy_mps")
        if lack:
            yield unmeasured("no_mans_land", shot, lack)
            continue
        depth = abs(reply.opponent_y_m)
        deviation = reply.sd("opponent_y_m", 0.3)
        speed = float(np.hypot(reply.opponent_vx_mps, reply.opponent_vy_mps))
        inside = above(depth, bounds.front_m, deviation) - above(depth, bounds.back_m, deviation)
        stands = 1 - above(speed, bounds.passing_through_mps, 0.3)
        sure = min(shot.confidence or 0.0, reply.confidence or 0.0)
        confidence = inside * stands * sure
        if confidence < bounds.least_confidence:
            yield settle("no_mans_land", shot, bounds, chance=inside * stands, sure=sure)
            continue
        middle = (bounds.front_m + bounds.back_m) / 2
        caught = play.outcome(shot) == "lost"
        yield finding(
            "no_mans_land", "fault", shot, confidence=confidence, until_s=reply.t_contact_s,
            severity=0.4 + 0.2 * (1 - abs(depth - middle) / (bounds.back_m - middle))
            + (0.2 if caught else 0.0),
            evidence=[
                Evidence("distance from the net", depth, "m"),
                Evidence("deviation of that distance", deviation, "m"),
                Evidence("speed", speed, "m/s"),
            ],
            sentence=(
                f"Waited between net and baseline: stood {depth:.1f} m from the net, nearly still "
                f"({speed:.1f} m/s), as the opponent hit. From there balls come to the feet."
            ),
        )


RULES = (
    Rule("net_position", "net_play", 1, {
        "club": NetPositionThresholds(off_m=1.2, net_zone_m=5.5),
        "college": NetPositionThresholds(off_m=0.9, net_zone_m=5.5),
        "tour": NetPositionThresholds(off_m=0.75, net_zone_m=5.0),
    }, _net_position),
    Rule("no_mans_land", "net_play", 1, {
        "club": NoMansLandThresholds(front_m=5.5, back_m=10.0),
        "college": NoMansLandThresholds(front_m=5.5, back_m=10.2),
        "tour": NoMansLandThresholds(front_m=5.5, back_m=10.2),
    }, _no_mans_land),
)
