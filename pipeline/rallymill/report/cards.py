"""What the cards of the rules say, for the page: what a rule looks for, why, and its limits."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from importlib import resources

from rallymill.report.words import title as title_of

SECTIONS = ("What it looks for", "Why it matters", "Never says")


@dataclass(frozen=True)
class Card:
    """Card of a rule: its title and the paragraphs of the sections of :data:`SECTIONS`."""

    rule: str
    title: str
    sections: tuple[tuple[str, str], ...]


def parse(rule: str, text: str) -> Card:
    """Card from its Markdown; what is not in a known section is left out."""
    title, section = title_of(rule), ""
    found: dict[str, list[str]] = {}
    for line in text.splitlines():
        if line.startswith("# "):
            title = line[2:].strip()
        elif line.startswith("## "):
            section = line[3:].strip()
        elif section and line.strip():
            found.setdefault(section, []).append(line.strip().removeprefix("- "))
    sections = tuple(
        (name, " ".join(found[name]).replace("`", "").replace("*", ""))
        for name in SECTIONS if name in found
    )
    return Card(rule, title, sections)


def of_rules(rules: Iterable[str]) -> dict[str, Card]:
    """Cards by rule, in the order given; a rule without a card has its name and nothing more."""
    folder = resources.files("rallymill.rules") / "cards"
    cards = {}
    for rule in rules:
        try:
            text = (folder / f"{rule}.md").read_text("utf-8")
        except OSError:
            text = ""
        cards[rule] = parse(rule, text)
    return cards
