"""What the season page says of players: rates match by match, against each other, and of faults."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rallymill import rates
from rallymill.errors import InputError
from rallymill.report import words
from rallymill.report.figures import Share
from rallymill.season.database import open_to_read
from rallymill.season.rollup import MEASURES

TRENDS = (
    "service_points_won", "return_points_won", "first_serves_in", "long_rallies_won",
    "deep_groundstrokes", "recovered", "strokes_that_erred", "strokes_flagged",
    "net_points_won",
)
LEAST_HALVES = 4
"""Matches below which no first and second half of a season are compared."""
DOCS = {measure.name: measure.doc for measure in MEASURES}


@dataclass(frozen=True)
class OfMatch:
    """Counts of a measure in one match."""

    match_id: str
    day: datetime.date | None
    opponent: str | None
    share: Share


@dataclass(frozen=True)
class Trend:
    """A measure match by match, over the whole season, and how its halves differ."""

    measure: str
    doc: str
    matches: tuple[OfMatch, ...]
    whole: Share
    change: str

    @property
    def dated(self) -> list[OfMatch]:
        """Matches whose day is known, in order."""
        found = [one for one in self.matches if one.day is not None and one.share.whole]
        return sorted(found, key=lambda one: (one.day or datetime.date.min, one.match_id))


@dataclass(frozen=True)
class Against:
    """A player against another: matches, and shares of points won."""

    opponent: str
    n_matches: int
    points: Share
    service: Share
    returned: Share


@dataclass(frozen=True)
class SeasonPlayer:
    """A player of the season."""

    code: str
    name: str
    n_matches: int
    points: Share
    service: Share
    returned: Share
    trends: tuple[Trend, ...]
    against: tuple[Against, ...]
    faults: tuple[dict[str, Any], ...]


@dataclass(frozen=True)
class Season:
    """All that the page shows."""

    n_matches: int
    n_points: int
    n_strokes: int
    seasons: tuple[str, ...]
    events: tuple[str, ...]
    players: tuple[SeasonPlayer, ...]


def _rows(connection: Any, sql: str) -> list[dict[str, Any]]:
    return list(connection.sql(sql).to_arrow_table().to_pylist())


COUNTS = """
SELECT c.player, c.match_id, c.measure, any_value(c.opponent) AS opponent,
       try_cast(m.date AS DATE) AS day, sum(c.successes)::BIGINT AS successes,
       sum(c.trials)::BIGINT AS trials
FROM stored.counts AS c JOIN matches AS m USING (match_id)
GROUP BY c.player, c.match_id, c.measure, m.date
ORDER BY c.player, day, c.match_id
"""
WON = """
SELECT player, opponent, count(DISTINCT match_id) AS n_matches,
       count(*) FILTER (WHERE won_by_player = player) AS won, count(*) AS played
FROM (SELECT p.match_id, p.won_by_player, a.player, b.player AS opponent FROM points AS p
      JOIN players AS a USING (match_id)
      JOIN players AS b ON b.match_id = p.match_id AND b.player <> a.player
      WHERE p.won_by_player IN (a.player, b.player))
GROUP BY player, opponent ORDER BY player, n_matches DESC, opponent
"""
FAULTS = """
SELECT * FROM fault_rates WHERE season = 'all' AND dimension = 'all' AND faults > 0
ORDER BY player, cost_sure DESC, cost_enough DESC, enough DESC,
         coalesce(points_lost_per_match, 0) DESC, rate_low DESC
"""


def read(root: Path) -> Season:
    """The season in a folder, from its database.

    Raises
    ------
    InputError
        There is no season, or its players have not been summed up.
    """
    connection = open_to_read(root)
    try:
        counts = _rows(connection, COUNTS)
        if not counts:
            raise InputError(
                f"the players of {root} have not been summed up", "run rallymill season rollup"
            )
        total = _rows(connection, "SELECT (SELECT count(*) FROM matches) AS matches, (SELECT "
                      "count(*) FROM points WHERE ended_by NOT IN ('fault', 'let')) AS points, "
                      "(SELECT count(*) FROM shots) AS strokes")[0]
        cut = _rows(connection, "SELECT DISTINCT season, event FROM matches ORDER BY ALL")
        names = {
            row["player"]: row["name"] for row in _rows(
                connection, "SELECT player, any_value(name) AS name FROM players GROUP BY player"
            )
        }
        won, faults = _rows(connection, WON), _rows(connection, FAULTS)
    finally:
        connection.close()
    codes = sorted({row["player"] for row in counts})
    players = [_player(code, names.get(code) or code, counts, won, faults) for code in codes]
    players.sort(key=lambda one: (-one.n_matches, one.name))
    return Season(
        total["matches"], total["points"], total["strokes"],
        tuple(sorted({row["season"] for row in cut if row["season"]})),
        tuple(sorted({row["event"] for row in cut if row["event"]})), tuple(players),
    )


def _player(
    code: str, name: str, counts: Sequence[dict[str, Any]], won: Sequence[dict[str, Any]],
    faults: Sequence[dict[str, Any]],
) -> SeasonPlayer:
    own = [row for row in counts if row["player"] == code]

    def summed(measure: str, opponent: str | None = None) -> Share:
        rows = [row for row in own if row["measure"] == measure
                and opponent in (None, row["opponent"])]
        return Share(sum(row["successes"] for row in rows), sum(row["trials"] for row in rows))

    trends = []
    for measure in TRENDS:
        matches = tuple(
            OfMatch(row["match_id"], row["day"], row["opponent"],
                    Share(row["successes"], row["trials"]))
            for row in own if row["measure"] == measure
        )
        if matches:
            trend = Trend(measure, DOCS[measure], matches, summed(measure), "")
            trends.append(Trend(measure, DOCS[measure], matches, trend.whole, change(trend)))
    met = [row for row in won if row["player"] == code]
    return SeasonPlayer(
        code, name, len({row["match_id"] for row in own}),
        Share(sum(row["won"] for row in met), sum(row["played"] for row in met)),
        summed("service_points_won"), summed("return_points_won"), tuple(trends),
        tuple(
            Against(row["opponent"], row["n_matches"], Share(row["won"], row["played"]),
                    summed("service_points_won", row["opponent"]),
                    summed("return_points_won", row["opponent"]))
            for row in met
        ),
        tuple(row for row in faults if row["player"] == code),
    )


def change(trend: Trend) -> str:
    """How the second half of the matches differs from the first, with Newcombe's interval."""
    dated = trend.dated
    if len(dated) < LEAST_HALVES:
        return f"{words.count(len(dated), 'match', 'matches')} with a date: too few for a trend."
    half = len(dated) // 2
    early, late = (
        Share(sum(one.share.part for one in part), sum(one.share.whole for one in part))
        for part in (dated[:half], dated[half:])
    )
    gap, low, high = (
        100 * float(value)
        for value in rates.difference(late.part, late.whole, early.part, early.whole)
    )
    told = (
        f"First half {words.percent(early.part / early.whole)}, second half "
        f"{words.percent(late.part / late.whole)}: {gap:+.0f} points "
        f"({low:+.0f} to {high:+.0f})"
    ).replace("-", "−")
    return f"{told}, a change." if low > 0 or high < 0 else f"{told}: chance may make that."
