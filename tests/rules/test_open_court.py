"""Open court used, missed, or played behind the runner."""

import pytest

from rallymill.rules.base import TOO_UNSURE
from tests.rules.planted import clear, look, play, point, shot


def struck(**changes):
    """Near player strikes from the middle with the far player pulled wide to the right."""
    return shot(
        contact_x_m=0.0, contact_y_m=-10.0, opponent_x_m=5.0, opponent_y_m=12.5,
        bounce_x_m=-3.0, bounce_y_m=9.5, flight_time_s=0.85, direction="cross_court",
    ) | changes


def test_no_shots():
    assert look("open_court", play([])) == ([], [])


def test_ball_into_the_open_court_is_a_credit():
    found, _ = look("open_court", play([struck()]))
    assert [f.kind for f in found] == ["credit"] and found[0].side == "near"
    assert "open court" in found[0].sentence


def test_ball_back_to_the_opponent_is_a_fault():
    row = struck(bounce_x_m=3.8, direction="cross_court")
    found, _ = look("open_court", play([row]))
    assert [f.kind for f in found] == ["fault"] and "went back" in found[0].sentence


def test_no_fault_under_pressure():
    row = struck(bounce_x_m=3.8, hitter_state="on_the_run")
    assert look("open_court", play([row]))[0] == []
    assert look("open_court", play([struck(bounce_x_m=3.8, time_to_prepare_s=0.7)]))[0] == []


def test_no_fault_when_it_won_the_point():
    row = struck(bounce_x_m=3.8, ended_point=True)
    assert look("open_court", play([row], [point(won_by="near", ended_by="winner")]))[0] == []


def test_behind_the_runner_is_a_credit():
    row = struck(opponent_x_m=1.0, opponent_vx_mps=-4.5, opponent_state="on_the_run",
                 bounce_x_m=3.7, flight_time_s=0.75)
    found, _ = look("wrong_foot", play([row]))
    assert [f.kind for f in found] == ["credit"] and "behind the runner" in found[0].sentence
    assert look("open_court", play([row])) == ([], [])


def ahead_of_runner(**changes):
    """The far player runs to the right; the near player's ball goes there too and is reached."""
    return struck(opponent_x_m=0.5, opponent_vx_mps=4.5, opponent_state="on_the_run",
                  bounce_x_m=3.2, bounce_y_m=9.5, flight_time_s=1.0, hitter_state="set") | changes


def test_ahead_of_a_runner_is_a_note_where_behind_was_better():
    found, _ = look("wrong_foot", play([ahead_of_runner()]))
    assert [f.kind for f in found] == ["note"] and "out of reach" in found[0].sentence
    told = {e.name: e.value for e in found[0].evidence}
    assert told["time to spare for a ball behind"] < 0 < told["time to spare for a ball ahead"]


@pytest.mark.parametrize("changes", [
    {"time_to_prepare_s": 0.8}, {"opponent_x_m": -3.2, "opponent_vx_mps": 3.2},
])
def test_no_note_without_time_or_where_behind_was_no_better(changes):
    seen = play([ahead_of_runner(**changes)])
    assert look("wrong_foot", seen) == ([], []) and clear("wrong_foot", seen) == 1


def test_nobody_runs_nothing_to_be_said():
    seen = play([ahead_of_runner(opponent_vx_mps=0.5)])
    assert look("wrong_foot", seen) == ([], []) and clear("wrong_foot", seen) == 0


def test_wrong_foot_abstains():
    assert look("wrong_foot", play([ahead_of_runner(flight_time_s=None)])) == (
        [], ["not measured: flight_time_s"])
    assert look("wrong_foot", play([ahead_of_runner(confidence=0.5)])) == ([], [TOO_UNSURE])


@pytest.mark.parametrize("changes", [
    {"opponent_x_m": 0.0, "bounce_x_m": 0.5}, {"in_court": False}, {"in_court": None},
    {"stroke": "serve"}, {"stroke": "lob"},
])
def test_silent(changes):
    assert look("open_court", play([struck(**changes)])) == ([], [])


def test_a_stroke_that_is_not_sure_cannot_be_told():
    assert look("open_court", play([struck(confidence=0.4)])) == ([], [TOO_UNSURE])


def test_abstains():
    assert look("open_court", play([struck(opponent_vx_mps=None)])) == (
        [], ["not measured: opponent_vx_mps"])
