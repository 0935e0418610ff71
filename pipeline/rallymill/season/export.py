"""A season as CSV files or as a workbook, for those who live in sheets."""

from __future__ import annotations

import json
from collections.abc import Mapping
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pandas as pd

from rallymill.errors import InputError

TABLES = ("matches", "players", "points", "shots", "flags", "player_table", "player_rates",
          "fault_rates")  # fmt: skip
WORKBOOK_NAME = "season.xlsx"
LONGEST_SHEET = 1_048_575
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def harmless(value: Any) -> Any:
    """A cell that no spreadsheet takes for a formula; lists and records become JSON."""
    if isinstance(value, str):
        return "'" + value if value.startswith(FORMULA_STARTS) else value
    if isinstance(value, list | np.ndarray | Mapping):
        plain = value.tolist() if isinstance(value, np.ndarray) else value
        return json.dumps(plain, ensure_ascii=False)
    return value


def sheet_of(connection: duckdb.DuckDBPyConnection, table: str) -> pd.DataFrame:
    """Rows of a table as they may stand in a sheet."""
    frame = connection.execute(f"SELECT * FROM {table} ORDER BY ALL").df()
    for name in frame.columns:
        if not pd.api.types.is_numeric_dtype(frame[name].dtype):
            frame[name] = frame[name].map(harmless, na_action="ignore")
    return frame


def to_csv(connection: duckdb.DuckDBPyConnection, folder: Path) -> list[Path]:
    """Write a CSV file a table, in UTF-8; the files."""
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for table in TABLES:
        path = folder / f"{table}.csv"
        sheet_of(connection, table).to_csv(path, index=False)
        written.append(path)
    return written


def to_workbook(connection: duckdb.DuckDBPyConnection, folder: Path) -> Path:
    """Write a workbook with a sheet a table; its path.

    Raises
    ------
    InputError
        The library for it is not installed, or a table has more rows than a sheet can hold.
    """
    if find_spec("openpyxl") is None:
        raise InputError(
            "a workbook needs the library openpyxl",
            "install it with pip install openpyxl, or export CSV, which every spreadsheet opens",
        )
    sheets = {table: sheet_of(connection, table) for table in TABLES}
    for table, frame in sheets.items():
        if len(frame) > LONGEST_SHEET:
            raise InputError(
                f"{table} has {len(frame)} rows, a sheet holds {LONGEST_SHEET}", "export CSV"
            )
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / WORKBOOK_NAME
    with pd.ExcelWriter(path, engine="openpyxl") as book:
        for table, frame in sheets.items():
            frame.to_excel(book, sheet_name=table, index=False)
    return path
