"""Shots from hand-made rallies, and against the truth of unseen simulated play."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from rallymill import court, flight, tableio
from rallymill.errors import InputError
from rallymill.stages.base import MatchContext
from rallymill.stages.shots import STAGE, ShotsConfig
from rallymill.stages.shots_people import hand_from_serves, hand_of, player_of, without_swing
from rallymill.tables import ARCS, EVENTS, FRAMES, SHOTS, TRACKS
from rallymill.tactics_motion import Stance
from tests.stages.played import noisy, played, processed

SEEDS = (200_000, 200_001, 200_002, 200_003)
RIGHT = {"players": {"near": {"code": "MAR", "hand": "right"}, "far": {"code": "KES",
                                                                      "hand": "left"}}}


def match(sheet=None):
    return MatchContext("m", Path("m.mp4"), sheet or {})


def contact(t_s, kind, side, x, y, z, before=None, after=None, **changes):
    return {
        "match_id": "m", "rally_id": 0, "t_s": t_s, "kind": kind, "side": side, "x_m": x, "y_m": y,
        "z_m": z, "x_m_sd": 0.03, "y_m_sd": 0.05, "z_m_sd": 0.03, "t_s_sd": 0.004,
        "arc_before": before, "arc_after": after, "confidence": 1.0,
    } | changes


def arc(arc_id, start_s, end_s, start, velocity, topspin=0.0):
    state = flight.states([*start, *velocity], [topspin, 0.0], [end_s - start_s])[0]
    row = dict(zip(("x_m", "y_m", "z_m", "vx_mps", "vy_mps", "vz_mps"), [*start, *velocity],
                   strict=True))
    row |= {f"{name}_sd": 0.05 for name in row}
    return row | {
        "match_id": "m", "rally_id": 0, "arc_id": arc_id, "start_s": start_s, "end_s": end_s,
        "start_kind": "hit", "end_kind": "bounce", "topspin_radps": topspin,
        "topspin_radps_sd": 20.0, "end_x_m": state[0], "end_y_m": state[1], "end_z_m": state[2],
        "end_x_m_sd": 0.03, "end_y_m_sd": 0.05, "end_z_m_sd": 0.03, "confidence": 1.0,
    }


def stand(near=(0.5, -12.5), far=(-0.5, 12.8), start_s=0.0, end_s=12.0):
    return [
        {"match_id": "m", "frame": k, "t_s": k * 0.04 + start_s, "track_id": int(side == "far"),
         "role": side, "x_m": place[0], "y_m": place[1], "x_m_sd": 0.05, "y_m_sd": 0.1,
         "observed": True}
        for side, place in (("near", near), ("far", far))
        for k in range(int((end_s - start_s) / 0.04))
    ]


def shots(events, arcs=(), tracks=None, sheet=None):
    events = [event | {"event_id": k} for k, event in enumerate(events)]
    table = STAGE.run(match(sheet), {
        "events": tableio.from_rows(EVENTS, events), "arcs": tableio.from_rows(ARCS, list(arcs)),
        "tracks": tableio.from_rows(TRACKS, stand() if tracks is None else tracks),
        "frames": FRAMES.empty(),
    }, ShotsConfig())
    return table.to_pylist()


SERVE = contact(1.0, "hit", "near", 0.6, -11.7, 2.7, None, 0)
SERVE_BOUNCE = contact(1.6, "bounce", "far", -3.2, 5.4, 0.03, 0, 1)
RETURN = contact(2.1, "hit", "far", -3.9, 12.5, 1.1, 1, 2)
RETURN_BOUNCE = contact(3.2, "bounce", "near", 2.5, -9.8, 0.03, 2, 3)
THIRD = contact(3.8, "hit", "near", 2.9, -12.0, 0.9, 3, 4)
THIRD_BOUNCE = contact(4.8, "bounce", "far", 3.2, 9.0, 0.03, 4, 5)
RALLY = [SERVE, SERVE_BOUNCE, RETURN, RETURN_BOUNCE, THIRD, THIRD_BOUNCE]


def test_empty_tables_give_an_empty_table():
    table = STAGE.run(match(), {
        "events": EVENTS.empty(), "arcs": ARCS.empty(), "tracks": TRACKS.empty(),
        "frames": FRAMES.empty()}, ShotsConfig())
    assert table.num_rows == 0 and table.schema.equals(SHOTS.schema())


def test_a_plain_rally():
    rows = shots(RALLY, sheet=RIGHT)
    assert [row["stroke"] for row in rows] == ["serve", "return", "groundstroke"]
    assert [row["shot_number"] for row in rows] == [1, 2, 3]
    assert [row["player"] for row in rows] == ["MAR", "KES", "MAR"]
    assert [row["direction"] for row in rows] == ["wide", "cross_court", "down_the_line"]
    assert [row["depth"] for row in rows] == ["short", "deep", "middle"]
    assert [row["in_court"] for row in rows] == [True, True, True]
    assert [row["ended_point"] for row in rows] == [False, False, True]
    assert rows[1]["incoming_depth"] == "short"
    assert rows[1]["time_to_prepare_s"] == pytest.approx(1.1)
    assert rows[2]["flight_time_s"] == pytest.approx(1.0)


def test_without_tracks_places_are_null_not_guessed():
    rows = shots(RALLY, tracks=[], sheet=RIGHT)
    for name in ("hitter_x_m", "opponent_x_m", "recovery_error_m", "open_court_share"):
        assert all(row[name] is None for row in rows)
    assert rows[1]["wing"] == "unknown" and rows[1]["opponent_state"] == "unknown"


def test_unknown_hand_leaves_the_wing_unknown():
    assert shots(RALLY)[1]["wing"] == "unknown"


def test_wing_by_side_of_the_body_and_hand():
    """The far player faces the camera: a ball at a smaller x than the feet is on the right hand."""
    far_at = stand(far=(-3.0, 12.8))
    assert shots(RALLY, tracks=far_at, sheet=RIGHT)[1]["wing"] == "backhand"
    left = {"players": {"far": {"hand": "right"}}}
    assert shots(RALLY, tracks=far_at, sheet=left)[1]["wing"] == "forehand"


def test_contact_over_the_feet_leaves_the_wing_unknown():
    row = shots(RALLY, tracks=stand(far=(-3.88, 12.8)), sheet=RIGHT)[1]
    assert row["wing"] == "unknown" and 0.5 <= row["wing_confidence"] < 0.6


def test_speed_spin_and_net_clearance():
    first = arc(0, 1.0, 1.6, (0.6, -11.7, 2.7), (-6.0, 30.0, -2.5), 100.0)
    row = shots(RALLY, [first])[0]
    assert row["speed_mps"] == pytest.approx(np.sqrt(36 + 900 + 6.25))
    assert 0.04 < row["speed_mps_sd"] < 0.06
    assert row["topspin_radps"] == 100.0
    times = np.linspace(0, 0.6, 20001)
    states = flight.states([0.6, -11.7, 2.7, -6.0, 30.0, -2.5], [100.0, 0], times)
    at_net = states[np.argmin(np.abs(states[:, 1]))]
    expected = at_net[2] - court.BALL_RADIUS_M - court.net_height_m(at_net[0])
    assert row["net_clearance_m"] == pytest.approx(float(expected), abs=0.003)


def test_ball_taken_out_of_the_air_at_the_net_is_a_volley():
    volley = contact(3.0, "hit", "near", 1.0, -3.0, 1.2, 2, 3)
    rows = shots([SERVE, SERVE_BOUNCE, RETURN, volley])
    assert rows[2]["stroke"] == "volley"
    assert rows[1]["bounce_x_m"] is None and rows[1]["in_court"] is None
    assert rows[1]["depth"] == "unknown"


def test_high_contact_is_an_overhead():
    smash = contact(3.0, "hit", "near", 1.0, -4.0, 2.6, 2, 3)
    assert shots([SERVE, SERVE_BOUNCE, RETURN, smash])[2]["stroke"] == "overhead"


def test_ball_into_the_net_is_not_in():
    net = contact(2.9, "net", "far", -1.0, 0.0, 0.5, 2, 3)
    row = shots([SERVE, SERVE_BOUNCE, RETURN, net])[1]
    assert row["in_court"] is False and row["bounce_x_m"] is None
    assert row["direction"] in ("middle", "cross_court")


def test_bounce_too_close_to_call_leaves_in_court_null():
    close = RETURN_BOUNCE | {"x_m": court.HALF_SINGLES_M + court.BALL_RADIUS_M, "x_m_sd": 0.1}
    row = shots([SERVE, SERVE_BOUNCE, RETURN, close])[1]
    assert row["in_court"] is None and row["in_court_confidence"] < 0.7
    sure = shots([SERVE, SERVE_BOUNCE, RETURN, close | {"x_m": 4.6}])[1]
    assert sure["in_court"] is False and sure["in_court_confidence"] > 0.95


def test_one_hit_seen_twice_is_one():
    again = THIRD | {"t_s": 3.95, "confidence": 0.5}
    rows = shots([*RALLY[:5], again, THIRD_BOUNCE])
    assert len(rows) == 3 and rows[2]["t_contact_s"] == 3.8


def test_an_unseen_reply_is_counted():
    """Two strokes of one side: one between them was missed, and nothing is told across it."""
    fifth = contact(6.0, "hit", "near", -1.0, -12.0, 1.0, 6, 7)
    rows = shots([*RALLY, fifth])
    assert [row["shot_number"] for row in rows] == [1, 2, 3, 5]
    assert rows[3]["time_to_prepare_s"] is None and rows[2]["recovery_error_m"] is None


def test_an_unseen_serve_is_counted():
    """The recording starts with the serve's bounce: the first stroke seen is the return."""
    rows = shots([SERVE_BOUNCE, RETURN, RETURN_BOUNCE, THIRD])
    assert [(row["shot_number"], row["stroke"]) for row in rows] == [
        (2, "return"), (3, "groundstroke")]
    assert rows[0]["confidence"] <= 0.9


