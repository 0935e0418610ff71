"""Tables are checked when made, written and read."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rallymill import tableio, tables
from rallymill.errors import TableError
from tests.support.filled import filled

BALL = {"match_id": "m", "frame": 3, "t_s": 0.1, "label": "ball", "confidence": 0.5}


def detections(**change: object) -> pa.Table:
    return tableio.from_rows(tables.DETECTIONS, [BALL | change])


def test_no_rows_make_an_empty_table() -> None:
    for table in (
        tableio.from_rows(tables.SHOTS, []), tableio.from_columns(tables.SHOTS, {}),
        tableio.from_pandas(tables.SHOTS, pd.DataFrame()),
    ):
        assert table.num_rows == 0
        assert table.schema.equals(tables.SHOTS.schema())


def test_what_is_not_given_is_null() -> None:
    row = detections().to_pylist()[0]
    assert row["x1_px"] is None
    assert row["frame"] == 3


def test_nan_becomes_null_and_never_stays() -> None:
    columns = {name: [value] for name, value in BALL.items()} | {"x1_px": np.array([np.nan])}
    table = tableio.from_columns(tables.DETECTIONS, columns)
    assert table.column("x1_px").null_count == 1
    index = table.schema.get_field_index("x2_px")
    spoiled = table.set_column(
        index, table.schema.field(index), pa.array([float("nan")], pa.float32())
    )
    with pytest.raises(TableError, match="x2_px: 1 NaN, write null"):
        tableio.check(tables.DETECTIONS, spoiled)


@pytest.mark.parametrize(
    ("change", "complaint"),
    [
        ({"frame": None}, "frame: 1 nulls where none may stand"),
        ({"label": "racket"}, r"label: \['racket'\] not among"),
        ({"confidence": 1.2}, "confidence: 1.2 above 1.0"),
        ({"confidence": -0.1}, "confidence: -0.1 below 0.0"),
        ({"wingspan": 1}, r"unknown columns \['wingspan'\]"),
    ],
)
def test_what_breaks_the_schema_is_named(change: dict[str, object], complaint: str) -> None:
    with pytest.raises(TableError, match=complaint):
        detections(**change)


def test_all_faults_are_named_at_once() -> None:
    with pytest.raises(TableError, match=r"label.*confidence|confidence.*label"):
        detections(label="racket", confidence=2.0)


def test_doubled_keys_are_refused() -> None:
    point = {"match_id": "m", "point_id": 1, "start_s": 0.0, "end_s": 1.0, "n_shots": 1,
             "ended_by": "ace"}
    with pytest.raises(TableError, match=r"key .*: 1 rows doubled"):
        tableio.from_rows(tables.POINTS, [point, point])


def test_another_table_is_refused() -> None:
    with pytest.raises(TableError, match="columns or types differ"):
        tableio.check(tables.SHOTS, tables.POINTS.empty())


@given(st.sampled_from(sorted(tables.ALL)), st.integers(0, 8), st.integers(0, 10_000))
@settings(max_examples=40, deadline=None)
def test_written_tables_come_back(tmp_path_factory, name: str, n: int, seed: int) -> None:
    spec = tables.ALL[name]
    table = filled(spec, n, seed)
    path = tmp_path_factory.mktemp("tables") / "new" / f"{name}.parquet"
    tableio.write(path, spec, table, {"note": "n"})
    again = tableio.read(path, spec)
    assert again.equals(table)
    assert tableio.read_metadata(path)["note"] == "n"
    by_frame = tableio.to_pandas(again)
    if name != "flags":
        assert tableio.from_pandas(spec, by_frame).num_rows == n
    assert [found.name for found in path.parent.iterdir()] == [path.name], "no leftover"


def test_a_faulty_table_leaves_the_old_one(tmp_path: Path) -> None:
    path = tmp_path / "detections.parquet"
    tableio.write(path, tables.DETECTIONS, detections())
    before = path.read_bytes()
    bad = detections().drop_columns(["label"])
    with pytest.raises(TableError):
        tableio.write(path, tables.DETECTIONS, bad)
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]


def test_a_missing_table_says_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(TableError, match=r"no such table .*run rallymill process"):
        tableio.read(tmp_path / "shots.parquet", tables.SHOTS)


def test_half_a_file_is_told_from_a_whole_one(tmp_path: Path) -> None:
    path = tmp_path / "detections.parquet"
    tableio.write(path, tables.DETECTIONS, detections())
    path.write_bytes(path.read_bytes()[:-20])
    with pytest.raises(TableError, match="not a whole Parquet file"):
        tableio.read(path, tables.DETECTIONS)
    assert tableio.read_metadata(path) == {}


def test_a_table_of_another_version_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "detections.parquet"
    pq.write_table(detections().drop_columns(["label"]), path)
    with pytest.raises(TableError, match="columns or types differ"):
        tableio.read(path, tables.DETECTIONS)


def test_a_column_that_came_later_is_null_in_older_tables(tmp_path: Path) -> None:
    path = tmp_path / "detections.parquet"
    pq.write_table(detections().drop_columns(["x2_px"]), path)
    again = tableio.read(path, tables.DETECTIONS)
    assert again.schema.equals(tables.DETECTIONS.schema())
    assert again.column("x2_px").null_count == 1


def frames(*cameras: list[float] | None) -> pa.Table:
    return tableio.from_rows(tables.FRAMES, [
        {"match_id": "m", "frame": k, "t_s": k / 25, "view_id": 0, "court_status": "lost",
         "camera": camera}
        for k, camera in enumerate(cameras)
    ])


LIST = st.none() | st.lists(st.floats(-1e6, 1e6), min_size=12, max_size=12)


@settings(max_examples=30, deadline=None)
@given(cameras=st.lists(LIST, max_size=6), skipped=st.integers(0, 3))
def test_lists_of_one_size_come_back_with_their_nulls(
    tmp_path_factory: pytest.TempPathFactory, cameras: list, skipped: int
) -> None:
    path = tmp_path_factory.mktemp("frames") / "frames.parquet"
    table = frames(*cameras).slice(skipped)
    tableio.write(path, tables.FRAMES, table)
    found = tableio.read(path, tables.FRAMES)
    assert found.equals(table)
    assert tableio.read(path, tables.FRAMES, ["camera"])["camera"].equals(table["camera"])
    assert dict(tableio.by_column(path, tables.FRAMES))["camera"].equals(table["camera"])


def test_files_hold_no_lists_of_one_size(tmp_path: Path) -> None:
    # Before version 26, pyarrow does not read them where one is null.
    path = tmp_path / "frames.parquet"
    tableio.write(path, tables.FRAMES, frames(None, [1.0] * 12))
    kinds = pq.read_schema(path).types
    assert any(pa.types.is_list(kind) for kind in kinds)
    assert not any(pa.types.is_fixed_size_list(kind) for kind in kinds)


@pytest.mark.parametrize("columns", [None, ["frame", "camera"]])
def test_files_with_lists_of_one_size_are_read_as_well(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, columns: list[str] | None
) -> None:
    path = tmp_path / "frames.parquet"
    table = frames(None, [1.0] * 12, None)
    table = table.replace_schema_metadata({"fingerprint": "f"})
    pq.write_table(table, path)
    read_table = pq.read_table

    def of_an_older_version(source: object, **given: object) -> pa.Table:
        found = read_table(source, **given)
        if any(pa.types.is_fixed_size_list(kind) for kind in found.schema.types):
            raise pa.ArrowInvalid("Expected all lists to be of size=12 but index 0 had size=0")
        return found

    wanted = table.select(columns) if columns else table
    for reader in (read_table, of_an_older_version):
        monkeypatch.setattr(pq, "read_table", reader)
        found = tableio.read(path, tables.FRAMES, columns)
        assert found.equals(wanted)
        assert found.schema.metadata[b"fingerprint"] == b"f"


def test_lists_of_another_size_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "frames.parquet"
    place = frames(None).schema.get_field_index("camera")
    short = frames(None).set_column(
        place, "camera", pa.array([[1.0, 2.0]], pa.list_(pa.float64()))
    )
    pq.write_table(short, path)
    with pytest.raises(TableError):
        tableio.read(path, tables.FRAMES)
