"""The match page at the end of a run: made after the match is listed, only where tables changed."""

from __future__ import annotations

import sys
import types

import pyarrow.parquet as pq
import pytest

from films import film
from rallymill.runner.match import NO_REPORT_VARIABLE, REPORT_MODULE
from rallymill.runner.summary import MATCHES_NAME


@pytest.fixture
def pages(world, monkeypatch):
    """Calls of a page builder that stands in for the real one."""
    calls = []

    def build(out_dir, match_id):
        listed = pq.read_table(out_dir / MATCHES_NAME).to_pylist()
        calls.append(next(row for row in listed if row["match_id"] == match_id)["n_shots"])
        if world.root.joinpath("break page").exists():
            raise KeyError("template")

    module = types.ModuleType(REPORT_MODULE)
    module.build = build
    monkeypatch.setitem(sys.modules, REPORT_MODULE, module)
    monkeypatch.delenv(NO_REPORT_VARIABLE)
    film(world.films / "a.mp4", n=20)
    return calls


def test_page_is_made_once_and_sees_the_listed_match(world, pages):
    world.run()
    assert pages == [8]
    world.run()
    assert pages == [8]
    world.run({"detect": {"confidence": 0.45}})
    assert pages == [8, 6]
    world.run({"detect": {"confidence": 0.45}}, force=["report"])
    assert pages == [8, 6, 6]
    assert world.ran().count("views") == 1


def test_page_that_fails_does_not_fail_the_match(world, pages):
    (world.root / "break page").touch()
    (row,) = world.run().rows
    assert row["status"] == "read"
    assert [event["stage"] for _, event in world.events if event["event"] == "warning"] == [
        "report"
    ]
    (world.root / "break page").unlink()
    world.run()
    assert len(pages) == 2