def test_recording_that_comes_in_late_does_not_call_it_a_return():
    rows = shots([RETURN_BOUNCE, THIRD, THIRD_BOUNCE])
    assert [(row["shot_number"], row["stroke"]) for row in rows] == [(2, "groundstroke")]
    assert rows[0]["confidence"] <= 0.9


def test_second_serve_starts_a_point_even_in_one_rally():
    second = [event | {"t_s": event["t_s"] + 3.0} for event in RALLY]
    rows = shots([SERVE, SERVE_BOUNCE, *second])
    assert [row["point_id"] for row in rows] == [0, 1, 1, 1]
    assert [row["shot_number"] for row in rows] == [1, 1, 2, 3]


def test_events_without_places():
    blank = {"x_m": None, "y_m": None, "z_m": None, "x_m_sd": None, "y_m_sd": None, "z_m_sd": None}
    rows = shots([SERVE, SERVE_BOUNCE, RETURN | blank, RETURN_BOUNCE, THIRD | blank])
    assert [row["hitter"] for row in rows] == ["near", "far", "near"]
    assert rows[1]["contact_x_m"] is None and rows[1]["wing"] == "unknown"
    assert rows[1]["direction"] == "unknown" and rows[0]["recovery_error_m"] is None


def test_recovery_is_measured_from_the_bisector_at_the_reply():
    row = shots(RALLY)[0]
    left = (-court.HALF_SINGLES_M, -court.HALF_LENGTH_M)
    right = (court.HALF_SINGLES_M, -court.SERVICE_LINE_M)
    place = court.bisector_x_m(-3.9, 12.5, left, right, -12.5)
    assert row["recovery_x_m"] == pytest.approx(place)
    assert row["recovery_error_m"] == pytest.approx(0.5 - place)
    assert row["recovery_error_m_sd"] > 0.05


