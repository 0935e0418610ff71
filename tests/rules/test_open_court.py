"""Open court used, missed, or played behind the runner."""

import pytest

from rallymill.rules.base import TOO_UNSURE
from tests.rules.planted import look, play, point, shot


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
    found, _ = look("open_court", play([row]))
    assert [f.kind for f in found] == ["credit"] and "behind the runner" in found[0].sentence


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
