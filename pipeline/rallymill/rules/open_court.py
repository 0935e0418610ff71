"""Family open court: whether the court that an opponent left open was used."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from pydantic import Field

from rallymill import court, tactics
from rallymill.rules.base import (
    Evidence,
    Finding,
    Play,
    Result,
    Rule,
    Shot,
    Thresholds,
    above,
    finding,
    grade,
    settle,
    unmeasured,
)

MOVER = tactics.Mover()
CLEARLY_REACHED_S = 0.4
"""A ball that the opponent reaches with this to spare, and not beside, is of no interest here."""


class OpenCourtThresholds(Thresholds):
    """Thresholds of ``open_court``."""

    extra_share: float = Field(gt=0, lt=1)
    """How much more of the court must lie open than with the opponent in the best place."""
    credit_share: float = Field(gt=0, lt=1)
    """The same for a credit."""
    time_s: float = Field(gt=0)
    """Time to prepare from which a hitter could choose."""
    back_to_m: float = Field(gt=0)
    """A ball that lands this near the opponent, across, was played back to the opponent."""
    runner_mps: float = 2.5
    """An opponent who moves faster across can be caught on the wrong foot."""
    behind_m: float = 1.5
    """How far behind the runner the ball must land."""


def _threat(shot: Shot) -> tactics.Threat:
    run = np.hypot(shot.bounce_x_m - shot.contact_x_m, shot.bounce_y_m - shot.contact_y_m)
    return tactics.Threat(
        (shot.contact_x_m, shot.contact_y_m), float(run / max(shot.flight_time_s, 0.1)),
        (shot.opponent_x_m, shot.opponent_y_m), (shot.opponent_vx_mps, shot.opponent_vy_mps),
        shot.contact_z_m or 1.0,
    )


def _open_court(play: Play, bounds: OpenCourtThresholds) -> Iterator[Result]:
    for shot in play.shots:
        if shot.stroke in ("serve", "return", "lob", "unknown") or not shot.in_court:
            continue
        lack = shot.lacks(
            "contact_x_m", "contact_y_m", "bounce_x_m", "bounce_y_m", "flight_time_s",
            "opponent_x_m", "opponent_y_m", "opponent_vx_mps", "opponent_vy_mps")
        if lack:
            yield unmeasured("open_court", shot, lack)
            continue
        threat = _threat(shot)
        spare = float(
            tactics.spare_time_s(threat, [(shot.bounce_x_m, shot.bounce_y_m)], MOVER)[0])
        across = abs(shot.bounce_x_m - shot.opponent_x_m)
        if spare > CLEARLY_REACHED_S and across > bounds.back_to_m + 1.0:
            yield settle("open_court", shot, bounds, chance=0.0, sure=_sure(shot))
            continue
        place = tactics.recovery_place_m(*threat.contact_m, shot.opponent_y_m)
        best = tactics.Threat(
            threat.contact_m, threat.ground_speed_mps, (place, shot.opponent_y_m), (0.0, 0.0),
            threat.contact_z_m,
        )
        extra = tactics.open_court_share(threat, MOVER) - tactics.open_court_share(best, MOVER)
        yield from _judge_court(play, shot, spare, extra, bounds)


def _sure(shot: Shot) -> float:
    return (shot.confidence or 0.0) * (shot.in_court_confidence or 0.0)


def _judge_court(
    play: Play, shot: Shot, spare: float, extra: float, bounds: OpenCourtThresholds
) -> Iterator[Result]:
    place_sd = float(np.hypot(shot.sd("opponent_x_m", 0.3), shot.sd("bounce_x_m", 0.2)))
    # A metre of place is worth about a fifth of a second of running.
    out_of_reach = above(-spare, 0.0, float(np.hypot(place_sd / 5, 0.08)))
    # Share that a metre of the opponent's place is worth: about one eighth of the court's width.
    share_sd = float(np.hypot(shot.sd("opponent_x_m", 0.3) / court.SINGLES_WIDTH_M, 0.03))
    sure = _sure(shot)
    across = shot.bounce_x_m - shot.opponent_x_m
    runs = shot.opponent_vx_mps
    behind = out_of_reach * sure * above(abs(runs), bounds.runner_mps, 0.3) * above(
        -across * float(np.sign(runs)), bounds.behind_m, place_sd)
    credit = out_of_reach * sure * above(extra, bounds.credit_share, share_sd)
    evidence = [
        Evidence("court open beyond the opponent's best place", extra, ""),
        Evidence("landing from the opponent, across", abs(across), "m"),
        Evidence("time the opponent was short by", -spare, "s"),
    ]
    if behind >= bounds.least_confidence:
        yield finding(
            "open_court", "credit", shot, severity=grade(abs(across), bounds.behind_m, 6.0),
            confidence=behind,
            evidence=[*evidence, Evidence("speed of the opponent across", abs(runs), "m/s")],
            sentence=(
                f"Played behind the runner: the opponent was moving at {abs(runs):.1f} m/s and the "
                f"ball landed {abs(across):.1f} m behind, out of reach by {-spare:.1f} s."
            ),
        )
    elif credit >= bounds.least_confidence:
        yield finding(
            "open_court", "credit", shot, severity=grade(extra, bounds.credit_share, 0.7),
            confidence=credit, evidence=evidence,
            sentence=(
                f"Found the open court: {extra:.0%} more of it lay open than the opponent's best "
                f"place leaves, and the ball landed {abs(across):.1f} m away, out of reach by "
                f"{-spare:.1f} s."
            ),
        )
    else:
        missed = 0.0
        if _could_choose(play, shot, bounds):
            missed = above(extra, bounds.extra_share, share_sd) * above(
                bounds.back_to_m, abs(across), place_sd)
        if missed * sure >= bounds.least_confidence:
            yield _missed_court(shot, extra, across, missed * sure, bounds)
        else:
            chance = max(missed, credit / sure if sure else 0.0)
            yield settle("open_court", shot, bounds, chance=chance, sure=sure)


def _could_choose(play: Play, shot: Shot, bounds: OpenCourtThresholds) -> bool:
    """Whether a hitter had the time to send the ball elsewhere, and the point went on or was lost.
    """
    if shot.hitter_state not in ("set", "recovering") or shot.time_to_prepare_s is None:
        return False
    won = shot.ended_point and play.outcome(shot) == "won"
    return shot.time_to_prepare_s >= bounds.time_s and not won


def _missed_court(
    shot: Shot, extra: float, across: float, confidence: float, bounds: OpenCourtThresholds
) -> Finding:
    return finding(
        "open_court", "fault", shot, severity=grade(extra, bounds.extra_share, 0.8) - 0.1,
        confidence=confidence,
        evidence=[
            Evidence("court open beyond the opponent's best place", extra, ""),
            Evidence("landing from the opponent, across", abs(across), "m"),
            Evidence("time to prepare", shot.time_to_prepare_s, "s"),
        ],
        sentence=(
            f"Open court not used: with {shot.time_to_prepare_s:.1f} s to prepare and {extra:.0%} "
            "more of the court open than the opponent's best place leaves, the ball went back to "
            f"within {abs(across):.1f} m of the opponent."
        ),
    )


RULES = (
    Rule("open_court", "open_court", 1, {
        "club": OpenCourtThresholds(extra_share=0.2, credit_share=0.1, time_s=1.3, back_to_m=1.5),
        "college": OpenCourtThresholds(
            extra_share=0.16, credit_share=0.12, time_s=1.1, back_to_m=1.5),
        "tour": OpenCourtThresholds(
            extra_share=0.13, credit_share=0.13, time_s=1.0, back_to_m=1.5),
    }, _open_court),
)
