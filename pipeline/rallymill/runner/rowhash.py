"""Hash of what a table says, whatever file, chunks, compression or metadata hold it."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc


def rows_hash(table: pa.Table) -> str:
    """SHA-256 in hexadecimal over column names, types, nulls and values.

    Bytes under a null do not count, nor how the rows are cut into chunks; so the hash of a table
    in memory equals that of the same table read back from a file.
    """
    return columns_hash((name, table.column(name)) for name in table.column_names)


def columns_hash(columns: Iterable[tuple[str, pa.ChunkedArray]]) -> str:
    """The hash of the table that has these columns, which need not be there at the same time."""
    digest = hashlib.sha256()
    for name, column in columns:
        digest.update(f"{name}\0{_kind(column.type)}\0{len(column)}\0".encode())
        chunks = column.combine_chunks()
        if isinstance(chunks, pa.ChunkedArray):
            chunks = pa.concat_arrays(chunks.chunks) if chunks.num_chunks else pa.nulls(0)
        _add(digest, chunks)
    return digest.hexdigest()


def _kind(dtype: pa.DataType) -> str:
    """A type by what it holds; files may name the items of a list otherwise than memory does."""
    if pa.types.is_struct(dtype):
        return "struct<" + ",".join(f"{field.name}:{_kind(field.type)}" for field in dtype) + ">"
    if pa.types.is_list(dtype) or pa.types.is_fixed_size_list(dtype):
        return f"list<{_kind(dtype.value_type)}>"
    return str(dtype)


def _add(digest: Any, values: pa.Array) -> None:
    digest.update(np.packbits(_as_numpy(values.is_valid())).tobytes())
    kind = values.type
    if pa.types.is_struct(kind):
        for child in values.flatten():
            _add(digest, child)
    elif pa.types.is_fixed_size_list(kind) or pa.types.is_list(kind):
        digest.update(_as_numpy(pc.fill_null(pc.list_value_length(values), -1)).tobytes())
        _add(digest, values.flatten())
    elif pa.types.is_string(kind) or pa.types.is_binary(kind):
        filled = pc.fill_null(values.cast(pa.binary()), b"")
        digest.update(_as_numpy(pc.binary_length(filled)).tobytes())
        _, offsets, data = filled.buffers()
        if data is not None and len(filled):
            ends = np.frombuffer(offsets, np.int32)[filled.offset : filled.offset + len(filled) + 1]
            digest.update(memoryview(data)[ends[0] : ends[-1]])
    elif not pa.types.is_null(kind):
        empty = False if pa.types.is_boolean(kind) else 0
        digest.update(_as_numpy(pc.fill_null(values, pa.scalar(empty, kind))).tobytes())


def _as_numpy(values: pa.Array) -> np.ndarray:
    return np.ascontiguousarray(values.to_numpy(zero_copy_only=False))
