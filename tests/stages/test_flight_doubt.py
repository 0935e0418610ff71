"""Doubtful candidates weigh less, and a ball that is lost is followed where nobody reaches it."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rallymill import flight
from rallymill.flightfit import arc
from rallymill.stages.flight import candidates, contacts, picking, rallies_end, trust
from rallymill.stages.flight.contacts import BOUNCE, HIT_NEAR, LOST
from tests.stages.test_flight_hidden import CAMERA, NOBODY, RATE, path_of, picture
from tests.stages.test_flight_unseen import flown, player

PROBABILITY = st.floats(0.0, 1.0)


@settings(max_examples=60, deadline=None)
@given(PROBABILITY, PROBABILITY)
def test_the_likelier_a_candidate_the_more_it_weighs(one, other):
    low, high = sorted((one, other))
    both = np.array([low, high])
    for rising in (trust.gain(both), trust.worth(both), -trust.looseness(both)):
        assert rising[0] <= rising[1] + 1e-12
    assert (trust.worth(both) > 0).all() and (trust.worth(both) <= 1).all()
    assert (trust.looseness(both) >= 1).all() and (trust.looseness(both) <= 2).all()


def test_a_sure_candidate_weighs_in_full_and_an_even_one_gains():
    sure = np.array([0.98])
    assert trust.worth(sure)[0] == 1 and trust.looseness(sure)[0] == 1
    assert trust.gain(np.array([0.5]))[0] > 0 > trust.gain(np.array([0.02]))[0]


def test_a_point_of_a_flight_costs_no_more_than_calling_it_false():
    tau = np.arange(20) / RATE
    start = np.array([0.0, -11.0, 1.0, 0.5, 25.0, 4.0])
    image = CAMERA.project(flight.states(start, (0, 0), tau)[:, :3])
    image[10] += 400.0
    free = (np.array([0, 0, 1.5]), np.array([8.0, 12.0, 2.5]))
    spin = (np.zeros(2), np.array([50.0, 50.0]))
    matrix = np.repeat(picture(2).matrix[:1], 20, axis=0)
    share = np.ones(20)
    share[10] = 0.2
    costs = [
        arc.fit(tau, float(tau[-1]), image, matrix, np.ones(20), *free, *free, *spin,
                worth=worth).cost
        for worth in (None, share)
    ]
    assert costs[0] - costs[1] == pytest.approx(0.8 * arc.CAP, abs=0.3)


def lost(vy_mps: float = 24.0, z_m: float = 2.6, vz_mps: float = 0.0
         ) -> tuple[rallies_end.Guess, np.ndarray, float]:
    """A ball from the near end that is lost before the net, the times it was seen, its landing."""
    start = np.array([0.5, -11.0, z_m, 0.0, vy_mps, vz_mps])
    fall_s, _ = flight.fall_to(start, np.zeros(2))
    seen_s = np.arange(0.0, fall_s - 0.3, 1 / RATE)
    guess = rallies_end.Guess(
        (HIT_NEAR, LOST), np.array([0.0, seen_s[-1]]), np.array([start[:3], [0, 0, 0]]),
        start[None, 3:], np.zeros((1, 2)), np.array([0.02, 0.002]),
    )
    return guess, seen_s, float(fall_s)


def test_a_lost_ball_is_followed_to_the_ground_where_nobody_reaches_it():
    guess, seen_s, down_s = lost()
    t_s = np.arange(0, 2, 1 / RATE)
    far_off = {"near": player(np.array([0.5, -12.0]), t_s), "far": player(np.array([0, 14.0]), t_s)}
    found = rallies_end.land(guess, seen_s, picture(60), far_off)
    assert found.kinds == (HIT_NEAR, BOUNCE) and found.time_s[-1] == pytest.approx(down_s)
    x, y = found.place[-1, :2]
    for who in (
        far_off | {"far": player(np.array([x + 1.0, y + 0.5]), t_s)},  # may have volleyed it
        far_off | {"far": NOBODY},  # nobody knows where the player is
    ):
        assert rallies_end.land(guess, seen_s, picture(60), who).kinds[-1] == LOST


def test_a_lost_ball_that_may_meet_the_net_is_not_followed():
    guess, seen_s, _ = lost(vy_mps=20.0, z_m=1.0, vz_mps=2.0)
    t_s = np.arange(0, 2, 1 / RATE)
    who = {"near": player(np.array([0.5, -12.0]), t_s), "far": player(np.array([0, 14.0]), t_s)}
    assert rallies_end.land(guess, seen_s, picture(60), who).kinds[-1] == LOST


def test_a_ball_may_be_lost_and_found_on_both_sides_of_a_gap():
    frames, image = flown(np.array([0.0, -11.0, 1.0, 0.3, 22.0, 5.0]), 0.0, 1.0)
    seen = (frames < 9) | (frames > 17)
    path, view = path_of(image[seen], frames[seen]), picture(int(frames[-1]) + 2)
    found = contacts.find(
        path, np.ones(len(path)), view, {"near": NOBODY, "far": NOBODY}, 0.12,
        np.zeros(len(path), dtype=np.int64),
    )
    may = found.t_s[[LOST in kinds for kinds in found.kinds]]
    for t_s in (8.5 / RATE, 17.5 / RATE):
        assert np.abs(may - t_s).min() < 0.3 / RATE


@pytest.mark.parametrize(
    ("confidence", "off_px", "taken"),
    [((0.05, 0.9), (1.0, 2.0), 1), ((0.9, 0.9), (1.0, 2.0), 0), ((0.05, 0.05), (2.9, 9.0), None),
     ((0.9, 0.05), (2.9, 9.0), 0)],
)  # fmt: skip
def test_of_two_near_a_flight_the_likelier_is_taken_and_a_faint_one_only_right_there(
    confidence, off_px, taken
):
    start = np.array([0.0, -11.0, 1.0, 0.3, 22.0, 5.0])
    at = CAMERA.project(flight.states(start, (0, 0), [5 / RATE])[:, :3])[0]
    two = np.array([at + [0, off] for off in off_px])
    everything = candidates.Candidates(
        np.full(2, 5), np.full(2, 5 / RATE), two, two, np.array(confidence), np.full(2, 4.0))
    fit = SimpleNamespace(
        time_s=np.array([0.0, 0.6]), place=np.array([start[:3], start[:3]]),
        velocity=start[None, 3:], spin=np.zeros((1, 2)),
    )
    found, _ = picking.take_up(fit, everything, picture(20), 3.0, 1.0, 0.0)
    assert [tuple(point) for point in found.image_px] == (
        [] if taken is None else [tuple(two[taken])])
