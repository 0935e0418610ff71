"""Where rallies end: the fence, the ground outside the picture, strokes of no human speed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rallymill import flight
from rallymill.camera import Camera
from rallymill.flightfit import arc, rally
from rallymill.stages.flight import candidates, grammar, rallies, rallies_end
from rallymill.stages.flight.contacts import (
    BOUNCE,
    HIT_FAR,
    HIT_NEAR,
    LOST,
    NET,
    OUT_FAR,
    RUN_BACK_M,
    SERVE_FAR,
    SERVE_NEAR,
    Player,
)
from rallymill.stages.flight.hypotheses import Flight

CAMERA = Camera.looking_at((0, -24, 8), (0, 0, 0), 1400, 1280, 720)
N = 60
NOBODY = Player(np.zeros(0), np.zeros((0, 2)), np.zeros((0, 4)))
WHO = {"near": NOBODY, "far": NOBODY}


def view() -> candidates.Picture:
    n = np.arange(N)
    matrix = np.repeat(CAMERA.matrix[None], N, axis=0)
    return candidates.Picture(n, n / 25, matrix, np.zeros(N), np.full(N, 1400.0), 1280, 720)


def fit_of(places, sd_m: float) -> rally.RallyFit:
    place = np.array(places, dtype=float)
    m = len(place)
    flights = np.zeros((m - 1, 3))
    return rally.RallyFit(
        np.arange(m, dtype=float), place, flights, np.zeros((m - 1, 2)), flights, np.zeros(m),
        np.full((m, 3), sd_m), flights, np.zeros((m - 1, 2)), np.ones(m - 1),
        np.full(m - 1, 9), np.full(m - 1, 9), np.ones(m - 1), np.zeros(m - 1), 0.0,
    )


@pytest.mark.parametrize(
    ("y_m", "sd_m", "by_it"),
    [(12.0, 2.0, False), (17.0, 0.1, False), (17.0, 1.5, True), (RUN_BACK_M - 0.1, 0.05, True),
     (RUN_BACK_M + 3, 0.1, True), (-17.5, 0.2, False), (-17.0, 1.0, True)],
)  # fmt: skip
def test_an_unsure_bounce_near_the_fence_may_be_the_fence(y_m, sd_m, by_it) -> None:
    assert rallies_end.by_the_fence(fit_of([(0, 0, 1), (0, y_m, 0.03)], sd_m), 1) == by_it


def test_a_dead_ball_that_meets_the_fence_has_no_further_bounce() -> None:
    places = [(0, -11.5, 2.7), (0.5, 5, 0), (0.5, 11, 0), (0.5, 17, 0)]
    kinds = (SERVE_FAR - 1, BOUNCE, BOUNCE, BOUNCE)
    assert rallies_end.cut_dead(kinds, fit_of(places, 0.1), 0.15) == (4, True)
    assert rallies_end.cut_dead(kinds, fit_of(places, 1.0), 0.15) == (3, True)
    to_fence = (*kinds[:3], OUT_FAR)
    assert rallies_end.cut_dead(to_fence, fit_of(places, 1.0), 0.15) == (4, True)


def falling(y_m: float, vy_mps: float, z_m: float = 1.0) -> tuple[rallies_end.Guess, float]:
    """A ball struck at the far end that is lost in flight, and when it meets the ground."""
    start = np.array([0.3, y_m, z_m, 0.0, vy_mps, 1.0])
    fall, _ = flight.fall_to(start, np.zeros(2))
    guess = rallies_end.Guess(
        (HIT_FAR, LOST), np.array([0.4, 0.6]), np.array([start[:3], [0, 0, 0]]), start[None, 3:],
        np.zeros((1, 2)), np.array([0.02, 0.002]),
    )
    return guess, 0.4 + float(fall)


def test_a_ball_that_leaves_the_picture_is_followed_to_the_ground() -> None:
    # It comes down at about y = -18, which this camera does not see.
    guess, down_s = falling(-6.0, -19.0)
    found = rallies_end.land(guess, np.array([0.5, 0.6]), view(), WHO)
    assert found.kinds == (HIT_FAR, BOUNCE)
    assert found.time_s[-1] == pytest.approx(down_s)
    assert found.place[-1, 1] < -15 and found.place[-1, 2] < 0.05


def test_a_last_bounce_that_is_hardly_known_in_time_is_none_in_the_picture() -> None:
    seen, unseen = fit_of([(0, 0, 1), (0, 5, 0)], 0.1), fit_of([(0, 0, 1), (0, -23.5, 0)], 0.1)
    for fit, time_sd_s, unsure in (
        (seen, 0.01, False), (seen, 0.06, True), (unseen, 0.06, False)):
        known = replace(fit, time_sd=np.array([0.0, time_sd_s]))
        assert rallies_end.unsure_landing(known, view()) == unsure


@pytest.mark.parametrize(("time_sd_s", "dead"), [(0.01, True), (0.06, False)])
def test_a_second_bounce_that_may_not_have_been_does_not_end_the_rally(
    time_sd_s: float, dead: bool
) -> None:
    places = [(0, -11.5, 1.0), (0.5, 5.0, 0.03), (0.5, 9.0, 0.03)]
    fit = fit_of(places, 0.1)
    fit = replace(
        fit, time_s=np.array([0.0, 0.6, 1.2]), time_sd=np.array([0.0, 0.0, time_sd_s]),
        velocity=np.array([[0.0, 25.0, 5.0], [0.0, 8.0, 4.0]]))
    kinds = (HIT_NEAR, BOUNCE, BOUNCE)
    over = rallies_end.cut_dead(kinds, fit, 0.15)[1]
    [found] = rallies._believed(kinds, fit, over, view(), 0.15)
    assert over and found.dead == dead
    assert found.kinds[-1] == (BOUNCE if dead else LOST)


def test_a_ball_lost_in_the_picture_is_not_followed_for_long() -> None:
    guess, down_s = falling(6.0, -12.0)
    assert rallies_end.land(guess, np.array([0.5, 0.6]), view(), WHO).kinds[-1] == LOST
    found = rallies_end.land(guess, np.array([0.5, down_s - 0.05]), view(), WHO)
    assert found.kinds[-1] == LOST  # seen after its end: not this flight's
    late = replace(guess, time_s=np.array([0.4, down_s - 0.02]))
    assert rallies_end.land(late, np.array([0.5, down_s - 0.05]), view(), WHO).kinds[-1] == BOUNCE


@pytest.mark.parametrize(
    ("kind", "speed_mps", "least", "most"),
    [(HIT_FAR, 30, 0, 0), (HIT_FAR, 38, 0, 0), (HIT_FAR, 58, 5, 6), (SERVE_FAR, 58, 0, 0),
     (SERVE_FAR, 80, 4, 5), (BOUNCE, 58, 0, 0)],
)  # fmt: skip
def test_strokes_of_no_human_speed_cost(kind, speed_mps, least, most) -> None:
    assert least <= extra_cost(kind, BOUNCE, speed_mps, end_y_m=-8.0) <= most


def extra_cost(
    first: int, last: int, speed_mps: float = 30.0, end_y_m: float = -8.0, low_m: float = 1.0
) -> float:
    """What a flight costs beyond its points and priors; strokes start from the far end."""
    start = np.array([0, 11, low_m, 0, -speed_mps, 0], dtype=float)
    end = np.array([0, end_y_m, low_m, 0, -speed_mps, -3], dtype=float)
    fit = arc.ArcFit(start, end, np.zeros(2), np.eye(6), np.eye(6), 2.0, 1.0, 9, 1.0)
    return Flight(0, 1, first, last, fit).cost - 3.0


def test_a_stroke_that_lands_before_the_net_is_odd_but_possible() -> None:
    assert extra_cost(HIT_FAR, BOUNCE, end_y_m=0.8) > 5.0
    assert extra_cost(HIT_FAR, BOUNCE, end_y_m=-0.8) == 0.0
    assert extra_cost(BOUNCE, BOUNCE, end_y_m=0.8) == 0.0


def test_a_stroke_below_the_ground_costs_more_the_lower_it_is() -> None:
    costs = [extra_cost(HIT_FAR, BOUNCE, low_m=z) for z in (0.2, 0.0, -0.1, -0.2, -0.3)]
    assert costs[:2] == [0.0, 0.0] and costs[1:] == sorted(costs[1:]) and costs[-1] > 2.0
    assert extra_cost(BOUNCE, BOUNCE, low_m=-0.3) == 0.0


def test_a_stroke_after_two_bounces_is_dearer_than_after_one() -> None:
    def joined(first: int) -> float:
        fall = np.array([0, -8, 0.03, 0, -10, -4], dtype=float)
        rise = np.array([0, -8, 0.03, 0, -7, 3.1], dtype=float)
        fit = arc.ArcFit(rise, fall, np.zeros(2), np.eye(6), np.eye(6), 2.0, 1.0, 9, 1.0)
        before, after = Flight(0, 1, first, BOUNCE, fit), Flight(1, 2, BOUNCE, HIT_NEAR, fit)
        return float(grammar._join_costs([before], [after], BOUNCE, 0.02)[0, 0])

    assert joined(BOUNCE) == pytest.approx(joined(HIT_FAR) + grammar.TWICE_COST)


@pytest.mark.parametrize(("z_m", "last", "goes_on", "stays"), [
    (0.7, LOST, False, False),
    (1.3, NET, False, False),
    (2.6, LOST, False, True),
    (0.7, BOUNCE, False, True),
    (0.7, LOST, True, True),
])
def test_a_lone_low_stroke_that_leads_nowhere_is_no_rally(z_m, last, goes_on, stays) -> None:
    before = rallies.Rally((SERVE_NEAR, LOST), fit_of([(0, -11.5, 2.6), (1, 3, 1.5)], 0.05), False,
                           False)
    lone = rallies.Rally((HIT_FAR, last), fit_of([(-3, 11.7, z_m), (-2, 2, 1.0)], 0.05), False,
                         False, goes_on)
    kept = rallies.without_lone_strokes([before, lone])
    assert [item.kinds for item in kept] == [before.kinds, lone.kinds][:1 + stays]
