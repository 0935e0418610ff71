"""Players' tables: what they do how often, with intervals, by surface, month, opponent and score.

Every rate is a count of successes among trials. Counts are taken match by match and kept, so that
a new match is counted alone; rates are sums of counts. Intervals are Wilson's score interval
(E. B. Wilson 1927, JASA 22, 209-212, from memory) at 95 %. They take trials as independent; strokes
of one match are less so than those of many, so read the intervals as the least that is unsure.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import duckdb
import pyarrow as pa

from rallymill.intervals import Z_95
from rallymill.tables import F64, I64, TEXT, Column, TableSpec

LONG_RALLY = 9
SHORT_RALLY = 4
RECOVERED_M = 1.0
ALL_SEASONS = "all"


@dataclass(frozen=True)
class Measure:
    """A rate: its name, what it says, and the SQL of its trials.

    The SQL gives a row a trial: ``match_id``, ``player``, ``point_id`` and whether it was a
    ``success``. It reads ``played`` (points that were played out, with ``receiver`` and ``state``),
    ``points``, ``shots`` and ``flags``.
    """

    name: str
    doc: str
    sql: str


_SERVED = "SELECT match_id, server_player AS player, point_id, {success} AS success FROM {where}"
_STROKES = "SELECT match_id, player, point_id, {success} AS success FROM shots WHERE {where}"
_BOTH = """SELECT match_id, unnest([server_player, receiver]) AS player, point_id,
    won_by_player = unnest([server_player, receiver]) AS success FROM played WHERE {where}"""
_MET = """SELECT DISTINCT s.match_id, s.player, s.point_id, p.won_by_player = s.player AS success
    FROM shots AS s JOIN played AS p USING (match_id, point_id) WHERE {where}"""
_ERRORS = "('error_net', 'error_long', 'error_wide', 'unforced_error', 'forced_error')"
_LAST = """SELECT s.match_id, s.player, s.point_id, s.ended_point AND {success} AS success
    FROM shots AS s JOIN points AS p USING (match_id, point_id)
    WHERE s.stroke <> 'serve' AND p.ended_by NOT IN ('unknown', 'let')"""
_KNOWN = "direction NOT IN ('unknown', 'wide', 'body', 't')"

MEASURES = (
    Measure("first_serves_in", "first serves that were not faults",
            _SERVED.format(success="ended_by <> 'fault'", where="points WHERE serve_number = 1 "
                           "AND ended_by <> 'let' AND (ended_by <> 'unknown' OR n_shots > 1)")),
    Measure("aces", "points on serve that were aces",
            _SERVED.format(success="ended_by = 'ace'", where="played")),
    Measure("double_faults", "points on serve that were double faults",
            _SERVED.format(success="ended_by = 'double_fault'", where="played")),
    Measure("service_points_won", "points on serve that were won",
            _SERVED.format(success="won_by_player = server_player", where="played")),
    Measure("first_serve_points_won", "points on a first serve that were won",
            _SERVED.format(success="won_by_player = server_player",
                           where="played WHERE serve_number = 1")),
    Measure("second_serve_points_won", "points on a second serve that were won",
            _SERVED.format(success="won_by_player = server_player",
                           where="played WHERE serve_number = 2")),
    Measure("break_points_saved", "break points against the serve that were won",
            _SERVED.format(success="won_by_player = server_player",
                           where="played WHERE state = 'break point'")),
    Measure("return_points_won", "points of the opponent's serve that were won",
            "SELECT match_id, receiver AS player, point_id, won_by_player = receiver AS success "
            "FROM played"),
    Measure("short_rallies_won", f"rallies of up to {SHORT_RALLY} strokes that were won",
            _BOTH.format(where=f"n_shots <= {SHORT_RALLY}")),
    Measure("long_rallies_won", f"rallies of {LONG_RALLY} strokes and more that were won",
            _BOTH.format(where=f"n_shots >= {LONG_RALLY}")),
    Measure("short_ball_points_won", "points in which a short ball was met that were won",
            _MET.format(where="s.incoming_depth = 'short'")),
    Measure("net_points_won", "points with a volley or an overhead that were won",
            _MET.format(where="s.stroke IN ('volley', 'overhead')")),
    Measure("strokes_that_won", "strokes but serves that were winners",
            _LAST.format(success="p.ended_by = 'winner'")),
    Measure("strokes_that_erred", "strokes but serves that ended the point by an error",
            _LAST.format(success=f"p.ended_by IN {_ERRORS}")),
    Measure("deep_groundstrokes", "groundstrokes that bounced deep",
            _STROKES.format(success="depth = 'deep'",
                            where="stroke = 'groundstroke' AND depth <> 'unknown'")),
    Measure("cross_court_groundstrokes", "groundstrokes that went cross-court",
            _STROKES.format(success="direction = 'cross_court'",
                            where=f"stroke = 'groundstroke' AND {_KNOWN}")),
    Measure("short_balls_cross_court", "short balls that were taken cross-court",
            _STROKES.format(success="direction = 'cross_court'",
                            where=f"incoming_depth = 'short' AND {_KNOWN}")),
    Measure("set_at_contact", "strokes at which the hitter was set",
            _STROKES.format(success="hitter_state = 'set'", where="hitter_state <> 'unknown'")),
    Measure("recovered", f"strokes after which the hitter was within {RECOVERED_M:g} m of the "
            "recovery position when the opponent struck",
            _STROKES.format(success=f"abs(recovery_error_m) <= {RECOVERED_M}",
                            where="recovery_error_m IS NOT NULL")),
    Measure("strokes_flagged", "strokes with a finding of the kind fault",
            "SELECT s.match_id, s.player, s.point_id, EXISTS (SELECT 1 FROM flags AS f WHERE "
            "f.match_id = s.match_id AND f.shot_id = s.shot_id AND f.kind = 'fault' AND "
            "f.player = s.player) AS success FROM shots AS s"),
)  # fmt: skip
DIMENSIONS = ("all", "surface", "month", "opponent", "score_state")

COUNTS = TableSpec(
    "counts",
    "trials of a measure in a match at a score",
    (
        Column("match_id", TEXT, "match"),
        Column("player", TEXT, "player"),
        Column("opponent", TEXT, "the other player"),
        Column("score_state", TEXT, "state of the game as the server sees it"),
        Column("measure", TEXT, "what is counted"),
        Column("successes", I64, "how often it was so"),
        Column("trials", I64, "how often it could be told"),
    ),
    key=("match_id", "player", "score_state", "measure"),
    sort=("match_id", "player", "measure"),
)
RATES = TableSpec(
    "player_rates",
    "how often a player does something, in one cut of the season",
    (
        Column("season", TEXT, f"season, or {ALL_SEASONS}", nullable=False),
        Column("player", TEXT, "player", nullable=False),
        Column("dimension", TEXT, "by what the season is cut", nullable=False, values=DIMENSIONS),
        Column("value", TEXT, "which part of it; null where not known"),
        Column("measure", TEXT, "; ".join(f"{one.name}: {one.doc}" for one in MEASURES),
               nullable=False, values=tuple(one.name for one in MEASURES)),
        Column("successes", I64, "how often it was so", nullable=False, low=0),
        Column("trials", I64, "how often it could be told", nullable=False, low=1),
        Column("rate", F64, "successes among trials", nullable=False, low=0.0, high=1.0),
        Column("low", F64, "lower end of the 95 % interval", nullable=False, low=0.0, high=1.0),
        Column("high", F64, "upper end of the 95 % interval", nullable=False, low=0.0, high=1.0),
        Column("n_matches", I64, "matches with trials", nullable=False, low=1),
    ),
    key=("season", "player", "dimension", "value", "measure"),
    sort=("season", "player", "dimension", "value", "measure"),
)
VIEWS_OF_RATES = {
    "player_table": (
        "SELECT season, player, measure, rate, low, high, trials, n_matches FROM player_rates "
        "WHERE dimension = 'all'",
        "players' rates over a whole season",
    ),
}

SCORE_STATE = r"""
CASE WHEN score IS NULL THEN 'unknown'
     WHEN score LIKE '6-6,%' THEN 'tie-break'
     WHEN calls IN ('AD-40', '40-0', '40-15', '40-30') THEN 'game point'
     WHEN calls IN ('40-AD', '0-40', '15-40', '30-40') THEN 'break point'
     WHEN calls = '40-40' THEN 'deuce'
     WHEN own = other THEN 'level'
     WHEN own > other THEN 'server ahead'
     ELSE 'server behind' END
