"""Rates of faults over a season: how often for each chance, and what it costs, with intervals.

As in :mod:`rallymill.season.rollup`, counts are taken match by match and kept; rates are made of
sums of counts by :mod:`rallymill.rates`, which says how.
"""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import duckdb
import numpy as np
import pyarrow as pa

from rallymill import rates, tableio
from rallymill.season.rollup import ALL_SEASONS
from rallymill.tables import BOOL, F64, I64, TEXT, Column, TableSpec

DIMENSIONS = ("all", "surface", "month", "opponent")
COUNTED = tuple(
    field.name for field in fields(rates.Tally) if field.name not in ("player", "rule", "n_matches")
)
"""Numbers of a tally that matches have; their sums are those of a season."""

FAULT_COUNTS = TableSpec(
    "fault_counts",
    "counts of a player and rule in a match",
    (
        Column("match_id", TEXT, "match"),
        Column("player", TEXT, "player"),
        Column("opponent", TEXT, "the other player"),
        Column("rule", TEXT, "rule"),
        *(Column(name, I64, f"{name.replace('_', ' ')} of the match") for name in COUNTED),
    ),
    key=("match_id", "player", "rule"),
    sort=("match_id", "player", "rule"),
)


def _share(name: str, doc: str, **more: Any) -> Column:
    return Column(name, F64, doc, low=0.0, high=1.0, **more)


FAULT_RATES = TableSpec(
    "fault_rates",
    "how often a player commits a fault and what it costs, in one cut of the season",
    (
        Column("season", TEXT, f"season, or {ALL_SEASONS}", nullable=False),
        Column("player", TEXT, "player", nullable=False),
        Column("dimension", TEXT, "by what the season is cut", nullable=False, values=DIMENSIONS),
        Column("value", TEXT, "which part of it; null where not known"),
        Column("rule", TEXT, "rule that finds the fault", nullable=False),
        Column("opportunities", I64, "chances to commit it that could be measured",
               nullable=False, low=0),
        Column("faults", I64, "how often it was committed", nullable=False, low=0),
        Column("credits", I64, "how often the rule gave credit instead", nullable=False, low=0),
        Column("not_measurable", I64, "chances that could not be measured", nullable=False, low=0),
        _share("rate", "faults among opportunities"),
        _share("rate_low", "lower end of the 95 % interval", nullable=False),
        _share("rate_high", "upper end of the 95 % interval", nullable=False),
        Column("enough", BOOL, f"whether there were {rates.LEAST_OPPORTUNITIES} chances or more; "
               "fewer are no habit", nullable=False),
        Column("points_with_fault", I64, "points in which it was committed", nullable=False, low=0),
        _share("share_won_with_fault", "share of those points that were won"),
        _share("share_won_clear", "share won of the points with a chance and without the fault"),
        Column("cost", F64, "share won without the fault less that with it", low=-1.0, high=1.0),
        Column("cost_low", F64, "lower end of the 95 % interval", nullable=False, low=-1.0),
        Column("cost_high", F64, "upper end of the 95 % interval", nullable=False, high=1.0),
        Column("points_lost_per_match", F64, "points a match that it costs, drawn toward none"),
        Column("points_lost_low", F64, "lower end of the 95 % interval"),
        Column("points_lost_high", F64, "upper end of the 95 % interval"),
        Column("games_lost_per_match", F64, "games that these points are worth"),
        Column("cost_enough", BOOL, f"whether there were {rates.LEAST_POINTS} points or more with "
               "the fault and without", nullable=False),
        Column("cost_sure", BOOL, "whether it costs points for all that chance may do",
               nullable=False),
        Column("n_matches", I64, "matches with opportunities", nullable=False, low=1),
    ),
    key=("season", "player", "dimension", "value", "rule"),
    sort=("season", "player", "dimension", "value", "rule"),
)
VIEWS_OF_FAULTS = {
    "fault_table": (
        "SELECT season, player, rule, opportunities, faults, rate, rate_low, rate_high, enough, "
        "points_lost_per_match, points_lost_low, points_lost_high, games_lost_per_match, cost_sure "
        "FROM fault_rates WHERE dimension = 'all'",
        "players' rates of faults over a whole season",
    ),
}

