"""Open line, drop shot and short ball."""

import pytest

from rallymill.rules.base import TOO_NEAR, TOO_UNSURE
from tests.rules.planted import clear, look, play, point, reply_to, shot


def test_no_shots():
    for name in ("open_line", "drop_shot", "short_ball"):
        assert look(name, play([])) == ([], [])


def run_to_short_ball(**changes):
    """Near player runs to a short ball on the left and plays it across; the right lies open."""
    row = shot(
        contact_x_m=-3.8, contact_y_m=-7.5, hitter_x_m=-3.4, hitter_y_m=-7.8, hitter_vx_mps=-3.5,
        hitter_vy_mps=2.5, hitter_state="on_the_run", incoming_depth="short",
        incoming_bounce_y_m=-5.0, direction="cross_court", bounce_x_m=3.4, bounce_y_m=8.0,
    )
    reply = reply_to(row, contact_x_m=3.7, opponent_x_m=-3.0, opponent_y_m=-9.0,
                     direction="down_the_line", t_contact_s=11.2)
    return [row | changes, reply]


def test_short_ball_across_leaves_the_line_open():
    found, _ = look("open_line", play(run_to_short_ball()))
    assert len(found) == 1 and found[0].side == "near" and found[0].kind == "fault"
    assert "and it came there" in found[0].sentence
    assert {e.name for e in found[0].evidence} >= {"speed of the hitter at contact"}


@pytest.mark.parametrize("changes", [
    {"direction": "down_the_line"}, {"incoming_depth": "deep"}, {"hitter_vx_mps": 0.0,
                                                                "hitter_vy_mps": 0.0},
    {"stroke": "return"},
])
def test_other_balls_are_silent(changes):
    assert look("open_line", play(run_to_short_ball(**changes))) == ([], [])


def test_hitter_back_in_front_of_the_line_is_silent():
    rows = run_to_short_ball()
    rows[1]["opponent_x_m"] = 2.0
    assert look("open_line", play(rows)) == ([], [])


def test_stroke_that_ended_the_point_is_silent():
    rows = [run_to_short_ball(ended_point=True)[0]]
    assert look("open_line", play(rows)) == ([], [])


def test_reply_that_was_not_seen_cannot_be_told():
    assert look("open_line", play(run_to_short_ball()[:1])) == ([], ["reply not seen"])


def test_open_line_abstains():
    assert look("open_line", play(run_to_short_ball(hitter_vx_mps=None))) == (
        [], ["not measured: hitter_vx_mps"])


def dropped(behind_m: float, **changes):
    return play([shot(stroke="drop_shot", contact_y_m=-11.885 - behind_m, ended_point=True,
                      bounce_y_m=2.5, depth="short", speed_mps=13.0) | changes])


def test_drop_shot_from_behind_the_baseline():
    found, _ = look("drop_shot", dropped(1.5))
    assert len(found) == 1 and found[0].kind == "fault" and "1.5 m behind" in found[0].sentence


def test_drop_shot_that_won_the_point_is_a_note():
    row = shot(stroke="drop_shot", contact_y_m=-13.4, ended_point=True)
    found, _ = look("drop_shot", play([row], [point(won_by="near", ended_by="winner")]))
    assert [f.kind for f in found] == ["note"]


@pytest.mark.parametrize("seen", [
    dropped(-3.0), dropped(1.5, opponent_y_m=16.5), dropped(1.5, stroke="groundstroke"),
])
def test_drop_shot_silent(seen):
    assert look("drop_shot", seen) == ([], [])


@pytest.mark.parametrize(("seen", "reason"), [
    (dropped(1.5, stroke_confidence=0.4), TOO_UNSURE),
    (dropped(0.1, contact_y_m_sd=1.0), TOO_NEAR),
])
def test_drop_shot_that_is_not_sure(seen, reason):
    assert look("drop_shot", seen) == ([], [reason])


def test_drop_shot_abstains():
    assert look("drop_shot", dropped(1.5, opponent_y_m=None)) == (
        [], ["not measured: opponent_y_m"])


def short_ball(**changes):
    """Far player leaves a short ball; near player pushes it back and retreats."""
    before = shot(hitter="far", player="ORR", opponent="MAR", contact_y_m=12.0, opponent_y_m=-12.8,
                  bounce_y_m=-4.8, depth="short", shot_number=2)
    row = shot(t_contact_s=11.5, contact_y_m=-8.0, hitter_y_m=-8.3, incoming_depth="short",
               incoming_bounce_y_m=-4.8, speed_mps=17.0, time_to_prepare_s=1.5) | changes
    return [before, row, reply_to(row, opponent_y_m=-12.5)]


def test_short_ball_left_alone():
    found, _ = look("short_ball", play(short_ball()))
    assert len(found) == 1 and found[0].side == "near" and found[0].shot_id == 1
    assert "4.8 m from the net" in found[0].sentence and "61 km/h" in found[0].sentence


@pytest.mark.parametrize("changes", [
    {"speed_mps": 30.0}, {"stroke": "approach"}, {"stroke": "return"}, {"stroke": "drop_shot"},
    {"time_to_prepare_s": 0.6}, {"incoming_depth": "deep", "incoming_bounce_y_m": -9.5},
])
def test_attacked_or_hurried_is_silent(changes):
    assert look("short_ball", play(short_ball(**changes))) == ([], [])


def test_staying_forward_is_silent():
    rows = short_ball()
    rows[2]["opponent_y_m"] = -5.0
    assert look("short_ball", play(rows)) == ([], [])


def test_short_ball_abstains():
    assert look("short_ball", play(short_ball(speed_mps=None))) == (
        [], ["not measured: speed_mps"])


def line_taken(**changes):
    """The same run, sent down the line; at the reply the hitter is back in front of the ball."""
    row = run_to_short_ball(direction="down_the_line", bounce_x_m=-3.4)[0]
    reply = reply_to(row, contact_x_m=-3.6, opponent_x_m=0.2, opponent_y_m=-12.2,
                     direction="cross_court", t_contact_s=11.6)
    return [row, reply | changes]


def test_line_taken_is_a_credit_with_what_happened_next():
    found, _ = look("open_line", play(line_taken(), [point(won_by="near", ended_by="error_long")]))
    assert [f.kind for f in found] == ["credit"]
    assert "the reply came across the court, and the point was won" in found[0].sentence


def test_line_taken_with_a_side_out_of_reach_is_silent():
    seen = play(line_taken(opponent_x_m=-6.0, opponent_vx_mps=-4.0))
    assert look("open_line", seen) == ([], []) and clear("open_line", seen) == 1


def test_an_attacked_short_ball_is_an_opportunity_too():
    for changes in ({"speed_mps": 30.0}, {"stroke": "approach"}):
        assert clear("short_ball", play(short_ball(**changes))) == 1
    assert clear("short_ball", play(short_ball(time_to_prepare_s=0.6))) == 0
