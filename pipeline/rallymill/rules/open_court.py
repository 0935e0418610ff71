"""Family open court: whether the court that an opponent left open was used."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from pydantic import Field

from rallymill import court, tactics
from rallymill.intervals import above
from rallymill.rules.base import (
    Evidence,
    Finding,
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
    velocity_sd_mps,
)
from rallymill.rules.base import runs as on_the_run

MOVER = tactics.Mover()
TARGET_IN_M = 0.7
"""How far inside the sideline a ball into one side of the court is taken to land."""
TARGET_DEPTH_M = 9.5
NO_CHOICE = ("serve", "return", "lob", "unknown")
NEEDED = (
    "contact_x_m", "contact_y_m", "bounce_x_m", "bounce_y_m", "flight_time_s", "opponent_x_m",
    "opponent_y_m", "opponent_vx_mps", "opponent_vy_mps",
)


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
    """A ball behind an opponent who moves faster across is the matter of ``wrong_foot``."""


def threat_of(shot: Shot) -> tactics.Threat:
    """What a stroke meant for the opponent, at the mean ground speed of its flight."""
    run = np.hypot(shot.bounce_x_m - shot.contact_x_m, shot.bounce_y_m - shot.contact_y_m)
    return tactics.Threat(
        (shot.contact_x_m, shot.contact_y_m), float(run / max(shot.flight_time_s, 0.1)),
        (shot.opponent_x_m, shot.opponent_y_m), (shot.opponent_vx_mps, shot.opponent_vy_mps),
        shot.contact_z_m or 1.0,
    )


def side_spares_s(shot: Shot, threat: tactics.Threat) -> tuple[float, float]:
    """Time that the opponent has to spare for a ball of this pace to the left and to the right.

    Left and right in the picture; deep, ``TARGET_IN_M`` inside the sideline.
    """
    x, y = court.HALF_SINGLES_M - TARGET_IN_M, shot.sign * TARGET_DEPTH_M
    spare = tactics.spare_time_s(threat, [(-x, y), (x, y)], MOVER)
    return float(spare[0]), float(spare[1])


def sure_of(shot: Shot) -> float:
    """Confidence that a stroke and its landing were read rightly."""
    return least(shot.confidence, shot.in_court_confidence)


def landing_sd_m(shot: Shot) -> float:
    """Deviation of the landing's distance from the opponent, across."""
    return float(np.hypot(shot.sd("opponent_x_m", 0.3), shot.sd("bounce_x_m", 0.2)))


@dataclass(frozen=True)
class _Opening:
    """How much court lay open, where the ball went, and what the opponent could do about it."""

    extra: float
    extra_sd: float
    across_m: float
    across_sd_m: float
    spare_s: float
    open_side_s: float

    @property
    def out_of_reach(self) -> float:
        """Probability that the opponent could not reach the ball."""
        return above(-self.spare_s, 0.0, spare_sd_s(self.across_sd_m))


def _opening(shot: Shot) -> _Opening:
    threat = threat_of(shot)
    spare = float(tactics.spare_time_s(threat, [(shot.bounce_x_m, shot.bounce_y_m)], MOVER)[0])
    place = tactics.recovery_place_m(*threat.contact_m, shot.opponent_y_m)
    best = tactics.Threat(
        threat.contact_m, threat.ground_speed_mps, (place, shot.opponent_y_m), (0.0, 0.0),
        threat.contact_z_m,
    )
    # Share that a metre of the opponent's place is worth: about one eighth of the court's width.
    share_sd = float(np.hypot(shot.sd("opponent_x_m", 0.3) / court.SINGLES_WIDTH_M, 0.03))
    return _Opening(
        tactics.open_court_share(threat, MOVER) - tactics.open_court_share(best, MOVER), share_sd,
        shot.bounce_x_m - shot.opponent_x_m, landing_sd_m(shot), spare,
        min(side_spares_s(shot, threat)),
    )


