"""Directions from hand-made strokes, on both sides and for both hands."""

from __future__ import annotations

import pytest

from rallymill.court_directions import (
    line_end_x_m,
    movement_state,
    opponent_baseline_y_m,
    serve_direction,
    stroke_direction,
)


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize(
    ("contact_x", "end_x", "wing", "right", "body_x", "expected"),
    [
        (3.0, -3.0, "forehand", True, 2.4, "cross_court"),
        (3.0, 3.2, "forehand", True, 2.4, "down_the_line"),
        (3.0, 1.3, "forehand", True, 2.4, "middle"),
        (-3.0, 2.5, "backhand", True, -2.4, "cross_court"),
        (-2.0, 3.0, "forehand", True, -2.6, "inside_out"),
        (-2.0, -3.0, "forehand", True, -2.6, "inside_in"),
        (2.0, -3.0, "forehand", False, 2.6, "inside_out"),
        (-2.0, 3.0, "forehand", None, -2.6, "cross_court"),
        (-0.9, 3.0, "forehand", True, -1.5, "cross_court"),
        (0.2, -3.0, "forehand", True, -0.4, "cross_court"),
        (0.2, 3.0, "forehand", True, -0.4, "down_the_line"),
        (-0.2, -3.0, "forehand", True, -0.8, "cross_court"),
        (-0.2, -3.0, "forehand", True, None, "down_the_line"),
    ],
)
def test_strokes(
    sign: int,
    contact_x: float,
    end_x: float,
    wing: str,
    right: bool | None,
    body_x: float | None,
    expected: str,
) -> None:
    body = None if body_x is None else sign * body_x
    assert (
        stroke_direction(sign * contact_x, -11.0 * sign, sign * end_x, wing, right, body)
        == expected
    )


@pytest.mark.parametrize(
    ("x", "expected"), [(0.5, "t"), (-1.3, "t"), (2.0, "body"), (-2.7, "body"), (3.9, "wide")]
)
def test_serves(x: float, expected: str) -> None:
    assert serve_direction(x) == expected


def test_line_is_led_on_to_the_baseline() -> None:
    assert opponent_baseline_y_m(-3.0) == pytest.approx(11.885)
    assert line_end_x_m(1.0, -10.0, 0.0, 0.0, 10.0) == pytest.approx(-1.0)
    assert line_end_x_m(1.0, -10.0, 0.0, -10.0, 10.0) is None
    assert line_end_x_m(1.0, -10.0, 0.0, -12.0, 10.0) is None


def test_movement() -> None:
    assert movement_state(0.5) == "set"
    assert movement_state(2.0) == "recovering"
    assert movement_state(4.0) == "on_the_run"
    assert movement_state(4.0, 0.05) == "airborne"
