"""The opportunities stage: one row wherever a rule's question arose, the flags among them."""

from collections import Counter
from pathlib import Path

import pytest

from rallymill import config as configuration
from rallymill import tableio
from rallymill.rules.base import Finding
from rallymill.rules.registry import all_rules
from rallymill.runner import registry
from rallymill.stages import flags
from rallymill.stages.base import MatchContext
from rallymill.stages.opportunities import STAGE
from rallymill.tables import OPPORTUNITIES, TRACKS
from tests.rules.planted import numbered, point, reply_to, shot
from tests.rules.test_symmetry import POINTS_A_GAME, game
from tests.stages.test_flags import tables

MATCH = MatchContext("m", Path("m.mp4"))


def many(n_games):
    """Several random games as one match."""
    shots, points = [], []
    for seed in range(n_games):
        more, more_points, _ = game(seed)
        later = POINTS_A_GAME * seed
        shots += [row | {"point_id": row["point_id"] + later} for row in more]
        points += [row | {"point_id": row["point_id"] + later} for row in more_points]
    return numbered(shots), points, {}


def table_of(shots, points, level="club", **rules):
    given = tables(shots, points)
    config = flags.RulesConfig.model_validate({"level": level, **rules})
    return STAGE.run(MATCH, given, config), flags.STAGE.run(MATCH, given, config)


def test_empty_tables_give_an_empty_table():
    found, _ = table_of([], [])
    assert found.num_rows == 0 and found.schema.equals(OPPORTUNITIES.schema())


@pytest.mark.parametrize(("depth_m", "outcome"), [(8.0, "fault"), (12.8, "clear"), (None, None)])
def test_a_row_says_what_became_of_the_question(depth_m, outcome):
    row = shot()
    answer = reply_to(row, opponent_y_m=None if depth_m is None else -depth_m)
    found, _ = table_of(numbered([row, answer]), [point()])
    tableio.check(OPPORTUNITIES, found)
    (own,) = [row for row in found.to_pylist() if row["rule"] == "no_mans_land"]
    assert (own["shot_id"], own["side"], own["player"]) == (0, "near", "MAR")
    if outcome is None:
        assert own["outcome"] == "not_measurable" and own["confidence"] is None
        assert own["reason"] == "not measured: opponent_y_m"
    else:
        assert own["outcome"] == outcome and own["reason"] is None
        assert own["confidence"] >= 0.7


@pytest.mark.parametrize("seed", [1, 2])
def test_flags_are_the_opportunities_at_which_something_was_said(seed):
    shots, points, _ = game(seed)
    found, flagged = table_of(shots, points, level="tour")
    spoken = [
        (row["rule"], row["shot_id"], row["side"], row["player"], row["outcome"], row["confidence"])
        for row in found.to_pylist() if row["outcome"] in ("fault", "credit", "note")
    ]
    assert spoken == [
        (row["rule"], row["shot_id"], row["side"], row["player"], row["kind"], row["confidence"])
        for row in flagged.to_pylist()
    ]
    assert spoken and len(spoken) < found.num_rows


@pytest.mark.parametrize("seed", range(4))
def test_a_question_arises_once_at_a_stroke_for_a_player(seed):
    """Counted twice, an opportunity would make a rate too small."""
    shots, points, tracks = game(seed)
    seen = flags.Play.of_rows(shots, points, tracks)
    for rule in all_rules():
        for level, bounds in rule.thresholds.items():
            count = Counter(
                (result.shot_id, result.side, result.player) for result in rule.look(seen, bounds))
            assert not count or max(count.values()) == 1, (rule.name, level)


def test_a_laxer_threshold_takes_no_opportunity_away():
    """The question is the same whatever the answer."""
    shots, points, tracks = many(6)
    seen = flags.Play.of_rows(shots, points, tracks)
    rule = next(rule for rule in all_rules() if rule.name == "no_mans_land")
    strict, lax = (
        list(rule.look(seen, rule.thresholds["tour"].model_copy(
            update={"passing_through_mps": bound})))
        for bound in (5.0, 0.5))
    assert len(strict) == len(lax) > 5
    assert sum(isinstance(r, Finding) for r in strict) > sum(isinstance(r, Finding) for r in lax)


def test_thresholds_are_those_of_the_flags():
    stages = registry.load_stages(registry.PIPELINE)
    given = {"flags": {"level": "tour", "recovery": {"tour": {"short_m": 0.9}}}}
    config = configuration.build(given, stages, Path("/"), None)
    assert config.stages["opportunities"] == config.stages["flags"]
    assert config.stages["opportunities"].recovery.tour.short_m == 0.9


def test_a_changed_threshold_is_an_ingredient_of_nothing_before_the_flags():
    stages = registry.load_stages(registry.PIPELINE)
    before, after = (
        configuration.build({"flags": given}, stages, Path("/"), None)
        for given in ({}, {"recovery": {"club": {"short_m": 0.9}}}))
    changed = [
        stage.name for stage in stages
        if before.stages[stage.name].model_dump() != after.stages[stage.name].model_dump()
    ]
    names = [stage.name for stage in stages]
    assert changed[:2] == ["flags", "opportunities"]
    assert set(changed) <= set(names[names.index("flags"):])
    assert not any(stage.needs_video for stage in stages[names.index("flags"):])


def test_a_rule_that_is_turned_off_asks_nothing():
    row = shot()
    rows = numbered([row, reply_to(row)])
    found, _ = table_of(rows, [point()], no_mans_land={"enabled": False})
    assert "no_mans_land" not in found["rule"].to_pylist()
    assert TRACKS.name in STAGE.reads
