"""The return under pressure, the ball at the body, and the racket that nobody measures."""

import pytest

from rallymill.rules.base import TOO_NEAR
from rallymill.rules.preparation import UNSEEN
from tests.rules.planted import clear, look, play, point, shot


def test_no_shots():
    for name in ("return_choice", "jammed", "racket_back"):
        assert look(name, play([])) == ([], [])


def returned(serve_mps: float = 55.0, **changes):
    serve = shot(hitter="far", player="ORR", opponent="MAR", stroke="serve", shot_number=1,
                 contact_y_m=11.9, speed_mps=serve_mps, direction="wide", bounce_y_m=-5.5)
    row = shot(t_contact_s=10.7, shot_number=2, stroke="return", contact_x_m=3.6, hitter_x_m=3.0,
               direction="middle", bounce_x_m=0.3, bounce_y_m=10.6) | changes
    return [serve, row]


def test_middle_and_deep_is_a_credit():
    found, _ = look("return_choice", play(returned()))
    assert [f.kind for f in found] == ["credit"] and "198 km/h" in found[0].sentence
    assert "10.6 m from the net" in found[0].sentence


def test_close_to_the_line_is_a_fault():
    found, _ = look("return_choice", play(returned(direction="down_the_line", bounce_x_m=3.9)))
    assert [f.kind for f in found] == ["fault"] and "close to the sideline" in found[0].sentence


def test_missed_line_is_a_fault():
    rows = returned(direction="down_the_line", bounce_x_m=4.6, ended_point=True, in_court=False)
    found, _ = look("return_choice", play(rows, [point(won_by="far", ended_by="error_wide")]))
    assert [f.kind for f in found] == ["fault"] and "it missed" in found[0].sentence


def test_stretch_is_pressure_too():
    rows = returned(30.0, hitter_x_m=1.6)
    assert [f.kind for f in look("return_choice", play(rows))[0]] == ["credit"]


@pytest.mark.parametrize("changes", [
    {"direction": "cross_court", "bounce_x_m": -3.8}, {"bounce_y_m": 6.0},
    {"direction": "down_the_line", "bounce_x_m": 2.0},
])
def test_across_short_or_with_margin_is_silent(changes):
    seen = play(returned(**changes))
    assert look("return_choice", seen) == ([], []) and clear("return_choice", seen) == 1


def test_no_pressure_no_question():
    seen = play(returned(30.0))
    assert look("return_choice", seen) == ([], []) and clear("return_choice", seen) == 0


def test_return_abstains():
    assert look("return_choice", play(returned(contact_x_m=None))) == (
        [], ["not measured: contact_x_m"])
    assert look("return_choice", play(returned(bounce_y_m=9.1, bounce_y_m_sd=0.5))) == (
        [], [TOO_NEAR])


def jam(beside_m: float, **changes):
    return play([shot(stroke="return", shot_number=2, hitter_x_m=0.5 - beside_m, direction="middle",
                      bounce_y_m=5.0, depth="short") | changes])


def test_jammed():
    found, _ = look("jammed", jam(0.05))
    assert [f.kind for f in found] == ["fault"] and "5 cm beside" in found[0].sentence
    assert "a serve at the body" in found[0].sentence


@pytest.mark.parametrize("seen", [
    jam(0.9), jam(0.05, direction="cross_court", bounce_y_m=10.5, depth="deep"),
])
def test_room_or_a_good_reply_is_silent(seen):
    assert look("jammed", seen) == ([], []) and clear("jammed", seen) == 1


def test_jammed_abstains():
    assert look("jammed", jam(0.05, hitter_x_m=None)) == ([], ["not measured: hitter_x_m"])
    assert look("jammed", jam(0.05, hitter_x_m_sd=0.5)) == ([], [TOO_NEAR])


def test_racket_is_never_told():
    found, reasons = look("racket_back", play([shot(hitter_vx_mps=5.0)]))
    assert found == [] and reasons == [UNSEEN]
    assert look("racket_back", play([shot(hitter_vx_mps=0.5)])) == ([], [])
