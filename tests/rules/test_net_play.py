"""Place at the net and between net and baseline."""

import pytest

from rallymill.rules.base import TOO_NEAR
from tests.rules.planted import bisector_x_m, clear, look, play, point, reply_to, shot


def at_net(error_m: float, **changes):
    """Near player approaches; at the far player's reply he is ``error_m`` off the bisector."""
    row = shot(stroke="approach", bounce_x_m=3.4, direction="down_the_line", contact_x_m=3.0)
    reply = reply_to(row, contact_x_m=3.4, opponent_y_m=-2.5)
    place = bisector_x_m(reply, -2.5)
    return [row, reply | {"opponent_x_m": place + error_m} | changes]


def test_no_shots():
    assert look("net_position", play([])) == ([], [])
    assert look("no_mans_land", play([])) == ([], [])


def test_off_the_bisector():
    found, _ = look("net_position", play(at_net(-1.8)))
    assert len(found) == 1 and found[0].side == "near"
    assert "1.8 m off" in found[0].sentence and "down the line" in found[0].sentence


def test_shaded_too_far_to_the_line_opens_the_cross_court():
    found, _ = look("net_position", play(at_net(1.8)))
    assert "the pass across the court" in found[0].sentence


def test_a_winner_past_the_player_weighs_more():
    rows = at_net(-1.8, ended_point=True)
    plain = look("net_position", play(at_net(-1.8)))[0][0].severity
    passed = look("net_position", play(rows, [point(ended_by="winner", won_by="far")]))[0][0]
    assert passed.severity == pytest.approx(plain + 0.2) and "was used" in passed.sentence


def test_on_the_bisector_is_silent():
    assert look("net_position", play(at_net(0.2))) == ([], [])


def test_volley_exchange_is_silent():
    assert look("net_position", play(at_net(-1.8, contact_y_m=3.0)))[0] == []


def test_baseline_player_is_silent():
    assert look("net_position", play(at_net(-1.8, opponent_y_m=-12.0)))[0] == []


def test_net_position_abstains():
    rows = at_net(-1.8, opponent_y_m=None)
    assert look("net_position", play(rows)) == ([], ["not measured: opponent_y_m"])


def between(depth_m: float, speed_mps: float = 0.2, **changes):
    row = shot()
    return [row, reply_to(row, opponent_y_m=-depth_m, opponent_vy_mps=speed_mps, **changes)]


def test_waiting_between_net_and_baseline():
    found, _ = look("no_mans_land", play(between(8.0)))
    assert len(found) == 1 and found[0].side == "near" and "8.0 m from the net" in found[0].sentence


@pytest.mark.parametrize(("depth_m", "speed_mps"), [(12.8, 0.2), (3.0, 0.2), (8.0, 3.5)])
def test_behind_the_baseline_at_the_net_or_passing_through_is_silent(depth_m, speed_mps):
    assert look("no_mans_land", play(between(depth_m, speed_mps))) == ([], [])


def test_lost_point_weighs_more():
    lost = look("no_mans_land", play(between(8.0), [point(won_by="far", ended_by="winner")]))[0][0]
    assert lost.severity > look("no_mans_land", play(between(8.0)))[0][0].severity


def test_no_mans_land_abstains():
    assert look("no_mans_land", play(between(8.0, opponent_vx_mps=None))) == (
        [], ["not measured: opponent_vx_mps"])


def test_on_the_bisector_with_the_point_won_is_a_credit():
    won = [point(won_by="near", ended_by="error_net")]
    found, _ = look("net_position", play(at_net(0.1, ended_point=True), won))
    assert [f.kind for f in found] == ["credit"] and "neither pass" in found[0].sentence
    assert look("net_position", play(at_net(0.7, ended_point=True), won)) == ([], [])


def test_the_side_that_is_open_has_less_time():
    """Off the bisector the pass on the far side leaves less time than the one on the near side."""
    for error in (-1.8, 1.8):
        found, _ = look("net_position", play(at_net(error)))
        told = {e.name: e.value for e in found[0].evidence}
        line = told["time to spare for a pass down the line"]
        across = told["time to spare for a pass across the court"]
        assert (line < across) == (error < 0)


def test_other_side_from_the_ball():
    found, _ = look("net_position", play(at_net(-2.4)))
    assert "other side of the court from the ball" in found[0].sentence
    found, _ = look("net_position", play(at_net(1.8)))
    assert "other side" not in found[0].sentence


def running(speed_mps: float, error_m: float = 0.0, **changes):
    """At the net, running across as the far player strikes from the right."""
    return at_net(error_m, **({"opponent_vx_mps": speed_mps} | changes))


def test_carried_past_the_place():
    found, _ = look("net_momentum", play(running(4.0, 0.3)))
    assert [f.kind for f in found] == ["fault"] and "4.0 m/s" in found[0].sentence
    assert "1.7 m past" in found[0].sentence and "court across open" in found[0].sentence
    other, _ = look("net_momentum", play(running(-4.0, -0.3)))
    assert "the line open" in other[0].sentence


@pytest.mark.parametrize("rows", [running(0.3), running(4.0, -1.6), running(-4.0, 1.6)])
def test_stopped_or_still_on_the_way_to_the_place_is_silent(rows):
    assert look("net_momentum", play(rows)) == ([], [])
    assert clear("net_momentum", play(rows)) == 1


def test_momentum_at_the_baseline_is_no_question():
    seen = play(running(4.0, opponent_y_m=-12.0))
    assert look("net_momentum", seen) == ([], []) and clear("net_momentum", seen) == 0


def test_momentum_abstains():
    assert look("net_momentum", play(running(4.0, opponent_vx_mps=None)))[1] == [
        "not measured: opponent_vx_mps"]
    assert look("net_momentum", play(running(2.3, 0.5))) == ([], [TOO_NEAR])
