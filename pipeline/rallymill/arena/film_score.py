"""The score as it is shown: games and points before each point of a stretch of play."""

from __future__ import annotations

from dataclasses import dataclass

import pyarrow as pa

CALLS = ("0", "15", "30", "40")
NO_POINT = ("fault", "let")


@dataclass(frozen=True)
class Standing:
    """The score from a moment on, near player first; ``server`` is 0 near, 1 far."""

    from_s: float
    games: tuple[int, int]
    points: tuple[str, str]
    server: int


def called(mine: int, other: int) -> str:
    """How points won within a game are called."""
    if mine >= 3 and other >= 3:
        return "AD" if mine > other else "40"
    return CALLS[min(mine, 3)]


def standings(points: pa.Table) -> list[Standing]:
    """Score after each point of the points table, which starts at nought."""
    games, won = [0, 0], [0, 0]
    rows = sorted(points.to_pylist(), key=lambda row: row["start_s"])
    found = []
    for number, row in enumerate(rows):
        server = 0 if row["server"] == "near" else 1
        if number == 0:
            found.append(Standing(0.0, (0, 0), ("0", "0"), server))
        if row["won_by"] is None or row["ended_by"] in NO_POINT:
            continue
        winner = 0 if row["won_by"] == "near" else 1
        won[winner] += 1
        if won[winner] >= 4 and won[winner] - won[1 - winner] >= 2:
            games[winner] += 1
            won = [0, 0]
            server = 1 - server
        calls = (called(won[0], won[1]), called(won[1], won[0]))
        found.append(Standing(row["end_s"] + 1.0, (games[0], games[1]), calls, server))
    return found
