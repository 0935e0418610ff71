"""What holds of every rule: it abstains, it speaks plainly, its numbers have units."""

import re

import pytest

from rallymill.rules.base import LEVELS, Clear, Finding, NotMeasurable, Play
from rallymill.rules.registry import all_rules
from rallymill.tables import SHOTS
from tests.rules.test_symmetry import game

RULES = {rule.name: rule for rule in all_rules()}
LABELS = ("stroke", "direction", "incoming_depth", "hitter_state", "depth")
UNITS = {"", "m", "s", "m/s", "1/s"}
NEVER = re.compile(
    r"\b(injur\w*|pain|fat|unfit|tired|lazy|coward\w*|nervous|weak-minded|stupid|bad player|"
    r"afraid|careless|choked?|talent\w*|him|his|her|she|he)\b", re.IGNORECASE)
MEASURED = [
    column.name for column in SHOTS.columns
    if column.unit and column.nullable and column.name not in ("t_contact_s_sd",)
]


def said(rule, shots, points, tracks, level="tour"):
    return list(rule.look(Play.of_rows(shots, points, tracks), rule.thresholds[level]))


GAMES = [game(seed) for seed in range(6)]


@pytest.mark.parametrize("name", RULES)
def test_nothing_is_found_where_nothing_was_measured(name):
    """Labels alone carry no finding, but for serves, whose zone is a label."""
    if RULES[name].family == "serving" and name != "second_serve_depth":
        pytest.skip("rests on labels and counts")
    answers = []
    for shots, points, _ in GAMES:
        bare = [row | dict.fromkeys(MEASURED) for row in shots]
        answers += said(RULES[name], bare, points, {})
    assert not any(isinstance(answer, Finding) for answer in answers)
    if name not in ("recovery", "net_position", "net_momentum", "approach_followed", "wrong_foot",
                    "racket_back"):
        # These ask only where a measured place or speed says that their question arises.
        assert any(isinstance(answer, NotMeasurable) for answer in answers)


@pytest.mark.parametrize("name", RULES)
def test_unsure_strokes_and_labels_make_it_abstain(name):
    answers = []
    for shots, points, tracks in GAMES:
        unsure = [
            row | {key: 0.4 for key in row if key.endswith("confidence")} for row in shots]
        answers += said(RULES[name], unsure, points, tracks)
    assert answers and all(isinstance(answer, NotMeasurable) for answer in answers)


@pytest.mark.parametrize("name", RULES)
def test_wide_deviations_lower_the_confidence(name):
    """Ten times the deviation never adds findings, and those that stay are less sure."""
    before, after = [], []
    for shots, points, _ in GAMES:
        blurred = [
            row | {key: 10 * value for key, value in row.items()
                   if key.endswith("_sd") and value is not None}
            for row in shots
        ]
        before += [a for a in said(RULES[name], shots, points, {}) if isinstance(a, Finding)]
        after += [a for a in said(RULES[name], blurred, points, {}) if isinstance(a, Finding)]
    assert len(after) <= len(before)
    sharp = {(a.shot_id, a.side, a.kind, a.sentence): a.confidence for a in before}
    assert all(a.confidence <= sharp.get((a.shot_id, a.side, a.kind, a.sentence), 1.0) + 1e-9
               for a in after)


@pytest.mark.parametrize("name", RULES)
def test_findings_speak_plainly_with_numbers_and_units(name):
    for level in LEVELS:
        for shots, points, tracks in GAMES:
            for answer in said(RULES[name], shots, points, tracks, level):
                assert answer.side in ("near", "far") and answer.player
                if isinstance(answer, Clear):
                    assert answer.confidence >= 0.7
                if not isinstance(answer, Finding):
                    continue
                assert answer.confidence >= 0.7 and 0 <= answer.severity <= 1
                assert answer.sentence.endswith(".") and len(answer.sentence) < 320
                assert re.search(r"\d", answer.sentence), answer.sentence
                assert not NEVER.search(answer.sentence), answer.sentence
                assert answer.evidence and {e.unit for e in answer.evidence} <= UNITS
                assert all(e.value == e.value for e in answer.evidence)
                assert len({e.name for e in answer.evidence}) == len(answer.evidence)