"""
STATES = rf"""
SELECT match_id, point_id, {SCORE_STATE} AS state FROM (
  SELECT *, trim(split_part(score, ',', 2)) AS calls,
    TRY_CAST(split_part(trim(split_part(score, ',', 2)), '-', 1) AS INTEGER) AS own,
    TRY_CAST(split_part(trim(split_part(score, ',', 2)), '-', 2) AS INTEGER) AS other
  FROM points)
"""


def counting_sql(chosen: str) -> str:
    """SQL that counts the trials of the matches that the condition ``chosen`` picks."""
    trials = "\nUNION ALL ".join(
        f"SELECT '{one.name}' AS measure, match_id, player, point_id, success FROM ({one.sql})"
        for one in MEASURES
    )
    tables = ",\n".join(
        f"{name} AS MATERIALIZED (SELECT * FROM stored.{name} WHERE {chosen})"
        for name in ("points", "shots", "flags", "players")
    )
    return f"""
WITH {tables},
pairs AS (SELECT a.match_id, a.player, b.player AS opponent FROM players AS a
          LEFT JOIN players AS b ON a.match_id = b.match_id AND a.player <> b.player),
states AS ({STATES}),
played AS (SELECT points.*, pairs.opponent AS receiver, states.state FROM points
           JOIN states USING (match_id, point_id)
           JOIN pairs ON pairs.match_id = points.match_id AND pairs.player = server_player
           WHERE ended_by NOT IN ('fault', 'let') AND won_by_player IS NOT NULL),
