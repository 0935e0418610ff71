"""A written table opens in pandas, DuckDB and polars, and tells what it holds."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pandas as pd
import polars as pl
import pyarrow.parquet as pq
import pytest

from rallymill import tableio, tables
from tests.support.filled import filled


@pytest.mark.parametrize("name", sorted(tables.ALL))
def test_three_readers_agree(name: str, tmp_path: Path) -> None:
    spec = tables.ALL[name]
    table = filled(spec, 5)
    path = tmp_path / f"{name}.parquet"
    tableio.write(path, spec, table)
    by_pandas = pd.read_parquet(path)
    by_polars = pl.read_parquet(path)
    by_duckdb = duckdb.sql(f"select * from '{path}'").fetchall()
    expected = table.to_pylist()
    assert list(by_pandas.columns) == list(by_polars.columns) == list(spec.names())
    assert by_polars.to_dicts() == expected
    assert [dict(zip(spec.names(), row, strict=True)) for row in by_duckdb] == expected
    for column in ("match_id", *spec.key):
        assert by_pandas[column].tolist() == [row[column] for row in expected]
    nulls = {column: sum(row[column] is None for row in expected) for column in spec.names()}
    assert by_pandas.isna().sum().to_dict() == nulls


@pytest.mark.parametrize("name", sorted(tables.ALL))
def test_the_file_describes_itself(name: str, tmp_path: Path) -> None:
    spec = tables.ALL[name]
    path = tmp_path / "one.parquet"
    tableio.write(path, spec, spec.empty(), {"rallymill.fingerprint": "abc"})
    schema = pq.read_schema(path)
    assert schema.metadata[b"rallymill.table"] == name.encode()
    assert schema.metadata[b"rallymill.row"]
    assert schema.metadata[b"rallymill.fingerprint"] == b"abc"
    for column in spec.columns:
        metadata = schema.field(column.name).metadata
        assert metadata[b"doc"].decode() == column.doc
        assert metadata[b"unit"].decode() == column.unit


def test_duckdb_reads_the_meaning_of_a_column(tmp_path: Path) -> None:
    path = tmp_path / "shots.parquet"
    tableio.write(path, tables.SHOTS, tables.SHOTS.empty())
    keys = duckdb.sql(f"select decode(key) from parquet_kv_metadata('{path}')").fetchall()
    assert ("rallymill.row",) in keys
