"""What was not read, how much of it there is, and why."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from rallymill.report import words
from rallymill.report.content import Match

MOST_REASONS = 2


@dataclass(frozen=True)
class Unread:
    """Something that was left out: its name (a rule, or words), how much, and why."""

    name: str
    rule: bool
    much: str
    why: str


def build(match: Match) -> list[Unread]:
    """Spans that are not the main camera, and chances that no rule could judge."""
    spans: Counter[str] = Counter()
    reasons: dict[str, Counter[str]] = {}
    for view in match.views:
        if view["label"] != "main":
            spans[view["label"]] += view["end_s"] - view["start_s"]
            reasons.setdefault(view["label"], Counter())[view["reason"] or ""] += 1
    found = [
        Unread(
            words.title(words.label(label, words.VIEWS)), False, words.duration(length),
            _why(reasons[label]) or "not the view from behind a baseline",
        )
        for label, length in spans.most_common()
    ]
    chances: Counter[str] = Counter()
    unknown: dict[str, Counter[str]] = {}
    for row in match.opportunities:
        chances[row["rule"]] += 1
        if row["outcome"] == "not_measurable":
            unknown.setdefault(row["rule"], Counter())[row["reason"] or ""] += 1
    found += [
        Unread(
            rule, True, f"{sum(why.values())} of {words.count(chances[rule], 'chance')}",
            _why(why),
        )
        for rule, why in sorted(unknown.items(), key=lambda item: -sum(item[1].values()))
    ]
    return found


def _why(reasons: Counter[str]) -> str:
    named = [(reason, n) for reason, n in reasons.most_common() if reason]
    told = [
        f"{words.plain(reason)} ({n})" if len(named) > 1 else words.plain(reason)
        for reason, n in named[:MOST_REASONS]
    ]
    if len(named) > MOST_REASONS:
        told.append(f"{words.count(len(named) - MOST_REASONS, 'other reason')}")
    return "; ".join(told)