def test_players_without_a_sheet():
    assert (player_of("near", 0.0, {}), player_of("far", 0.0, {})) == ("A", "B")
    assert player_of("near", 0.0, {"players": {"near": None, "far": None}}) == "A"
    assert hand_of("near", {}) is None


def test_wrong_hand_in_the_sheet():
    with pytest.raises(InputError, match="right or left"):
        hand_of("near", {"players": {"near": {"hand": "both"}}})


def test_hand_from_serves():
    assert hand_from_serves([0.4, 0.5]) is None
    assert hand_from_serves([0.4, 0.5, 0.3, 0.6]) > 0.9
    assert hand_from_serves([-0.4, -0.5, -0.3, -0.6]) < 0.1
    assert hand_from_serves([0.05, -0.1, 0.02, 0.0]) is None


def agreement(found: pd.DataFrame, true: pd.DataFrame, column: str) -> float:
    return float((found[column].fillna("-").astype(str) == true[column].fillna("-").astype(str))
                 .mean())


@pytest.fixture(scope="module")
def exact_and_true():
    found, true = [], []
    for seed in SEEDS:
        given = played(seed)
        found.append(processed(given)["shots"])
        true.append(given.truth["shots"].to_pandas())
        assert len(found[-1]) == len(true[-1])
    return pd.concat(found, ignore_index=True), pd.concat(true, ignore_index=True)


