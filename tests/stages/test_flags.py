"""The flags stage: tables in, table out, levels, switches, time."""

import time
from pathlib import Path

import pytest

from rallymill import tableio
from rallymill.rules.base import LEVELS
from rallymill.stages.base import MatchContext
from rallymill.stages.flags import STAGE, RulesConfig
from rallymill.tables import FLAGS, POINTS, SHOTS, TRACKS
from tests.rules.planted import numbered, point, reply_to, shot
from tests.rules.test_symmetry import POINTS_A_GAME, game

MATCH = MatchContext("m", Path("m.mp4"))


def tables(shots, points, tracks=()):
    return {
        "shots": tableio.from_rows(SHOTS, shots), "points": tableio.from_rows(POINTS, points),
        "tracks": tableio.from_rows(TRACKS, tracks),
    }


def waiting_between():
    row = shot()
    return numbered([row, reply_to(row, opponent_y_m=-8.0)]), [point()]


def test_empty_tables_give_an_empty_table():
    found = STAGE.run(MATCH, tables([], []), RulesConfig())
    assert found.num_rows == 0 and found.schema.equals(FLAGS.schema())


def test_a_finding_becomes_a_row():
    found = STAGE.run(MATCH, tables(*waiting_between()), RulesConfig()).to_pylist()
    assert [row["rule"] for row in found] == ["no_mans_land"]
    row = found[0]
    assert (row["match_id"], row["flag_id"], row["side"], row["player"]) == ("m", 0, "near", "MAR")
    assert row["clip_start_s"] < 10.0 < 11.4 < row["clip_end_s"]
    assert {"name": "distance from the net", "value": 8.0, "unit": "m"} in row["evidence"]


def test_a_rule_can_be_turned_off():
    config = RulesConfig.model_validate({"no_mans_land": {"enabled": False}})
    assert STAGE.run(MATCH, tables(*waiting_between()), config).num_rows == 0


def test_the_level_chooses_the_thresholds():
    row = shot(contact_x_m=4.0, hitter_x_m=3.6, bounce_x_m=0.0)
    given = tables(numbered([row, reply_to(row, opponent_x_m=1.5)]), [point()])
    counts = {
        level: STAGE.run(MATCH, given, RulesConfig(level=level)).num_rows for level in LEVELS
    }
    assert counts["club"] == 0 and counts["tour"] == 1


def test_reasons_for_not_telling_are_logged(caplog):
    row = shot()
    with caplog.at_level("INFO"):
        STAGE.run(MATCH, tables(numbered([row, reply_to(row)]), [point()]), RulesConfig())
    assert "split_step: not measurable at 1 strokes" in caplog.text


def test_same_tables_same_flags():
    shots, points, _ = game(3)
    given = tables(shots, points)
    one = STAGE.run(MATCH, given, RulesConfig())
    assert one.num_rows > 0 and one.equals(STAGE.run(MATCH, given, RulesConfig()))


@pytest.mark.slow
def test_a_long_match_takes_little_time():
    """Over 1000 strokes, as in a match of three long sets."""
    shots, points = [], []
    for seed in range(40):
        more, more_points, _ = game(seed)
        later = POINTS_A_GAME * seed
        shots += [row | {"point_id": row["point_id"] + later} for row in more]
        points += [row | {"point_id": row["point_id"] + later} for row in more_points]
    given = tables(numbered(shots), points)
    assert len(shots) > 1000
    start = time.process_time()
    STAGE.run(MATCH, given, RulesConfig())
    assert time.process_time() - start < 5.0
