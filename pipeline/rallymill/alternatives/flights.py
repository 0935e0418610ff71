"""Many flights at once: launch, clearance over the net, landing, and whether it can be met.

The court is turned so that the hitter stands at y < 0. A launch is a pace, an elevation above the
horizontal and an azimuth from straight ahead (positive to the right). Sidespin is taken as none, so
that a flight stays in its upright plane and the azimuth of a target is that of the straight line to
it. Drag, lift and gravity are those of :mod:`rallymill.flight`, movement that of
:mod:`rallymill.tactics`.
"""

from __future__ import annotations

from math import atan2, cos, hypot, sin

import numpy as np
from numba import njit
from numpy.typing import NDArray

from rallymill import court, tactics
from rallymill.flight import BALL_RADIUS_M, DRAG_COEFFICIENT, GRAVITY_MPS2, compiled_states
from rallymill.tactics import compiled_reach

Array = NDArray[np.float64]

STEP_S = 0.05
"""Step of the integration; between the steps a flight is a cubic. Landing and clearance differ by
less than a millimetre from an integration to the last digit."""
PIECE = 4
"""Steps that are taken at a time."""
LONGEST_S = 6.0
LONGEST_PATH = 2 * (int(LONGEST_S / STEP_S) + PIECE)
REACH_HEIGHT_M = 2.5
"""A ball in the air above this cannot be met (common practice, no source: a racket overhead)."""
FIRST_PLAYABLE_S = 0.08
"""Time after the bounce at which a ball can first be met, a half-volley (common practice, no
source)."""
FLATTEST_MPRAD = 5.0
MOST_CHANGE_RAD = 0.1
"""By how much an aim is changed at most for what the ball may really have been."""
AFTER_STEPS = 6
"""Meeting points that are tried after the bounce."""
_TIMES = STEP_S * np.arange(1, PIECE + 1)
_POST_M = court.DOUBLES_POST_X_M
_RISE_M = court.NET_POST_M - court.NET_CENTRE_M
_NET_M = court.NET_CENTRE_M
_FURTHEST_Y_M = court.HALF_LENGTH_M + tactics.DEEPEST_BEHIND_M
_KEPT = tactics.GROUND_SPEED_KEPT
_PLAYABLE_S = tactics.PLAYABLE_AFTER_BOUNCE_S

LANDED_X, LANDED_Y, LANDED_S, CLEARANCE, NET_X, DOWN, LEVEL = range(7)
"""Columns of a flight: landing, its time, clearance, where it passes the net, and the speeds down
and along the ground at the landing."""


@njit(cache=True)
def _between(a, b, share, span, axis):  # type: ignore[no-untyped-def]
    """Place on the cubic between two states that has their places and velocities."""
    s2 = share * share
    s3 = s2 * share
    return (
        (2 * s3 - 3 * s2 + 1) * a[axis] + (s3 - 2 * s2 + share) * span * a[axis + 3]
        + (3 * s2 - 2 * s3) * b[axis] + (s3 - s2) * span * b[axis + 3]
    )


@njit(cache=True)
def _crossing(a, b, axis, level):  # type: ignore[no-untyped-def]
    """Share of a step at which an axis comes to a level, falling or rising through it."""
    falling = a[axis] > level
    low = 0.0
    high = 1.0
    for _ in range(24):
        middle = 0.5 * (low + high)
        if (_between(a, b, middle, STEP_S, axis) > level) == falling:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


@njit(cache=True)
def fly(x, y, z, pace, elevation, azimuth, topspin, times, out, path):  # type: ignore[no-untyped-def]
    """One flight to the ground; fills ``out`` (7,) and ``path`` (T, 4), gives the rows filled.

    ``path`` holds time and place of moments in the air, half a step apart, from the step in which
    the ball passes the net. ``out`` is NaN where the ball does not come down within ``LONGEST_S``,
    and its passing of the net where it does not get there.
    """
    state = np.empty(6)
    state[0] = x
    state[1] = y
    state[2] = z
    state[3] = pace * cos(elevation) * sin(azimuth)
    state[4] = pace * cos(elevation) * cos(azimuth)
    state[5] = pace * sin(elevation)
    out[:] = np.nan
    now = 0.0
    n = 0
    while now < LONGEST_S:
        states = compiled_states(state, topspin, 0.0, times, DRAG_COEFFICIENT, 1.01 * STEP_S)
        for k in range(PIECE):
            after = states[k]
            if after[1] >= 0.0:
                for half in range(2):
                    path[n, 0] = now + 0.5 * half * STEP_S
                    for axis in range(3):
                        path[n, axis + 1] = _between(state, after, 0.5 * half, STEP_S, axis)
                    n += 1
            if state[1] < 0.0 <= after[1]:
                share = _crossing(state, after, 1, 0.0)
                across = _between(state, after, share, STEP_S, 0)
                top = _NET_M + _RISE_M * min(abs(across) / _POST_M, 1.0)
                out[3] = _between(state, after, share, STEP_S, 2) - BALL_RADIUS_M - top
                out[4] = across
            if after[2] <= BALL_RADIUS_M and after[5] < 0.0:
                share = _crossing(state, after, 2, BALL_RADIUS_M)
                out[0] = _between(state, after, share, STEP_S, 0)
                out[1] = _between(state, after, share, STEP_S, 1)
                out[2] = now + share * STEP_S
                out[5] = -(state[5] + share * (after[5] - state[5]))
                out[6] = hypot(
                    state[3] + share * (after[3] - state[3]),
                    state[4] + share * (after[4] - state[4]),
                )
                # The last half step may lie under the ground, where nobody meets a ball.
                if n > 0 and path[n - 1, 3] < BALL_RADIUS_M:
                    n -= 1
                if out[1] < 0.0:
                    # It came down before the net, and would have passed it under the ground.
                    out[3] = np.nan
                    out[4] = np.nan
                    n = 0
                return n
            state = after
            now += STEP_S
    return n


