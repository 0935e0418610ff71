"""How points end, who wins them, and the score."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from rallymill import tableio
from rallymill.errors import InputError
from rallymill.stages import shots
from rallymill.stages.base import MatchContext
from rallymill.stages.points import STAGE, PointsConfig
from rallymill.stages.points_score import Score, parse
from rallymill.tables import ARCS, EVENTS, FRAMES, POINTS, SHOTS, TRACKS
from tests.stages.played import noisy, played, processed
from tests.stages.test_shots import (
    RALLY,
    RETURN,
    RETURN_BOUNCE,
    SEEDS,
    SERVE,
    SERVE_BOUNCE,
    THIRD,
    THIRD_BOUNCE,
    arc,
    contact,
    stand,
)

NET = contact(1.4, "net", "near", 0.2, 0.0, 0.7, 0, 1)


def points(events, arcs=(), sheet=None, tracks=()):
    events = [event | {"event_id": k} for k, event in enumerate(events)]
    inputs = {
        "events": tableio.from_rows(EVENTS, events), "arcs": tableio.from_rows(ARCS, list(arcs)),
        "tracks": tableio.from_rows(TRACKS, list(tracks)), "frames": FRAMES.empty(),
    }
    match = MatchContext("m", Path("m.mp4"), sheet or {})
    inputs["machine_shots"] = shots.STAGE.run(match, inputs, shots.ShotsConfig())
    return STAGE.run(match, inputs, PointsConfig()).to_pylist()


def moved(events, by_s, rally_id, **changes):
    """Events later, as another rally; numbers in ``changes`` replace columns."""
    return [event | {"t_s": event["t_s"] + by_s, "rally_id": rally_id} | changes
            for event in events]


def other_half(events):
    """The same rally served from the other half."""
    return [event | {"x_m": -event["x_m"]} for event in events]


def test_empty_tables_give_an_empty_table():
    table = STAGE.run(MatchContext("m", Path("m.mp4")), {
        "machine_shots": SHOTS.empty(), "events": EVENTS.empty(), "arcs": ARCS.empty(),
    }, PointsConfig())
    assert table.num_rows == 0 and table.schema.equals(POINTS.schema())


def test_ace():
    row = points([SERVE, SERVE_BOUNCE])[0]
    assert (row["ended_by"], row["won_by"], row["n_shots"]) == ("ace", "near", 1)
    assert (row["server"], row["serve_number"], row["serve_side"]) == ("near", 1, "deuce")
    assert row["won_by_player"] == "A" and row["ended_by_confidence"] > 0.9


def test_a_ball_that_is_lost_at_its_bounce_may_have_been_played_on():
    lost = SERVE_BOUNCE | {"arc_after": None}
    row = points([SERVE, lost])[0]
    assert (row["ended_by"], row["won_by"]) == ("unknown", None)
    again = SERVE_BOUNCE | {"t_s": SERVE_BOUNCE["t_s"] + 0.4, "y_m": 12.0, "arc_after": None}
    assert points([SERVE, lost, again])[0]["ended_by"] == "ace"
    rally = points([*RALLY[:-1], RALLY[-1] | {"arc_after": None}])[0]
    assert points(RALLY)[0]["ended_by"] == "winner"
    assert (rally["ended_by"], rally["won_by"]) == ("unknown", None)


@pytest.mark.parametrize(("kept", "ended_by"), [(0.38, "let"), (0.45, "unknown"), (0.55, "ace")])
def test_a_serve_that_the_net_slowed_is_a_let_though_nobody_saw_the_touch(kept, ended_by):
    came_m = np.hypot(SERVE_BOUNCE["x_m"] - SERVE["x_m"], SERVE_BOUNCE["y_m"] - SERVE["y_m"])
    pace_mps = came_m / (SERVE_BOUNCE["t_s"] - SERVE["t_s"])
    again = SERVE_BOUNCE | {
        "t_s": SERVE_BOUNCE["t_s"] + 0.5, "y_m": SERVE_BOUNCE["y_m"] + 0.5 * kept * pace_mps}
    row = points([SERVE, SERVE_BOUNCE, again])[0]
    assert row["ended_by"] == ended_by
    assert row["won_by"] == ("near" if ended_by == "ace" else None)


@pytest.mark.parametrize("bounce", [
    {"x_m": -4.6}, {"y_m": 6.9}, {"x_m": 1.5}, {"y_m": -1.0, "side": "near"}])
def test_serve_wide_long_in_the_wrong_box_or_short_is_a_fault(bounce):
    row = points([SERVE, SERVE_BOUNCE | bounce])[0]
    assert (row["ended_by"], row["won_by"]) == ("fault", None)


def test_a_serve_that_is_lost_in_the_air_lasts_for_as_long_as_it_is_seen():
    seen_until_s = SERVE["t_s"] + 0.21
    flown = arc(0, SERVE["t_s"], seen_until_s, (0.5, -11.8, 2.7), (0.0, 40.0, -3.0))
    row = points([SERVE | {"arc_after": 0}], [flown | {"end_kind": "lost"}])[0]
    assert row["start_s"] == SERVE["t_s"]
    assert row["end_s"] == pytest.approx(seen_until_s)


def test_serve_into_the_net_is_a_fault_and_the_second_a_double_fault():
    first, second = [SERVE, NET], moved([SERVE, NET], 12.0, 1)
    rows = points([*first, *second])
    assert [row["ended_by"] for row in rows] == ["fault", "double_fault"]
    assert [row["serve_number"] for row in rows] == [1, 2]
    assert [row["won_by"] for row in rows] == [None, "far"]


def test_second_serve_that_is_good():
    rows = points([SERVE, NET, *moved(RALLY, 12.0, 1)])
    assert [row["serve_number"] for row in rows] == [1, 2]
    assert rows[1]["ended_by"] == "winner"


def test_serve_from_the_other_half_is_a_first_serve():
    rows = points([*RALLY, *moved(other_half(RALLY), 20.0, 1)])
    assert [row["serve_number"] for row in rows] == [1, 1]
    assert [row["serve_side"] for row in rows] == ["deuce", "ad"]


def test_returned_fault_is_told_by_the_serve_that_follows():
    """The receiver hits a serve that was close; the next serve comes from the same half."""
    close = SERVE_BOUNCE | {"y_m": 6.45}
    out = RETURN_BOUNCE | {"y_m": -13.0}
    repeated = points([SERVE, close, RETURN, out, *moved(RALLY, 12.0, 1)])
    moved_on = points([SERVE, close, RETURN, out, *moved(other_half(RALLY), 12.0, 1)])
    assert repeated[0]["ended_by"] == "fault" and repeated[1]["serve_number"] == 2
    assert moved_on[0]["ended_by"] == "error_long" and moved_on[0]["won_by"] == "near"


def test_net_cord_serve_that_is_good_is_a_let():
    row = points([SERVE, NET | {"z_m": 0.95}, SERVE_BOUNCE])[0]
    assert (row["ended_by"], row["won_by"]) == ("let", None)


@pytest.mark.parametrize("faulted", [False, True])
def test_a_let_serve_is_served_again_as_what_it_was(faulted):
    let = [SERVE, NET | {"z_m": 0.95}, SERVE_BOUNCE]
    before = [SERVE, NET] if faulted else []
    rows = points([*before, *moved(let, 12.0, 1), *moved(RALLY, 24.0, 2)])
    assert [row["ended_by"] for row in rows[-2:]] == ["let", "winner"]
    assert [row["serve_number"] for row in rows[-2:]] == ([2, 2] if faulted else [1, 1])


@pytest.mark.parametrize(("bounce", "ending", "winner"), [
    ({}, "winner", "near"),
    ({"y_m": 12.4}, "error_long", "far"),
    ({"x_m": 4.6}, "error_wide", "far"),
    ({"x_m": 4.6, "y_m": 12.4}, "error_long", "far"),
    ({"y_m": -2.0, "side": "near"}, "error_net", "far"),
])
def test_last_stroke(bounce, ending, winner):
    row = points([*RALLY[:5], THIRD_BOUNCE | bounce])[0]
    assert (row["ended_by"], row["won_by"], row["n_shots"]) == (ending, winner, 3)


def test_into_the_net():
    net = contact(4.3, "net", "near", 3.0, 0.0, 0.6, 4, 5)
    fallen = contact(4.6, "bounce", "near", 3.0, -0.8, 0.03, 5, 6)
    row = points([*RALLY[:5], net, fallen])[0]
    assert (row["ended_by"], row["won_by"]) == ("error_net", "far")
    assert row["end_s"] == pytest.approx(4.3)


def test_net_cord_in_a_rally_plays_on():
    net = contact(4.3, "net", "near", 3.0, 0.0, 0.95, 4, 5)
    row = points([*RALLY[:5], net, THIRD_BOUNCE])[0]
    assert (row["ended_by"], row["won_by"]) == ("winner", "near")


def test_close_ball_is_unknown_or_unsure():
    row = points([*RALLY[:5], THIRD_BOUNCE | {"x_m": 4.14, "x_m_sd": 0.2}])[0]
    assert row["ended_by"] == "unknown" or row["ended_by_confidence"] < 0.6


def test_ball_stopped_after_it_landed_out_is_not_a_stroke():
    stopped = contact(5.5, "hit", "far", 3.3, 14.5, 1.0, 5, None)
    row = points([*RALLY[:5], THIRD_BOUNCE | {"y_m": 12.6}, stopped])[0]
    assert (row["ended_by"], row["won_by"], row["n_shots"]) == ("error_long", "far", 3)
    assert row["end_s"] == pytest.approx(4.8)


def test_close_ball_that_is_played_on_stays_in_play():
    answer = contact(5.5, "hit", "far", 3.3, 13.0, 1.0, 5, 6)
    fourth = contact(6.6, "bounce", "near", 0.0, -9.0, 0.03, 6, 7)
    row = points([*RALLY[:5], THIRD_BOUNCE | {"y_m": 11.95}, answer, fourth])[0]
    assert (row["ended_by"], row["won_by"], row["n_shots"]) == ("winner", "far", 4)


def test_poor_flight_is_not_carried_on():
    poor = arc(4, 3.8, 4.0, (2.9, -12.0, 0.9), (0.0, 33.0, 9.0)) | {
        "end_kind": "lost"}
    for change in ({"confidence": 0.3}, {"vy_mps_sd": 20.0}):
        assert points(RALLY[:5], [poor | change])[0]["ended_by"] == "unknown"


def test_ball_that_was_lost_is_unknown():
    row = points(RALLY[:5])[0]
    assert (row["ended_by"], row["won_by"], row["n_shots"]) == ("unknown", None, 3)


def test_lost_ball_whose_flight_leads_into_the_net_is_an_error():
    low = arc(4, 3.8, 4.2, (2.9, -12.0, 0.9), (0.0, 25.0, -0.5)) | {"end_kind": "lost"}
    row = points(RALLY[:5], [low])[0]
    assert (row["ended_by"], row["won_by"]) == ("error_net", "far")


def test_lost_ball_whose_flight_leads_far_out_is_an_error():
    high = arc(4, 3.8, 4.2, (2.9, -12.0, 0.9), (0.0, 33.0, 9.0)) | {"end_kind": "lost"}
    row = points(RALLY[:5], [high])[0]
    assert (row["ended_by"], row["won_by"]) == ("error_long", "far")
    assert row["ended_by_confidence"] < 0.9


def test_lost_ball_whose_flight_leads_in_stays_unknown():
    good = arc(4, 3.8, 4.2, (2.9, -12.0, 0.9), (0.0, 25.0, 4.0)) | {"end_kind": "lost"}
    assert points(RALLY[:5], [good])[0]["ended_by"] == "unknown"


def test_rally_without_its_serve():
    row = points([SERVE_BOUNCE, RETURN, RETURN_BOUNCE, THIRD, THIRD_BOUNCE])[0]
    assert (row["server"], row["serve_number"], row["serve_side"]) == ("near", None, None)
    assert row["n_shots"] == 3 and row["confidence"] < 0.9
    assert (row["ended_by"], row["won_by"]) == ("winner", "near")


def test_recording_that_comes_in_late_does_not_know_the_server():
    row = points([RETURN_BOUNCE, THIRD, THIRD_BOUNCE])[0]
    assert row["server"] is None and row["serve_side"] is None
    assert (row["ended_by"], row["won_by"]) == ("winner", "near")


def test_server_by_the_feet_not_the_ball():
    """The serve is struck over the middle line by a server who stands in the deuce half."""
    serve = SERVE | {"x_m": -0.1}
    row = points([serve, SERVE_BOUNCE], tracks=stand(near=(0.4, -12.2)))[0]
    assert row["serve_side"] == "deuce"


SHEET = {"score": "0-0, 0-0", "first_server": "near"}


def test_score_follows_the_points():
    rows = points([*RALLY, *moved(other_half([SERVE, NET]), 20.0, 1),
                   *moved(other_half([SERVE, NET]), 40.0, 2), *moved(RALLY, 60.0, 3)], sheet=SHEET)
    assert [row["score"] for row in rows] == [
        "0-0, 0-0", "0-0, 15-0", "0-0, 15-0", "0-0, 15-15"]


def test_score_stops_at_a_contradiction():
    """The second point is served from the same half without a fault before: something was lost."""
    rows = points([*RALLY, *moved(RALLY, 200.0, 1), *moved(RALLY, 400.0, 2)], sheet=SHEET)
    assert [row["score"] for row in rows] == ["0-0, 0-0", None, None]
    rows = points(RALLY, sheet=SHEET | {"first_server": "far"})
    assert rows[0]["score"] is None


def test_score_stops_where_a_winner_is_not_known():
    rows = points([*RALLY[:5], *moved(other_half(RALLY), 20.0, 1)], sheet=SHEET)
    assert [row["score"] for row in rows] == ["0-0, 0-0", None]


def test_no_score_without_a_sheet():
    assert points(RALLY)[0]["score"] is None


def play_out(score: Score, winners: str) -> list[str]:
    called = [score.text()]
    for letter in winners:
        score = score.after("near" if letter == "n" else "far")
        called.append(score.text())
    return called


def test_game_with_deuce():
    assert play_out(parse("2-3, 15-30", "near"), "nnfnfnn") == [
        "2-3, 15-30", "2-3, 30-30", "2-3, 40-30", "2-3, 40-40", "2-3, AD-40", "2-3, 40-40",
        "2-3, AD-40", "3-3, 0-0"]


def test_server_is_named_first_and_changes_with_the_game():
    score = parse("4-2, 0-40", "far")
    assert score.games == (2, 4) and score.points == (3, 0)
    after = score.after("near")
    assert after.server == "near" and after.text() == "3-4, 0-0"


def test_set_and_tie_break():
    assert parse("5-3, 40-0", "near").after("near").text() == "0-0, 0-0"
    assert parse("5-5, 40-0", "near").after("near").text() == "5-6, 0-0"
    into = parse("5-6, 40-0", "near").after("near")
    assert into.tie_break and into.server == "far" and into.text() == "6-6, 0-0"
    servers, halves = [], []
    for _ in range(7):
        servers.append(into.server)
        halves.append(into.serve_side)
        into = into.after("near" if len(servers) % 2 else "far")
    # A, BB, AA, ...: ITF rule 5; each pair starts from the ad half.
    assert servers == ["far", "near", "near", "far", "far", "near", "near"]
    assert halves == ["deuce", "ad", "deuce", "ad", "deuce", "ad", "deuce"]
    last = parse("6-6, 6-3", "near").after("near")
    assert last.games == (0, 0) and last.points == (0, 0)


def test_tie_break_needs_two_points_and_hands_over_the_serve():
    score = parse("6-6, 6-6", "far")
    first = score.first_in_tie_break
    score = score.after("far")
    assert score.games == (6, 6)
    done = score.after("far")
    assert done.games == (0, 0) and done.server != first


@pytest.mark.parametrize("text", [
    "deuce", "3-2", "7-5, 0-0", "3-2, 15-50", "3-2, AD-30", "6-6, AD-40", "3:2, 15:0"])
def test_wrong_scores_are_errors(text):
    with pytest.raises(InputError, match="match sheet: score"):
        parse(text, "near")


@pytest.fixture(scope="module")
def exact_and_true():
    found, true = [], []
    for seed in SEEDS:
        given = played(seed)
        found.append(processed(given)["points"])
        true.append(given.truth["points"].to_pandas())
    return pd.concat(found, ignore_index=True), pd.concat(true, ignore_index=True)


@pytest.mark.parametrize("column", [
    "ended_by", "won_by", "server", "serve_number", "serve_side", "n_shots"])
def test_points_on_exact_tables_are_the_true_ones(exact_and_true, column):
    found, true = (frame[column].fillna("-").astype(str) for frame in exact_and_true)
    assert len(found) == len(true) and (found == true).mean() >= 0.97


def test_ends_on_exact_tables_are_the_true_ones(exact_and_true):
    found, true = exact_and_true
    assert (found["end_s"] - true["end_s"]).abs().quantile(0.95) < 0.05


def test_score_on_exact_tables_never_contradicts_the_server(exact_and_true):
    found, _ = exact_and_true
    assert found["score"].notna().mean() > 0.9


def test_noise_costs_few_endings():
    right, sure = [], []
    for seed in SEEDS:
        given = noisy(played(seed), seed)
        found, true = processed(given)["points"], given.truth["points"].to_pandas()
        assert len(found) == len(true)
        right += list(found["ended_by"] == true["ended_by"])
        sure += list(found["ended_by_confidence"])
    assert sum(right) / len(right) >= 0.93
    assert min(sure) < 0.999


def test_a_good_serve_that_is_served_again_from_there_is_a_let():
    # Its touch of the net was not seen; an ace would be followed from the other half.
    first = [SERVE, SERVE_BOUNCE]
    rows = points([*first, *moved(RALLY, 12.0, 1)])
    assert rows[0]["ended_by"] == "let" and rows[0]["won_by"] is None
    assert rows[1]["serve_number"] == 1
