"""The work of stages behind the flights grows as a match does: counted, not timed."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pytest

import rallymill
from rallymill import tables
from rallymill.stages import flags, opportunities, points, shots
from rallymill.tactics_motion import PlayerTrack
from tests.stages.played import played

HERE = str(Path(rallymill.__file__).parent)
SHORT, LONG = 1, 6
TOLERATED = 1.05
"""Work a minute of the long match over that of the short one; what is done once makes it less."""

handled = 0


class Counted(np.ndarray):
    """An array that counts the elements that numpy goes through; a search goes through few."""

    def __array_ufunc__(self, ufunc: Any, method: str, *inputs: Any, **given: Any) -> Any:
        _count(inputs)
        if given.get("out"):
            given["out"] = tuple(_plain(each) for each in given["out"])
        return _counted(getattr(ufunc, method)(*(_plain(each) for each in inputs), **given))

    def __array_function__(self, function: Any, types: Any, inputs: Any, given: Any) -> Any:
        if function is not np.searchsorted:
            _count(inputs)
        return _counted(function(*(_plain(each) for each in inputs), **given))


def _count(inputs: Any) -> None:
    global handled
    handled += sum(each.size for each in inputs if isinstance(each, np.ndarray))


def _plain(value: Any) -> Any:
    if isinstance(value, list | tuple):
        return type(value)(_plain(each) for each in value)
    return value.view(np.ndarray) if isinstance(value, Counted) else value


def _counted(value: Any) -> Any:
    return value.view(Counted) if type(value) is np.ndarray else value


def laid_out(table: pa.Table, rounds: int) -> pa.Table:
    """A table's rows over and over, later and with other numbers each time."""
    steps = {"t_s": 1000.0, "start_s": 1000.0, "end_s": 1000.0, "frame": 50_000}
    steps |= dict.fromkeys(("rally_id", "event_id", "arc_id", "arc_before", "arc_after"), 1000)
    parts = []
    for number in range(rounds):
        part = table
        for at, column in enumerate(table.schema):
            if column.name in steps:
                later = pa.scalar(number * steps[column.name], column.type)
                part = part.set_column(at, column, pc.add(part[column.name], later))
        parts.append(part)
    return pa.concat_tables(parts).combine_chunks()


def lines_of(run: Callable[[], object]) -> int:
    """Lines of the package that are run, each round of a comprehension with them."""
    lines = 0

    def inside(frame: FrameType, event: str, argument: object) -> Any:
        nonlocal lines
        lines += event == "line"
        return inside

    def enter(frame: FrameType, event: str, argument: object) -> Any:
        return inside if frame.f_code.co_filename.startswith(HERE) else None

    before = sys.gettrace()
    sys.settrace(enter)
    try:
        run()
    finally:
        sys.settrace(before)
    return lines


def work(rounds: int) -> tuple[dict[str, int], dict[str, int]]:
    """Lines run and elements of the players' tracks gone through, by stage."""
    global handled
    play = played(100_031, 4)
    given = {"frames": tables.FRAMES.empty()} | {
        name: laid_out(getattr(play, name), rounds) for name in ("events", "arcs", "tracks")
    }
    lines, elements = {}, {}
    for stage in (shots.STAGE, points.STAGE, flags.STAGE, opportunities.STAGE):
        handled = 0
        made: list[pa.Table] = []
        inputs = {name: given[name] for name in stage.reads}

        def run(stage: Any = stage, inputs: Any = inputs, made: Any = made) -> None:
            made.append(stage.run(play.match, inputs, stage.config_class()))

        lines[stage.name] = lines_of(run)
        elements[stage.name] = handled
        given[stage.writes.name] = made[0]
        # Both shots and points are read under the names that they have after corrections.
        given[stage.writes.name.removeprefix("machine_")] = made[0]
    assert given["shots"].num_rows >= 8 * rounds and given["opportunities"].num_rows > 20 * rounds
    return lines, elements


@pytest.fixture
def _counted_tracks(monkeypatch: pytest.MonkeyPatch) -> None:
    made = PlayerTrack.of_columns

    def of_columns(columns: Any) -> PlayerTrack:
        track = made(columns)
        arrays = {
            name: value.view(Counted) for name, value in vars(track).items()
            if isinstance(value, np.ndarray)
        }
        return PlayerTrack(**(vars(track) | arrays))

    monkeypatch.setattr(PlayerTrack, "of_columns", staticmethod(of_columns))


@pytest.mark.usefixtures("_counted_tracks")
def test_work_grows_as_the_match_does() -> None:
    work(SHORT)  # what is compiled or kept the first time is not counted
    short, long = work(SHORT), work(LONG)
    for kind, few, many in zip(("lines", "elements"), short, long, strict=True):
        for stage, count in few.items():
            grown = many[stage] / max(count, 1)
            assert grown <= TOLERATED * LONG / SHORT, f"{stage}: {kind} grew {grown:.2f} times"
    assert short[1]["flags"] > 1000, "the players' tracks are not counted"
