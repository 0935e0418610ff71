"""Family net play: waiting between net and baseline, and coming in behind an attack."""

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
    speed_of,
    unmeasured,
    velocity_sd_mps,
)

MOVER = tactics.Mover()


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
        speed, speed_sd = speed_of(reply, "opponent")
        inside = above(depth, bounds.front_m, deviation) - above(depth, bounds.back_m, deviation)
        stands = 1 - above(speed, bounds.passing_through_mps, speed_sd)
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


class ApproachFollowedThresholds(Thresholds):
    """Thresholds of ``approach_followed``."""

    inside_m: float = Field(gt=0)
    """A ball met nearer the net than this is met well inside the court."""
    forward_mps: float = Field(gt=0)
    """A hitter who moves toward the net faster than this is on the way in."""
    attack_mps: float = Field(gt=0)
    """A stroke faster than this attacks."""
    stayed_m: float = 7.5
    """Farther from the net than this at the reply the stroke was not followed."""
    still_coming_mps: float = 1.3
    """Faster toward the net than this the player is still on the way in."""


def _approach_followed(play: Play, bounds: ApproachFollowedThresholds) -> Iterator[Result]:
    for shot in play.shots:
        reply = play.next(shot)
        if reply is None or shot.stroke not in ("groundstroke", "approach"):
            continue
        if (reply.depth_m or 0.0) < court.SERVICE_LINE_M:
            continue
        lack = shot.lacks("contact_y_m", "hitter_y_m", "hitter_vy_mps", "speed_mps") or reply.lacks(
            "opponent_y_m", "opponent_vy_mps")
        if lack:
            yield unmeasured("approach_followed", shot, lack)
            continue
        yield from _judge_followed(play, shot, reply, bounds)


def _judge_followed(
    play: Play, shot: Shot, reply: Shot, bounds: ApproachFollowedThresholds
) -> Iterator[Result]:
    """Result where the question arises: met inside, on the way in, struck to attack, with time."""
    met = abs(shot.contact_y_m)
    forward = shot.sign * shot.hitter_vy_mps
    asked = (
        above(bounds.inside_m, met, shot.sd("contact_y_m", 0.2))
        * above(forward, bounds.forward_mps, velocity_sd_mps(shot, "hitter", "y"))
        * above(shot.speed_mps, bounds.attack_mps, shot.sd("speed_mps", 1.5))
    )
    time = reply.t_contact_s - shot.t_contact_s
    way = max(abs(shot.hitter_y_m) - bounds.stayed_m, 0.0)
    needed = tactics.time_to_cover_s(way, max(forward, 0.0), MOVER)
    # Nobody is blamed for a place that could not be reached in the time.
    asked *= above(time, needed, spare_sd_s(shot.sd("hitter_y_m", 0.3)))
    if asked < 0.5:
        return
    stands = abs(reply.opponent_y_m)
    coming = -reply.sign * reply.opponent_vy_mps
    chance = above(stands, bounds.stayed_m, reply.sd("opponent_y_m", 0.3)) * (
        1 - above(coming, bounds.still_coming_mps, velocity_sd_mps(reply, "opponent", "y")))
    sure = least(shot.confidence, reply.confidence, shot.stroke_confidence)
    if asked * chance * sure < bounds.least_confidence:
        yield settle("approach_followed", shot, bounds, chance=chance, sure=sure)
        return
    lost = play.outcome(shot) == "lost"
    yield finding(
        "approach_followed", "fault", shot, confidence=asked * chance * sure,
        severity=grade(stands, bounds.stayed_m, 12.5) - 0.1 + 0.1 * lost,
        until_s=reply.t_contact_s,
        evidence=[
            Evidence("contact from the net", met, "m"),
            Evidence("speed toward the net at contact", forward, "m/s"),
            Evidence("speed of the stroke", shot.speed_mps, "m/s"),
            Evidence("distance from the net at the reply", stands, "m"),
            Evidence("time to come in", time, "s"),
        ],
        sentence=(
            f"Attacked from {met:.1f} m off the net, moving in at {forward:.1f} m/s, and did not "
            f"follow: {time:.1f} s later, as the opponent hit, stood {stands:.1f} m from the net."
        ),
    )


class ClosingInThresholds(Thresholds):
    """Thresholds of ``closing_in``."""

    run_mps: float = Field(gt=0)
    """An opponent who strikes faster than this on the run is in trouble."""
    stretch_m: float = Field(gt=0)
    """A contact this far from the feet is stretched for."""
    weak_mps: float = Field(gt=0)
    """A reply slower than this is weak."""
    gain_m: float = Field(gt=0)
    """Coming forward by less than this is not closing in."""
    credit_m: float = Field(gt=0)
    """Coming forward by this is."""
    back_m: float = 10.5
    """A fault needs the player to stand farther from the net than this."""
    time_s: float = 1.1
    """A fault needs this time between the strokes."""
    from_m: float = 6.4
    """A player already nearer the net than this has nothing to close."""
    low_volley_m: float = 0.5
    """An opponent who volleys below this height is in trouble at the net."""