@njit(cache=True)
def _range(place, pace, elevation, azimuth, topspin, times, out, path):  # type: ignore[no-untyped-def]
    fly(place[0], place[1], place[2], pace, elevation, azimuth, topspin, times, out, path)
    return hypot(out[0] - place[0], out[1] - place[1])


@njit(cache=True)
def _ranges(z, pace, topspin, elevations, times):  # type: ignore[no-untyped-def]
    found = np.empty(elevations.shape[0])
    out = np.empty(7)
    path = np.empty((LONGEST_PATH, 4))
    place = np.array([0.0, -1e6, z])
    for k in range(elevations.shape[0]):
        found[k] = _range(place, pace, elevations[k], 0.0, topspin, times, out, path)
    return found


@njit(cache=True)
def _elevation(z, pace, topspin, distance, start, times):  # type: ignore[no-untyped-def]
    """Elevation near a start at which a flight comes down at a distance, by secants; NaN if none.
    """
    out = np.empty(7)
    path = np.empty((LONGEST_PATH, 4))
    place = np.array([0.0, -1e6, z])
    before = start
    off_before = _range(place, pace, before, 0.0, topspin, times, out, path) - distance
    angle = start + 0.005
    for _ in range(12):
        off = _range(place, pace, angle, 0.0, topspin, times, out, path) - distance
        if not np.isfinite(off) or off == off_before:
            return np.nan
        if abs(off) < 1e-4:
            return angle
        step = off * (angle - before) / (off - off_before)
        before = angle
        off_before = off
        angle -= min(max(step, -0.1), 0.1)
    return np.nan


@njit(cache=True)
def _meet(opponent, contact, path, n, flown, mover, restitution, out):  # type: ignore[no-untyped-def]
    """When and where the opponent can best meet a ball: fills time, time needed, and distance.

    Best is where the opponent has most time left. In the air a ball can be met beyond the net and
    below ``REACH_HEIGHT_M``; after the bounce until it would bounce again, but for no longer than
    ``tactics.PLAYABLE_AFTER_BOUNCE_S``.
    """
    best = -1e9
    out[:] = np.nan
    for k in range(n):
        if path[k, 2] <= 0.0 or path[k, 3] > REACH_HEIGHT_M or path[k, 2] > _FURTHEST_Y_M:
            continue
        needed = compiled_reach(
            opponent[0], opponent[1], opponent[2], opponent[3], path[k, 1], path[k, 2], mover)
        if path[k, 0] - needed > best:
            best = path[k, 0] - needed
            out[0] = path[k, 0]
            out[1] = needed
            out[2] = hypot(path[k, 1] - opponent[0], path[k, 2] - opponent[1])
    run = hypot(flown[0] - contact[0], flown[1] - contact[1])
    along_x = (flown[0] - contact[0]) / run
    along_y = (flown[1] - contact[1]) / run
    until = min(2 * restitution * flown[5] / GRAVITY_MPS2, _PLAYABLE_S)
    for k in range(AFTER_STEPS):
        after = FIRST_PLAYABLE_S + (until - FIRST_PLAYABLE_S) * k / (AFTER_STEPS - 1)
        x = flown[0] + along_x * _KEPT * flown[6] * after
        y = flown[1] + along_y * _KEPT * flown[6] * after
        if y > _FURTHEST_Y_M:
            break
        needed = compiled_reach(opponent[0], opponent[1], opponent[2], opponent[3], x, y, mover)
        if flown[2] + after - needed > best:
            best = flown[2] + after - needed
            out[0] = flown[2] + after
            out[1] = needed
            out[2] = hypot(x - opponent[0], y - opponent[1])


