"""Strokes that nobody sees: the ball is lost on its way to a player and found on its way back."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rallymill import court, flight
from rallymill.flightfit import arc, rally
from rallymill.stages.flight import contacts, grammar, hypotheses, priors, rallies, stitching
from rallymill.stages.flight.contacts import (
    BOUNCE,
    HIT_FAR,
    HIT_NEAR,
    LOST,
    OUT_NEAR,
    SERVE_NEAR,
)
from tests.stages.test_flight_hidden import CAMERA, NOBODY, RATE, path_of, picture

WHO = {"near": NOBODY, "far": NOBODY}
ELSEWHERE_M = 2.4
UNSEEN_S = 0.9
OPTIONS = rallies.FitOptions(2.65, 1.0, 0.08, 3.0, 0.15, rally.BouncePrior())


def flown(start: np.ndarray, from_s: float, to_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Frames and image points of a flight between two times."""
    frames = np.arange(np.ceil(from_s * RATE), np.ceil(to_s * RATE)).astype(int)
    return frames, CAMERA.project(flight.states(start, (0, 0), frames / RATE - from_s)[:, :3])


def player(feet_m: np.ndarray, t_s: np.ndarray) -> contacts.Player:
    """A player who stands at a place for all that is seen."""
    low, high = CAMERA.project(np.array([[*feet_m, 0.0], [*feet_m, 1.85]]))
    box = np.array([low[0] - 20, high[1], low[0] + 20, low[1]])
    return contacts.Player(t_s, np.tile(feet_m, (len(t_s), 1)), np.tile(box, (len(t_s), 1)))


def stroke_between(
    hidden_s: float, unseen_s: float = UNSEEN_S
) -> tuple[list[rallies.Rally], float, np.ndarray]:
    """A ball from the far end, its bounce, a stroke about which it is hidden, and its way back.

    The player is seen too far from the ball to reach it, as where the picture ends beside a runner.
    Rallies that are found, and the time and place of the stroke.
    """
    coming = np.array([1.0, 11.5, 1.0, 0.6, -20.0, 5.5])
    bounce_s, low = flight.fall_to(coming, (0, 0))
    up = np.array([*low[:3], *(low[3:] * [0.7, 0.7, -0.78])])
    struck_s = float(bounce_s) + 0.45
    place = flight.states(up, (0, 0), [0.45])[0, :3]
    back = np.array([*place, -2.0, 22.0, 5.0])
    land_s, landed = flight.fall_to(back, (0, 0))
    over = np.array([*landed[:3], *(landed[3:] * [0.7, 0.7, -0.78])])
    end_s = struck_s + float(land_s)
    parts = [flown(coming, 0.0, bounce_s), flown(up, bounce_s, struck_s),
             flown(back, struck_s, end_s), flown(over, end_s, end_s + 0.3)]
    slots, image = (np.concatenate([part[k] for part in parts]) for k in (0, 1))
    noise = np.random.default_rng(4).normal(0, 0.4, image.shape)
    seen = np.abs(slots / RATE - struck_s) > hidden_s / 2
    path, view = path_of((image + noise)[seen], slots[seen]), picture(int(slots[-1]) + 2)
    sigma = np.ones(len(path))
    who = WHO | {"near": player(place[:2] - [ELSEWHERE_M, 0.3], view.t_s)}
    chain = (path.t_s > struck_s).astype(np.int64)
    moments = contacts.find(path, sigma, view, who, 0.12, chain)
    single = hypotheses.flights(
        path, view.matrix[path.slot], sigma, moments, who, view.period_s, serve_height_m=2.65)
    unread = grammar.unread_costs(path, view.matrix[path.slot])
    found: list[rallies.Rally] = []
    for reading in grammar.merge(grammar.read(single, moments, unread), moments, 0.3, unseen_s):
        found += rallies.fit_reading(reading, moments, path, sigma, path, view, who, OPTIONS)
    return found, struck_s, place


@pytest.mark.parametrize("hidden_s", [0.26, 0.3, 0.34])
def test_a_stroke_is_read_between_a_ball_that_is_lost_and_the_same_found_coming_back(hidden_s):
    found, struck_s, place = stroke_between(hidden_s)
    strokes = [
        (float(item.fit.time_s[k]), item.fit.place[k]) for item in found
        for k, kind in enumerate(item.kinds) if kind == HIT_NEAR
    ]
    assert len(found) == 1 and len(strokes) == 1
    assert strokes[0][0] == pytest.approx(struck_s, abs=2 / RATE)
    assert strokes[0][1] == pytest.approx(place, abs=0.5)
    without = stroke_between(hidden_s, unseen_s=0.0)[0]
    assert not any(kind == HIT_NEAR for item in without for kind in item.kinds)


