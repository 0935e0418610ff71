"""Where things of the season dataset stand, and which tables it has.

A dataset is a folder with a Hive-partitioned Parquet dataset for every table::

    season/shots/season=2026/event=Lantern%20Quay%20Open/match=final-1a2b3c4d/part-0.parquet

so that pandas, polars, Dask and DuckDB read ``season/shots`` as they stand. ``season.json`` holds
the schema version and counts changes, ``season.duckdb`` the same rows with comments on every
column, ``rollup`` what players' tables are summed from.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote, unquote

import pyarrow as pa

from rallymill.tables import (
    EVENTS,
    FLAGS,
    MATCHES,
    OPPORTUNITIES,
    POINTS,
    SHOTS,
    TEXT,
    Column,
    TableSpec,
)

PART_NAME = "part-0.parquet"
STATE_NAME = "season.json"
JOURNAL_NAME = ".journal.json"
STAGING_NAME = ".adding"
DATABASE_NAME = "season.duckdb"
ROLLUP_FOLDER = "rollup"
NULL_PARTITION = "__HIVE_DEFAULT_PARTITION__"

PROVENANCE = (
    Column("recording_sha256", TEXT, "SHA-256 of the recording that the row comes from"),
    Column("table_sha256", TEXT, "hash of the rows of the match's own table"),
    Column("software_version", TEXT, "version of rallymill that read the recording"),
    Column("schema_version", pa.int32(), "version of the schema of the tables"),
)
PARTITION = (
    Column("season", TEXT, "season of the match: its year, or what was given when it was added"),
    Column("event", TEXT, "event of the match"),
)


def _of_season(spec: TableSpec) -> TableSpec:
    """The table with where its rows come from, without what the folders say already."""
    apart = {column.name for column in (*PARTITION, *PROVENANCE)}
    own = tuple(column for column in spec.columns if column.name not in apart)
    return TableSpec(spec.name, spec.row, (*own, *PROVENANCE), spec.key, spec.sort)


PLAYERS = TableSpec(
    "players",
    "a player of a match",
    (
        MATCHES.columns[0],
        Column("player", TEXT, "code of the player in the other tables", nullable=False),
        Column("side_at_start", TEXT, "side of the court at the start", values=("near", "far")),
        Column("name", TEXT, "name by the match sheet; null where it says none"),
        Column("hand", TEXT, "playing hand", values=("right", "left")),
        *PROVENANCE,
    ),
    key=("match_id", "player"),
    sort=("player",),
)
SOURCES: dict[str, TableSpec] = {
    spec.name: spec for spec in (MATCHES, POINTS, SHOTS, FLAGS, OPPORTUNITIES, EVENTS)
}
"""Tables of a match that go into the season, as a run writes them."""
LATER = frozenset({OPPORTUNITIES.name})
"""Tables that came after the first seasons: a match that lacks one has no rows of it."""

SEASON_TABLES: dict[str, TableSpec] = {
    **{name: _of_season(spec) for name, spec in SOURCES.items()},
    PLAYERS.name: PLAYERS,
}
"""Tables of the season as they stand in its files."""


def escape(value: str | None) -> str:
    """A partition's value as it stands in a folder name."""
    if value is None or not value.strip():
        return NULL_PARTITION
    text = quote(value.strip(), safe="")
    # A point is a plain character to quote, but alone it would climb out of the folder.
    return text.replace(".", "%2E") if set(text) == {"."} else text


def unescape(name: str) -> str | None:
    """The value again; None for the partition of rows without one."""
    return None if name == NULL_PARTITION else unquote(name)


@dataclass(frozen=True)
class Partition:
    """Where the rows of a match stand; ``season`` and ``event`` are None where not known."""

    season: str | None
    event: str | None
    match_id: str

    @property
    def folder(self) -> Path:
        """Folder below that of a table."""
        return Path(
            f"season={escape(self.season)}", f"event={escape(self.event)}",
            f"match={escape(self.match_id)}",
        )

    def file(self, table: str) -> Path:
        """File of a table, relative to the dataset."""
        return Path(table) / self.folder / PART_NAME


def partitions(root: Path, table: str = MATCHES.name) -> Iterator[Partition]:
    """Partitions of a table of a dataset, in order of their folders."""
    for path in sorted((root / table).glob(f"season=*/event=*/match=*/{PART_NAME}")):
        season, event, match_id = (part.split("=", 1)[1] for part in path.parts[-4:-1])
        yield Partition(unescape(season), unescape(event), unescape(match_id) or "")
