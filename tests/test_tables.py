"""Every table tells what it holds."""

from __future__ import annotations

import re

import pyarrow as pa
import pytest

from rallymill import tableio, tables

UNITS = {"_m": "m", "_s": "s", "_px": "px", "_mps": "m/s", "_radps": "rad/s", "_deg": "deg"}
WITHOUT_UNIT = re.compile(
    r"(_id|_frame|^frame|_number|^n_\w+|^arc_(before|after)|confidence|airborne|_share|coverage|severity|"
    r"^k1|^camera(_covariance)?)$"
)


@pytest.mark.parametrize("spec", tables.ALL.values(), ids=lambda spec: spec.name)
def test_every_column_has_a_meaning(spec: tables.TableSpec) -> None:
    assert spec.row
    for column in spec.columns:
        assert len(column.doc) > 4, column.name
        assert not column.doc.endswith("."), column.name


@pytest.mark.parametrize("spec", tables.ALL.values(), ids=lambda spec: spec.name)
def test_units_stand_in_names_and_metadata(spec: tables.TableSpec) -> None:
    for column in spec.columns:
        name = column.name.removesuffix("_sd")
        ending = max((end for end in UNITS if name.endswith(end)), key=len, default=None)
        if ending:
            assert column.unit == UNITS[ending], column.name
        elif not (
            pa.types.is_string(column.dtype) or pa.types.is_boolean(column.dtype)
            or pa.types.is_list(column.dtype)
        ):
            assert WITHOUT_UNIT.search(column.name), f"{spec.name}.{column.name} has no unit"


@pytest.mark.parametrize("spec", tables.ALL.values(), ids=lambda spec: spec.name)
def test_keys_and_order_are_columns_that_may_not_be_null(spec: tables.TableSpec) -> None:
    by_name = {column.name: column for column in spec.columns}
    assert len(by_name) == len(spec.columns)
    for name in (*spec.key, *spec.sort):
        assert not by_name[name].nullable, name
    assert spec.names()[0] == "match_id"


@pytest.mark.parametrize("spec", tables.ALL.values(), ids=lambda spec: spec.name)
def test_the_empty_table_is_whole(spec: tables.TableSpec) -> None:
    empty = spec.empty()
    assert empty.num_rows == 0
    tableio.check(spec, empty)
    metadata = empty.schema.metadata
    assert metadata[b"rallymill.table"] == spec.name.encode()
    assert metadata[b"rallymill.schema_version"] == str(tables.SCHEMA_VERSION).encode()


@pytest.mark.parametrize("spec", tables.ALL.values(), ids=lambda spec: spec.name)
def test_measured_columns_have_companions(spec: tables.TableSpec) -> None:
    names = set(spec.names())
    for name in names:
        if name.endswith("_sd"):
            assert name.removesuffix("_sd") in names
        if name.endswith("_confidence"):
            assert name.removesuffix("_confidence") in names


def test_confidences_and_shares_have_bounds() -> None:
    for spec in tables.ALL.values():
        for column in spec.columns:
            if "confidence" in column.name or "share" in column.name:
                assert (column.low, column.high) == (0.0, 1.0), f"{spec.name}.{column.name}"
