"""A stage that names the columns it looks at needs no others."""

from __future__ import annotations

from pathlib import Path

import pyarrow as pa
import pytest

from rallymill.runner.registry import columns_of, pipeline
from rallymill.stages.base import MatchContext, Stage
from rallymill.tables import ALL
from tests.stages.played import played
from tests.support import synthetic

SAVING = {stage.name: stage for stage in pipeline() if getattr(stage, "columns", None)}


def narrowed(stage: Stage, given: dict[str, pa.Table]) -> dict[str, pa.Table]:
    inputs = {}
    for name in stage.reads:
        columns = columns_of(stage, name)
        inputs[name] = given[name] if columns is None else given[name].select(list(columns))
    return inputs


@pytest.fixture(scope="module")
def made() -> dict[str, pa.Table]:
    """Tables of every stage that saves, each made from whole tables."""
    given = synthetic.film(synthetic.SmallWorld(3), 3)
    match = MatchContext("match", Path("none.mp4"))
    for name in ("people", "flight", "track", "events"):
        stage = SAVING[name]
        given[stage.writes.name] = stage.run(
            match, {name: given[name] for name in stage.reads}, stage.config_class())
    return given


@pytest.mark.parametrize("name", ["people", "flight", "track", "events"])
def test_tables_of_a_film_are_the_same(name: str, made: dict[str, pa.Table]) -> None:
    stage = SAVING[name]
    table = stage.run(MatchContext("match", Path("none.mp4")), narrowed(stage, made),
                      stage.config_class())  # fmt: skip
    assert table.num_rows and table.equals(made[stage.writes.name])


def test_tables_of_play_are_the_same() -> None:
    play = played(100_031, 4)
    given = {name: getattr(play, name) for name in ("events", "arcs", "tracks")}
    given["frames"] = ALL["frames"].empty()
    for stage in pipeline():
        if stage.name not in ("shots", "points", "flags", "opportunities"):
            continue
        config = stage.config_class()
        whole = stage.run(play.match, {name: given[name] for name in stage.reads}, config)
        assert whole.equals(stage.run(play.match, narrowed(stage, given), config))
        given[stage.writes.name] = given[stage.writes.name.removeprefix("machine_")] = whole
    assert given["opportunities"].num_rows


def test_every_stage_that_saves_is_tested_here() -> None:
    tested = {"people", "flight", "track", "events", "shots", "flags", "opportunities"}
    # One looks at tracks as shots does, the other is given no more in its own tests.
    assert set(SAVING) - {"corrected_shots", "detect"} == tested
    assert SAVING["corrected_shots"].columns["tracks"] == SAVING["shots"].columns["tracks"]
    for stage in SAVING.values():
        for name, columns in stage.columns.items():
            assert name in stage.reads and set(columns) <= set(ALL[name].names())
