"""The stages fit together, and the default configuration knows each of them."""

from __future__ import annotations

import fakes
import pytest

from rallymill import config as configuration
from rallymill.errors import ConfigError
from rallymill.runner import registry
from rallymill.stages.base import StageConfig
from rallymill.tables import ALL, TableSpec


@pytest.fixture(scope="module")
def stages():
    return registry.load_stages(registry.PIPELINE)


def test_stages_in_order_with_all_a_stage_needs(stages):
    assert tuple(stage.name for stage in stages) == registry.STAGE_NAMES
    assert {stage.writes.name for stage in stages} == set(ALL) - {"matches"}
    for stage in stages:
        assert isinstance(stage.version, int) and stage.version >= 1
        assert isinstance(stage.writes, TableSpec)
        assert issubclass(stage.config_class, StageConfig)
        assert set(stage.reads) <= set(ALL)
        config = stage.config_class()
        assert all(isinstance(name, str) for name in stage.model_files(config))
        # What is hashed must be plain and the same each time.
        assert config.model_dump(mode="json") == stage.config_class().model_dump(mode="json")
        assert stage.config_class(**config.model_dump(mode="json")) == config


def test_only_looking_stages_need_the_recording(stages):
    assert [stage.name for stage in stages if stage.needs_video] == ["views", "calibrate", "detect"]
    assert [stage.name for stage in stages if registry.uses_sheet(stage)] == [
        "shots", "points", "corrected_shots", "corrected_points", "corrections", "alternatives"]


def test_default_configuration_is_valid_and_changes_nothing(stages):
    config = configuration.load(configuration.home() / "configs" / "default.yaml", stages)
    for stage in stages:
        assert config.stages[stage.name] == stage.config_class(), stage.name
    assert config.models == configuration.home() / "models"


def test_empty_tables_go_in_and_come_out(stages, tmp_path):
    from rallymill.stages.base import MatchContext
    from rallymill.tableio import check

    match = MatchContext("none-00000000", tmp_path / "none.mp4", scratch=tmp_path)
    for stage in stages:
        if stage.name == "views":
            continue
        inputs = {name: ALL[name].empty() for name in stage.reads}
        table = stage.run(match, inputs, stage.config_class())
        check(stage.writes, table)
        assert table.num_rows == 0, stage.name


def test_order_is_checked():
    with pytest.raises(ConfigError, match="stage shots reads detections, frames"):
        registry.check_order((fakes.Views(), fakes.Shots()))
    with pytest.raises(ConfigError, match="views is written twice"):
        registry.check_order((fakes.Views(), fakes.Views()))


def test_missing_stage_is_named(monkeypatch):
    monkeypatch.setattr(registry, "STAGE_NAMES", ("views", "volleys"))
    with pytest.raises(ConfigError, match="cannot be loaded"):
        registry.pipeline()
