"""Memory of a stage goes back before the next one starts, and tables are looked at in parts."""

from __future__ import annotations

import numpy as np
import psutil
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from rallymill import tableio
from rallymill.errors import TableError
from rallymill.runner.fingerprint import Ingredients
from rallymill.runner.memory import give_back
from rallymill.runner.rowhash import columns_hash, rows_hash
from rallymill.runner.store import MatchStore
from rallymill.tables import DETECTIONS

MIB = 1 << 20


def held_mib() -> float:
    return psutil.Process().memory_info().rss / MIB


def test_freed_memory_goes_back():
    give_back()
    before = held_mib()
    # Blocks too small to be mapped one by one; the last one keeps the others in the heap.
    blocks = [np.ones(100_000, dtype=np.uint8) for _ in range(2000)]
    kept = blocks.pop()
    table = pa.table({"a": pa.array(np.arange(100 * MIB // 8)).cast(pa.int32()).cast(pa.int64())})
    assert held_mib() > before + 250
    del blocks, table
    give_back()
    assert held_mib() < before + 60
    assert kept.sum() == 100_000


@pytest.fixture
def rows() -> pa.Table:
    return tableio.from_columns(DETECTIONS, {
        "match_id": ["m"] * 4, "frame": [0, 0, 1, 2], "t_s": [0.0, 0.0, 0.04, 0.08],
        "label": ["player", "ball", "ball", "player"], "confidence": [0.5, None, 0.25, 1.0],
    })  # fmt: skip


def test_a_table_is_hashed_column_by_column_as_in_whole(rows, tmp_path):
    path = tmp_path / "detections.parquet"
    tableio.write(path, DETECTIONS, rows)
    assert columns_hash(tableio.by_column(path, DETECTIONS)) == rows_hash(rows)
    pq.write_table(rows.drop_columns(["airborne"]), path)  # which came later
    assert columns_hash(tableio.by_column(path, DETECTIONS)) == rows_hash(rows)


@pytest.mark.parametrize("change", [
    lambda table: table.drop_columns(["frame"]),
    lambda table: table.append_column("more", pa.array([1, 2, 3, 4])),
    lambda table: table.select(table.column_names[::-1]),
    lambda table: table.set_column(1, "frame", table["frame"].cast(pa.int32())),
])
def test_other_columns_are_not_the_table(rows, tmp_path, change):
    store = MatchStore(tmp_path, "m")
    store.write_table(DETECTIONS, rows, Ingredients(
        stage="detect", version=1, schema=1, config={}, models={}, video="", sheet="", inputs={},
        beside={}, corrections=""), 0.0)  # fmt: skip
    assert not store.state(DETECTIONS).edited
    path = store.table_path("detections")
    pq.write_table(change(pq.read_table(path)), path)
    assert store.state(DETECTIONS).edited


def test_some_columns_of_a_table(rows, tmp_path):
    path = tmp_path / "detections.parquet"
    tableio.write(path, DETECTIONS, rows.drop_columns(["airborne"]).append_column(
        "airborne", pa.nulls(4, pa.float64())))
    found = tableio.read(path, DETECTIONS, ("label", "frame", "airborne"))
    assert found.equals(rows.select(["frame", "label", "airborne"]))
    assert tableio.read(path, DETECTIONS, ()).num_columns == 0
    pq.write_table(rows.drop_columns(["airborne"]), path)
    assert tableio.read(path, DETECTIONS, ("airborne",))["airborne"].null_count == 4
    with pytest.raises(TableError, match="unknown columns"):
        tableio.read(path, DETECTIONS, ("frames",))
    path.write_bytes(path.read_bytes()[:-7])
    with pytest.raises(TableError, match="not a whole Parquet file"):
        tableio.read(path, DETECTIONS, ("frame",))
    with pytest.raises(TableError, match="not a whole Parquet file"):
        list(tableio.by_column(path, DETECTIONS))
