"""Pieces of a body: joints by inverse kinematics, solids, feet in the course of a step, racket.

Compiled by numba; a solid is a row of ``SOLID_SIZE`` numbers as :data:`SOLID_COLUMNS` names them.
"""

from __future__ import annotations

from math import cos, floor, pi, sin, sqrt

import numpy as np
from numba import njit

SOLID_COLUMNS = "kind p0(3) r0 p1(3) r1 colour(3) part chance axes(9)"
SOLID_SIZE = 23
MAX_SOLIDS = 56
CAPSULE, ELLIPSOID, DISC = 0.0, 1.0, 2.0
PART_BODY, PART_RACKET = 0.0, 1.0

READY, RUN, SIDESTEP, SPLIT, SERVE, FOREHAND, BACKHAND, SLICE, VOLLEY, OVERHEAD = range(10)
RECOVER, WALK, STAND, BOUNCE_BALL, SIT = range(10, 15)
GRIP_TO_CENTRE_M = 0.50
"""From the middle of the grip to the middle of the strings."""


@njit(cache=True, fastmath=True, error_model="numpy")
def smooth(x):  # type: ignore[no-untyped-def]
    """Smooth step from 0 to 1."""
    x = min(max(x, 0.0), 1.0)
    return x * x * (3 - 2 * x)


@njit(cache=True)
def key_values(table, phase, first, count):  # type: ignore[no-untyped-def]
    """Values at ``phase`` of a key table (phase, values...), by Catmull-Rom between keys."""
    n = table.shape[0]
    while n > 1 and table[n - 1, 0] < 0.0:
        n -= 1
    out = np.empty(count)
    i = 0
    while i < n - 2 and phase > table[i + 1, 0]:
        i += 1
    t0 = table[i, 0]
    t1 = table[i + 1, 0]
    s = min(max((phase - t0) / max(t1 - t0, 1e-6), 0.0), 1.0)
    before = max(i - 1, 0)
    after = min(i + 2, n - 1)
    for c in range(count):
        p0 = table[i, first + c]
        p1 = table[i + 1, first + c]
        m0 = 0.0
        if i > 0:
            m0 = (p1 - table[before, first + c]) / (t1 - table[before, 0]) * (t1 - t0)
        m1 = 0.0
        if i + 2 < n:
            m1 = (table[after, first + c] - p0) / (table[after, 0] - t0) * (t1 - t0)
        s2 = s * s
        s3 = s2 * s
        out[c] = (
            (2 * s3 - 3 * s2 + 1) * p0
            + (s3 - 2 * s2 + s) * m0
            + (3 * s2 - 2 * s3) * p1
            + (s3 - s2) * m1
        )
    return out


@njit(cache=True)
def unit(v):  # type: ignore[no-untyped-def]
    """Vector of length 1 along v (3,)."""
    n = sqrt(v[0] * v[0] + v[1] * v[1] + v[2] * v[2])
    return v / max(n, 1e-9)


@njit(cache=True)
def joint(a, b, first, second, pole):  # type: ignore[no-untyped-def]
    """Middle joint of two bones from a to b, bent towards ``pole``; b may come out of reach."""
    d = b - a
    length = max(sqrt(d[0] * d[0] + d[1] * d[1] + d[2] * d[2]), 1e-6)
    n = d / length
    reach = min(length, (first + second) * 0.999)
    along = (first * first - second * second + reach * reach) / (2 * reach)
    along = min(max(along, -first), first)
    height = sqrt(max(first * first - along * along, 0.0))
    p = pole - n * (pole[0] * n[0] + pole[1] * n[1] + pole[2] * n[2])
    p = unit(p)
    return a + n * along * (length / reach if length > reach else 1.0) + p * height


@njit(cache=True)
def capsule(out, n, p0, r0, p1, r1, red, green, blue, part=0.0, chance=1.0):  # type: ignore[no-untyped-def]
    """Write a tapered capsule as row n of the solids; returns the next row."""
    row = out[n]
    row[0] = 0.0
    row[1:4] = p0
    row[4] = r0
    row[5:8] = p1
    row[8] = r1
    row[9] = red
    row[10] = green
    row[11] = blue
    row[12] = part
    row[13] = chance
    return n + 1


@njit(cache=True)
def ellipsoid(out, n, p, a, b, c, ra, rb, rc, red, green, blue):  # type: ignore[no-untyped-def]
    """Axes a, b, c (unit vectors) with half lengths ra, rb, rc; stored divided by the lengths."""
    row = out[n]
    row[0] = 1.0
    row[1:4] = p
    row[4] = max(ra, max(rb, rc))
    row[5:8] = p
    row[8] = row[4]
    row[9] = red
    row[10] = green
    row[11] = blue
    row[12] = 0.0
    row[13] = 1.0
    row[14:17] = a / ra
    row[17:20] = b / rb
    row[20:23] = c / rc
    return n + 1


@njit(cache=True)
def gait_cycle_m(speed_mps):  # type: ignore[no-untyped-def]
    """Way of one cycle of the legs (two steps): 1.3 m when walking, 2.6 m at a run."""
    return 1.3 + 1.3 * min(max((speed_mps - 1.5) / 4.0, 0.0), 1.0)


