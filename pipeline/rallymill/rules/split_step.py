"""Family recovery: what the feet do when the opponent strikes."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from rallymill import court
from rallymill.intervals import above
from rallymill.rules.base import (
    OTHER,
    Evidence,
    Play,
    Result,
    Rule,
    Shot,
    Thresholds,
    finding,
    grade,
    settle,
    unmeasured,
)
from rallymill.tactics_motion import Hop, PlayerTrack, hops, none_missed


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


TOO_SMALL = "rise of the feet too small to be called a hop or none"
UNSTATED = 0.9
"""How sure no hop is none where heights are measured and nothing is said of their deviations."""
LIKELY, LIKELY_SD_S = 0.9, 0.02
"""How sure a hop is that was not seen but is likely where one is expected, and what it adds to the
deviation of its landing (films for validation: 22 of 22 were hops, 19 landed within 30 ms)."""
LOOK_S = 0.6
"""A hop farther than this from the contact has nothing to do with it."""


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
    sure = shot.confidence or 0.0
    likely = [] if (height > 0).any() else track.likely_hops(start, end)
    if likely:
        yield from _judge_landing(shot, likely, rate, LIKELY * sure, bounds, LIKELY_SD_S)
        return
    if not noise <= bounds.hop_m / 2:
        reason = "height of the feet not measured finely enough to see a hop"
        yield unmeasured("split_step", shot, reason, of_opponent=True)
        return
    # Where heights are measured, not read from the picture, a smaller rise is a hop too.
    least_m = min(bounds.hop_m, 1.5 * noise) if track.heights_measured() else bounds.hop_m
    found = hops(times, height, least_m)
    if not found and not track.heights_measured():
        # Steps forward and back move feet and head in the picture too and can hide a hop.
        reason = "no hop seen in the picture, which does not tell that there was none"
        yield unmeasured("split_step", shot, reason, of_opponent=True)
        return
    if not found:
        # A rise too small to be called a hop, or to be timed, is not called none either.
        none = 1 - above(float(height.max()), bounds.hop_m / 2, noise)
        seen = above(2 * bounds.hop_m, bounds.hop_m, noise) * none
        seen *= none_missed(noise) if track.heights_stated(start, end) else UNSTATED
        if seen * sure >= bounds.least_confidence:
            yield finding(
                "split_step", "fault", shot, severity=0.4, confidence=seen * sure,
                of_opponent=True,
                evidence=[Evidence("highest rise of the feet", float(height.max()), "m"),
                          Evidence("frames a second", rate, "1/s")],
                sentence=f"No split step {_where(shot)} as the opponent hit: the feet did not "
                         f"leave the ground within {LOOK_S:.1f} s of the contact.",
            )
        else:
            yield unmeasured("split_step", shot, TOO_SMALL, of_opponent=True)
        return
    yield from _judge_landing(shot, found, rate, sure, bounds)


def _where(shot: Shot) -> str:
    """Where the player who waits for a stroke stands, in words."""
    place = shot.opponent_y_m
    if place is None:
        return "on court"
    return "at the net" if abs(place) <= court.SERVICE_LINE_M else "at the baseline"


def _judge_landing(
    shot: Shot, found: list[Hop], rate: float, sure: float, bounds: SplitStepThresholds,
    more_sd_s: float = 0.0,
) -> Iterator[Result]:
    middle = (bounds.earliest_s + bounds.latest_s) / 2
    lag = min((hop.landing_s - shot.t_contact_s for hop in found), key=lambda s: abs(s - middle))
    deviation = float(
        np.linalg.norm([shot.t_contact_s_sd or 0.5 / rate, 0.5 / rate, more_sd_s]))
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
            f"Split step {'early' if early > late else 'late'} {_where(shot)}: landed "
            f"{abs(lag) * 1000:.0f} ms {word} the opponent's contact; "
            f"{bounds.earliest_s * 1000:.0f} to {bounds.latest_s * 1000:.0f} ms after it lets the "
            "first step go the right way."
        ),
    )


RULES = (
    Rule("split_step", "recovery", 4, {
        "club": SplitStepThresholds(earliest_s=-0.05, latest_s=0.35),
        "college": SplitStepThresholds(earliest_s=0.0, latest_s=0.30),
        "tour": SplitStepThresholds(earliest_s=0.0, latest_s=0.25),
    }, _split_step),
)
