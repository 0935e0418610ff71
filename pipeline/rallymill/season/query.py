"""Ask questions of the tables of all matches with SQL, without any way to change a file.

The tables are given to DuckDB in memory as Arrow data sets, under their own names (``shots``,
``points``, ...). After that the connection may reach no file, load no extension and change no
setting, and only statements that read are let through. So a question cannot write, whatever it
says.
"""

from __future__ import annotations

import json
import logging
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.dataset as ds
import pyarrow.parquet as pq

from rallymill import tableio
from rallymill.errors import InputError, RallymillError, TableError
from rallymill.season import database
from rallymill.tables import ALL, MATCHES, TableSpec

log = logging.getLogger(__name__)

MATCHES_NAME = "matches.parquet"
MATCHES_FOLDER = "matches"
MEMORY = "1GB"
READING = {duckdb.StatementType.SELECT, duckdb.StatementType.EXPLAIN}


class QueryError(RallymillError):
    """A question cannot be answered as it is put."""


def readable_matches(out: Path) -> pa.Table:
    """The list of matches of an output folder.

    Raises
    ------
    InputError
        There is none.
    """
    try:
        return tableio.read(out / MATCHES_NAME, MATCHES)
    except TableError as error:
        raise InputError(f"{out} holds no matches", "run rallymill process first") from error


def _files(out: Path, spec: TableSpec, match_ids: list[str]) -> list[str]:
    """Whole files of a table that follow its schema; others are named in the log and left out."""
    found = []
    for match_id in match_ids:
        path = out / MATCHES_FOLDER / match_id / f"{spec.name}.parquet"
        if not path.exists():
            continue
        try:
            schema = pq.read_schema(path)
        except (pa.ArrowInvalid, OSError):
            log.warning("%s is not a whole table and is left out", path)
            continue
        if schema.equals(spec.schema(), check_metadata=False):
            found.append(str(path))
        else:
            log.warning("%s is of another version of the table and is left out", path)
    return found


def connect(out: Path) -> duckdb.DuckDBPyConnection:
    """Connection that sees every table of every match that was read, and nothing else.

    Raises
    ------
    InputError
        The folder holds no matches.
    """
    matches = readable_matches(out)
    read = [row["match_id"] for row in matches.to_pylist() if row["status"] != "not_read"]
    connection = duckdb.connect(":memory:")
    connection.register(MATCHES.name, matches)
    for spec in ALL.values():
        if spec is MATCHES:
            continue
        files = _files(out, spec, read)
        if files:
            connection.register(spec.name, ds.dataset(files, schema=spec.schema()))
        else:
            connection.register(spec.name, spec.empty())
    # What does not fit into memory is refused rather than written to a temporary file.
    connection.execute("SET temp_directory = ''")
    connection.execute(f"SET memory_limit = '{MEMORY}'")
    connection.execute("SET enable_external_access = false")
    connection.execute("SET lock_configuration = true")
    return connection


def connect_season(root: Path) -> duckdb.DuckDBPyConnection:
    """Connection that sees the tables of a season, and nothing else; see :func:`connect`.

    Raises
    ------
    InputError
        There is no season, or it is behind its files.
    """
    return database.open_to_read(root)


def ask(
    connection: duckdb.DuckDBPyConnection, sql: str, arguments: Mapping[str, Any] | None = None
) -> pd.DataFrame:
    """Answer to one reading statement; ``$name`` in it stands for the argument of that name.

    Raises
    ------
    QueryError
        The text is not one statement that reads, or DuckDB refuses it.
    """
    try:
        statements = connection.extract_statements(sql)
    except duckdb.Error as error:
        raise QueryError(_first_line(error), "correct the SQL") from error
    if len(statements) != 1:
        raise QueryError(f"{len(statements)} statements given, one is needed", "ask one at a time")
    if statements[0].type not in READING:
        raise QueryError(
            f"{statements[0].type.name} is not allowed: questions only read", "begin with SELECT"
        )
    try:
        wanted = statements[0].named_parameters
        given = {name: value for name, value in (arguments or {}).items() if name in wanted}
        return connection.execute(statements[0], given or None).df()
    except duckdb.Error as error:
        raise QueryError(_first_line(error), "see `rallymill query --tables`") from error


def plain(value: Any) -> Any:
    """A value of an answer as JSON can hold it: times as text, bytes in hexadecimal."""
    if value is None or value is pd.NaT or value is pd.NA:
        return None
    if isinstance(value, str | bool | int):
        return value
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, bytes | bytearray):
        return value.hex()
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        # Masked items become None so, which iterating would hand out as masks.
        return [plain(item) for item in value.tolist()]
    if isinstance(value, list | tuple | set):
        return [plain(item) for item in value]
    return value.isoformat() if hasattr(value, "isoformat") else str(value)


def json_text(answer: pd.DataFrame) -> str:
    """An answer as a list of JSON objects, one a row."""
    rows = [
        {str(name): plain(value) for name, value in zip(answer.columns, row, strict=True)}
        for row in answer.itertuples(index=False, name=None)
    ]
    return json.dumps(rows, ensure_ascii=False)


def _first_line(error: duckdb.Error) -> str:
    return str(error).strip().splitlines()[0]
