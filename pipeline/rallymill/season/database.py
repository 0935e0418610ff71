"""``season.duckdb``: the rows of a season in one file, with a comment on every column.

The Parquet files are the season; this file is made from them and can be deleted at any time. It
holds the rows themselves in the schema ``stored`` and views of them under the tables' names, so
that it may be moved and opened anywhere, and read without access to any other file.
"""

from __future__ import annotations

import logging
from collections.abc import Collection, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import duckdb
import pyarrow as pa

from rallymill import tableio
from rallymill.errors import InputError, RallymillError
from rallymill.season import faults, rollup
from rallymill.season.faults import FAULT_COUNTS, FAULT_RATES, VIEWS_OF_FAULTS
from rallymill.season.layout import (
    DATABASE_NAME,
    PARTITION,
    ROLLUP_FOLDER,
    SEASON_TABLES,
    Partition,
)
from rallymill.season.rollup import COUNTS, RATES, VIEWS_OF_RATES
from rallymill.season.store import SeasonStore
from rallymill.tables import Column, TableSpec

log = logging.getLogger(__name__)

MEMORY = "512MB"
THREADS = 2
BATCH = 20
"""Matches whose rows go into the database in one transaction. Until its end a transaction holds
everything that was inserted, so what it holds must not grow with the season."""
STORED = "stored"
ROLLED_UP = (RATES, FAULT_RATES)
INNER = (COUNTS, FAULT_COUNTS)
"""Tables that hold counts, from which those that are rolled up are made; they have no view."""
TYPES = {
    pa.int32(): "INTEGER",
    pa.int64(): "BIGINT",
    pa.float32(): "FLOAT",
    pa.float64(): "DOUBLE",
    pa.bool_(): "BOOLEAN",
    pa.string(): "VARCHAR",
}


class SeasonBusyError(RallymillError):
    """Another process is writing to the database of a season."""


def path_of(root: Path) -> Path:
    """Where the database of a dataset stands."""
    return root / DATABASE_NAME


def _type(dtype: pa.DataType) -> str:
    if pa.types.is_struct(dtype):
        fields = ", ".join(f'"{field.name}" {_type(field.type)}' for field in dtype)
        return f"STRUCT({fields})"
    if pa.types.is_list(dtype):
        return f"{_type(dtype.value_type)}[]"
    return TYPES[dtype]


def columns_of(spec: TableSpec) -> tuple[Column, ...]:
    """Columns of a table as the database has it: those of its files and of its folders."""
    return (*spec.columns, *PARTITION)


def _connect(path: Path, read_only: bool) -> duckdb.DuckDBPyConnection:
    settings: dict[str, Any] = {"threads": THREADS, "memory_limit": MEMORY}
    if read_only:
        settings |= {"enable_external_access": False, "temp_directory": ""}
    try:
        return duckdb.connect(str(path), read_only=read_only, config=settings)
    except duckdb.IOException as error:
        if "lock" in str(error).lower():
            raise SeasonBusyError(f"{path} is being written to", "wait a moment") from error
        raise InputError(
            f"{path} cannot be opened: {str(error).splitlines()[0]}",
            "delete it and run rallymill season add",
        ) from error


def open_to_read(root: Path) -> duckdb.DuckDBPyConnection:
    """Connection to the rows of a season that can change nothing and reach no other file.

    Raises
    ------
    InputError
        There is no season, or its database is behind its files.
    SeasonBusyError
        It is being written to.
    """
    store = SeasonStore(root)
    path = path_of(root)
    if not path.exists():
        raise InputError(f"{root} holds no season", "run rallymill season add first")
    store.require_version()
    connection = _connect(path, read_only=True)
    try:
        standing = _generation(connection)
        if store.interrupted() or standing != store.state().generation:
            raise InputError(
                f"{path.name} is behind the files of the season",
                f"run rallymill season add --season-dir {root}, which finishes what was begun",
            )
        _stand_in(connection)
        connection.execute("SET lock_configuration = true")
    except (InputError, duckdb.Error):
        connection.close()
        raise
    return connection


