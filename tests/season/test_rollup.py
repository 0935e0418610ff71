"""Players' tables against counts by hand and by another library."""

from __future__ import annotations

import pandas as pd
import pyarrow.parquet as pq
import pytest
from statsmodels.stats.proportion import proportion_confint

from rallymill import tableio
from rallymill.runner.rowhash import rows_hash
from rallymill.season import database, joining, rollup
from rallymill.season.match import prepare
from rallymill.season.query import connect_season
from rallymill.season.store import SeasonStore
from rallymill.tables import EVENTS, FLAGS, MATCHES, POINTS, SHOTS


def rates_of(root) -> pd.DataFrame:
    return pq.read_table(root / "rollup" / "player_rates.parquet").to_pandas()


def one(frame, **where):
    for name, value in where.items():
        frame = frame[frame[name] == value]
    (row,) = frame.to_dict("records")
    return row


def shot(point_id, shot_id, number, hitter, **more):
    codes = {"near": "MAR", "far": "KES"}
    other = "far" if hitter == "near" else "near"
    row = {
        "match_id": "a-1", "point_id": point_id, "shot_id": shot_id, "shot_number": number,
        "t_contact_s": point_id * 10.0 + number, "hitter": hitter, "player": codes[hitter],
        "opponent": codes[other], "stroke": "groundstroke", "wing": "unknown",
        "direction": "unknown", "depth": "unknown", "ended_point": False,
    }  # fmt: skip
    return {**row, **more}


def point(point_id, n_shots, ended_by, won_by=None, serve_number=1, score=None):
    return {
        "match_id": "a-1", "point_id": point_id, "start_s": point_id * 10.0,
        "end_s": point_id * 10.0 + 9, "server": "near", "server_player": "MAR",
        "serve_number": serve_number, "n_shots": n_shots, "ended_by": ended_by,
        "won_by_player": won_by, "score": score,
    }  # fmt: skip


POINT_ROWS = [
    point(0, 1, "ace", "MAR", score="0-0, 0-0"),
    point(1, 1, "fault", score="0-0, 15-0"),
    point(2, 1, "double_fault", "KES", 2, "0-0, 15-0"),
    point(3, 3, "winner", "MAR", score="0-0, 30-40"),
    point(4, 2, "error_net", "MAR", score="0-0, 40-AD"),
    point(5, 1, "let", score="0-0, 40-40"),
    point(6, 9, "unknown", None, score=None),
]
SHOT_ROWS = [
    shot(0, 0, 1, "near", stroke="serve", ended_point=True),
    shot(1, 1, 1, "near", stroke="serve", ended_point=True),
    shot(2, 2, 1, "near", stroke="serve", ended_point=True),
    shot(3, 3, 1, "near", stroke="serve"),
    shot(3, 4, 2, "far", direction="cross_court", depth="short", recovery_error_m=-0.4),
    shot(3, 5, 3, "near", stroke="volley", incoming_depth="short", direction="cross_court",
         ended_point=True),
    shot(4, 6, 1, "near", stroke="serve"),
    shot(4, 7, 2, "far", direction="middle", depth="deep", ended_point=True, hitter_state="set"),
    shot(5, 8, 1, "near", stroke="serve", ended_point=True),
    *(shot(6, 9 + k, 1 + k, ("near", "far")[k % 2], recovery_error_m=3.0 if k == 3 else None)
      for k in range(9)),
]  # fmt: skip


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    """Season of one match whose points can be counted by hand."""
    root = tmp_path_factory.mktemp("small")
    row = {"match_id": "a-1", "file": "a.mp4", "status": "read", "surface": "clay",
           "date": "2026-08-14", "event": "Lantern Quay Open"}  # fmt: skip
    found = {
        "matches": tableio.from_rows(MATCHES, [row]),
        "points": tableio.from_rows(POINTS, POINT_ROWS),
        "shots": tableio.from_rows(SHOTS, SHOT_ROWS),
        "flags": tableio.from_rows(FLAGS, [
            {"match_id": "a-1", "flag_id": 0, "rule": "recovery", "kind": "fault", "severity": 0.5,
             "confidence": 0.9, "point_id": 3, "shot_id": 4, "player": "KES", "sentence": "Late.",
             "clip_start_s": 1.0, "clip_end_s": 2.0}]),
        "events": EVENTS.empty(),
    }  # fmt: skip
    store = SeasonStore(root)
    with store.changing():
        store.add(prepare("a-1", found, {}))
    assert joining.roll_up(root)[0] == 1
    return root


