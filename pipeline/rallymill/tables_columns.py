"""What a table and a column are, and short ways to write one down."""

from __future__ import annotations

from dataclasses import dataclass

import pyarrow as pa

SCHEMA_VERSION = 2

F32 = pa.float32()
F64 = pa.float64()
I32 = pa.int32()
I64 = pa.int64()
TEXT = pa.string()
BOOL = pa.bool_()


@dataclass(frozen=True)
class Column:
    """One column: its name, Arrow type, unit (empty if none), meaning and what may stand in it."""

    name: str
    dtype: pa.DataType
    doc: str
    unit: str = ""
    nullable: bool = True
    values: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None

    def field(self) -> pa.Field:
        """Arrow field with ``doc``, ``unit`` and allowed ``values`` in its metadata."""
        metadata = {"doc": self.doc, "unit": self.unit}
        if self.values:
            metadata["values"] = "|".join(self.values)
        return pa.field(self.name, self.dtype, nullable=self.nullable, metadata=metadata)


@dataclass(frozen=True)
class TableSpec:
    """A table: its name, what a row is, its columns, its key and its sort order."""

    name: str
    row: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]
    sort: tuple[str, ...]

    def schema(self) -> pa.Schema:
        """Arrow schema with the table's name, row meaning and schema version as metadata."""
        metadata = {
            "rallymill.table": self.name,
            "rallymill.row": self.row,
            "rallymill.schema_version": str(SCHEMA_VERSION),
            "rallymill.key": ",".join(self.key),
        }
        return pa.schema([column.field() for column in self.columns], metadata=metadata)

    def empty(self) -> pa.Table:
        """Table with no rows and the full schema."""
        return self.schema().empty_table()

    def names(self) -> tuple[str, ...]:
        """Column names in order."""
        return tuple(column.name for column in self.columns)


def column(name: str, dtype: pa.DataType, doc: str, unit: str = "", **more: object) -> Column:
    """Column that may be null unless told otherwise."""
    return Column(name, dtype, doc, unit, **more)  # type: ignore[arg-type]


def key_column(name: str, dtype: pa.DataType, doc: str, unit: str = "") -> Column:
    """Column that is never null."""
    return Column(name, dtype, doc, unit, nullable=False)


def measured(name: str, doc: str, unit: str) -> tuple[Column, Column]:
    """A measured quantity and its companion standard deviation."""
    return (
        Column(name, F64, doc, unit),
        Column(f"{name}_sd", F64, f"standard deviation of {name}", unit, low=0.0),
    )


def confidence(name: str, of: str) -> Column:
    """Confidence, 0 to 1, that something is right."""
    return Column(name, F64, f"confidence that {of} is right", "", low=0.0, high=1.0)
