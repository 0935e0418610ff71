"""Flight and bounce: laws that must hold whatever the ball does."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rallymill import flight

G = flight.GRAVITY_MPS2
speeds = st.floats(-40, 40)
spins = st.floats(-500, 500)
starts = st.builds(
    lambda x, y, z, u, v, w: np.array([x, y, z, u, v, w]),
    st.floats(-5, 5), st.floats(-12, 12), st.floats(0.1, 3), speeds, speeds, st.floats(-15, 15),
)


def energy(states: np.ndarray) -> np.ndarray:
    """Energy a mass, J/kg."""
    return 0.5 * (states[:, 3:] ** 2).sum(1) + G * states[:, 2]


@given(starts, spins, spins)
@settings(max_examples=60, deadline=None)
def test_air_only_takes_energy(start: np.ndarray, topspin: float, sidespin: float) -> None:
    path = flight.states(start, (topspin, sidespin), np.linspace(0, 1.5, 31))
    assert (np.diff(energy(path)) < 1e-9).all()


@given(starts)
@settings(max_examples=60, deadline=None)
def test_without_air_energy_stays(start: np.ndarray) -> None:
    path = flight.states(start, (0, 0), np.linspace(0, 1.5, 31), drag=0.0)
    assert energy(path) == pytest.approx(np.full(31, energy(path)[0]), rel=1e-9)
    times = np.linspace(0, 1.5, 31)
    parabola = start[:3] + np.outer(times, start[3:]) - np.outer(times**2, [0, 0, G / 2])
    assert path[:, :3] == pytest.approx(parabola, abs=1e-8)


@given(starts, spins, spins)
@settings(max_examples=40, deadline=None)
def test_time_runs_back(start: np.ndarray, topspin: float, sidespin: float) -> None:
    spin = (topspin, sidespin)
    there = flight.states(start, spin, [0.8])[0]
    back = flight.states(there, spin, [-0.8])[0]
    # Close to no level speed the topspin axis turns quickly and steps are too coarse.
    if np.hypot(*start[3:5]) > 2 and np.hypot(*there[3:5]) > 2:
        assert back == pytest.approx(start, abs=2e-2)


@given(starts, spins, spins, st.floats(0, 2 * np.pi))
@settings(max_examples=40, deadline=None)
def test_no_direction_is_special(
    start: np.ndarray, topspin: float, sidespin: float, turn: float
) -> None:
    c, s = np.cos(turn), np.sin(turn)
    one = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
    both = np.kron(np.eye(2), one)
    here = flight.states(start, (topspin, sidespin), [0.7])[0]
    turned = flight.states(both @ start, (topspin, sidespin), [0.7])[0]
    if np.hypot(*start[3:5]) > 2:
        assert turned == pytest.approx(both @ here, abs=1e-6)


@given(starts, spins, spins)
@settings(max_examples=40, deadline=None)
def test_mirror_turns_sidespin(start: np.ndarray, topspin: float, sidespin: float) -> None:
    mirror = np.array([-1, 1, 1, -1, 1, 1.0])
    here = flight.states(start, (topspin, sidespin), [0.7])[0]
    mirrored = flight.states(start * mirror, (topspin, -sidespin), [0.7])[0]
    assert mirrored == pytest.approx(here * mirror, abs=1e-9)


def test_steps_are_fine_enough() -> None:
    start = np.array([0, -11.9, 2.7, 2.0, 55.0, -4.0])
    coarse = flight.states(start, (300, 100), [0.6])[0]
    fine = flight.states(start, (300, 100), [0.6], max_step_s=0.001)[0]
    assert coarse == pytest.approx(fine, abs=1e-5)


def test_fall_stops_at_the_height() -> None:
    start = np.array([0, -11.9, 1.0, 2.0, 25.0, 4.0])
    time, ground = flight.fall_to(start, (200, 0))
    assert ground[2] == pytest.approx(flight.BALL_RADIUS_M, abs=1e-6)
    assert ground == pytest.approx(flight.states(start, (200, 0), [time])[0], abs=1e-4)


def test_a_ball_that_does_not_come_down_in_time_says_so() -> None:
    time, _ = flight.fall_to([0, 0, 1, 0, 0, 30], (0, 0), limit_s=0.5)
    assert np.isnan(time)


@given(
    st.floats(0.5, 45), st.floats(-45, 45), st.floats(0.5, 20), spins,
    st.sampled_from(sorted(flight.SURFACES)),
)
@settings(max_examples=200, deadline=None)
def test_a_bounce_takes_energy(
    vx: float, vy: float, down: float, topspin: float, name: str
) -> None:
    surface = flight.SURFACES[name]
    before = np.array([0, 0, flight.BALL_RADIUS_M, vx, vy, -down])
    after, spin = flight.bounce(before, (topspin, 30.0), surface)
    turning = flight.INERTIA_FACTOR * flight.BALL_RADIUS_M**2
    level_before = vx**2 + vy**2 + turning * topspin**2
    level_after = after[3] ** 2 + after[4] ** 2 + turning * spin[0] ** 2
    assert level_after <= level_before * (1 + 1e-9)
    assert after[5] == pytest.approx(surface.restitution * down)
    # Friction acts along the flight: the direction stays, or turns round by strong backspin.
    assert after[3] * vy == pytest.approx(after[4] * vx, abs=1e-9 * max(1, abs(vx * vy)))
    assert spin[1] == 30.0
    # Angular momentum about the contact point is kept.
    r = flight.BALL_RADIUS_M
    sign = 1.0 if after[3] * vx + after[4] * vy >= 0 else -1.0
    level = np.hypot(vx, vy), sign * np.hypot(after[3], after[4])
    assert level[1] + flight.INERTIA_FACTOR * r * spin[0] == pytest.approx(
        level[0] + flight.INERTIA_FACTOR * r * topspin, rel=1e-9, abs=1e-9
    )


def test_a_ball_that_rolls_in_keeps_its_speed() -> None:
    level = 20.0
    spin = level / flight.BALL_RADIUS_M
    after, turned = flight.bounce(
        [0, 0, 0.0335, level, 0, -5], (spin, 0), flight.SURFACES["clay"]
    )
    assert after[3] == pytest.approx(level)
    assert turned[0] == pytest.approx(spin)


def test_a_straight_drop_bounces_straight() -> None:
    after, _ = flight.bounce([0, 0, 0.0335, 0, 0, -5], (0, 0), flight.SURFACES["hard"])
    assert after[3:] == pytest.approx([0, 0, 4.0])
