"""Approach that is not followed, and closing in on an opponent in trouble."""

import pytest

from rallymill.rules.base import TOO_UNSURE
from tests.rules.planted import clear, look, play, point, reply_to, shot


def test_no_shots():
    for name in ("approach_followed", "closing_in"):
        assert look(name, play([])) == ([], [])


def attack(stands_m: float, coming_mps: float = 0.0, **changes):
    """Near player attacks from 7.5 m off the net, moving in; then stands ``stands_m`` from it."""
    row = shot(contact_y_m=-7.5, hitter_y_m=-7.8, hitter_vy_mps=2.5, speed_mps=31.0) | changes
    return [row, reply_to(row, opponent_y_m=-stands_m, opponent_vy_mps=coming_mps)]


def test_attack_that_is_not_followed():
    found, _ = look("approach_followed", play(attack(11.0)))
    assert [f.kind for f in found] == ["fault"] and found[0].side == "near"
    assert "7.5 m off the net" in found[0].sentence and "11.0 m from the net" in found[0].sentence


@pytest.mark.parametrize("rows", [attack(4.0), attack(9.0, 3.0)])
def test_followed_or_still_coming_is_silent(rows):
    assert look("approach_followed", play(rows)) == ([], [])
    assert clear("approach_followed", play(rows)) == 1


@pytest.mark.parametrize("changes", [
    {"speed_mps": 16.0}, {"hitter_vy_mps": -1.0}, {"contact_y_m": -11.5, "hitter_y_m": -11.8},
    {"stroke": "drop_shot"}, {"stroke": "return"},
])
def test_no_attack_no_question(changes):
    seen = play(attack(11.0, **changes))
    assert look("approach_followed", seen) == ([], []) and clear("approach_followed", seen) == 0


def test_no_time_to_come_in_no_question():
    rows = attack(9.4, hitter_vy_mps=1.6, contact_y_m=-8.2, hitter_y_m=-9.5)
    rows[1]["t_contact_s"] = rows[0]["t_contact_s"] + 0.4
    assert look("approach_followed", play(rows)) == ([], [])


def test_approach_abstains():
    assert look("approach_followed", play(attack(11.0, speed_mps=None))) == (
        [], ["not measured: speed_mps"])
    assert look("approach_followed", play(attack(11.0, confidence=0.3))) == ([], [TOO_UNSURE])


def troubled(after_m: float, **changes):
    """Near player strikes from the baseline; the far player replies slowly on the run."""
    row = shot(hitter_y_m=-12.3, bounce_x_m=3.8)
    reply = reply_to(row, opponent_y_m=-after_m, hitter_vx_mps=4.6, hitter_state="on_the_run",
                     speed_mps=14.0)
    return [row, reply | changes]


def test_waiting_at_the_baseline_for_a_weak_ball():
    found, _ = look("closing_in", play(troubled(12.4)))
    assert [f.kind for f in found] == ["fault"] and found[0].side == "near"
    assert "on the run at 4.6 m/s" in found[0].sentence and "50 km/h" in found[0].sentence
    assert "gave up 0.1 m" in found[0].sentence


def test_coming_forward_is_a_credit():
    found, _ = look("closing_in", play(troubled(8.3)))
    assert [f.kind for f in found] == ["credit"] and "came forward 4.0 m" in found[0].sentence


def test_stretched_opponent_is_in_trouble_too():
    rows = troubled(12.4, hitter_vx_mps=0.0)
    assert look("closing_in", play(rows)) == ([], [])
    rows[1]["hitter_x_m"] = rows[1]["contact_x_m"] - 2.0
    found, _ = look("closing_in", play(rows))
    assert "stretched 2.0 m from the feet" in found[0].sentence


def test_low_volley_is_trouble_at_the_net():
    rows = troubled(12.4, hitter_vx_mps=0.0, stroke="volley", contact_y_m=3.0, hitter_y_m=3.2,
                    contact_z_m=0.25)
    assert "a volley 0.2 m off the ground" in look("closing_in", play(rows))[0][0].sentence


@pytest.mark.parametrize("changes", [{"speed_mps": 29.0}, {"opponent_y_m": -10.0}])
def test_strong_reply_or_some_way_forward_is_silent(changes):
    seen = play(troubled(12.4, **changes))
    assert look("closing_in", seen) == ([], []) and clear("closing_in", seen) == 1


def test_no_time_is_silent():
    rows = troubled(12.4)
    rows[1]["t_contact_s"] = rows[0]["t_contact_s"] + 0.6
    assert look("closing_in", play(rows)) == ([], [])


@pytest.mark.parametrize("changes", [{"in_court": False}, {"hitter_vx_mps": 1.0}])
def test_reply_out_or_without_trouble_is_no_question(changes):
    seen = play(troubled(12.4, **changes))
    assert look("closing_in", seen) == ([], []) and clear("closing_in", seen) == 0


def test_closing_in_abstains():
    assert look("closing_in", play(troubled(12.4, speed_mps=None))) == (
        [], ["not measured: speed_mps"])
    assert look("closing_in", play(troubled(12.4), [point()]))[0]
    assert look("closing_in", play(troubled(12.4, confidence=0.5))) == ([], [TOO_UNSURE])
