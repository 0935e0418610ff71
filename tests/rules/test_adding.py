"""Adding a rule takes one file, one card, one block: the worked example of DEVELOPERS.md, run."""

import importlib
import re
import sys
from pathlib import Path

import pytest
import yaml

from rallymill import rules
from rallymill.rules import registry
from rallymill.rules.base import Clear, Finding, NotMeasurable
from tests.rules.planted import play, shot
from tests.rules.test_registry import HEADINGS

ROOT = Path(__file__).parents[2]


def fenced(language):
    """First block of the worked example in a language."""
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    text = text[text.index("`pipeline/rallymill/rules/tempo.py`"):]
    return re.search(rf"```{language}\n(.*?)```", text, re.DOTALL).group(1)


@pytest.fixture
def added(tmp_path, monkeypatch):
    """The registry with the example's module in the package of rules."""
    (tmp_path / "tempo.py").write_text(fenced("python"), "utf-8")
    monkeypatch.setattr(rules, "__path__", [*rules.__path__, str(tmp_path)])
    importlib.invalidate_caches()
    registry.all_rules.cache_clear()
    yield next(rule for rule in registry.all_rules() if rule.name == "rushed")
    sys.modules.pop("rallymill.rules.tempo", None)
    if hasattr(rules, "tempo"):
        del rules.tempo
    registry.all_rules.cache_clear()


def test_the_file_is_enough_for_the_registry_and_the_configuration(added):
    assert added.family == "tempo" and "rushed" in registry.config_fields()


def test_the_block_holds_the_rules_own_thresholds(added):
    given = yaml.safe_load(fenced("yaml"))["rushed"]
    config = registry.config_of(added)
    assert config.model_validate(given) == config()


def test_the_card_has_every_heading_and_threshold(added):
    card = fenced("markdown")
    places = [card.index(heading) for heading in HEADINGS]
    assert places == sorted(places)
    assert all(f"`{name}`" in card for name in type(added.thresholds["club"]).model_fields)


def test_the_rule_finds_clears_and_abstains(added):
    def said(**changes):
        seen = play([shot(time_to_prepare_s=0.6) | changes])
        return [type(result) for result in added.look(seen, added.thresholds["college"])]

    assert said(speed_mps=35.0) == [Finding]
    assert said(speed_mps=20.0) == [Clear]
    assert said(speed_mps=30.2, speed_mps_sd=2.0) == [NotMeasurable]
    assert said(speed_mps=None) == [NotMeasurable]
    assert said(time_to_prepare_s=1.4, speed_mps=35.0) == []