@pytest.mark.parametrize(("column", "least"), [
    ("hitter", 1.0), ("shot_number", 1.0), ("direction", 1.0), ("depth", 1.0), ("in_court", 1.0),
    ("incoming_depth", 1.0), ("opponent_state", 0.98), ("hitter_state", 0.98), ("wing", 0.99),
    ("stroke", 0.95), ("ended_point", 1.0)])
def test_labels_on_exact_tables_are_the_true_ones(exact_and_true, column, least):
    assert agreement(*exact_and_true, column) >= least


@pytest.mark.parametrize(("column", "most"), [
    ("speed_mps", 1e-6), ("net_clearance_m", 0.01), ("flight_time_s", 1e-6),
    ("incoming_speed_mps", 1e-3), ("time_to_prepare_s", 1e-6), ("topspin_radps", 1e-6)])
def test_numbers_on_exact_tables_are_the_true_ones(exact_and_true, column, most):
    found, true = (frame[column] for frame in exact_and_true)
    assert (found.isna() == true.isna()).all()
    assert (found - true).abs().max() <= most


def test_noise_costs_little_and_lowers_the_confidence():
    right, sure, wrong = [], [], []
    for seed in SEEDS:
        given = noisy(played(seed), seed)
        found, true = processed(given)["shots"], given.truth["shots"].to_pandas()
        same = found["direction"] == true["direction"]
        right += list(same)
        sure += list(found["direction_confidence"][same])
        wrong += list(found["direction_confidence"][~same])
    assert np.mean(right) > 0.93
    assert not wrong or np.mean(wrong) < np.mean(sure) - 0.1


@pytest.mark.parametrize("seed", SEEDS[:2])
def test_mirrored_play_gives_mirrored_shots(seed):
    """Left and right exchanged, hands too: every label stays, x changes its sign."""
    given = played(seed)
    plain = processed(given)["shots"]
    flipped = processed(given.mirrored())["shots"]
    labels = ["stroke", "wing", "direction", "depth", "opponent_state", "in_court", "point_id"]
    pd.testing.assert_frame_equal(plain[labels], flipped[labels])
    for name in ("bounce_x_m", "recovery_x_m", "recovery_error_m"):
        np.testing.assert_allclose(plain[name], -flipped[name], atol=1e-6)
    np.testing.assert_allclose(plain["open_court_share"], flipped["open_court_share"], atol=1e-6)


@pytest.mark.parametrize(("contact_x", "speed"), [(1.7, 4.0), (0.3, -4.0), (1.7, 0.0)])
def test_the_swing_is_taken_out_of_a_place_that_came_from_a_box(contact_x, speed):
    """The box's middle is toward the racket and goes back from it: the body is away, and faster."""
    seen = Stance(1.0, -12.0, speed, 0.5, 0.1, 0.1, 0.0, True, from_box=True)
    side = np.sign(contact_x - seen.x_m)
    body = without_swing(seen, contact_x)
    assert 0.0 < (seen.x_m - body.x_m) * side < 0.2
    assert 0.2 < (body.vx_mps - seen.vx_mps) * side < 1.0
    assert (body.y_m, body.vy_mps) == (seen.y_m, seen.vy_mps)
    running = side * speed > 0
    standing = without_swing(Stance(1.0, -12.0, 0.0, 0.5, 0.1, 0.1, 0.0, True, True), contact_x)
    assert (abs(body.vx_mps - seen.vx_mps) > abs(standing.vx_mps)) == running


def test_a_place_that_no_box_gave_stays_and_so_does_one_without_a_contact():
    exact = Stance(1.0, -12.0, 4.0, 0.5, 0.1, 0.1, 0.0, True)
    boxed = Stance(1.0, -12.0, 4.0, 0.5, 0.1, 0.1, 0.0, True, from_box=True)
    assert without_swing(exact, 1.7) is exact
    assert without_swing(boxed, float("nan")) is boxed
    assert without_swing(None, 1.7) is None
    over = without_swing(boxed, 1.0)
    assert (over.x_m, over.vx_mps) == (1.0, 4.0)