def _generation(connection: duckdb.DuckDBPyConnection) -> int:
    try:
        row = connection.execute(f"SELECT generation FROM {STORED}.state").fetchone()
    except duckdb.CatalogException:
        return -1
    return int(row[0]) if row else -1


def refresh(
    root: Path, from_scratch: bool = False, changed: Collection[str] | None = None
) -> int:
    """Bring the database of a dataset up to its files; the number of matches that changed.

    To be called while the dataset is held for changes. With ``from_scratch`` the file is made
    anew, so that nothing of removed rows is left in it. ``changed`` names the only matches that
    can differ, where that is known, so that not every file is looked at. The database counts as
    behind its files until all is in it; what a kill leaves is completed by the next call.

    Raises
    ------
    SeasonBusyError
        A reader has it open.
    """
    store = SeasonStore(root)
    path = path_of(root)
    if from_scratch:
        path.unlink(missing_ok=True)
        path.with_name(path.name + ".wal").unlink(missing_ok=True)
    generation = store.state().generation
    connection = _connect(path, read_only=False)
    try:
        standing = _generation(connection)
        older = standing < 0 or bool(_lacking(connection))
        if standing == generation and not older:
            return 0
        if older:
            with _transaction(connection):
                _create(connection)
        n_changed = _bring_up(connection, store, changed)
        with _transaction(connection):
            connection.execute(f"DELETE FROM {STORED}.state")
            connection.execute(f"INSERT INTO {STORED}.state VALUES (?)", [generation])
        connection.execute("CHECKPOINT")
        return n_changed
    finally:
        connection.close()


@contextmanager
def _transaction(connection: duckdb.DuckDBPyConnection) -> Iterator[None]:
    """What is done within is done as a whole; closing the connection undoes what is not."""
    connection.execute("BEGIN")
    yield
    connection.execute("COMMIT")


def _specs() -> tuple[TableSpec, ...]:
    return (*SEASON_TABLES.values(), *INNER, *ROLLED_UP)


def _lacking(connection: duckdb.DuckDBPyConnection) -> list[TableSpec]:
    """Tables that a database does not have, which an older rallymill made."""
    rows = connection.execute(
        "SELECT table_name FROM duckdb_tables() WHERE schema_name = ?", [STORED]
    ).fetchall()
    there = {name for (name,) in rows}
    return [spec for spec in _specs() if spec.name not in there]


def _stand_in(connection: duckdb.DuckDBPyConnection) -> None:
    """Empty tables, of this connection alone, for those that a season's database lacks."""
    lacking = [spec for spec in _lacking(connection) if spec not in INNER]
    for spec in lacking:
        columns = columns_of(spec) if spec.name in SEASON_TABLES else spec.columns
        listed = ", ".join(f'"{column.name}" {_type(column.dtype)}' for column in columns)
        connection.execute(f"CREATE TEMP TABLE {spec.name} ({listed})")
    if lacking:
        names = ", ".join(spec.name for spec in lacking)
        log.warning(
            "the season was made before there was %s; rallymill season add and rollup fill it in",
            names,
        )


def _create(connection: duckdb.DuckDBPyConnection) -> None:
    connection.execute(f"CREATE SCHEMA IF NOT EXISTS {STORED}")
    connection.execute(f"CREATE TABLE IF NOT EXISTS {STORED}.state (generation BIGINT)")
    for name in ("known", "counted"):
        connection.execute(
            f"CREATE TABLE IF NOT EXISTS {STORED}.{name} (match_id VARCHAR, identity VARCHAR)"
        )
    for spec in _specs():
        columns = columns_of(spec) if spec.name in SEASON_TABLES else spec.columns
        listed = ", ".join(f'"{column.name}" {_type(column.dtype)}' for column in columns)
        connection.execute(f"CREATE TABLE IF NOT EXISTS {STORED}.{spec.name} ({listed})")
        if spec in INNER:
            continue
        connection.execute(
            f"CREATE VIEW IF NOT EXISTS {spec.name} AS SELECT * FROM {STORED}.{spec.name}"
        )
        connection.execute(f"COMMENT ON VIEW {spec.name} IS {_quoted('a row is ' + spec.row)}")
        for column in columns:
            unit = f" [{column.unit}]" if column.unit else ""
            connection.execute(
                f'COMMENT ON COLUMN {spec.name}."{column.name}" IS {_quoted(column.doc + unit)}'
            )
    for name, (sql, comment) in (VIEWS_OF_RATES | VIEWS_OF_FAULTS).items():
        connection.execute(f"CREATE VIEW IF NOT EXISTS {name} AS {sql}")
        connection.execute(f"COMMENT ON VIEW {name} IS {_quoted(comment)}")