POINTS_OF_FAULTS = """
  SELECT match_id, player, rule, count(*) FILTER (bad) AS points_with_fault,
    count(*) FILTER (bad AND won_by_player IS NOT NULL) AS fault_decided,
    count(*) FILTER (bad AND won_by_player = player) AS fault_won,
    count(*) FILTER (NOT bad AND won_by_player IS NOT NULL) AS clear_decided,
    count(*) FILTER (NOT bad AND won_by_player = player) AS clear_won
  FROM (SELECT match_id, player, rule, coalesce(last_id, point_id) AS point_id,
               bool_or(outcome = 'fault') AS bad
        FROM chances LEFT JOIN points USING (match_id, point_id)
        WHERE outcome <> 'not_measurable' GROUP BY ALL)
  LEFT JOIN points USING (match_id, point_id) GROUP BY ALL
"""
ENDS_OF_POINTS = """
  SELECT match_id, point_id, won_by_player,
    CASE WHEN ended_by = 'fault' AND lead(serve_number) OVER following = 2
              AND lead(server_player) OVER following = server_player
         THEN lead(point_id) OVER following ELSE point_id END AS last_id
  FROM {points} WINDOW following AS (PARTITION BY match_id ORDER BY point_id)
"""
"""A first serve that was a fault has a row of its own; its point went on with the second serve."""


def counting_sql(chosen: str) -> str:
    """SQL that counts the opportunities of the matches that the condition ``chosen`` picks."""
    outcomes = ", ".join(
        f"count(*) FILTER (outcome = '{outcome}') AS {name}"
        for outcome, name in (
            ("fault", "faults"), ("credit", "credits"), ("note", "notes"), ("clear", "clear"),
            ("not_measurable", "not_measurable"),
        )
    )
    return f"""
WITH chances AS MATERIALIZED (SELECT * FROM stored.opportunities WHERE {chosen}),
points AS MATERIALIZED ({ENDS_OF_POINTS.format(points=f"stored.points WHERE {chosen}")}),
pairs AS (SELECT a.match_id, a.player, b.player AS opponent FROM stored.players AS a
          LEFT JOIN stored.players AS b ON a.match_id = b.match_id AND a.player <> b.player
          WHERE a.{chosen}),
outcomes AS (SELECT match_id, player, rule, {outcomes} FROM chances GROUP BY ALL),
ends AS ({POINTS_OF_FAULTS}),
played AS (
  SELECT points.match_id, pairs.player, count(*) AS points_played,
    count(*) FILTER (won_by_player = pairs.player) AS points_won
  FROM points JOIN pairs USING (match_id) WHERE won_by_player IS NOT NULL GROUP BY ALL)
SELECT match_id, player, pairs.opponent, rule,
  {", ".join(f"coalesce({name}, 0)::BIGINT AS {name}" for name in COUNTED)}
FROM outcomes LEFT JOIN ends USING (match_id, player, rule)
LEFT JOIN played USING (match_id, player) LEFT JOIN pairs USING (match_id, player)
"""


def sums_sql() -> str:
    """SQL that sums counts up over the cuts of a season."""
    cuts = {"all": "'all'", "surface": "m.surface", "month": "substr(m.date, 1, 7)",
            "opponent": "c.opponent"}  # fmt: skip
    summed = ", ".join(f"sum({name})::BIGINT AS {name}" for name in COUNTED)
    parts = "\nUNION ALL ".join(
        f"SELECT {season} AS season, '{dimension}' AS dimension, {value} AS value, c.* "
        "FROM stored.fault_counts AS c JOIN stored.matches AS m USING (match_id)"
        for dimension, value in cuts.items()
        for season in ("coalesce(m.season, 'unknown')", f"'{ALL_SEASONS}'")
    )
    return f"""
SELECT season, player, dimension, value, rule, {summed}, count(DISTINCT match_id) AS n_matches
FROM ({parts}) GROUP BY season, player, dimension, value, rule
ORDER BY season, player, dimension, value NULLS LAST, rule
"""


def count(connection: duckdb.DuckDBPyConnection, stale: str, chosen: str) -> None:
    """Count the matches that ``chosen`` picks, and drop the counts of those that ``stale`` does."""
    connection.execute(f"DELETE FROM stored.{FAULT_COUNTS.name} WHERE {stale}")
    connection.execute(f"INSERT INTO stored.{FAULT_COUNTS.name} {counting_sql(chosen)}")


def fault_rates(connection: duckdb.DuckDBPyConnection) -> pa.Table:
    """The rates of faults as :data:`FAULT_RATES`."""
    sums = connection.sql(sums_sql()).to_arrow_table()
    counts = {name: sums[name].to_numpy() for name in (*COUNTED, "n_matches")}
    found = rates.figures(counts)
    columns: dict[str, Any] = {}
    for name in FAULT_RATES.names():
        columns[name] = found[name] if name in found else sums[name].combine_chunks()
    columns["opportunities"] = columns["opportunities"].astype(np.int64)
    return tableio.from_columns(FAULT_RATES, columns)
