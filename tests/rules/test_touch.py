"""Drop shot as a surprise, and the lob."""

import pytest

from rallymill.rules.base import TOO_UNSURE
from tests.rules.planted import clear, look, play, point, reply_to, shot

WON = [point(won_by="near", ended_by="winner")]


def dropped(**changes):
    return shot(stroke="drop_shot", contact_y_m=-9.5, opponent_y_m=15.0, ended_point=True,
                bounce_y_m=2.5, depth="short", speed_mps=13.0) | changes


def test_against_an_opponent_far_back_is_a_credit():
    found, _ = look("drop_shot", play([dropped()], WON))
    assert [f.kind for f in found] == ["credit"]
    assert "2.4 m inside the baseline" in found[0].sentence
    assert "3.1 m behind the other" in found[0].sentence


def test_against_an_opponent_who_still_goes_back_is_a_credit():
    found, _ = look("drop_shot", play([dropped(opponent_y_m=12.5, opponent_vy_mps=3.0)], WON))
    assert [f.kind for f in found] == ["credit"] and "going back at 3.0 m/s" in found[0].sentence


@pytest.mark.parametrize(("changes", "points"), [
    ({}, [point(won_by="far", ended_by="winner")]),
    ({"opponent_y_m": 12.5}, WON),
    ({"opponent_y_m": 12.5, "opponent_vy_mps": -3.0}, WON),
])
def test_no_surprise_no_credit(changes, points):
    seen = play([dropped(**changes)], points)
    assert look("drop_shot", seen) == ([], []) and clear("drop_shot", seen) == 1


def lobbed(**changes):
    return shot(stroke="lob", opponent_y_m=2.5, bounce_y_m=10.4, speed_mps=17.0,
                time_to_prepare_s=0.9) | changes


def test_over_a_closed_net_and_deep_is_a_credit():
    found, _ = look("lob", play([lobbed()]))
    assert [f.kind for f in found] == ["credit"] and "2.5 m from the net" in found[0].sentence
    assert "10.4 m behind it" in found[0].sentence


def test_short_of_an_opponent_at_the_net():
    found, _ = look("lob", play([lobbed(bounce_y_m=5.0)]))
    assert [f.kind for f in found] == ["fault"] and "5.0 m behind it" in found[0].sentence


def test_struck_down():
    row = lobbed(bounce_x_m=0.0, bounce_y_m=None, in_court=None)
    found, _ = look("lob", play([row, reply_to(row, stroke="overhead")]))
    assert [f.kind for f in found] == ["fault"] and "struck down" in found[0].sentence


def test_with_time_and_nobody_at_the_net():
    found, _ = look("lob", play([lobbed(opponent_y_m=12.5, time_to_prepare_s=1.6)]))
    assert [f.kind for f in found] == ["fault"] and "without need" in found[0].sentence


@pytest.mark.parametrize("changes", [
    {"opponent_y_m": 5.0}, {"opponent_y_m": 12.5},
    {"opponent_y_m": 12.5, "time_to_prepare_s": 1.6, "hitter_state": "on_the_run"},
])
def test_not_closed_or_under_pressure_is_silent(changes):
    seen = play([lobbed(**changes)])
    assert look("lob", seen) == ([], []) and clear("lob", seen) == 1


def test_lob_abstains():
    assert look("lob", play([lobbed(opponent_y_m=None)])) == ([], ["not measured: opponent_y_m"])
    assert look("lob", play([lobbed(stroke_confidence=0.5)])) == ([], [TOO_UNSURE])
