"""Tables filled with made-up rows that follow their schema, with nulls where they may stand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa

from rallymill import tableio
from rallymill.tables import Column, TableSpec


def filled(spec: TableSpec, n: int, seed: int = 0) -> pa.Table:
    """Table of ``n`` rows; the last key column counts up, so that keys differ."""
    rng = np.random.default_rng(seed)
    rows = []
    for i in range(n):
        row = {column.name: _value(column, rng) for column in spec.columns}
        for name in spec.key:
            row[name] = f"match-{i}" if name == "match_id" else i
        rows.append(row)
    return tableio.from_rows(spec, rows)


def _value(column: Column, rng: np.random.Generator) -> Any:
    if column.nullable and rng.random() < 0.3:
        return None
    if column.values:
        return str(rng.choice(column.values))
    if pa.types.is_string(column.dtype):
        return f"{column.name} {rng.integers(100)}"
    if pa.types.is_boolean(column.dtype):
        return bool(rng.random() < 0.5)
    if pa.types.is_integer(column.dtype):
        return int(rng.integers(1000))
    if pa.types.is_fixed_size_list(column.dtype):
        return [float(v) for v in rng.normal(size=column.dtype.list_size)]
    if pa.types.is_list(column.dtype):
        return [{"name": "distance", "value": float(rng.normal()), "unit": "m"}]
    low = column.low if column.low is not None else -50.0
    high = column.high if column.high is not None else low + 100.0
    return float(np.float32(rng.uniform(low, high)))
