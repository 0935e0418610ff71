"""Family shot choice: which ball was played where, from where, against whom."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from pydantic import Field

from rallymill import court, tactics
from rallymill.rules.base import (
    Evidence,
    Play,
    Result,
    Rule,
    Shot,
    Thresholds,
    above,
    beyond_baseline_m,
    finding,
    grade,
    settle,
    unmeasured,
)

MOVER = tactics.Mover()


class OpenLineThresholds(Thresholds):
    """Thresholds of ``open_line``."""

    run_mps: float = Field(gt=0)
    """A hitter who moves faster than this is on the run."""
    reply_speed_mps: float = Field(gt=0)
    """Ground speed of the down-the-line reply that the hitter must be able to reach."""
    margin_m: float = 0.7
    """How far inside the sideline that reply is taken to land."""


def _open_line(play: Play, bounds: OpenLineThresholds) -> Iterator[Result]:
    for shot in play.shots:
        reply = play.next(shot)
        if shot.incoming_depth != "short" or shot.direction == "unknown":
            continue
        if shot.stroke in ("serve", "return", "overhead"):
            continue
        lack = shot.lacks("hitter_vx_mps", "hitter_vy_mps")
        if lack:
            yield unmeasured("open_line", shot, lack)
            continue
        runs = above(float(np.hypot(shot.hitter_vx_mps, shot.hitter_vy_mps)), bounds.run_mps, 0.3)
        if runs < 0.5:
            continue
        if shot.direction != "cross_court" or (reply is None and shot.ended_point):
            sure = (shot.direction_confidence or 0.0) * (shot.confidence or 0.0)
            yield settle("open_line", shot, bounds, chance=0.0, sure=sure)
            continue
        lack = "reply not seen" if reply is None else reply.lacks(
            "contact_x_m", "contact_y_m", "opponent_x_m", "opponent_y_m", "opponent_vx_mps",
            "opponent_vy_mps")
        if lack or reply is None:
            yield unmeasured("open_line", shot, lack or "")
            continue
        yield from _judge_line(play, shot, reply, bounds)


def _judge_line(play: Play, shot: Shot, reply: Shot, bounds: OpenLineThresholds
                ) -> Iterator[Result]:
    speed = float(np.hypot(shot.hitter_vx_mps, shot.hitter_vy_mps))
    side = float(np.sign(reply.contact_x_m)) or 1.0
    line = (side * (court.HALF_SINGLES_M - bounds.margin_m), reply.sign * 9.5)
    threat = tactics.Threat(
        (reply.contact_x_m, reply.contact_y_m), bounds.reply_speed_mps,
        (reply.opponent_x_m, reply.opponent_y_m),
        (reply.opponent_vx_mps, reply.opponent_vy_mps), reply.contact_z_m or 1.0,
    )
    spare = float(tactics.spare_time_s(threat, [line], MOVER)[0])
    gap = abs(line[0] - reply.opponent_x_m)
    # A metre of place is worth about a fifth of a second of running.
    deviation = float(np.hypot(reply.sd("opponent_x_m", 0.3) / 5, 0.08))
    chance = above(-spare, 0.0, deviation) * above(speed, bounds.run_mps, 0.3)
    sure = (shot.direction_confidence or 0.0) * min(
        shot.confidence or 0.0, reply.confidence or 0.0)
    confidence = chance * sure
    if confidence < bounds.least_confidence:
        yield settle("open_line", shot, bounds, chance=chance, sure=sure)
        return
    used = reply.direction == "down_the_line"
    lost = play.outcome(shot) == "lost"
    yield finding(
        "open_line", "fault", shot, confidence=confidence, until_s=reply.t_contact_s + 1.0,
        severity=0.4 + 0.2 * used + 0.2 * (used and lost) + min(0.2, max(-spare, 0.0) / 2),
        evidence=[
            Evidence("speed of the hitter at contact", speed, "m/s"),
            Evidence("distance to the line when the opponent hit", gap, "m"),
            Evidence("time short for a ball down the line", max(-spare, 0.0), "s"),
        ],
        sentence=(
            f"Short ball met on the run ({speed:.1f} m/s) and sent across the court without ending "
            f"the point: as the opponent hit, the line was {gap:.1f} m away and a ball down it out "
            f"of reach by {max(-spare, 0.0):.1f} s{', and it came there' if used else ''}."
        ),
    )


class DropShotThresholds(Thresholds):
    """Thresholds of ``drop_shot``."""

    behind_m: float
    """Distance behind the baseline (negative: inside the court) from which it is too deep."""
    opponent_deep_m: float = 3.0
    """With the opponent this far behind the other baseline a deep drop shot can be right."""


def _drop_shot(play: Play, bounds: DropShotThresholds) -> Iterator[Result]:
    for shot in play.shots:
        if shot.stroke != "drop_shot":
            continue
        lack = shot.lacks("contact_y_m", "opponent_y_m")
        if lack:
            yield unmeasured("drop_shot", shot, lack)
            continue
        behind = beyond_baseline_m(abs(shot.contact_y_m))
        opponent = beyond_baseline_m(abs(shot.opponent_y_m))
        chance = above(behind, bounds.behind_m, shot.sd("contact_y_m", 0.3)) * (
            1 - above(opponent, bounds.opponent_deep_m, shot.sd("opponent_y_m", 0.3)))
        sure = (shot.stroke_confidence or 0.0) * (shot.confidence or 0.0)
        confidence = chance * sure
        if confidence < bounds.least_confidence:
            yield settle("drop_shot", shot, bounds, chance=chance, sure=sure)
            continue
        outcome = play.outcome(shot)
        where = "behind" if behind >= 0 else "inside"
        yield finding(
            "drop_shot", "note" if outcome == "won" else "fault", shot, confidence=confidence,
            severity=grade(behind, bounds.behind_m, bounds.behind_m + 3)
            * (0.5 if outcome == "won" else 1.0),
            evidence=[
                Evidence("contact behind the baseline", behind, "m"),
                Evidence("opponent behind the baseline", opponent, "m"),
            ],
            sentence=(
                f"Drop shot from {abs(behind):.1f} m {where} the baseline with the opponent "
                f"{abs(opponent):.1f} m {'behind' if opponent >= 0 else 'inside'} the other: the "
                "ball is long in the air and the opponent has time to come in."
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
        if before is None or reply is None or shot.incoming_depth != "short":
            continue
        if shot.stroke != "groundstroke" or reply.hitter_state == "on_the_run":
            continue
        lack = shot.lacks("incoming_bounce_y_m", "speed_mps", "time_to_prepare_s") or reply.lacks(
            "opponent_y_m")
        if lack:
            yield unmeasured("short_ball", shot, lack)
            continue
        bounce, back = abs(shot.incoming_bounce_y_m), abs(reply.opponent_y_m)
        chance = (
            (1 - above(bounce, bounds.bounce_m, before.sd("bounce_y_m", 0.3)))
            * (1 - above(shot.speed_mps, bounds.attack_mps, shot.sd("speed_mps", 1.5)))
            * above(shot.time_to_prepare_s, bounds.time_s, 0.03)
            * above(back, bounds.back_at_m, reply.sd("opponent_y_m", 0.3))
        )
        sure = (shot.stroke_confidence or 0.0) * min(
            shot.confidence or 0.0, reply.confidence or 0.0)
        confidence = chance * sure
        if confidence < bounds.least_confidence:
            if bounce < bounds.bounce_m and shot.time_to_prepare_s >= bounds.time_s:
                yield settle("short_ball", shot, bounds, chance=chance, sure=sure)
            continue
        yield finding(
            "short_ball", "fault", shot, confidence=confidence, until_s=reply.t_contact_s,
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
    Rule("open_line", "shot_choice", 1, {
        "club": OpenLineThresholds(run_mps=2.0, reply_speed_mps=18.0),
        "college": OpenLineThresholds(run_mps=2.5, reply_speed_mps=21.0),
        "tour": OpenLineThresholds(run_mps=2.5, reply_speed_mps=24.0),
    }, _open_line),
    Rule("drop_shot", "shot_choice", 1, {
        "club": DropShotThresholds(behind_m=-0.5),
        "college": DropShotThresholds(behind_m=0.0),
        "tour": DropShotThresholds(behind_m=0.5),
    }, _drop_shot),
    Rule("short_ball", "shot_choice", 1, {
        "club": ShortBallThresholds(bounce_m=6.4, attack_mps=20.0, time_s=1.2),
        "college": ShortBallThresholds(bounce_m=6.4, attack_mps=24.0, time_s=1.0),
        "tour": ShortBallThresholds(bounce_m=6.4, attack_mps=27.0, time_s=0.9),
    }, _short_ball),
)
