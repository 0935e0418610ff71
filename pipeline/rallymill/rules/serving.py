"""Family serving: what a server's choices give away."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator
from math import sqrt

from pydantic import Field
from scipy.stats import beta

from rallymill.rules.base import (
    Evidence,
    Play,
    Result,
    Rule,
    Shot,
    Thresholds,
    finding,
    settle,
    unmeasured,
)

Z_95 = 1.959964
ZONE_WORDS = {"t": "to the T", "wide": "wide", "body": "into the body"}


def wilson(successes: int, trials: int, z: float = Z_95) -> tuple[float, float]:
    """Wilson score interval of a share (Wilson 1927), 95 % by default; (0, 1) without trials."""
    if trials == 0:
        return 0.0, 1.0
    share = successes / trials
    spread = z * sqrt(share * (1 - share) / trials + z**2 / (4 * trials**2))
    middle = share + z**2 / (2 * trials)
    scale = 1 + z**2 / trials
    return max((middle - spread) / scale, 0.0), min((middle + spread) / scale, 1.0)


class ServePatternThresholds(Thresholds):
    """Thresholds of ``serve_pattern``."""

    share: float = Field(gt=0, lt=1)
    """A zone that takes more than this share of the serves can be waited for."""
    least_serves: int = Field(ge=3)
    """Fewer serves from one half than this say nothing."""
    least_label_confidence: float = 0.6
    """Serves whose zone is less sure are left out."""


def _serve_pattern(play: Play, bounds: ServePatternThresholds) -> Iterator[Result]:
    served: dict[tuple[str, str], list[Shot]] = defaultdict(list)
    for shot in play.shots:
        point = play.points.get(shot.point_id)
        if shot.stroke == "serve" and point is not None and point["serve_side"]:
            served[(shot.player or shot.hitter, point["serve_side"])].append(shot)
    for (player, half), shots in sorted(served.items()):
        sure = [
            shot for shot in shots
            if shot.direction in ZONE_WORDS
            and (shot.direction_confidence or 0.0) >= bounds.least_label_confidence
        ]
        if len(sure) < bounds.least_serves:
            yield unmeasured(
                "serve_pattern", shots[-1],
                f"{len(sure)} serves of {player} from the {half} half read, need "
                f"{bounds.least_serves}",
            )
            continue
        yield from _judge_serves(sure, half, bounds)


def _judge_serves(
    shots: list[Shot], half: str, bounds: ServePatternThresholds
) -> Iterator[Result]:
    zone, count = Counter(shot.direction for shot in shots).most_common(1)[0]
    trials = len(shots)
    low, high = wilson(count, trials)
    # Posterior with a flat prior over the share of one zone against the rest.
    exceeds = float(beta.sf(bounds.share, count + 1, trials - count + 1))
    labels = sum(shot.direction_confidence for shot in shots) / trials
    confidence = exceeds * labels
    if confidence < bounds.least_confidence:
        yield settle("serve_pattern", shots[-1], bounds, chance=exceeds, sure=labels)
        return
    yield finding(
        "serve_pattern", "note", shots[-1], severity=min(1.0, 0.3 + 0.7 * (low - 1 / 3)),
        confidence=confidence,
        evidence=[
            Evidence(f"serves {ZONE_WORDS[zone]}", float(count), ""),
            Evidence(f"serves from the {half} half", float(trials), ""),
            Evidence("share, lower end of 95 % interval", low, ""),
            Evidence("share, upper end of 95 % interval", high, ""),
        ],
        sentence=(
            f"Serves from the {half} half go {ZONE_WORDS[zone]} {count} times of {trials} "
            f"(95 % interval {low:.0%} to {high:.0%}): a receiver can wait there."
        ),
    )


RULES = (
    Rule("serve_pattern", "serving", 1, {
        "club": ServePatternThresholds(share=0.6, least_serves=6),
        "college": ServePatternThresholds(share=0.55, least_serves=6),
        "tour": ServePatternThresholds(share=0.55, least_serves=6),
    }, _serve_pattern),
)
