"""Geometry of the court beyond what the rules print."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rallymill import court

metres = st.floats(-20, 20, allow_nan=False)


def test_lines_are_symmetric() -> None:
    middles = {line.name: line.ends() for line in court.lines()}
    assert len(middles) == 11
    assert np.allclose(middles["near_baseline"] * [1, -1, 1], middles["far_baseline"])
    assert np.allclose(middles["left_singles"] * [-1, 1, 1], middles["right_singles"])
    assert np.allclose(middles["left_doubles"] * [-1, 1, 1], middles["right_doubles"])


def test_a_singles_court_has_no_alleys() -> None:
    names = {line.name for line in court.lines(doubles=False)}
    assert not {name for name in names if "doubles" in name}
    widest = max(np.abs(line.corners()[:, 0]).max() for line in court.lines(doubles=False))
    assert widest == pytest.approx(court.HALF_SINGLES_M)


@given(metres, metres)
def test_turning_the_court_round_changes_no_call(x: float, y: float) -> None:
    assert court.in_singles(x, y) == court.in_singles(-x, -y) == court.in_singles(-x, y)
    assert court.net_height_m(x) == court.net_height_m(-x)
    assert court.depth_zone(y) == court.depth_zone(-y)
    for half in ("deuce", "ad"):
        from_near = court.in_service_box(x, y, -12.0, half)
        assert from_near == court.in_service_box(-x, -y, 12.0, half)


@given(metres, metres, st.floats(0, 0.04))
def test_a_wider_ball_is_never_less_in(x: float, y: float, radius: float) -> None:
    assert not court.in_singles(x, y, 0.0) or court.in_singles(x, y, radius)


@given(st.floats(0.1, 4.0), st.floats(0.1, 6.3))
def test_exactly_one_half_is_right_for_a_serve_inside_a_box(x: float, y: float) -> None:
    good = [court.in_service_box(x, y, -12.0, half, radius_m=0.0) for half in ("deuce", "ad")]
    assert good == [False, True]


def test_net_height_stays_within_strap_and_posts() -> None:
    heights = court.net_height_m(np.linspace(-8, 8, 161))
    assert heights.min() == court.NET_CENTRE_M
    assert heights.max() == court.NET_POST_M


def test_depth_zones() -> None:
    zones = [court.depth_zone(y) for y in (0.5, -6.4, 6.41, -9.1, 9.2, -11.9)]
    assert zones == ["short", "short", "middle", "middle", "deep", "deep"]


def test_bisector_of_the_published_example() -> None:
    """Contact (3, -11.885), receiver at depth 12.8: between the baseline corners it lies 0.03 m
    left of the middle; with a cross-court extreme at sideline and service line 1.04 m left."""
    left, right = (-4.115, 11.885), (4.115, 11.885)
    wide = court.bisector_x_m(3.0, -11.885, left, right, 12.8)
    assert wide == pytest.approx(-0.03, abs=0.01)
    short = court.bisector_x_m(3.0, -11.885, (-4.115, 6.40), right, 12.8)
    assert short == pytest.approx(-1.04, abs=0.01)


@given(st.floats(-4, 4), st.floats(-14, -6), st.floats(9, 15))
def test_bisector_halves_the_angle(x: float, y: float, depth: float) -> None:
    left, right = (-4.115, 11.885), (4.115, 11.885)
    at = court.bisector_x_m(x, y, left, right, depth)

    def bearing(point: tuple[float, float]) -> float:
        return float(np.arctan2(point[0] - x, point[1] - y))

    assert bearing((at, depth)) == pytest.approx((bearing(left) + bearing(right)) / 2, abs=1e-9)
    mirrored = court.bisector_x_m(-x, y, left, right, depth)
    assert mirrored == pytest.approx(-at, abs=1e-9)
    # The far player's bisector is the near player's, turned round.
    turned = court.bisector_x_m(-x, -y, (-left[0], -left[1]), (-right[0], -right[1]), -depth)
    assert turned == pytest.approx(-at, abs=1e-9)