BY_HAND = [
    # player, measure, successes, trials
    ("MAR", "first_serves_in", 4, 5),
    ("MAR", "aces", 1, 4),
    ("MAR", "double_faults", 1, 4),
    ("MAR", "service_points_won", 3, 4),
    ("MAR", "first_serve_points_won", 3, 3),
    ("MAR", "second_serve_points_won", 0, 1),
    ("MAR", "break_points_saved", 2, 2),
    ("KES", "return_points_won", 1, 4),
    ("KES", "short_rallies_won", 1, 4),
    ("MAR", "short_rallies_won", 3, 4),
    ("MAR", "net_points_won", 1, 1),
    ("MAR", "short_ball_points_won", 1, 1),
    ("MAR", "strokes_that_won", 1, 1),
    ("KES", "strokes_that_erred", 1, 2),
    ("KES", "deep_groundstrokes", 1, 2),
    ("KES", "cross_court_groundstrokes", 1, 2),
    ("MAR", "short_balls_cross_court", 1, 1),
    ("KES", "set_at_contact", 1, 1),
    ("KES", "recovered", 1, 2),
    ("KES", "strokes_flagged", 1, 6),
    ("MAR", "strokes_flagged", 0, 12),
]


@pytest.mark.parametrize(("player", "measure", "successes", "trials"), BY_HAND)
def test_counts_are_those_by_hand(small, player, measure, successes, trials):
    row = one(rates_of(small), season="all", dimension="all", player=player, measure=measure)
    assert (row["successes"], row["trials"]) == (successes, trials)
    assert row["rate"] == pytest.approx(successes / trials)


def test_nothing_is_said_without_trials(small):
    frame = rates_of(small)
    assert frame[frame.measure == "long_rallies_won"].empty
    assert (frame.trials > 0).all()


def test_cuts_add_up_and_say_where(small):
    frame = rates_of(small)
    row = {"player": "MAR", "measure": "service_points_won", "season": "2026"}
    assert one(frame, dimension="surface", **row)["value"] == "clay"
    assert one(frame, dimension="month", **row)["value"] == "2026-08"
    assert one(frame, dimension="opponent", **row)["value"] == "KES"
    mine = frame[(frame.player == "MAR") & (frame.measure == "service_points_won")]
    states = mine[(mine.dimension == "score_state") & (mine.season == "2026")]
    assert dict(zip(states.value, states.trials, strict=True)) == {
        "level": 1, "server ahead": 1, "break point": 2,
    }


@pytest.mark.parametrize(
    ("score", "state"),
    [
        (None, "unknown"), ("0-0, 0-0", "level"), ("3-2, 30-30", "level"),
        ("3-2, 30-15", "server ahead"), ("3-2, 15-30", "server behind"),
        ("5-4, 40-30", "game point"), ("5-4, AD-40", "game point"), ("5-4, 40-40", "deuce"),
        ("5-4, 40-AD", "break point"), ("5-4, 0-40", "break point"), ("6-6, 3-2", "tie-break"),
    ],
)  # fmt: skip
def test_states_of_the_score(score, state):
    import duckdb

    points = "SELECT 'm' AS match_id, 1 AS point_id, ?::VARCHAR AS score"
    sql = f"WITH points AS ({points}) {rollup.STATES}"
    assert duckdb.execute(sql, [score]).fetchall() == [("m", 1, state)]


def test_intervals_are_wilsons(joined):
    frame = rates_of(joined)
    assert len(frame) > 100
    low, high = proportion_confint(frame.successes, frame.trials, 0.05, "wilson")
    assert frame.low.to_numpy() == pytest.approx(low.to_numpy(), abs=1e-6)
    assert frame.high.to_numpy() == pytest.approx(high.to_numpy(), abs=1e-6)


def test_only_new_and_changed_matches_are_counted(out, root, tmp_path):
    whole = pq.read_table(root / "rollup" / "player_rates.parquet")
    assert joining.roll_up(root)[0] == 0
    first, second, third = sorted(SeasonStore(root).matches())
    grown = tmp_path / "grown"
    joining.add(out, grown, [first, second])
    assert joining.roll_up(grown)[0] == 2
    joining.add(out, grown, [third])
    counted, rates = joining.roll_up(grown)
    assert counted == 1
    # One after the other gives what all at once gave.
    assert rows_hash(rates) == rows_hash(whole)
    joining.remove(grown, [third])
    fewer = joining.roll_up(grown)[1]
    assert 0 < fewer.num_rows < rates.num_rows


def test_rates_can_be_asked(joined):
    connection = connect_season(joined)
    found = connection.execute("SELECT count(*), min(low), max(high) FROM player_table").fetchone()
    connection.close()
    assert found is not None
    assert found[0] > 20 and 0 <= found[1] <= found[2] <= 1


def test_empty_season_rolls_up_to_nothing(tmp_path):
    store = SeasonStore(tmp_path)
    with store.changing():
        database.refresh(tmp_path)
    counted, rates = joining.roll_up(tmp_path)
    assert (counted, rates.num_rows) == (0, 0)
    assert rates.schema.equals(rollup.RATES.schema())