@njit(cache=True)
def _slopes(place, pace, elevation, topspin, times, out, path):  # type: ignore[no-untyped-def]
    """Change of the range with elevation, height of the contact, pace and topspin."""
    found = np.empty(4)
    steps = np.array([0.002, 0.02, 0.2, 4.0])
    for k in range(4):
        ends = np.empty(2)
        for side in range(2):
            shift = np.zeros(4)
            shift[k] = (2 * side - 1) * steps[k]
            there = np.array([0.0, -1e6, place[2] + shift[1]])
            ends[side] = _range(
                there, pace + shift[2], elevation + shift[0], 0.0, topspin + shift[3], times, out,
                path)
        found[k] = (ends[1] - ends[0]) / (2 * steps[k])
    return found


@njit(cache=True)
def _draw(  # type: ignore[no-untyped-def]
    contact, pace, topspin, elevation, target, strokes, errors, opponents, mover, restitution, times
):
    n = strokes.shape[0]
    flown = np.empty((n, 7))
    met = np.full((n, 3), np.nan)
    out = np.empty(7)
    path = np.empty((LONGEST_PATH, 4))
    slopes = _slopes(contact, pace, elevation, topspin, times, out, path)
    aimed = hypot(target[0] - contact[0], target[1] - contact[1])
    # Near the longest range a change of elevation moves the landing hardly at all.
    slope = slopes[0]
    if abs(slope) < FLATTEST_MPRAD:
        slope = FLATTEST_MPRAD if slope >= 0.0 else -FLATTEST_MPRAD
    for i in range(n):
        place = strokes[i, :3]
        own_pace = strokes[i, 3]
        own_spin = strokes[i, 4]
        distance = hypot(target[0] - place[0], target[1] - place[1])
        azimuth = atan2(target[0] - place[0], target[1] - place[1])
        # The player aims well for what the ball really was: first by the slopes, then by a trial.
        change = (
            distance - aimed - slopes[1] * (place[2] - contact[2]) - slopes[2] * (own_pace - pace)
            - slopes[3] * (own_spin - topspin)
        ) / slope
        angle = elevation + min(max(change, -MOST_CHANGE_RAD), MOST_CHANGE_RAD)
        landed = _range(place, own_pace, angle, azimuth, own_spin, times, out, path)
        if np.isfinite(landed):
            change = (distance - landed) / slope
            angle += min(max(change, -MOST_CHANGE_RAD / 2), MOST_CHANGE_RAD / 2)
        rows = fly(
            place[0], place[1], place[2], own_pace * errors[i, 2], angle + errors[i, 0],
            azimuth + errors[i, 1], own_spin, times, flown[i], path)
        if np.isfinite(flown[i, 0]) and np.isfinite(opponents[i, 0]):
            _meet(opponents[i], place, path, rows, flown[i], mover, restitution, met[i])
    return flown, met


def ranges(z_m: float, pace_mps: float, topspin_radps: float, elevations_rad: Array) -> Array:
    """Distances (N,) at which flights of some elevations (N,) come down; NaN where they do not."""
    return np.asarray(_ranges(z_m, pace_mps, topspin_radps, elevations_rad, _TIMES))


def elevation_near(
    z_m: float, pace_mps: float, topspin_radps: float, distance_m: float, start_rad: float
) -> float:
    """Elevation near a start at which a flight comes down at a distance; NaN if there is none."""
    return float(_elevation(z_m, pace_mps, topspin_radps, distance_m, start_rad, _TIMES))


def one(
    contact_m: Array, pace_mps: float, elevation_rad: float, azimuth_rad: float,
    topspin_radps: float,
) -> Array:
    """A single flight from a contact (3,), as a row (7,) of :func:`draw`."""
    out = np.empty(7)
    path = np.empty((LONGEST_PATH, 4))
    x, y, z = (float(value) for value in contact_m)
    fly(x, y, z, pace_mps, elevation_rad, azimuth_rad, topspin_radps, _TIMES, out, path)
    return out


def draw(
    contact_m: Array, pace_mps: float, topspin_radps: float, elevation_rad: float,
    target_m: tuple[float, float], strokes: Array, errors: Array, opponents: Array,
    mover: tactics.Mover, restitution: float,
) -> tuple[Array, Array]:
    """Flights (N, 7) toward a target, and how the opponent can meet them (N, 3).

    ``strokes`` (N, 5) are draws of contact (x, y, z), pace and topspin as they may really have
    been, about the measured ones; ``errors`` (N, 3) the player's errors of elevation and azimuth in
    rad and the factor on the pace; ``opponents`` (N, 4) draws of place and velocity, NaN where not
    measured. The first columns of the answer are ``LANDED_X`` to ``LEVEL``; the second holds the
    time of the ball at the best meeting point, the time the opponent needs to it, both in s from
    the contact, and its distance in m.
    """
    figures = (mover.reaction_s, mover.acceleration_mps2, mover.speed_mps, mover.reach_m)
    flown, met = _draw(
        contact_m, pace_mps, topspin_radps, elevation_rad, np.array(target_m), strokes, errors,
        opponents, figures, restitution, _TIMES,
    )
    return flown, met
