"""Change of direction on a hard ball, and the low ball over the higher net."""

import pytest

from rallymill import court
from rallymill.rules.base import TOO_NEAR
from tests.rules.planted import clear, look, play, point, shot


def test_no_shots():
    for name in ("change_direction", "low_line"):
        assert look(name, play([])) == ([], [])


def changed(**changes):
    """Hard cross-court ball of the far player, sent down the line from behind the baseline."""
    before = shot(hitter="far", player="ORR", opponent="MAR", contact_x_m=-3.0, contact_y_m=12.0,
                  direction="cross_court", bounce_x_m=3.0, bounce_y_m=-9.5, shot_number=2)
    row = shot(t_contact_s=11.3, contact_x_m=3.4, contact_y_m=-13.5, hitter_x_m=2.8,
               incoming_speed_mps=22.0, direction="down_the_line", bounce_x_m=3.5,
               opponent_x_m=1.0) | changes
    return [before, row]


def test_hard_outside_ball_sent_down_the_line():
    found, _ = look("change_direction", play(changed()))
    assert [f.kind for f in found] == ["fault"] and found[0].shot_id == 1
    assert "79 km/h" in found[0].sentence and "1.6 m behind the baseline" in found[0].sentence


def test_a_miss_weighs_more():
    lost = [point(won_by="far", ended_by="error_wide")]
    missed = look("change_direction", play(changed(ended_point=True), lost))[0][0]
    plain = look("change_direction", play(changed()))[0][0]
    assert missed.severity > plain.severity and "missed" in missed.sentence


@pytest.mark.parametrize("changes", [
    {"direction": "cross_court"}, {"direction": "middle"}, {"opponent_x_m": -5.5},
])
def test_kept_direction_or_open_line_is_silent(changes):
    seen = play(changed(**changes))
    assert look("change_direction", seen) == ([], []) and clear("change_direction", seen) == 1


def test_winner_is_silent():
    seen = play(changed(ended_point=True), [point(won_by="near", ended_by="winner")])
    assert look("change_direction", seen) == ([], [])


@pytest.mark.parametrize("changes", [
    {"incoming_speed_mps": 12.0}, {"contact_y_m": -10.0}, {"contact_x_m": 0.2},
    {"stroke": "approach"},
])
def test_slow_inside_or_central_ball_is_no_question(changes):
    seen = play(changed(**changes))
    assert look("change_direction", seen) == ([], []) and clear("change_direction", seen) == 0


def test_change_of_direction_abstains():
    assert look("change_direction", play(changed(incoming_speed_mps=None))) == (
        [], ["not measured: incoming_speed_mps"])
    assert look("change_direction", play(changed(incoming_speed_mps=16.5))) == ([], [TOO_NEAR])


def low(**changes):
    return shot(contact_x_m=3.6, contact_z_m=0.3, contact_z_m_sd=0.05, direction="down_the_line",
                bounce_x_m=3.7, net_clearance_m=0.08, net_clearance_m_sd=0.05) | changes


def test_low_ball_down_the_line_with_little_room():
    found, _ = look("low_line", play([low()]))
    assert [f.kind for f in found] == ["fault"] and "8 cm to spare" in found[0].sentence
    told = {e.name: e.value for e in found[0].evidence}
    # ITF Rules of Tennis: 0.914 m in the middle, 1.07 m at posts 0.914 m outside the doubles court.
    crossed = 3.6 + 0.1 * 12.0 / 21.5
    expected = 0.914 + (1.07 - 0.914) * crossed / (court.HALF_DOUBLES_M + 0.914)
    assert told["height of the net where it was crossed"] == pytest.approx(expected, abs=1e-6)


def test_into_the_net():
    row = low(ended_point=True, net_clearance_m=None, bounce_x_m=None, bounce_y_m=None)
    found, _ = look("low_line", play([row], [point(won_by="far", ended_by="error_net")]))
    assert [f.kind for f in found] == ["fault"] and "into the net" in found[0].sentence


@pytest.mark.parametrize("changes", [{"net_clearance_m": 0.9}, {"direction": "cross_court"}])
def test_room_or_lower_net_is_silent(changes):
    seen = play([low(**changes)])
    assert look("low_line", seen) == ([], []) and clear("low_line", seen) == 1


def test_high_ball_is_no_question():
    seen = play([low(contact_z_m=1.0)])
    assert look("low_line", seen) == ([], []) and clear("low_line", seen) == 0


def test_low_line_abstains():
    assert look("low_line", play([low(contact_z_m=None)])) == ([], ["not measured: contact_z_m"])
    assert look("low_line", play([low(net_clearance_m=None)])) == (
        [], ["not measured: net_clearance_m"])
    assert look("low_line", play([low(net_clearance_m=0.3, net_clearance_m_sd=0.3)])) == (
        [], [TOO_NEAR])
