"""A match as it joins a season: its tables, checked, with where each row comes from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

from rallymill import tableio
from rallymill import tables as schemas
from rallymill.errors import InputError, TableError
from rallymill.runner.rowhash import rows_hash
from rallymill.runner.store import MatchRecord, MatchStore
from rallymill.season.checks import check_match
from rallymill.season.layout import LATER, PLAYERS, SEASON_TABLES, SOURCES, Partition
from rallymill.tables import MATCHES

VERSION_KEY = "rallymill.schema_version"
NAMELESS = ("A", "B")
"""What tables call players of whom no match sheet tells the name."""
PLAYER_COLUMNS: Mapping[str, tuple[str, ...]] = {
    "shots": ("player", "opponent"),
    "points": ("server_player", "won_by_player"),
    "flags": ("player",),
    "opportunities": ("player",),
}


@dataclass(frozen=True)
class SeasonMatch:
    """The tables of a match in the schemas of the season, and where they belong.

    ``identity`` is a hash of all that is in them: a match of the same identity is there already.
    """

    partition: Partition
    tables: Mapping[str, pa.Table]
    identity: str


def season_of(date: str | None, given: str | None = None) -> str | None:
    """The season of a date: its year, unless another is given; None where neither is known."""
    return given or (date[:4] if date else None)


def load(out: Path, row: Mapping[str, Any], season: str | None = None) -> SeasonMatch:
    """A match of an output folder, from its row in ``matches.parquet``.

    Raises
    ------
    InputError
        The match was not read.
    TableError
        A table is missing, broken, of another schema version, or does not fit the others.
    """
    match_id = str(row["match_id"])
    if row["status"] == "not_read":
        raise InputError(f"{match_id} was not read: {row['reason']}", row["remedy"] or "")
    store = MatchStore(out, match_id)
    found = {name: _read(store, name) for name in SOURCES if name != MATCHES.name}
    found[MATCHES.name] = tableio.from_rows(MATCHES, [row])
    record = store.read_record()
    return prepare(match_id, found, record.sheet if record else {}, season)


def _read(store: MatchStore, name: str) -> pa.Table:
    path = store.table_path(name)
    if name in LATER and not path.exists():
        return SOURCES[name].empty()
    version = tableio.read_metadata(path).get(VERSION_KEY)
    if version is not None and version != str(schemas.SCHEMA_VERSION):
        raise TableError(
            f"{path} has schema version {version}, a season takes {schemas.SCHEMA_VERSION}",
            "read the match again with rallymill process",
        )
    return store.read_table(SOURCES[name])


def prepare(
    match_id: str, found: Mapping[str, pa.Table], sheet: Mapping[str, Any],
    season: str | None = None,
) -> SeasonMatch:
    """Check the tables of a match and bring them into the schemas of the season.

    Raises
    ------
    TableError
        They do not fit each other.
    """
    found = {**{name: SOURCES[name].empty() for name in LATER}, **found}
    check_match(match_id, found)
    (match_row,) = found[MATCHES.name].to_pylist()
    partition = Partition(season_of(match_row["date"], season), match_row["event"], match_id)
    hashes = {name: rows_hash(table) for name, table in found.items()}
    named = {name: _own_names(match_id, name, table) for name, table in found.items()}
    named[PLAYERS.name] = players_table(match_id, named["shots"], sheet)
    hashes[PLAYERS.name] = rows_hash(named[PLAYERS.name])
    tables = {
        name: _with_origin(name, table, match_row, hashes[name]) for name, table in named.items()
    }
    return SeasonMatch(partition, tables, identity_of(partition, tables))


def identity_of(partition: Partition, tables: Mapping[str, pa.Table]) -> str:
    """Hash of all rows of a match and of where it belongs.

    A table that came later counts where it has rows, so that a match without them stays the same.
    """
    names = sorted(name for name in tables if name not in LATER or tables[name].num_rows)
    return rows_hash(pa.table({
        "table": names, "rows": [rows_hash(tables[name]) for name in names],
        "place": [str(partition.folder)] * len(names),
    }))  # fmt: skip


def _own_names(match_id: str, name: str, table: pa.Table) -> pa.Table:
    """Tell nameless players of one match from those of another."""
    for column in PLAYER_COLUMNS.get(name, ()):
        values = table[column]
        nameless = pc.is_in(values, pa.array(NAMELESS))
        longer = pc.binary_join_element_wise(pa.scalar(match_id), values, ":")
        at = table.column_names.index(column)
        table = table.set_column(at, table.schema.field(at), pc.if_else(nameless, longer, values))
    return table


def players_table(match_id: str, shots: pa.Table, sheet: Mapping[str, Any]) -> pa.Table:
    """Who played: those of the match sheet, and whom the strokes name besides."""
    rows: dict[str, dict[str, Any]] = {}
    for side, player in (sheet.get("players") or {}).items():
        if player:
            rows[player["code"]] = {
                "match_id": match_id, "player": player["code"], "side_at_start": side,
                "name": player["name"], "hand": player["hand"],
            }  # fmt: skip
    seen = set(shots["player"].to_pylist()) | set(shots["opponent"].to_pylist())
    for code in sorted(seen - {None} - set(rows)):
        side = {f"{match_id}:A": "near", f"{match_id}:B": "far"}.get(code)
        rows[code] = {"match_id": match_id, "player": code, "side_at_start": side}
    return tableio.from_rows(PLAYERS, [rows[code] for code in sorted(rows)])


def _with_origin(
    name: str, table: pa.Table, match_row: Mapping[str, Any], digest: str
) -> pa.Table:
    spec = SEASON_TABLES[name]
    origin = {
        "recording_sha256": match_row["content_hash"],
        "table_sha256": digest,
        "software_version": match_row["software_version"],
        "schema_version": schemas.SCHEMA_VERSION,
    }
    arrays = [
        pa.array([origin[column.name]] * table.num_rows, column.dtype)
        if column.name in origin
        else table[column.name]
        for column in spec.columns
    ]
    return pa.Table.from_arrays(arrays, schema=spec.schema())


def names_of(record: MatchRecord | None) -> dict[str, str]:
    """Names by code, of the players that a match's sheet names."""
    players = (record.sheet.get("players") or {}) if record else {}
    return {player["code"]: player["name"] for player in players.values() if player}