def _open_court(play: Play, bounds: OpenCourtThresholds) -> Iterator[Result]:
    for shot in play.shots:
        if shot.stroke in NO_CHOICE or not shot.in_court:
            continue
        lack = shot.lacks(*NEEDED)
        if lack:
            yield unmeasured("open_court", shot, lack)
            continue
        beyond = (shot.bounce_x_m - shot.opponent_x_m) * shot.opponent_vx_mps
        if beyond < 0 and abs(shot.opponent_vx_mps) >= bounds.runner_mps:
            continue
        seen = _opening(shot)
        if seen.extra >= min(bounds.extra_share, bounds.credit_share) / 2:
            yield _judge(play, shot, seen, bounds)


def _judge(play: Play, shot: Shot, seen: _Opening, bounds: OpenCourtThresholds) -> Result:
    sure = sure_of(shot)
    used = seen.out_of_reach * above(seen.extra, bounds.credit_share, seen.extra_sd)
    if used * sure >= bounds.least_confidence:
        return _found(shot, seen, used * sure, bounds)
    missed = _could_choose(play, shot, bounds) * above(
        seen.extra, bounds.extra_share, seen.extra_sd) * above(
        bounds.back_to_m, abs(seen.across_m), seen.across_sd_m)
    if missed * sure >= bounds.least_confidence:
        return _missed(shot, seen, missed * sure, bounds)
    return settle("open_court", shot, bounds, chance=max(missed, used), sure=sure)


def _could_choose(play: Play, shot: Shot, bounds: OpenCourtThresholds) -> float:
    """Probability that a hitter had the time to send the ball elsewhere; 0 if that won the point.
    """
    if shot.hitter_state in (None, "airborne", "unknown") or shot.time_to_prepare_s is None:
        return 0.0
    won = shot.ended_point and play.outcome(shot) == "won"
    timely = shot.time_to_prepare_s >= bounds.time_s
    return 1 - on_the_run(shot) if timely and not won else 0.0


def _evidence(seen: _Opening) -> list[Evidence]:
    return [
        Evidence("court open beyond the opponent's best place", seen.extra, ""),
        Evidence("landing from the opponent, across", abs(seen.across_m), "m"),
        Evidence("time the opponent was short by", -seen.spare_s, "s"),
        Evidence("time the opponent was short by on the open side", -seen.open_side_s, "s"),
    ]


def _found(shot: Shot, seen: _Opening, confidence: float, bounds: OpenCourtThresholds) -> Finding:
    return finding(
        "open_court", "credit", shot, severity=grade(seen.extra, bounds.credit_share, 0.7),
        confidence=confidence, evidence=_evidence(seen),
        sentence=(
            f"Found the open court: {seen.extra:.0%} more of it lay open than the opponent's best "
            f"place leaves, and the ball landed {abs(seen.across_m):.1f} m away, out of reach by "
            f"{-seen.spare_s:.1f} s."
        ),
    )


def _missed(shot: Shot, seen: _Opening, confidence: float, bounds: OpenCourtThresholds) -> Finding:
    return finding(
        "open_court", "fault", shot, severity=grade(seen.extra, bounds.extra_share, 0.8) - 0.1,
        confidence=confidence,
        evidence=[
            *_evidence(seen), Evidence("time to prepare", shot.time_to_prepare_s, "s"),
        ],
        sentence=(
            f"Open court not used: with {shot.time_to_prepare_s:.1f} s to prepare and "
            f"{seen.extra:.0%} more of the court open than the opponent's best place leaves, the "
            f"ball went back to within {abs(seen.across_m):.1f} m of the opponent."
        ),
    )


class WrongFootThresholds(Thresholds):
    """Thresholds of ``wrong_foot``."""

    runner_mps: float = Field(gt=0)
    """An opponent who moves faster across can be caught on the wrong foot."""
    behind_m: float = Field(gt=0)
    """How far behind the runner the ball must land."""
    better_s: float = Field(gt=0)
    """A note needs the side behind the runner to be worth this much more time than the other."""
    time_s: float = 1.2
    """A note needs this time to prepare."""


