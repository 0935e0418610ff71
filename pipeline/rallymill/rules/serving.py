"""Family serving: what a server's choices give away, and what the second serve allows."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from pydantic import Field

from rallymill import court
from rallymill.intervals import above, exceeds, wilson
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
    unmeasured,
)

ZONE_WORDS = {"t": "to the T", "wide": "wide", "body": "into the body"}


class ServePatternThresholds(Thresholds):
    """Thresholds of ``serve_pattern`` and ``serve_big_points``."""

    share: float = Field(gt=0, lt=1)
    """A zone that takes more than this share of the serves can be waited for."""
    least_serves: int = Field(ge=3)
    """Fewer serves than this say nothing."""
    least_label_confidence: float = 0.6
    """Serves whose zone is less sure are left out."""


def _serves(play: Play) -> Iterator[tuple[Shot, Mapping[str, Any]]]:
    for shot in play.shots:
        point = play.points.get(shot.point_id)
        if shot.stroke == "serve" and point is not None:
            yield shot, point


def _readable(shots: Sequence[Shot], least_label: float) -> list[Shot]:
    return [
        shot for shot in shots
        if shot.direction in ZONE_WORDS and (shot.direction_confidence or 0.0) >= least_label
    ]


def _serve_pattern(play: Play, bounds: ServePatternThresholds) -> Iterator[Result]:
    served: dict[tuple[str, str], list[Shot]] = defaultdict(list)
    for shot, point in _serves(play):
        if point["serve_side"]:
            served[(shot.player or shot.hitter, point["serve_side"])].append(shot)
    for (_, half), shots in sorted(served.items()):
        yield _judge_pattern("serve_pattern", shots, f"from the {half} half", bounds)


def is_big(score: str) -> bool:
    """Whether a score before a point, the server first, makes it one that can decide the game.

    From deuce on, and whenever the receiver is a point from the game or, in a tie-break, either
    player a point from the set.
    """
    own, other = score.split(",")[-1].strip().split("-")
    if own.isdigit() and other.isdigit() and score.startswith("6-6"):
        return max(int(own), int(other)) >= 6
    return other in ("40", "AD") or own == "AD"


def _serve_big_points(play: Play, bounds: ServePatternThresholds) -> Iterator[Result]:
    """One result a player: where serves go when the score makes the point a big one."""
    big: dict[str, list[Shot]] = defaultdict(list)
    scored: dict[str, bool] = defaultdict(bool)
    last: dict[str, Shot] = {}
    for shot, point in _serves(play):
        player = shot.player or shot.hitter
        last[player] = shot
        if point["score"]:
            scored[player] = True
            if is_big(point["score"]):
                big[player].append(shot)
    for player, shot in sorted(last.items()):
        if not scored[player]:
            yield unmeasured("serve_big_points", shot, "the score is not known")
        elif big[player]:
            yield _judge_pattern("serve_big_points", big[player], "on big points", bounds)


def _judge_pattern(
    rule: str, shots: Sequence[Shot], when: str, bounds: ServePatternThresholds
) -> Result:
    sure = _readable(shots, bounds.least_label_confidence)
    trials = len(sure)
    if trials < bounds.least_serves:
        player = shots[-1].player or shots[-1].hitter
        return unmeasured(
            rule, shots[-1],
            f"{trials} serves of {player} {when} read, need {bounds.least_serves}")
    zone, count = Counter(shot.direction for shot in sure).most_common(1)[0]
    low, high = (float(end) for end in wilson(count, trials))
    chance = exceeds(bounds.share, count, trials)
    labels = sum(shot.direction_confidence for shot in sure) / trials
    confidence = chance * labels
    if confidence < bounds.least_confidence:
        return settle(rule, sure[-1], bounds, chance=chance, sure=labels)
    return finding(
        rule, "note", sure[-1], severity=min(1.0, 0.3 + 0.7 * (low - 1 / 3)),
        confidence=confidence,
        evidence=[
            Evidence(f"serves {ZONE_WORDS[zone]}", float(count), ""),
            Evidence(f"serves {when}", float(trials), ""),
            Evidence("share, lower end of 95 % interval", low, ""),
            Evidence("share, upper end of 95 % interval", high, ""),
        ],
        sentence=(
            f"Serves {when} go {ZONE_WORDS[zone]} {count} times of {trials} "
            f"(95 % interval {low:.0%} to {high:.0%}): a receiver can wait there."
        ),
    )


class BodyServeThresholds(Thresholds):
    """Thresholds of ``body_serve``."""

    share: float = Field(gt=0, lt=1)
    """Fewer of the serves into the body than this leave the receiver only two places to watch."""
    least_serves: int = Field(ge=3)
    """Fewer serves than this say nothing."""
    least_label_confidence: float = 0.6
    """Serves whose zone is less sure are left out."""


def _body_serve(play: Play, bounds: BodyServeThresholds) -> Iterator[Result]:
    """One result a player."""
    served: dict[str, list[Shot]] = defaultdict(list)
    for shot, _ in _serves(play):
        served[shot.player or shot.hitter].append(shot)
    for player, shots in sorted(served.items()):
        sure = _readable(shots, bounds.least_label_confidence)
        trials = len(sure)
        if trials < bounds.least_serves:
            reason = f"{trials} serves of {player} read, need {bounds.least_serves}"
            yield unmeasured("body_serve", shots[-1], reason)
            continue
        count = sum(shot.direction == "body" for shot in sure)
        chance = 1 - exceeds(bounds.share, count, trials)
        labels = sum(shot.direction_confidence for shot in sure) / trials
        if chance * labels < bounds.least_confidence:
            yield settle("body_serve", shots[-1], bounds, chance=chance, sure=labels)
            continue
        low, high = (float(end) for end in wilson(count, trials))
        yield finding(
            "body_serve", "note", shots[-1], severity=0.4, confidence=chance * labels,
            evidence=[
                Evidence("serves into the body", float(count), ""),
                Evidence("serves", float(trials), ""),
                Evidence("share, lower end of 95 % interval", low, ""),
                Evidence("share, upper end of 95 % interval", high, ""),
            ],
            sentence=(
                f"Serves into the body: {count} of {trials} (95 % interval {low:.0%} to "
                f"{high:.0%}). A receiver who never expects one is free to lean to either side."
            ),
        )


class SecondServeDepthThresholds(Thresholds):
    """Thresholds of ``second_serve_depth``."""

    short_m: float = Field(gt=0)
    """A second serve that lands this far in front of the service line sits up."""


def _second_serve_depth(play: Play, bounds: SecondServeDepthThresholds) -> Iterator[Result]:
    for shot, point in _serves(play):
        if point["serve_number"] != 2 or shot.in_court is False:
            continue
        lack = shot.lacks("bounce_y_m", "in_court")
        if lack:
            yield unmeasured("second_serve_depth", shot, lack)
            continue
        short = court.SERVICE_LINE_M - abs(shot.bounce_y_m)
        deviation = shot.sd("bounce_y_m", 0.2)
        chance = above(short, bounds.short_m, deviation)
        sure = least(shot.confidence, shot.in_court_confidence)
        if chance * sure < bounds.least_confidence:
            yield settle("second_serve_depth", shot, bounds, chance=chance, sure=sure)
            continue
        lost = play.outcome(shot) == "lost"
        yield finding(
            "second_serve_depth", "fault", shot, confidence=chance * sure,
            severity=grade(short, bounds.short_m, bounds.short_m + 2) - 0.1 + 0.1 * lost,
            evidence=[
                Evidence("landing in front of the service line", short, "m"),
                Evidence("deviation of that distance", deviation, "m"),
            ],
            sentence=(
                f"Short second serve: it landed {short:.1f} m in front of the service line and let "
                f"the receiver step in{', and the point was lost' if lost else ''}."
            ),
        )


RULES = (
    Rule("serve_pattern", "serving", 2, {
        "club": ServePatternThresholds(share=0.65, least_serves=6, least_confidence=0.9),
        "college": ServePatternThresholds(share=0.6, least_serves=6, least_confidence=0.9),
        "tour": ServePatternThresholds(share=0.6, least_serves=6, least_confidence=0.9),
    }, _serve_pattern),
    Rule("serve_big_points", "serving", 1, {
        "club": ServePatternThresholds(share=0.7, least_serves=5, least_confidence=0.9),
        "college": ServePatternThresholds(share=0.65, least_serves=5, least_confidence=0.9),
        "tour": ServePatternThresholds(share=0.65, least_serves=5, least_confidence=0.9),
    }, _serve_big_points),
    Rule("body_serve", "serving", 1, {
        "club": BodyServeThresholds(share=0.08, least_serves=20, least_confidence=0.9),
        "college": BodyServeThresholds(share=0.08, least_serves=20, least_confidence=0.9),
        "tour": BodyServeThresholds(share=0.08, least_serves=20, least_confidence=0.9),
    }, _body_serve),
    Rule("second_serve_depth", "serving", 1, {
        "club": SecondServeDepthThresholds(short_m=3.0),
        "college": SecondServeDepthThresholds(short_m=2.7),
        "tour": SecondServeDepthThresholds(short_m=2.4),
    }, _second_serve_depth),
)
