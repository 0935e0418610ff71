"""Family recovery: where a player is, and what the feet do, when the opponent strikes."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from pydantic import Field

from rallymill import tactics
from rallymill.rules.base import (
    OTHER,
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
from rallymill.tactics_motion import Hop, PlayerTrack, hops


class RecoveryThresholds(Thresholds):
    """Thresholds of ``recovery``."""

    wide_m: float = Field(gt=0)
    """A ball is wide when met this far from the middle of the court."""
    short_m: float = Field(gt=0)
    """How far short of the recovery place is too far."""
    over_m: float = Field(gt=0)
    """How far beyond it is too far."""
    baseline_from_m: float = 8.0
    """Nearer the net than this the player is at the net, which is another rule's matter."""
    still_moving_mps: float = 1.0
    """Faster toward the place than this is late rather than short."""


def _recovery(play: Play, bounds: RecoveryThresholds) -> Iterator[Result]:
    for shot in play.shots:
        reply = play.next(shot)
        if reply is None or shot.contact_x_m is None or abs(shot.contact_x_m) < bounds.wide_m:
            continue
        covered = shot.lacks("hitter_x_m") or cover(reply)
        if isinstance(covered, str):
            yield unmeasured("recovery", shot, covered)
        elif abs(reply.opponent_y_m) >= bounds.baseline_from_m:
            yield from _judge_recovery(play, shot, reply, covered, bounds)


def _judge_recovery(
    play: Play, shot: Shot, reply: Shot, covered: Cover, bounds: RecoveryThresholds
) -> Iterator[Result]:
    home = float(np.sign(covered.place_x_m - shot.hitter_x_m)) or 1.0
    way = abs(covered.place_x_m - shot.hitter_x_m)
    left = -covered.error_m * home
    time = reply.t_contact_s - shot.t_contact_s
    deviation = covered.sd_m
    # Nobody is blamed for a place that could not be reached in the time.
    start = (shot.hitter_vx_mps or 0.0) * home
    needed = tactics.time_to_cover_s(max(way - bounds.short_m, 0.0), start, tactics.Mover())
    falls_short = above(left, bounds.short_m, deviation)
    goes_over = above(-left, bounds.over_m, deviation)
    sure = min(shot.confidence or 0.0, reply.confidence or 0.0)
    evidence = [
        Evidence("contact from the middle", abs(shot.contact_x_m), "m"),
        Evidence("distance to the recovery place", abs(left), "m"),
        Evidence("deviation of that distance", deviation, "m"),
        Evidence("time to recover", time, "s"),
    ]
    started = _started_s(play, shot, reply, covered.place_x_m)
    if started is not None:
        evidence.append(Evidence("start of the way back", started, "s"))
    if falls_short * sure >= bounds.least_confidence and needed <= time:
        speed = (reply.opponent_vx_mps or 0.0) * home
        late = speed > bounds.still_moving_mps
        begun = f", having started back after {started:.1f} s" if late and started else ""
        how = f"still on the way{begun}" if late else "standing"
        yield finding(
            "recovery", "fault", shot, severity=grade(left, bounds.short_m, bounds.short_m + 3),
            confidence=falls_short * sure, evidence=evidence, until_s=reply.t_contact_s,
            sentence=(
                f"{'Late' if late else 'Short'} recovery after a wide ball: met it "
                f"{abs(shot.contact_x_m):.1f} m from the middle and {time:.1f} s later, when the "
                f"opponent hit, was {how} {left:.1f} m short of the place that halves the "
                "opponent's angles."
            ),
        )
    elif goes_over * sure >= bounds.least_confidence:
        yield finding(
            "recovery", "fault", shot, severity=grade(-left, bounds.over_m, bounds.over_m + 3),
            confidence=goes_over * sure, evidence=evidence, until_s=reply.t_contact_s,
            sentence=(
                f"Recovered too far after a wide ball: when the opponent hit, was {-left:.1f} m "
                "beyond the place that halves the opponent's angles, which leaves the side just "
                "come from open."
            ),
        )
    elif needed <= time or left < 0:
        chance = max(falls_short, goes_over)
        yield settle("recovery", shot, bounds, chance=chance, sure=sure)


def _started_s(play: Play, shot: Shot, reply: Shot, place_x_m: float) -> float | None:
    """Time from contact until the hitter moves back at 1 m/s, None where not measured."""
    track = play.tracks.get(shot.hitter)
    if track is None:
        return None
    moment = track.starts_toward(place_x_m, shot.t_contact_s, reply.t_contact_s, 1.0)
    return None if moment is None else moment - shot.t_contact_s


class SplitStepThresholds(Thresholds):
    """Thresholds of ``split_step``."""

    earliest_s: float
    """Landing this long after the opponent's contact is the earliest that helps."""
    latest_s: float
    """Landing later than this is late."""
    least_rate_hz: float = 45.0
    """One frame must be shorter than what is to be told apart."""
    hop_m: float = 0.03
    """A rise of the feet from which a hop counts: 0.16 s in the air."""
    running_mps: float = 2.5
    """A player who runs faster does not stop to hop."""


