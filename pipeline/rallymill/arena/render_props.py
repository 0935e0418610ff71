"""Things that stand by the court: net posts, the umpire's chair, benches."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rallymill import court
from rallymill.arena.body_limbs import SOLID_SIZE
from rallymill.arena.scene import Venue
from rallymill.arena.world import Colour

Array = NDArray[np.float64]
Point = tuple[float, float, float]


def _rod(p: Point, q: Point, radius_m: float, colour: Colour) -> Array:
    row = np.zeros(SOLID_SIZE)
    row[1:4] = p
    row[4] = radius_m
    row[5:8] = q
    row[8] = radius_m
    row[9:12] = colour
    row[13] = 1.0
    return row


def _chair(x: float, y: float, colour: Colour) -> Array:
    rods = []
    for sx in (-1, 1):
        for sy in (-1, 1):
            rods.append(
                _rod((x + 0.45 * sx, y + 0.40 * sy, 0.0), (x + 0.25 * sx, y + 0.25 * sy, 1.7),
                     0.03, colour)
            )
    for z in (0.5, 1.0, 1.4):
        rods.append(_rod((x - 0.4, y - 0.36, z), (x + 0.4, y - 0.36, z), 0.022, colour))
    for k in range(5):
        offset = -0.24 + 0.12 * k
        rods.append(_rod((x - 0.26, y + offset, 1.72), (x + 0.26, y + offset, 1.72), 0.06, colour))
    return np.array(rods)


def _bench(x: float, y: float, colour: Colour) -> Array:
    rods = [
        _rod((x + dx, y - 0.7, 0.45), (x + dx, y + 0.7, 0.45), 0.07, colour)
        for dx in (-0.12, 0.0, 0.12)
    ]
    for dy in (-0.6, 0.6):
        rods.append(_rod((x, y + dy, 0.0), (x, y + dy, 0.42), 0.03, (0.1, 0.1, 0.1)))
    return np.array(rods)


def props(venue: Venue, chair_x_m: float | None) -> tuple[Array, ...]:
    """Groups of solids (N, SOLID_SIZE): posts and, where there is an umpire, chair and benches."""
    rng = np.random.default_rng([venue.seed, 74])
    groups: list[Array] = []
    dark: Colour = (0.03, 0.06, 0.04)
    for sign in (-1.0, 1.0):
        x = sign * (court.DOUBLES_POST_X_M + 0.04)
        groups.append(_rod((x, -0.01, 0.0), (x, -0.01, 1.07), 0.04, dark)[None])
        if venue.singles_sticks:
            x = sign * court.SINGLES_POST_X_M
            stick: Colour = (0.7, 0.7, 0.68)
            groups.append(_rod((x, -0.01, 0.0), (x, -0.01, 1.07), 0.025, stick)[None])
    if chair_x_m is not None:
        level = float(rng.uniform(0.05, 0.6))
        tint = level * float(rng.uniform(0.8, 1.2))
        groups.append(_chair(chair_x_m, -0.02, (level, level, tint)))
        bench: Colour = (float(rng.uniform(0.1, 0.8)), 0.4, 0.35)
        for dy in (-2.2, 2.2):
            groups.append(_bench(chair_x_m, dy, bench))
    return tuple(groups)
