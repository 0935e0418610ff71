from __future__ import annotations

from rallymill.report import cards
from rallymill.rules.registry import all_rules

TEXT = """# A title

## What it looks for
One thing,
and *another*.

## Thresholds
- `gap_m`: common practice, no source.

## Never says
- That `x` was wrong.
"""


def test_no_rules_and_no_card() -> None:
    assert cards.of_rules([]) == {}
    assert cards.of_rules(["made_up"]) == {"made_up": cards.Card("made_up", "Made up", ())}


def test_card_keeps_the_sections_for_readers() -> None:
    assert cards.parse("rule", TEXT) == cards.Card(
        "rule", "A title",
        (("What it looks for", "One thing, and another."), ("Never says", "That x was wrong.")),
    )


def test_every_rule_explains_itself() -> None:
    names = [rule.name for rule in all_rules()]
    for card in cards.of_rules(names).values():
        assert [name for name, _ in card.sections] == list(cards.SECTIONS)
