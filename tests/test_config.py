"""Configuration files: defaults, near misses, other files, and what is no part of a result."""

from __future__ import annotations

from pathlib import Path

import pytest
from pydantic import Field

from rallymill import config as configuration
from rallymill.errors import ConfigError
from rallymill.stages.base import StageConfig


class Inner(StageConfig):
    near_m: float = 1.0


class FindConfig(StageConfig):
    confidence: float = Field(0.25, ge=0.0, le=1.0)
    court: Inner = Inner()


class Find:
    name = "find"
    config_class = FindConfig


class Count:
    name = "count"
    section = "find"
    config_class = FindConfig


STAGES = (Find(),)


def load(tmp_path, text):
    path = tmp_path / "configs" / "mine.yaml"
    path.parent.mkdir(exist_ok=True)
    path.write_text(text)
    return configuration.load(path, STAGES)


@pytest.mark.parametrize("text", ["", "find:\n", "find: {}\nexecution: {}\n", "# nothing\n"])
def test_what_is_left_out_takes_its_default(tmp_path, text):
    config = load(tmp_path, text)
    assert config.stages["find"] == FindConfig()
    assert config.execution == configuration.ExecutionConfig()
    assert config.models == tmp_path.resolve() / "models"


def test_values_are_read(tmp_path):
    text = "find: {confidence: 0.4, court: {near_m: 2}}\nexecution: {workers: 3}\nmodels: w\n"
    config = load(tmp_path, text)
    assert config.stages["find"].confidence == 0.4
    assert config.stages["find"].court.near_m == 2.0
    assert config.execution.workers == 3
    assert config.models == tmp_path.resolve() / "w"


@pytest.mark.parametrize(
    ("text", "problem", "remedy"),
    [
        ("fnd: {}", "unknown section fnd", "did you mean find?"),
        ("find: {confidance: 1}", "find.confidance is not an option", "did you mean confidence?"),
        ("find: {court: {near: 1}}", "find.court.near is not an option", "did you mean near_m?"),
        ("find: {confidence: 2}", "find.confidence: Input should be less than", "correct"),
        ("find: {confidence: high}", "find.confidence: Input should be a valid number", "correct"),
        ("find: 3", "section find holds no keys", "confidence: value"),
        ("execution: {worker: 3}", "execution.worker is not an option", "did you mean workers?"),
        ("execution: {workers: 0}", "execution.workers: Input should be greater", "correct"),
        ("find: [", "mine.yaml is not YAML in line", "correct"),
        ("- find", "holds no keys and values", "section"),
        ("find: {}\nfind: {confidence: 1}", "find stands twice", "keep one"),
        ("find: !file gone.yaml", "gone.yaml cannot be read", "check"),
        ("find: !python/object:os.system {}", "not YAML", "correct"),
    ],
)
def test_faults_are_named_with_a_remedy(tmp_path, text, problem, remedy):
    with pytest.raises(ConfigError) as caught:
        load(tmp_path, text)
    assert problem in caught.value.problem
    assert remedy in caught.value.remedy


def test_all_faults_of_a_section_are_listed(tmp_path):
    with pytest.raises(ConfigError) as caught:
        load(tmp_path, "find: {confidence: 2, speed: 1, court: {far_m: 1}}")
    for place in ("find.confidence", "find.speed", "find.court.far_m"):
        assert place in caught.value.problem


def test_other_file_stands_for_a_section(tmp_path):
    (tmp_path / "configs").mkdir()
    (tmp_path / "configs" / "other.yaml").write_text("confidence: 0.6\n")
    assert load(tmp_path, "find: !file other.yaml").stages["find"].confidence == 0.6


def test_missing_file_is_a_fault(tmp_path):
    with pytest.raises(ConfigError, match="cannot be read"):
        configuration.load(tmp_path / "gone.yaml", STAGES)


def test_resolved_config_builds_the_same_again(tmp_path):
    config = load(tmp_path, "find: {confidence: 0.4}\nexecution: {device: cpu}\n")
    again = configuration.build(config.resolved(), STAGES, Path("/"), None)
    assert (again.stages, again.execution, again.models) == (
        config.stages,
        config.execution,
        config.models,
    )


def test_command_line_changes_execution_only(tmp_path):
    config = load(tmp_path, "execution: {workers: 3, device: cpu}")
    changed = config.with_execution(workers=5, device=None)
    assert (changed.execution.workers, changed.execution.device) == (5, "cpu")
    assert changed.stages == config.stages
    with pytest.raises(ConfigError, match=r"execution\.workers"):
        config.with_execution(workers=-1)


def test_home_is_the_checkout_or_named(tmp_path, monkeypatch):
    assert (configuration.home() / "configs" / "default.yaml").is_file()
    monkeypatch.setenv(configuration.HOME_VARIABLE, str(tmp_path))
    assert configuration.home() == tmp_path
    # Without any file the defaults of the stages stand.
    assert configuration.load(None, STAGES).stages["find"] == FindConfig()


def test_a_stage_may_read_the_section_of_another():
    stages = (Find(), Count())
    config = configuration.build({"find": {"confidence": 0.4}}, stages, Path("/"), None)
    assert config.stages["count"] == config.stages["find"] == FindConfig(confidence=0.4)
    assert "count" not in config.resolved()
    again = configuration.build(
        config.with_execution(workers=2).resolved(), stages, Path("/"), None)
    assert again.stages == config.stages
    with pytest.raises(ConfigError, match="unknown section count"):
        configuration.build({"count": {}}, stages, Path("/"), None)