def _wrong_foot(play: Play, bounds: WrongFootThresholds) -> Iterator[Result]:
    for shot in play.shots:
        if shot.stroke in NO_CHOICE or not shot.in_court or shot.opponent_vx_mps is None:
            continue
        runs = above(
            abs(shot.opponent_vx_mps), bounds.runner_mps, velocity_sd_mps(shot, "opponent", "x"))
        if runs < 0.5:
            continue
        lack = shot.lacks(*NEEDED)
        if lack:
            yield unmeasured("wrong_foot", shot, lack)
        else:
            yield _judge_foot(play, shot, runs, bounds)


def _judge_foot(play: Play, shot: Shot, runs: float, bounds: WrongFootThresholds) -> Result:
    threat = threat_of(shot)
    way = float(np.sign(shot.opponent_vx_mps))
    left, right = side_spares_s(shot, threat)
    behind, ahead = (left, right) if way > 0 else (right, left)
    spare = float(tactics.spare_time_s(threat, [(shot.bounce_x_m, shot.bounce_y_m)], MOVER)[0])
    place_sd = landing_sd_m(shot)
    spare_sd = spare_sd_s(place_sd)
    beyond = (shot.bounce_x_m - shot.opponent_x_m) * way
    caught = above(-beyond, bounds.behind_m, place_sd) * above(-spare, 0.0, spare_sd)
    missed = 0.0
    if shot.time_to_prepare_s is not None and shot.time_to_prepare_s >= bounds.time_s:
        # The court ahead was covered, that behind was not, and the ball went ahead.
        missed = (
            above(ahead - behind, bounds.better_s, 1.4 * spare_sd) * above(-behind, 0.0, spare_sd)
            * above(beyond, 0.0, place_sd) * (1 - above(-spare, 0.0, spare_sd))
        )
    sure = sure_of(shot)
    speed = abs(shot.opponent_vx_mps)
    evidence = [
        Evidence("speed of the opponent across", speed, "m/s"),
        Evidence("landing behind the runner", -beyond, "m"),
        Evidence("time the opponent was short by", -spare, "s"),
        Evidence("time to spare for a ball behind", behind, "s"),
        Evidence("time to spare for a ball ahead", ahead, "s"),
    ]
    if runs * caught * sure >= bounds.least_confidence:
        return finding(
            "wrong_foot", "credit", shot, severity=grade(-beyond, bounds.behind_m, 6.0),
            confidence=runs * caught * sure, evidence=evidence,
            sentence=(
                f"Played behind the runner: the opponent was moving at {speed:.1f} m/s and the "
                f"ball landed {-beyond:.1f} m behind, out of reach by {-spare:.1f} s."
            ),
        )
    won = play.outcome(shot) == "won" and bool(shot.ended_point)
    if runs * missed * sure >= bounds.least_confidence and not won:
        return finding(
            "wrong_foot", "note", shot, severity=grade(ahead - behind, bounds.better_s, 1.0) - 0.1,
            confidence=runs * missed * sure, evidence=evidence,
            sentence=(
                f"Played ahead of a runner ({speed:.1f} m/s): a ball of this pace ahead left the "
                f"opponent {ahead:.1f} s to spare, one behind would have been out of reach by "
                f"{-behind:.1f} s."
            ),
        )
    return settle(
        "wrong_foot", shot, bounds, chance=runs * max(caught, 0.0 if won else missed), sure=sure)


RULES = (
    Rule("open_court", "open_court", 3, {
        "club": OpenCourtThresholds(extra_share=0.2, credit_share=0.1, time_s=1.3, back_to_m=1.5),
        "college": OpenCourtThresholds(
            extra_share=0.16, credit_share=0.12, time_s=1.1, back_to_m=1.5),
        "tour": OpenCourtThresholds(
            extra_share=0.13, credit_share=0.13, time_s=1.0, back_to_m=1.5),
    }, _open_court),
    Rule("wrong_foot", "open_court", 2, {
        "club": WrongFootThresholds(runner_mps=2.5, behind_m=1.5, better_s=0.4),
        "college": WrongFootThresholds(runner_mps=2.5, behind_m=1.5, better_s=0.35),
        "tour": WrongFootThresholds(runner_mps=2.5, behind_m=1.5, better_s=0.25),
    }, _wrong_foot),
)