def single(first: int, last: int, kinds: tuple[int, int], start, end) -> hypotheses.Flight:
    fit = arc.ArcFit(np.array(start, dtype=float), np.array(end, dtype=float), np.zeros(2),
                     np.eye(6) * 0.01, np.eye(6) * 0.01, 5.0, 0.0, 12, 0.5)
    return hypotheses.Flight(first, last, *kinds, fit)


def chains(gap_s: float, aside_m: float = 0.0, back_mps: float = 20.0):
    """A chain that is lost on its way to the near player and one found later, and the moments."""
    before = (single(0, 1, (HIT_FAR, BOUNCE), [0, 12, 1, 1, -22, 5], [1, -7, 0.03, 1, -16, -5]),
              single(1, 2, (BOUNCE, LOST), [1, -7, 0.03, 1, -11, 4], [1.4, -11, 1.2, 1, -10, 0]))
    y = -11 - 10 * gap_s / 2 + back_mps * gap_s / 2
    after = (single(3, 4, (LOST, BOUNCE), [1.4 + aside_m, y, 1.3, -2, back_mps, 3],
                    [-1, 7, 0.03, -2, 15, -5]),)
    moments = SimpleNamespace(t_s=np.array([0.0, 0.9, 1.3, 1.3 + gap_s, 2.4]))
    return before, after, moments


@settings(max_examples=40)
@given(st.floats(0.04, 0.8))
def test_flights_that_meet_where_a_player_stands_have_a_stroke_between_them(gap_s):
    before, after, moments = chains(gap_s)
    both = stitching.joined(before, after, moments, UNSEEN_S)
    assert both is not None
    kinds = [(part.first_kind, part.last_kind) for part in both]
    assert kinds == [(HIT_FAR, BOUNCE), (BOUNCE, HIT_NEAR), (HIT_NEAR, BOUNCE)]


@pytest.mark.parametrize("changed", [
    {"gap_s": 1.4}, {"gap_s": 0.2, "aside_m": 5.0}, {"gap_s": 0.2, "back_mps": -6.0},
    {"gap_s": 0.2, "back_mps": 2.0},
])
def test_what_is_too_late_too_far_or_does_not_come_back_is_no_stroke(changed):
    assert stitching.joined(*chains(**changed), UNSEEN_S) is None


@pytest.mark.parametrize(("back_mps", "struck"), [(20.0, True), (10.0, False)])
def test_what_comes_back_faster_than_from_any_fence_was_struck_and_did_not_meet_one(
    back_mps: float, struck: bool
) -> None:
    before, after, moments = chains(0.2, back_mps=back_mps)
    at_fence = (replace(before[-1], last_kind=OUT_NEAR),)
    found = stitching.joined((*before[:-1], *at_fence), after, moments, UNSEEN_S)
    assert (found is not None) == struck
    if found is not None:
        assert HIT_NEAR in [part.last_kind for part in found]


def test_nobody_strikes_twice_nor_after_two_bounces():
    before, after, moments = chains(0.2)
    own = (replace(before[0], first_kind=HIT_NEAR), before[1])
    assert stitching.joined(own, after, moments, UNSEEN_S) is None
    twice = (before[0], replace(before[1], last_kind=BOUNCE), before[1])
    assert stitching.joined(twice, after, moments, UNSEEN_S) is None
    again = (replace(after[0], last_kind=HIT_NEAR),)
    assert stitching.joined(before, again, moments, UNSEEN_S) is None


def test_a_bounce_just_before_an_unseen_stroke_gets_a_flight_of_its_own():
    before, _, _ = chains(0.2)
    after = (single(2, 3, (SERVE_NEAR, BOUNCE), [1.1, -8.6, 0.7, -2, 20, 4],
                    [-1, 9, 0.03, -2, 15, -5]),)
    moments = SimpleNamespace(t_s=np.array([0.0, 0.9, 1.05, 2.2]))
    both = stitching.joined(before[:1], after, moments, UNSEEN_S)
    assert both is not None and len(both) == 3
    unseen = both[1]
    assert (unseen.first_kind, unseen.last_kind, unseen.fit.n_points) == (BOUNCE, HIT_NEAR, 0)
    assert unseen.fit.start[5] > 0 > unseen.fit.start[4]