trials AS ({trials})
SELECT t.match_id, t.player, any_value(pairs.opponent) AS opponent, state AS score_state, measure,
       count(*) FILTER (WHERE success) AS successes, count(success) AS trials
FROM trials AS t JOIN states USING (match_id, point_id)
LEFT JOIN pairs ON pairs.match_id = t.match_id AND pairs.player = t.player
WHERE t.player IS NOT NULL
GROUP BY t.match_id, t.player, state, measure
HAVING count(success) > 0
"""


def rates_sql() -> str:
    """SQL that sums counts up to rates with their intervals."""
    cuts = {
        "all": "'all'", "surface": "m.surface", "month": "substr(m.date, 1, 7)",
        "opponent": "c.opponent", "score_state": "c.score_state",
    }
    parts = "\nUNION ALL ".join(
        f"SELECT {season} AS season, player, '{dimension}' AS dimension, {value} AS value, "
        "measure, successes, trials, c.match_id FROM stored.counts AS c "
        "JOIN stored.matches AS m USING (match_id)"
        for dimension, value in cuts.items()
        for season in ("coalesce(m.season, 'unknown')", f"'{ALL_SEASONS}'")
    )
    square = Z_95 * Z_95
    return f"""
WITH summed AS (
  SELECT season, player, dimension, value, measure, sum(successes)::BIGINT AS successes,
         sum(trials)::BIGINT AS trials, count(DISTINCT match_id) AS n_matches
  FROM ({parts}) GROUP BY ALL),
placed AS (
  SELECT *, successes / trials AS rate,
    (successes + {square} / 2) / (trials + {square}) AS centre,
    {Z_95} * sqrt(successes * (trials - successes) / trials + {square} / 4) / (trials + {square})
      AS half
  FROM summed)
SELECT season, player, dimension, value, measure, successes, trials, rate,
       greatest(0.0, least(rate, centre - half)) AS low,
       least(1.0, greatest(rate, centre + half)) AS high, n_matches
FROM placed ORDER BY season, player, dimension, value NULLS LAST, measure
"""


Counting = Callable[[duckdb.DuckDBPyConnection, str, str], None]
"""Drops the counts of the matches that a condition picks, and counts those that another picks."""


def count(connection: duckdb.DuckDBPyConnection, stale: str, chosen: str) -> None:
    """The counting of what this module counts; see :data:`Counting`."""
    connection.execute(f"DELETE FROM stored.counts WHERE {stale}")
    connection.execute(f"INSERT INTO stored.counts {counting_sql(chosen)}")


def count_new(connection: duckdb.DuckDBPyConnection, countings: Sequence[Counting]) -> int:
    """Count matches whose counts are missing or of other rows; the number of matches."""
    new = connection.execute(
        "SELECT count(*) FROM stored.known WHERE (match_id, identity) NOT IN "
        "(SELECT (match_id, identity) FROM stored.counted)"
    ).fetchone()
    stale = (
        "match_id NOT IN (SELECT match_id FROM stored.known "
        "WHERE (match_id, identity) IN (SELECT (match_id, identity) FROM stored.counted))"
    )
    chosen = (
        "match_id IN (SELECT match_id FROM stored.known WHERE (match_id, identity) NOT IN "
        "(SELECT (match_id, identity) FROM stored.counted))"
    )
    for counting in countings:
        counting(connection, stale, chosen)
    connection.execute("DELETE FROM stored.counted")
    connection.execute("INSERT INTO stored.counted SELECT match_id, identity FROM stored.known")
    return int(new[0]) if new else 0


def rates(connection: duckdb.DuckDBPyConnection) -> pa.Table:
    """The players' tables as :data:`RATES`."""
    found = connection.sql(rates_sql()).to_arrow_table()
    return found.cast(RATES.schema())
