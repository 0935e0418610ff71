"""Court, net and ball against the published rules.

Sources: ITF Rules of Tennis, rule 1 and appendix I; ITF Technical Booklet 2015, page 53, table 5
(dimensions with recommended tolerances). Numbers stand here as printed there.
"""

from __future__ import annotations

import numpy as np
import pytest

from rallymill import court, flight


def distance(one: str, other: str) -> float:
    points = court.named_points()
    return float(np.linalg.norm(points[one][:2] - points[other][:2]))


@pytest.mark.parametrize(
    ("one", "other", "printed_m", "tolerance_m"),
    [
        # Widths: tolerances 11, 5, 8 and 5 mm.
        ("near_left_doubles_corner", "near_right_doubles_corner", 10.973, 0.011),
        ("far_left_doubles_corner", "far_left_singles_corner", 1.372, 0.005),
        ("near_left_singles_corner", "near_right_singles_corner", 8.233, 0.008),
        ("near_left_singles_corner", "near_centre_mark", 4.115, 0.005),
        # Lengths: 24, 22 and 16 mm.
        ("near_left_doubles_corner", "far_left_doubles_corner", 23.774, 0.024),
        ("near_t", "far_t", 12.802, 0.022),
        ("near_left_doubles_corner", "far_right_doubles_corner", 26.184, 0.024),
    ],
)
def test_lengths_of_table_5(one: str, other: str, printed_m: float, tolerance_m: float) -> None:
    assert distance(one, other) == pytest.approx(printed_m, abs=tolerance_m)


def test_distances_from_the_net() -> None:
    points = court.named_points()
    assert -points["near_centre_mark"][1] == pytest.approx(11.887, abs=0.022)
    assert points["far_t"][1] == pytest.approx(6.401, abs=0.016)


def test_net() -> None:
    assert court.net_height_m(0.0) == pytest.approx(0.914)
    assert court.net_height_m(court.DOUBLES_POST_X_M) == pytest.approx(1.07)
    assert court.net_height_m(court.SINGLES_POST_X_M, court.SINGLES_POST_X_M) == pytest.approx(1.07)
    # Post centres 0.914 m outside the sideline: the net is 12.802 m long.
    assert pytest.approx(12.802, abs=0.005) == 2 * court.DOUBLES_POST_X_M
    assert pytest.approx(0.914) == court.DOUBLES_POST_X_M - court.HALF_DOUBLES_M
    assert pytest.approx(0.914) == court.SINGLES_POST_X_M - court.HALF_SINGLES_M


def test_widths_of_lines() -> None:
    for line in court.lines():
        if "baseline" in line.name:
            assert line.width_m <= 0.10
        elif "mark" in line.name or "centre" in line.name:
            assert line.width_m == pytest.approx(0.05)
        else:
            assert 0.025 <= line.width_m <= 0.05
    marks = [line for line in court.lines() if "mark" in line.name]
    assert {round(abs(line.y2_m - line.y1_m), 6) for line in marks} == {0.10}


def test_lines_are_measured_to_their_outside() -> None:
    corners = np.concatenate([line.corners() for line in court.lines()])
    assert np.abs(corners[:, 0]).max() == pytest.approx(10.97 / 2)
    assert np.abs(corners[:, 1]).max() == pytest.approx(23.77 / 2)
    by_name = {line.name: line.corners() for line in court.lines()}
    assert by_name["far_service"][:, 1].max() == pytest.approx(6.40)
    assert by_name["right_singles"][:, 0].max() == pytest.approx(8.23 / 2)
    assert np.abs(by_name["centre_service"][:, 0]).max() == pytest.approx(0.025)


def test_a_ball_that_touches_a_line_is_in() -> None:
    # Rule 12: the line belongs to the court that it bounds.
    just = 0.001
    assert court.in_singles(8.23 / 2, 23.77 / 2, radius_m=0.0)
    assert not court.in_singles(8.23 / 2 + just, 0.0, radius_m=0.0)
    assert not court.in_singles(0.0, 23.77 / 2 + just, radius_m=0.0)
    assert court.in_singles(8.23 / 2 + 0.03, 0.0), "the ball's edge touches"


@pytest.mark.parametrize(
    ("server", "half", "bounce", "good"),
    [
        # Rule 17: the service goes to the box diagonally opposite, from behind either half.
        ((0.8, -12.0), "deuce", (-2.0, 5.0), True),
        ((0.8, -12.0), "deuce", (2.0, 5.0), False),
        ((-0.8, -12.0), "ad", (2.0, 5.0), True),
        ((-0.8, 12.0), "deuce", (2.0, -5.0), True),
        ((0.8, 12.0), "ad", (-2.0, -5.0), True),
        ((0.8, 12.0), "ad", (2.0, -5.0), False),
        ((0.8, -12.0), "deuce", (-2.0, 6.5), False),
        ((0.8, -12.0), "deuce", (-4.3, 5.0), False),
        ((0.8, -12.0), "deuce", (-2.0, -5.0), False),
    ],
)
def test_service_goes_to_the_diagonal_box(
    server: tuple[float, float], half: str, bounce: tuple[float, float], good: bool
) -> None:
    assert court.serve_side(*server) == half
    assert court.in_service_box(*bounce, server[1], half) is good


def test_ball() -> None:
    # Appendix I, type 2.
    assert 0.0560 <= flight.BALL_MASS_KG <= 0.0594
    assert 0.0654 <= flight.BALL_DIAMETER_M <= 0.0686
    assert court.BALL_RADIUS_M == flight.BALL_RADIUS_M


@pytest.mark.parametrize(("restitution", "rebound_m"), [(0.729, 1.35), (0.761, 1.47)])
def test_rebound_of_a_dropped_ball(restitution: float, rebound_m: float) -> None:
    """Appendix I: dropped from 254 cm, a ball comes back to 135 to 147 cm.

    The restitutions are the square roots of 135/254 and 147/254, which leave the air aside. With
    quadratic drag a fall by h ends with v^2 = g / c (1 - exp(-2 c h)) and a rise from v goes to
    log(1 + c v^2 / g) / (2 c).
    """
    radius = flight.BALL_RADIUS_M
    surface = flight.Surface("concrete", 0.6, restitution)
    start = np.array([0, 0, 2.54 + radius, 0, 0, 0.0])
    _, ground = flight.fall_to(start, (0, 0))
    after, _ = flight.bounce(ground, (0, 0), surface)
    heights = flight.states(after, (0, 0), np.linspace(0.3, 0.7, 401))[:, 2] - radius
    c = flight.FORCE_FACTOR * flight.DRAG_COEFFICIENT
    g = flight.GRAVITY_MPS2
    v2 = restitution**2 * g / c * (1 - np.exp(-2 * c * 2.54))
    assert heights.max() == pytest.approx(np.log(1 + c * v2 / g) / (2 * c), abs=1e-4)
    assert 0.90 * rebound_m < heights.max() < rebound_m
    vacuum, _ = flight.bounce([0, 0, radius, 0, 0, -np.sqrt(2 * g * 2.54)], (0, 0), surface)
    assert vacuum[5] ** 2 / (2 * g) == pytest.approx(rebound_m, abs=0.002)
