"""Ball flight with drag and lift, and the bounce. Pure physics, compiled by numba.

The acceleration of a ball of mass m, diameter d in air of density rho, at velocity v relative to
still air and spin omega (a vector, rad/s):

    a = g - (rho A / 2m) C_D |v| v + (rho A / 2m) C_L |v|^2 (unit(omega) x unit(v))

with A = pi d^2 / 4 (Pallis 2002; Cross & Lindsey 2014). C_D = 0.507 was measured in free flight,
independent of speed and spin (Cross & Lindsey 2014); C_L = 1 / (2 + v / w) with w the equatorial
spin speed (Brody, Cross & Lindsey 2002; from memory). :func:`stepanek` gives the wind tunnel fits
of Stepanek 1988 (Am J Phys 56:138; from memory) for comparison.

Spin here is (topspin, sidespin): topspin about the horizontal axis to the left of the flight, so
that the ball dips when it is positive; sidespin about the vertical axis, positive counter-clockwise
seen from above, so that the ball curves to the left when it is positive. The axis of topspin turns
with the horizontal direction of flight; spin decay in flight is neglected (a few per cent).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi, sqrt

import numpy as np
from numba import njit
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

GRAVITY_MPS2 = 9.81
AIR_DENSITY_KGPM3 = 1.21
BALL_MASS_KG = 0.0577
BALL_DIAMETER_M = 0.067
BALL_RADIUS_M = BALL_DIAMETER_M / 2
DRAG_COEFFICIENT = 0.507
INERTIA_FACTOR = 0.55
"""alpha in I = alpha m R^2 (Brody 1984; a thin shell has 2/3)."""
FORCE_FACTOR = AIR_DENSITY_KGPM3 * pi * BALL_DIAMETER_M**2 / (8 * BALL_MASS_KG)
"""rho A / 2m, 1/m: the drag deceleration is this times C_D times v squared."""
STEP_S = 0.01


@njit(cache=True)
def _acceleration(v, topspin, sidespin, drag, out):  # type: ignore[no-untyped-def]
    speed = sqrt(v[0] * v[0] + v[1] * v[1] + v[2] * v[2])
    level = sqrt(v[0] * v[0] + v[1] * v[1])
    # Topspin axis: horizontal, to the left of the flight: z x v, so that omega x v points down.
    if level > 1e-9:
        ox = -v[1] / level * topspin
        oy = v[0] / level * topspin
    else:
        ox = 0.0
        oy = 0.0
    oz = sidespin
    omega = sqrt(ox * ox + oy * oy + oz * oz)
    k = FORCE_FACTOR * speed
    out[0] = -k * drag * v[0]
    out[1] = -k * drag * v[1]
    out[2] = -k * drag * v[2] - GRAVITY_MPS2
    if omega > 1e-6 and speed > 1e-6:
        w = omega * BALL_RADIUS_M
        lift = 1.0 / (2.0 + speed / w)
        f = k * lift / omega
        out[0] += f * (oy * v[2] - oz * v[1])
        out[1] += f * (oz * v[0] - ox * v[2])
        out[2] += f * (ox * v[1] - oy * v[0])


@njit(cache=True)
def _derivative(state, topspin, sidespin, drag, out):  # type: ignore[no-untyped-def]
    out[0] = state[3]
    out[1] = state[4]
    out[2] = state[5]
    _acceleration(state[3:6], topspin, sidespin, drag, out[3:6])


@njit(cache=True)
def _step(state, dt, topspin, sidespin, drag, k, trial):  # type: ignore[no-untyped-def]
    """Advance ``state`` (6,) in place by dt with classical Runge-Kutta."""
    _derivative(state, topspin, sidespin, drag, k[0])
    for i in range(6):
        trial[i] = state[i] + 0.5 * dt * k[0, i]
    _derivative(trial, topspin, sidespin, drag, k[1])
    for i in range(6):
        trial[i] = state[i] + 0.5 * dt * k[1, i]
    _derivative(trial, topspin, sidespin, drag, k[2])
    for i in range(6):
        trial[i] = state[i] + dt * k[2, i]
    _derivative(trial, topspin, sidespin, drag, k[3])
    for i in range(6):
        state[i] += dt / 6 * (k[0, i] + 2 * k[1, i] + 2 * k[2, i] + k[3, i])


@njit(cache=True)
def compiled_states(start, topspin, sidespin, times, drag, max_step):  # type: ignore[no-untyped-def]
    """:func:`states` for callers that are compiled themselves; takes arrays of floats only."""
    n = times.shape[0]
    out = np.empty((n, 6))
    k = np.empty((4, 6))
    trial = np.empty(6)
    state = start.copy()
    now = 0.0
    for i in range(n):
        span = times[i] - now
        if span != 0.0:
            steps = int(np.ceil(abs(span) / max_step))
            dt = span / steps
            for _ in range(steps):
                _step(state, dt, topspin, sidespin, drag, k, trial)
            now = times[i]
        out[i] = state
    return out


def states(
    start: ArrayLike, spin_radps: ArrayLike, times_s: ArrayLike, drag: float = DRAG_COEFFICIENT,
    max_step_s: float = STEP_S,
) -> Array:
    """States (N, 6) of a ball in free flight at times (N,) after its start, in ascending order.

    ``start`` is (x, y, z, vx, vy, vz) in m and m/s; ``spin_radps`` is (topspin, sidespin). Times
    may be negative, then in order away from zero. Bounces are not taken into account.
    """
    spin = np.asarray(spin_radps, dtype=float)
    return compiled_states(
        np.asarray(start, dtype=float), float(spin[0]), float(spin[1]),
        np.ascontiguousarray(times_s, dtype=float), drag, max_step_s,
    )


@njit(cache=True)
def _fall(start, topspin, sidespin, height, limit, drag, max_step):  # type: ignore[no-untyped-def]
    k = np.empty((4, 6))
    trial = np.empty(6)
    state = start.copy()
    before = start.copy()
    now = 0.0
    while now < limit:
        before[:] = state
        _step(state, max_step, topspin, sidespin, drag, k, trial)
        if state[2] <= height and state[5] < 0:
            low = 0.0
            high = max_step
            for _ in range(30):
                mid = 0.5 * (low + high)
                state[:] = before
                _step(state, mid, topspin, sidespin, drag, k, trial)
                if state[2] > height:
                    low = mid
                else:
                    high = mid
            return now + 0.5 * (low + high), state
        now += max_step
    return np.nan, state


def fall_to(
    start: ArrayLike, spin_radps: ArrayLike, height_m: float = BALL_RADIUS_M, limit_s: float = 10.0,
    drag: float = DRAG_COEFFICIENT,
) -> tuple[float, Array]:
    """Time at which the ball comes down to a height, and its state (6,) there; NaN if it does not.
    """
    spin = np.asarray(spin_radps, dtype=float)
    time, state = _fall(
        np.asarray(start, dtype=float), float(spin[0]), float(spin[1]), height_m, limit_s, drag,
        STEP_S,
    )
    return float(time), state


@dataclass(frozen=True)
class Surface:
    """What the ground does to a ball: Coulomb friction and vertical restitution."""

    name: str
    friction: float
    restitution: float


SURFACES = {
    # Middle of the ranges at 16 degrees of ITF / Cross summaries (from memory).
    "hard": Surface("hard", 0.62, 0.80),
    "clay": Surface("clay", 0.75, 0.85),
    "grass": Surface("grass", 0.52, 0.74),
}


@njit(cache=True)
def _bounce(state, topspin, sidespin, friction, restitution):  # type: ignore[no-untyped-def]
    out = state.copy()
    level = sqrt(state[3] * state[3] + state[4] * state[4])
    down = -state[5]
    out[5] = restitution * down
    if level < 1e-9:
        return out, 0.0, sidespin
    slip = level - BALL_RADIUS_M * topspin
    loss = friction * (1 + restitution) * down
    # Rolling is reached when the contact point stops: common speed after the exchange.
    rolling = (level + INERTIA_FACTOR * BALL_RADIUS_M * topspin) / (1 + INERTIA_FACTOR)
    if slip >= 0:
        after = max(level - loss, rolling)
    else:
        after = min(level + loss, rolling)
    spin = topspin + (level - after) / (INERTIA_FACTOR * BALL_RADIUS_M)
    out[3] = state[3] * after / level
    out[4] = state[4] * after / level
    return out, spin, sidespin


def bounce(
    state: ArrayLike, spin_radps: ArrayLike, surface: Surface
) -> tuple[Array, Array]:
    """State (6,) and spin (2,) just after a bounce.

    Sliding with Coulomb friction until the contact point grips (Brody 1984; Cross 2002); sidespin
    is kept.
    """
    spin = np.asarray(spin_radps, dtype=float)
    after, topspin, sidespin = _bounce(
        np.asarray(state, dtype=float), float(spin[0]), float(spin[1]), surface.friction,
        surface.restitution,
    )
    return after, np.array([topspin, sidespin])


def stepanek(ratio: ArrayLike) -> tuple[Array, Array]:
    """Drag and lift coefficients of Stepanek 1988 at v / w, speed over equatorial spin speed."""
    r = np.asarray(ratio, dtype=float)
    drag = 0.508 + (22.503 + 4.196 * r**2.5) ** -0.4
    lift = 1 / (2.022 + 0.981 * r)
    return drag, lift


def court_pace_rating(friction: float, restitution: float, temperature_c: float = 23.0) -> float:
    """ITF Court Pace Rating (ITF CS 01/02): 100 (1 - mu) + 150 (0.81 - e_T)."""
    return 100 * (1 - friction) + 150 * (0.81 - (restitution + 0.003 * (23 - temperature_c)))
