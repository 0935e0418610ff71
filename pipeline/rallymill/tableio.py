"""Build, check, read and write tables that follow :mod:`rallymill.tables`."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from rallymill.errors import TableError
from rallymill.tables import TableSpec

if TYPE_CHECKING:
    import pandas as pd

COMPRESSION = "zstd"
ARROW_SCHEMA = b"ARROW:schema"
"""Name under which Arrow adds its own schema to a file."""


def from_rows(spec: TableSpec, rows: Sequence[Mapping[str, Any]]) -> pa.Table:
    """Table from dictionaries; absent keys become nulls, unknown keys are an error."""
    known = set(spec.names())
    for row in rows:
        unknown = set(row) - known
        if unknown:
            raise TableError(f"table {spec.name}: unknown columns {sorted(unknown)}")
    columns = {name: [row.get(name) for row in rows] for name in spec.names()}
    return from_columns(spec, columns)


def from_columns(spec: TableSpec, columns: Mapping[str, Any]) -> pa.Table:
    """Table from column arrays or lists; NaN becomes null; absent columns become nulls."""
    unknown = set(columns) - set(spec.names())
    if unknown:
        raise TableError(f"table {spec.name}: unknown columns {sorted(unknown)}")
    length = max((len(values) for values in columns.values()), default=0)
    arrays = []
    for column in spec.columns:
        if column.name not in columns:
            arrays.append(pa.nulls(length, column.dtype))
            continue
        arrays.append(pa.array(columns[column.name], type=column.dtype, from_pandas=True))
    table = pa.Table.from_arrays(arrays, schema=spec.schema())
    check(spec, table)
    return table


def from_pandas(spec: TableSpec, frame: pd.DataFrame) -> pa.Table:
    """Table from a data frame; columns that the schema does not know are an error."""
    return from_columns(spec, {str(name): frame[name].to_numpy() for name in frame.columns})


def to_pandas(table: pa.Table) -> pd.DataFrame:
    """Data frame of a table; nulls in numbers become NaN, in text and truth values None."""
    return table.to_pandas()


def check(spec: TableSpec, table: pa.Table) -> None:
    """Raise :class:`TableError` with every broken rule of the schema at once."""
    faults: list[str] = []
    if not table.schema.equals(spec.schema(), check_metadata=False):
        raise TableError(
            f"table {spec.name}: columns or types differ from the schema",
            "write it again with this version of rallymill",
        )
    for column in spec.columns:
        values = table.column(column.name)
        if not column.nullable and values.null_count:
            faults.append(f"{column.name}: {values.null_count} nulls where none may stand")
        if pa.types.is_floating(column.dtype):
            n_nan = pc.sum(pc.is_nan(values)).as_py() or 0
            if n_nan:
                faults.append(f"{column.name}: {n_nan} NaN, write null instead")
        if column.values:
            found = set(pc.unique(values).to_pylist()) - {None}
            wrong = found - set(column.values)
            if wrong:
                faults.append(f"{column.name}: {sorted(wrong)} not among {list(column.values)}")
        if (column.low is not None or column.high is not None) and len(values) > values.null_count:
            low, high = pc.min_max(values).as_py().values()
            if column.low is not None and low < column.low:
                faults.append(f"{column.name}: {low} below {column.low}")
            if column.high is not None and high > column.high:
                faults.append(f"{column.name}: {high} above {column.high}")
    if spec.key and table.num_rows:
        n_keys = table.group_by(list(spec.key)).aggregate([]).num_rows
        if n_keys != table.num_rows:
            faults.append(f"key {spec.key}: {table.num_rows - n_keys} rows doubled")
    if faults:
        raise TableError(f"table {spec.name}: " + "; ".join(faults))


def write(
    path: Path, spec: TableSpec, table: pa.Table, metadata: Mapping[str, str] | None = None
) -> None:
    """Check and write a table atomically; ``metadata`` is added to the schema's own."""
    check(spec, table)
    merged = dict(spec.schema().metadata or {})
    merged.update({key.encode(): value.encode() for key, value in (metadata or {}).items()})
    table = _as_stored(table).replace_schema_metadata(merged)
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
    os.close(handle)
    try:
        pq.write_table(table, name, compression=COMPRESSION)
        os.chmod(name, 0o644)
        os.replace(name, path)
    finally:
        if os.path.exists(name):
            os.unlink(name)


def stored_type(dtype: pa.DataType) -> pa.DataType:
    """Type in files of what has a type in tables: lists of one size are lists of any size there.

    Before version 26, pyarrow reads no file with lists of one size of which some are null.
    """
    return pa.list_(dtype.value_type) if pa.types.is_fixed_size_list(dtype) else dtype


def _as_stored(table: pa.Table) -> pa.Table:
    """The table with the types that it has in files."""
    for place, field in enumerate(table.schema):
        if pa.types.is_fixed_size_list(field.type):
            values = pa.chunked_array(
                [_any_size(chunk) for chunk in table.column(place).chunks], stored_type(field.type)
            )
            changed = field.with_type(stored_type(field.type))
            table = table.set_column(place, changed, values)
    return table