LOOK_S = 0.6


def _split_step(play: Play, bounds: SplitStepThresholds) -> Iterator[Result]:
    for shot in play.shots:
        if play.next(shot) is None:
            continue
        track = play.tracks.get(OTHER[shot.hitter])
        stance = track.at(shot.t_contact_s) if track else None
        if track is None or stance is None:
            reason = "opponent not tracked at the contact"
            yield unmeasured("split_step", shot, reason, of_opponent=True)
            continue
        if np.hypot(stance.vx_mps, stance.vy_mps) > bounds.running_mps:
            continue
        start, end = shot.t_contact_s - LOOK_S, shot.t_contact_s + LOOK_S
        rate = track.rate_hz(start, end)
        if rate < bounds.least_rate_hz:
            reason = f"{rate:.0f} frames a second, need {bounds.least_rate_hz:.0f}"
            yield unmeasured("split_step", shot, reason, of_opponent=True)
            continue
        yield from _judge_split(shot, track, start, end, rate, bounds)


def _judge_split(
    shot: Shot, track: PlayerTrack, start: float, end: float, rate: float,
    bounds: SplitStepThresholds,
) -> Iterator[Result]:
    times, height, noise = track.feet_height_m(start, end)
    if not noise <= bounds.hop_m / 2:
        reason = "height of the feet not measured finely enough to see a hop"
        yield unmeasured("split_step", shot, reason, of_opponent=True)
        return
    found = hops(times, height, bounds.hop_m)
    sure = shot.confidence or 0.0
    if not found and not track.heights_measured():
        # Steps forward and back move feet and head in the picture too and can hide a hop.
        reason = "no hop seen in the picture, which does not tell that there was none"
        yield unmeasured("split_step", shot, reason, of_opponent=True)
        return
    if not found:
        seen = above(2 * bounds.hop_m, bounds.hop_m, noise) * 0.9
        if seen * sure >= bounds.least_confidence:
            yield finding(
                "split_step", "fault", shot, severity=0.4, confidence=seen * sure,
                of_opponent=True,
                evidence=[Evidence("highest rise of the feet", float(height.max()), "m"),
                          Evidence("frames a second", rate, "1/s")],
                sentence="No split step as the opponent hit: the feet did not leave the ground "
                         f"within {LOOK_S:.1f} s of the contact.",
            )
        else:
            yield settle("split_step", shot, bounds, chance=seen, sure=sure, of_opponent=True)
        return
    yield from _judge_landing(shot, found, rate, sure, bounds)


def _judge_landing(
    shot: Shot, found: list[Hop], rate: float, sure: float, bounds: SplitStepThresholds
) -> Iterator[Result]:
    middle = (bounds.earliest_s + bounds.latest_s) / 2
    lag = min((hop.landing_s - shot.t_contact_s for hop in found), key=lambda s: abs(s - middle))
    deviation = float(np.hypot(shot.t_contact_s_sd or 0.5 / rate, 0.5 / rate))
    early = 1 - above(lag, bounds.earliest_s, deviation)
    late = above(lag, bounds.latest_s, deviation)
    wrong = max(early, late)
    if wrong * sure < bounds.least_confidence:
        yield settle("split_step", shot, bounds, chance=wrong, sure=sure, of_opponent=True)
        return
    miss = bounds.earliest_s - lag if early > late else lag - bounds.latest_s
    word = "before" if lag < 0 else "after"
    yield finding(
        "split_step", "fault", shot, severity=grade(miss, 0.0, 0.3), confidence=wrong * sure,
        of_opponent=True,
        evidence=[Evidence("landing after the contact", lag, "s"),
                  Evidence("deviation of that time", deviation, "s"),
                  Evidence("frames a second", rate, "1/s")],
        sentence=(
            f"Split step {'early' if early > late else 'late'}: landed {abs(lag) * 1000:.0f} ms "
            f"{word} the opponent's contact; {bounds.earliest_s * 1000:.0f} to "
            f"{bounds.latest_s * 1000:.0f} ms after it lets the first step go the right way."
        ),
    )


RULES = (
    Rule("recovery", "recovery", 1, {
        "club": RecoveryThresholds(wide_m=2.5, short_m=1.8, over_m=1.8),
        "college": RecoveryThresholds(wide_m=2.5, short_m=1.4, over_m=1.5),
        "tour": RecoveryThresholds(wide_m=2.5, short_m=1.1, over_m=1.3),
    }, _recovery),
    Rule("split_step", "recovery", 1, {
        "club": SplitStepThresholds(earliest_s=-0.05, latest_s=0.35),
        "college": SplitStepThresholds(earliest_s=0.0, latest_s=0.30),
        "tour": SplitStepThresholds(earliest_s=0.0, latest_s=0.25),
    }, _split_step),
)
