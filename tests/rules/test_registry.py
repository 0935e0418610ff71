"""Every rule has a card, a block in the configuration, and says what its thresholds are."""

from pathlib import Path

import pytest
import yaml
from pydantic import ValidationError

from rallymill.rules.base import LEVELS
from rallymill.rules.registry import all_rules, config_of
from rallymill.stages.flags import RulesConfig

FILE = Path(__file__).parents[2] / "configs" / "rules.yaml"
HEADINGS = (
    "## What it looks for", "## Why it matters", "## Thresholds", "## Needs", "## Never says",
)
NAMES = [rule.name for rule in all_rules()]


def by_name(name):
    return next(rule for rule in all_rules() if rule.name == name)


def test_names_are_unique_and_many():
    assert len(set(NAMES)) == len(NAMES) >= 8


@pytest.mark.parametrize("name", NAMES)
def test_card(name):
    card = by_name(name).card
    places = [card.index(heading) for heading in HEADINGS]
    assert card.startswith("# ") and places == sorted(places)
    for threshold in type(by_name(name).thresholds["club"]).model_fields:
        assert f"`{threshold}`" in card, f"the card of {name} does not explain {threshold}"
    assert "no source" in card or "20" in card


def test_every_card_belongs_to_a_rule():
    cards = {path.stem for path in (FILE.parents[1] / "pipeline/rallymill/rules/cards").glob("*")}
    assert cards == set(NAMES)


def test_file_holds_every_rule_with_its_own_thresholds():
    given = yaml.safe_load(FILE.read_text("utf-8"))
    assert RulesConfig.model_validate(given) == RulesConfig()
    assert set(given) == {"level", *NAMES}
    for name in NAMES:
        assert set(given[name]) == {"enabled", *LEVELS}
        for level in LEVELS:
            assert given[name][level] == by_name(name).thresholds[level].model_dump()


def test_part_of_a_level_keeps_the_rest():
    config = RulesConfig.model_validate({"recovery": {"tour": {"short_m": 0.9}}})
    own = by_name("recovery").thresholds["tour"]
    assert config.recovery.tour == own.model_copy(update={"short_m": 0.9})
    assert config.recovery.club == by_name("recovery").thresholds["club"]


@pytest.mark.parametrize("given", [
    {"recovery": {"tour": {"shrot_m": 1}}}, {"recvery": {}}, {"level": "masters"},
    {"recovery": {"club": {"short_m": -1}}},
])
def test_unknown_names_and_wrong_values_are_errors(given):
    with pytest.raises(ValidationError):
        RulesConfig.model_validate(given)


def test_levels_get_stricter():
    """What a club player is told a tour player is told too."""
    recovery = by_name("recovery").thresholds
    assert recovery["club"].short_m >= recovery["college"].short_m >= recovery["tour"].short_m
    assert config_of(by_name("recovery"))().enabled