def served(at_y_m: float, gap_s: float, first_kind: int = SERVE_NEAR):
    """A serve or stroke lost on its way down at ``at_y_m``, and the stroke that sends it back."""
    before = (single(0, 1, (first_kind, LOST), [0.7, -11.5, 2.7, -2, 44, -4],
                     [0, at_y_m, 0.9, -2, 36, -6]),)
    after = (single(2, 3, (HIT_FAR, BOUNCE), [-1.6, 13.6, 1.2, 1, -26, 4],
                    [-0.9, -7, 0.03, 1, -18, -6]),)
    return before, after, SimpleNamespace(
        t_s=np.array([4.0, 4.35, 4.35 + gap_s, 5.8]), slack_s=np.full(4, 0.02),
        rough=np.zeros(4, dtype=bool))


@pytest.mark.parametrize(("first_kind", "gap_s"), [
    (SERVE_NEAR, 0.45), (SERVE_NEAR, 0.1), (HIT_NEAR, 0.45)])
def test_a_bounce_that_nobody_saw_lies_before_the_stroke_and_where_the_ball_came_down(
    first_kind, gap_s
):
    before, after, moments = served(3.0, gap_s, first_kind)
    both = stitching.joined(before, after, moments, UNSEEN_S)
    assert both is not None
    assert [(part.first_kind, part.last_kind) for part in both] == [
        (first_kind, BOUNCE), (BOUNCE, HIT_FAR), (HIT_FAR, BOUNCE)]
    guess = rallies.first_guess(both, moments)
    falls_s = stitching.falls_s(before[0].fit.end)
    assert guess.time_s[1] == pytest.approx(4.35 + min(falls_s, gap_s - stitching.LEAST_RISE_S))
    assert 3.0 <= guess.place[1, 1] < 9.0 and guess.time_sd_s[1] == 0.1
    assert guess.time_s[2] == moments.t_s[2]


def test_a_stroke_that_is_volleyed_and_one_after_a_bounce_have_no_bounce_more():
    volleyed = stitching.joined(*served(3.0, 0.1, HIT_NEAR), UNSEEN_S)
    assert volleyed is None or BOUNCE not in {part.last_kind for part in volleyed[:1]}
    before, after, moments = served(9.0, 0.45, BOUNCE)
    first = single(0, 0, (HIT_NEAR, BOUNCE), [0, -11, 1, 0, 25, 4], [0, 6, 0.03, 0, 20, -6])
    assert stitching.joined((first, *before), after, moments, UNSEEN_S) is None


def rally_of(second_y: float, kinds: tuple[int, ...]) -> tuple[tuple[int, ...], SimpleNamespace]:
    place = np.zeros((len(kinds), 3))
    place[1] = [1.0, second_y, 0.03]
    return kinds, SimpleNamespace(place=place, place_sd=np.full((len(kinds), 3), 0.03))


@pytest.mark.parametrize(("y", "kinds", "first"), [
    (9.0, (SERVE_NEAR, BOUNCE, HIT_FAR, BOUNCE, HIT_NEAR, BOUNCE), HIT_NEAR),
    (court.SERVICE_LINE_M - 1.0, (SERVE_NEAR, BOUNCE, HIT_FAR, BOUNCE, HIT_NEAR), SERVE_NEAR),
    # A fault that is sent back, and no more.
    (9.0, (SERVE_NEAR, BOUNCE, HIT_FAR, BOUNCE), SERVE_NEAR),
    (9.0, (HIT_NEAR, BOUNCE, HIT_FAR, BOUNCE, HIT_NEAR), HIT_NEAR),
])
def test_a_serve_outside_the_box_to_which_both_play_on_was_none(y, kinds, first):
    assert stitching.plain_first(*rally_of(y, kinds), margin_m=0.15) == (first, *kinds[1:])


@pytest.mark.parametrize("kind", [HIT_NEAR, SERVE_NEAR])
def test_where_a_stroke_is_met_is_known_better_once_its_time_is_fitted(kind):
    """While paths are read a time may be off by a frame, in which a ball at 15 m/s flies 0.3 m."""
    who = WHO | {"near": player(np.array([1.0, -12.0]), np.linspace(0, 1, 26))}
    (mean, read_sd), (same, fitted_sd) = (
        priors.place_prior(kind, 0.5, who, fitted=fitted) for fitted in (False, True))
    assert np.array_equal(mean, same)
    assert read_sd[1] > fitted_sd[1] > 0.11 and read_sd[2] > fitted_sd[2] > 0.14
    assert np.hypot(fitted_sd[1], 0.3) > read_sd[1]
    nobody = [priors.place_prior(kind, 0.5, WHO, fitted=fitted)[1] for fitted in (False, True)]
    assert np.array_equal(*nobody)