def _trouble(reply: Shot, bounds: ClosingInThresholds) -> tuple[float, str]:
    """Probability that a reply was struck in trouble, and the word for it."""
    speed, speed_sd = speed_of(reply, "hitter")
    reach = float(np.hypot(reply.contact_x_m - reply.hitter_x_m,
                           reply.contact_y_m - reply.hitter_y_m))
    reach_sd = float(np.hypot(reply.sd("contact_x_m", 0.2), reply.sd("hitter_x_m", 0.2)))
    found = {
        f"on the run at {speed:.1f} m/s": above(speed, bounds.run_mps, speed_sd),
        f"stretched {reach:.1f} m from the feet": above(reach, bounds.stretch_m, reach_sd),
    }
    if reply.stroke == "volley" and reply.contact_z_m is not None:
        low = above(bounds.low_volley_m, reply.contact_z_m, reply.sd("contact_z_m", 0.1))
        found[f"with a volley {reply.contact_z_m:.1f} m off the ground"] = low
    best = max(found, key=lambda words: found[words])
    return found[best], best


def _closing_in(play: Play, bounds: ClosingInThresholds) -> Iterator[Result]:
    for shot in play.shots:
        reply = play.next(shot)
        if reply is None or shot.stroke in ("serve", "return") or reply.in_court is False:
            continue
        lack = shot.lacks("hitter_y_m") or reply.lacks(
            "contact_x_m", "contact_y_m", "hitter_x_m", "hitter_y_m", "hitter_vx_mps",
            "hitter_vy_mps", "opponent_y_m", "speed_mps")
        if lack:
            yield unmeasured("closing_in", shot, lack)
            continue
        trouble, how = _trouble(reply, bounds)
        if trouble >= 0.5 and abs(shot.hitter_y_m) > bounds.from_m:
            yield _judge_closing(play, shot, reply, trouble, how, bounds)


def _judge_closing(
    play: Play, shot: Shot, reply: Shot, trouble: float, how: str, bounds: ClosingInThresholds
) -> Result:
    before, after = abs(shot.hitter_y_m), abs(reply.opponent_y_m)
    gain = before - after
    own_sd = reply.sd("opponent_y_m", 0.3)
    gain_sd = float(np.hypot(own_sd, shot.sd("hitter_y_m", 0.3)))
    time = reply.t_contact_s - shot.t_contact_s
    weak = above(bounds.weak_mps, reply.speed_mps, reply.sd("speed_mps", 1.5))
    stayed = weak * above(bounds.gain_m, gain, gain_sd) * above(after, bounds.back_m, own_sd)
    if time < bounds.time_s:
        stayed = 0.0
    closed = above(gain, bounds.credit_m, gain_sd)
    sure = least(shot.confidence, reply.confidence)
    evidence = [
        Evidence("came forward", gain, "m"),
        Evidence("deviation of that way", gain_sd, "m"),
        Evidence("distance from the net at the reply", after, "m"),
        Evidence("time between the strokes", time, "s"),
        Evidence("speed of the reply", reply.speed_mps, "m/s"),
    ]
    if trouble * stayed * sure >= bounds.least_confidence:
        moved = f"came forward {gain:.1f} m" if gain > 0 else f"gave up {-gain:.1f} m"
        return finding(
            "closing_in", "fault", shot, confidence=trouble * stayed * sure,
            severity=grade(bounds.gain_m - gain, 0.0, 3.0), evidence=evidence,
            until_s=reply.t_contact_s + 1.0,
            sentence=(
                f"Did not close in: the opponent hit {how} and the reply came at "
                f"{reply.speed_mps * 3.6:.0f} km/h, but in {time:.1f} s the player {moved} and "
                f"waited for it {after:.1f} m from the net."
            ),
        )
    if trouble * closed * sure >= bounds.least_confidence:
        return finding(
            "closing_in", "credit", shot, confidence=trouble * closed * sure,
            severity=grade(gain, bounds.credit_m, bounds.credit_m + 4), evidence=evidence,
            until_s=reply.t_contact_s + 1.0,
            sentence=(
                f"Closed in: while the opponent hit {how}, came forward {gain:.1f} m in "
                f"{time:.1f} s and stood {after:.1f} m from the net."
            ),
        )
    return settle("closing_in", shot, bounds, chance=max(stayed, closed), sure=sure)


RULES = (
    Rule("no_mans_land", "net_play", 2, {
        "club": NoMansLandThresholds(front_m=5.5, back_m=10.0),
        "college": NoMansLandThresholds(front_m=5.5, back_m=10.2),
        "tour": NoMansLandThresholds(front_m=5.5, back_m=10.2),
    }, _no_mans_land),
    Rule("approach_followed", "net_play", 2, {
        "club": ApproachFollowedThresholds(inside_m=9.0, forward_mps=1.0, attack_mps=20.0),
        "college": ApproachFollowedThresholds(inside_m=8.5, forward_mps=1.2, attack_mps=24.0),
        "tour": ApproachFollowedThresholds(inside_m=8.5, forward_mps=1.5, attack_mps=27.0),
    }, _approach_followed),
    Rule("closing_in", "net_play", 2, {
        "club": ClosingInThresholds(
            run_mps=3.0, stretch_m=1.4, weak_mps=17.0, gain_m=0.5, credit_m=2.5),
        "college": ClosingInThresholds(
            run_mps=3.5, stretch_m=1.4, weak_mps=20.0, gain_m=0.7, credit_m=2.5),
        "tour": ClosingInThresholds(
            run_mps=3.5, stretch_m=1.4, weak_mps=22.0, gain_m=1.0, credit_m=2.5),
    }, _closing_in),
)
