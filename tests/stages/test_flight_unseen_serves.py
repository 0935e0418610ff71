"""A serve of which nothing but a few points is seen, between its toss and what follows."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rallymill import flight
from rallymill.stages.flight import contacts, grammar, hypotheses, rallies
from rallymill.stages.flight.contacts import (
    BOUNCE,
    HAND_NEAR,
    HIT_FAR,
    HIT_NEAR,
    LOST,
    SERVE_NEAR,
)
from rallymill.stages.flight.unseen_serves import LEAST_STRUCK_M, served
from tests.stages.test_flight_hidden import RATE, path_of, picture
from tests.stages.test_flight_unseen import OPTIONS, UNSEEN_S, flown, player, single

STRUCK_S = 0.78
FEET_M = np.array([0.7, -12.0])


def point(hidden_s: tuple[float, float], unseen_s: float = UNSEEN_S) -> list[rallies.Rally]:
    """A toss, a serve, its bounce and the return; the ball is hidden for a time after the serve."""
    toss = np.array([0.5, -12.1, 1.8, 0.3, 0.4, 5.0])
    place = flight.states(toss, (0, 0), [STRUCK_S])[0, :3]
    serve = np.array([*place, -5.0, 42.0, -3.4])
    bounce_s, low = flight.fall_to(serve, (0, 0))
    assert 4.0 < low[1] < 6.4
    up = np.array([*low[:3], *(low[3:] * [0.7, 0.7, -0.78])])
    meet_s = STRUCK_S + float(bounce_s) + 0.32
    met = flight.states(up, (0, 0), [0.32])[0, :3]
    back = np.array([*met, 2.0, -24.0, 4.5])
    land_s, _ = flight.fall_to(back, (0, 0))
    parts = [
        flown(toss, 0.0, STRUCK_S), flown(serve, STRUCK_S, STRUCK_S + float(bounce_s)),
        flown(up, STRUCK_S + float(bounce_s), meet_s), flown(back, meet_s, meet_s + float(land_s)),
    ]
    slots, image = (np.concatenate([part[k] for part in parts]) for k in (0, 1))
    image = image + np.random.default_rng(3).normal(0, 0.4, image.shape)
    since_s = slots / RATE - STRUCK_S
    seen = (since_s < hidden_s[0]) | (since_s > hidden_s[1])
    path, view = path_of(image[seen], slots[seen]), picture(int(slots[-1]) + 2)
    who = {"near": player(FEET_M, view.t_s), "far": player(met[:2] + [0.3, 0.6], view.t_s)}
    sigma = np.ones(len(path))
    chain = (path.t_s > STRUCK_S + hidden_s[0] + 1e-6).astype(np.int64)
    moments = contacts.find(path, sigma, view, who, 0.12, chain)
    flights = hypotheses.flights(path, view.matrix[path.slot], sigma, moments, who, view.period_s)
    unread = grammar.unread_costs(path, view.matrix[path.slot])
    found: list[rallies.Rally] = []
    for reading in grammar.merge(grammar.read(flights, moments, unread), moments, 0.3, unseen_s):
        found += rallies.fit_reading(reading, moments, path, sigma, path, view, who, OPTIONS)
    return found


@pytest.mark.parametrize("hidden_s", [(0.0, 0.46), (0.0, 0.5), (0.0, 0.54)])
def test_a_rally_starts_with_the_serve_that_a_toss_promised(hidden_s: tuple[float, float]) -> None:
    found = point(hidden_s)
    serves = [
        float(item.fit.time_s[k]) for item in found
        for k, kind in enumerate(item.kinds) if kind == SERVE_NEAR
    ]
    returns = [k for item in found for k in item.kinds if k == HIT_FAR]
    assert len(found) == 1 and len(serves) == 1 and len(returns) == 1
    assert serves[0] == pytest.approx(STRUCK_S, abs=2 / RATE)
    without = point(hidden_s, unseen_s=0.0)
    assert not any(kind == SERVE_NEAR for item in without for kind in item.kinds)


def chains(
    gap_s: float, tossed_to_m: float = 2.7, way_m: float = 15.0
) -> tuple[tuple[hypotheses.Flight, ...], tuple[hypotheses.Flight, ...], SimpleNamespace]:
    """A toss, and a ball found later on its way up from a bounce to the far player."""
    speed = way_m / gap_s
    before = (single(0, 1, (HAND_NEAR, HAND_NEAR), [0.5, -12, 1.8, 0, 0.4, 5],
                     [0.8, -11.6, tossed_to_m, 0, 0.4, -3]),)
    after = (single(2, 3, (LOST, HIT_FAR), [-1, -11.6 + way_m, 0.3, -3, 0.7 * speed, 4],
                    [-2, 13, 1.2, -3, 0.6 * speed, 1]),)
    moments = SimpleNamespace(
        t_s=np.array([0.0, 0.8, 0.8 + gap_s, 1.2 + gap_s]), index=np.array([0, 20, 22, 30]))
    return before, after, moments


@settings(max_examples=40)
@given(st.floats(0.3, 0.7))
def test_a_toss_and_a_ball_on_its_way_have_a_serve_and_a_bounce_between_them(gap_s: float) -> None:
    both = served(*chains(gap_s))
    assert both is not None
    kinds = [(part.first_kind, part.last_kind) for part in both]
    assert kinds == [(HAND_NEAR, SERVE_NEAR), (SERVE_NEAR, BOUNCE), (BOUNCE, HIT_FAR)]
    fit = both[1].fit
    assert fit.start[:3] == pytest.approx(chains(gap_s)[0][0].fit.end[:3])
    assert fit.start[3:5] * gap_s == pytest.approx((fit.end - fit.start)[:2])
    assert fit.start[5] > fit.end[5] and fit.n_points == 2


@pytest.mark.parametrize("change", [
    {"tossed_to_m": LEAST_STRUCK_M - 0.3},  # caught
    {"gap_s": 1.2},  # too late for a serve
    {"way_m": 2.0},  # hardly moved
    {"way_m": -4.0},  # the other way
])
def test_not_every_toss_is_struck(change: dict[str, float]) -> None:
    given_ = {"gap_s": 0.45} | change
    assert served(*chains(**given_)) is None


def test_the_server_does_not_strike_the_serve_again() -> None:
    before, after, moments = chains(0.45)
    again = single(2, 3, (LOST, HIT_NEAR), after[0].fit.start, after[0].fit.end)
    assert served(before, (again,), moments) is None


def test_a_ball_still_on_its_way_down_is_the_serve_itself() -> None:
    before, _, moments = chains(0.2)
    serve = flight.states(np.array([0.8, -11.6, 2.7, -4.0, 40.0, -2.5]), (0, 0), [0.2, 0.4])
    lost = single(2, 3, (LOST, BOUNCE), serve[0], serve[1])
    both = served(before, (lost,), moments)
    assert both is not None
    assert [(part.first_kind, part.last_kind) for part in both] == [
        (HAND_NEAR, SERVE_NEAR), (SERVE_NEAR, BOUNCE)]