@njit(cache=True)
def place_feet(state, h, ankle_m, forward, left, out, heel):  # type: ignore[no-untyped-def]
    """Ankles (2, 3) of flat feet and how far each heel has come up; returns hip drop and gait."""
    action = int(state[6])
    phase = state[7]
    speed = sqrt(state[3] * state[3] + state[4] * state[4])
    root = np.array([state[0], state[1], 0.0])
    direction = forward.copy()
    if speed > 0.05:
        direction = np.array([state[3] / speed, state[4] / speed, 0.0])
    base = 0.16 * h
    drop = 0.05
    if action in (READY, SPLIT):
        base = 0.17 * h
        drop = 0.085
        if action == SPLIT:
            drop = 0.06 + 0.05 * smooth((phase - 0.6) * 4)
    elif action in (STAND, WALK, BOUNCE_BALL):
        base = 0.07 * h
        drop = 0.005
    elif action == SERVE:
        base = 0.06 * h
        drop = 0.02 + 0.06 * max(0.0, 1 - abs(phase - 0.40) / 0.10)
    elif action == OVERHEAD:
        drop = 0.03
    elif action <= VOLLEY and action >= FOREHAND:
        base = 0.19 * h
        drop = 0.07 + 0.03 * state[13]
    gait = min(speed / 0.6, 1.0)
    if action in (STAND, SPLIT):
        gait = 0.0
    walking = action == WALK or speed < 1.6
    shuffle = action == SIDESTEP
    stance = 0.58 if walking else 0.40
    lift = (0.05 if walking else 0.10 + 0.02 * speed) * min(speed, 1.0)
    if shuffle:
        lift = 0.05
        stance = 0.5
    # Side-steps are short and twice as quick.
    cadence = 2.0 if shuffle else 1.0
    # A foot on the ground stays there: it goes back under the body as fast as the body goes on.
    amplitude = 0.5 * stance * gait_cycle_m(speed) / cadence
    for i in range(2):
        sign = 1.0 if i == 0 else -1.0
        # Feet at rest: apart across the chest, one a little ahead in strokes.
        ahead = 0.0
        if action == SERVE:
            ahead = -sign * 0.14 * h
            if state[12] > 0 and phase > 0.5:
                ahead *= 1 - smooth((phase - 0.5) * 4)
        elif action >= FOREHAND and action <= SLICE:
            ahead = -sign * 0.08 * h
            if action != FOREHAND:
                ahead = -ahead
        rest = root + left * (sign * base) + forward * ahead
        cycle = cadence * state[8] + 0.5 * i
        cycle = cycle - floor(cycle)
        up = 0.0
        if cycle < stance:
            s = 1 - 2 * cycle / stance
        else:
            q = (cycle - stance) / (1 - stance)
            s = -1 + 2 * smooth(q)
            up = sin(pi * q) * lift
            if not walking and not shuffle:
                # The heel comes up behind the runner early in the swing.
                up += 0.22 * min(speed / 5.0, 1.0) * max(0.0, sin(pi * min(q * 1.6, 1.0)))
        apart = left * (0.15 * h)
        if not shuffle:
            # Beside the line of running, whichever way the chest faces.
            apart = np.array([-direction[1], direction[0], 0.0]) * (0.045 * h)
        # The foot lands less far ahead than it leaves behind.
        step = root + apart * sign + direction * ((s - 0.12) * amplitude)
        heel[i] = 0.0
        if not shuffle and cycle < stance and s < -0.2:
            heel[i] = min(-s - 0.2, 0.8) * 0.24 * min(speed / 2.0, 1.0) * gait
        out[i] = rest * (1 - gait) + step * gait
        out[i, 2] = up * gait
    low = min(out[0, 2], out[1, 2])
    for i in range(2):
        out[i, 2] += state[2] - low + ankle_m
    if not walking and gait > 0.5:
        drop = max(drop, 0.05)
    return drop * h, gait


@njit(cache=True)
def racket(out, n, grip, aim, forward, z_axis, colour):  # type: ignore[no-untyped-def]
    """Grip, shaft, elliptical hoop and strings; the hoop's plane holds ``aim``."""
    normal = forward - aim * (forward @ aim)
    if normal @ normal < 0.05:
        normal = z_axis - aim * (z_axis @ aim)
    normal = unit(normal)
    side = np.cross(aim, normal)
    centre = grip + aim * GRIP_TO_CENTRE_M
    n = capsule(out, n, grip - aim * 0.09, 0.016, grip + aim * 0.10, 0.015, 0.1, 0.1, 0.1, 1.0)
    long = 0.165
    wide = 0.128
    neck = centre - aim * long
    n = capsule(
        out, n, grip + aim * 0.10, 0.012, neck, 0.012, colour[0], colour[1], colour[2], 1.0
    )
    pieces = 14
    for k in range(pieces):
        a0 = 2 * pi * k / pieces
        a1 = 2 * pi * (k + 1) / pieces
        p0 = centre + aim * (long * cos(a0)) + side * (wide * sin(a0))
        p1 = centre + aim * (long * cos(a1)) + side * (wide * sin(a1))
        n = capsule(out, n, p0, 0.011, p1, 0.011, colour[0], colour[1], colour[2], 1.0)
    row = out[n]
    row[0] = 2.0
    row[1:4] = centre
    row[4] = long
    row[5:8] = centre
    row[8] = long
    row[9:12] = 0.75
    row[12] = 1.0
    row[13] = 0.16
    row[14:17] = aim / long
    row[17:20] = side / wide
    row[20:23] = normal
    return n + 1