def _quoted(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"


def _bring_up(
    connection: duckdb.DuckDBPyConnection, store: SeasonStore, only: Collection[str] | None
) -> int:
    standing = {
        match_id: (partition, store.identity(partition))
        for match_id, partition in store.matches().items()
        if only is None or match_id in only
    }
    rows = connection.execute(f"SELECT match_id, identity FROM {STORED}.known").fetchall()
    known = {name: identity for name, identity in rows if only is None or name in only}
    new = [name for name, (_, identity) in standing.items() if known.get(name) != identity]
    stale = [name for name in known if name in new or name not in standing]
    with _transaction(connection):
        _delete(connection, stale)
    for first in range(0, len(new), BATCH):
        with _transaction(connection):
            for name in new[first:first + BATCH]:
                partition, identity = standing[name]
                _insert(connection, store, partition)
                connection.execute(f"INSERT INTO {STORED}.known VALUES (?, ?)", [name, identity])
    return len({*stale, *new})


def _delete(connection: duckdb.DuckDBPyConnection, match_ids: Iterable[str]) -> None:
    given = list(match_ids)
    if given:
        for table in (*SEASON_TABLES, "known"):
            connection.execute(
                f"DELETE FROM {STORED}.{table} WHERE list_contains(?, match_id)", [given]
            )


def _insert(
    connection: duckdb.DuckDBPyConnection, store: SeasonStore, partition: Partition
) -> None:
    for name, spec in SEASON_TABLES.items():
        table = store.read(partition, name)
        for column, value in zip(PARTITION, (partition.season, partition.event), strict=True):
            table = table.append_column(
                column.name, pa.array([value] * table.num_rows, column.dtype)
            )
        connection.register("given", table)
        listed = ", ".join(f'"{column.name}"' for column in columns_of(spec))
        connection.execute(f"INSERT INTO {STORED}.{name} SELECT {listed} FROM given")
        connection.unregister("given")


def names_by_code(root: Path) -> dict[str, set[str]]:
    """Names that match sheets give to the codes of players."""
    connection = _connect(path_of(root), read_only=True)
    try:
        rows = connection.execute(
            "SELECT DISTINCT player, name FROM players WHERE name IS NOT NULL"
        ).fetchall()
    finally:
        connection.close()
    found: dict[str, set[str]] = {}
    for player, name in rows:
        found.setdefault(player, set()).add(name)
    return found


def roll_up(root: Path) -> tuple[int, pa.Table]:
    """Sum the players' tables up; the number of matches newly counted, and the players' rates.

    To be called while the dataset is held for changes, after :func:`refresh`.
    """
    connection = _connect(path_of(root), read_only=False)
    try:
        connection.execute("BEGIN")
        counted = rollup.count_new(connection, (rollup.count, faults.count))
        found = {RATES: rollup.rates(connection), FAULT_RATES: faults.fault_rates(connection)}
        for spec, rates in found.items():
            connection.execute(f"DELETE FROM {STORED}.{spec.name}")
            connection.register("given", rates)
            connection.execute(f"INSERT INTO {STORED}.{spec.name} SELECT * FROM given")
            connection.unregister("given")
        connection.execute("COMMIT")
        connection.execute("CHECKPOINT")
    finally:
        connection.close()
    for spec, rates in found.items():
        tableio.write(root / ROLLUP_FOLDER / f"{spec.name}.parquet", spec, rates)
    return counted, found[RATES]