def _any_size(chunk: pa.FixedSizeListArray) -> pa.ListArray:
    """Lists of one size as lists of any size; a null has none of the numbers."""
    there = chunk.is_valid().to_numpy(zero_copy_only=False)
    ends = np.concatenate([[0], np.cumsum(there)]) * chunk.type.list_size
    offsets = pa.array(ends, pa.int32(), mask=np.append(~there, False))
    return pa.ListArray.from_arrays(offsets, chunk.flatten())


def _stored(path: Path, columns: Sequence[str] | None) -> pa.Table:
    """Rows of a file, with the types that it has there or that they had in the table."""
    columns = None if columns is None else list(columns)
    try:
        return pq.read_table(path, columns=columns)
    except pa.ArrowInvalid:
        # A file from before lists were stored as they are now, and an older pyarrow: without what
        # Arrow has added to the file's own schema, it reads the lists.
        content = path.read_bytes()
        place = content.rfind(ARROW_SCHEMA)
        if place < 0:
            raise
        hidden = ARROW_SCHEMA.lower()
        whole = content[:place] + hidden + content[place + len(hidden):]
        table = pq.read_table(pa.BufferReader(whole), columns=columns)
        metadata = {k: v for k, v in (table.schema.metadata or {}).items() if k != hidden}
        return table.replace_schema_metadata(metadata)


def _of_one_size(spec: TableSpec, table: pa.Table) -> pa.Table:
    """The table with lists of one size where the schema says so and they are."""
    for column in spec.columns:
        if not pa.types.is_fixed_size_list(column.dtype) or column.name not in table.column_names:
            continue
        place = table.column_names.index(column.name)
        found = table.schema.field(place)
        if pa.types.is_list(found.type) and found.type.value_type == column.dtype.value_type:
            values = table.column(place).cast(column.dtype)
            table = table.set_column(place, column.field(), values)
    return table


def read(path: Path, spec: TableSpec, columns: Collection[str] | None = None) -> pa.Table:
    """Read a table and check it; columns that came later are null where they may be.

    With ``columns`` all others stay on the disk, and only these are checked.

    Raises
    ------
    TableError
        The file is missing, is not whole or does not follow the schema.
    """
    if columns is not None:
        spec = of_columns(spec, columns)
    try:
        wanted = None if columns is None else [
            name for name in pq.read_schema(path).names if name in spec.names()
        ]
        table = _of_one_size(spec, _stored(path, wanted))
    except FileNotFoundError as error:
        raise TableError(f"{path}: no such table", "run rallymill process first") from error
    except (pa.ArrowInvalid, OSError) as error:
        raise TableError(f"{path}: not a whole Parquet file", "delete it and run again") from error
    table = _with_later_columns(spec, table)
    check(spec, table)
    return table


def by_column(path: Path, spec: TableSpec) -> Iterator[tuple[str, pa.ChunkedArray]]:
    """Name and values of one column after the other, so that no more of a table is in memory.

    Columns that came later are null where they may be. Values are not checked.

    Raises
    ------
    TableError
        The file is missing, is not whole or has other columns than the schema.
    """
    try:
        with pq.ParquetFile(path) as file:
            found = file.schema_arrow
            known = [column for column in spec.columns if column.name in found.names]
            lacking = [column for column in spec.columns if column.name not in found.names]
            if (
                found.names != [column.name for column in known]
                or any(
                    found.field(column.name).type not in (column.dtype, stored_type(column.dtype))
                    for column in known
                )
                or not all(column.nullable for column in lacking)
            ):
                raise TableError(
                    f"table {spec.name}: columns or types differ from the schema",
                    "write it again with this version of rallymill",
                )
            for column in spec.columns:
                if column in lacking:
                    n_rows = file.metadata.num_rows
                    yield column.name, pa.chunked_array([pa.nulls(n_rows, column.dtype)])
                else:
                    alone = of_columns(spec, [column.name])
                    values = _of_one_size(alone, _stored(path, [column.name]))[column.name]
                    yield column.name, values
    except (pa.ArrowInvalid, OSError) as error:
        raise TableError(f"{path}: not a whole Parquet file", "delete it and run again") from error


def of_columns(spec: TableSpec, columns: Collection[str]) -> TableSpec:
    """The same table with some of its columns alone, and its key if they hold it.

    Raises
    ------
    TableError
        The table has no such column.
    """
    unknown = set(columns) - set(spec.names())
    if unknown:
        raise TableError(f"table {spec.name}: unknown columns {sorted(unknown)}")
    return replace(
        spec, columns=tuple(column for column in spec.columns if column.name in columns),
        key=spec.key if set(spec.key) <= set(columns) else (),
    )


def _with_later_columns(spec: TableSpec, table: pa.Table) -> pa.Table:
    """The table with nulls for columns that it lacks and that may be null."""
    lacking = [column for column in spec.columns if column.name not in table.column_names]
    if not lacking or not all(column.nullable for column in lacking):
        return table
    for column in lacking:
        table = table.append_column(column.field(), pa.nulls(table.num_rows, column.dtype))
    try:
        return table.select(list(spec.names()))
    except KeyError:
        return table


def read_metadata(path: Path) -> dict[str, str]:
    """Metadata of a table file, without its rows; empty if the file cannot be read."""
    try:
        found = pq.read_schema(path).metadata or {}
    except (FileNotFoundError, pa.ArrowInvalid, OSError):
        return {}
    return {key.decode(): value.decode() for key, value in found.items()}
