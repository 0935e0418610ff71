"""The state of a game before a point, as the server sees it, for the filter by score."""

from __future__ import annotations

STATES = {
    "game": "game point", "break": "break point", "deuce": "deuce", "level": "level",
    "ahead": "server ahead", "behind": "server behind", "tie-break": "tie-break",
    "unknown": "score not known",
}
GAME = ("AD-40", "40-0", "40-15", "40-30")
BREAK = ("40-AD", "0-40", "15-40", "30-40")


def state(score: str | None) -> str:
    """Key of :data:`STATES` of a score such as ``3-2, 15-30``, the server first."""
    if not score or "," not in score:
        return "unknown"
    games, calls = (part.strip().upper() for part in score.split(",", 1))
    if games == "6-6":
        return "tie-break"
    if calls in GAME:
        return "game"
    if calls in BREAK:
        return "break"
    if calls == "40-40":
        return "deuce"
    own, _, other = calls.partition("-")
    if not (own.isdigit() and other.isdigit()):
        return "unknown"
    if own == other:
        return "level"
    return "ahead" if int(own) > int(other) else "behind"
