"""Things that stand or lie by the court: net posts, chair, benches, balls, bottles, towels."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rallymill import court
from rallymill.arena.body_limbs import SOLID_SIZE
from rallymill.arena.scene import NEIGHBOUR_X_M, Venue
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


def _dot(place: Point, radius_m: float, colour: Colour) -> Array:
    x, y, z = place
    return _rod(place, (x + 1e-3, y, z), radius_m, colour)[None]


def _thing(rng: np.random.Generator, x: float, y: float) -> Array:
    """Something small that lies about: a ball most often, a bottle, a bag, a towel, paper."""
    kinds = ["ball", "bottle", "bag", "towel", "paper"]
    kind = str(rng.choice(kinds, p=[0.6, 0.14, 0.1, 0.1, 0.06]))
    light = float(rng.uniform(0.5, 0.95))
    if kind == "ball":
        faded = float(rng.uniform(0.6, 1.0))
        return _dot((x, y, 0.0335), 0.0335, (0.62 * faded, 0.78 * faded, 0.10 + 0.2 * (1 - faded)))
    if kind == "bottle":
        colour: Colour = (light, light, light) if rng.random() < 0.6 else (0.1, 0.3, light)
        return _rod((x, y, 0.03), (x, y, 0.22), 0.033, colour)[None]
    if kind == "bag":
        dark = (float(rng.uniform(0.01, 0.4)), float(rng.uniform(0.01, 0.2)), 0.1)
        turn = float(rng.uniform(0, np.pi))
        end = (x + 0.55 * float(np.cos(turn)), y + 0.55 * float(np.sin(turn)), 0.16)
        return _rod((x, y, 0.16), end, 0.15, dark)[None]
    if kind == "towel":
        high = float(rng.uniform(0.9, 1.3))
        return np.array([
            _rod((x, y, high), (x, y, high - 0.4), 0.05, (light, light, light)),
            _rod((x + 0.1, y, high), (x + 0.1, y, high - 0.4), 0.05, (light, light, light)),
        ])
    return _dot((x, y, 0.02), float(rng.uniform(0.02, 0.06)), (light, light, light))


def _litter(rng: np.random.Generator, venue: Venue) -> list[Array]:
    """What lies at the fences, beside the net and round the benches; never on the court."""
    found = []
    for _ in range(venue.litter):
        where = float(rng.random())
        sign = float(rng.choice([-1.0, 1.0]))
        if where < 0.5:
            x = float(rng.uniform(-0.9, 0.9)) * min(venue.side_x_m, 9.0)
            y = sign * (venue.wall_y_m - abs(float(rng.normal(0.1, 0.5))) - 0.1)
        elif where < 0.7:
            x = sign * (min(venue.side_x_m, 9.5) - float(rng.uniform(0.1, 0.8)))
            y = float(rng.uniform(-venue.wall_y_m, venue.wall_y_m))
        elif where < 0.85:
            x, y = float(rng.uniform(-5.5, 5.5)), sign * float(rng.uniform(0.08, 0.25))
        else:
            x, y = sign * float(rng.uniform(6.3, 7.6)), float(rng.uniform(-3.0, 3.0))
        if abs(y) < 0.3:
            found.append(_dot((x, y, 0.0335), 0.0335, (0.62, 0.78, 0.10)))
        else:
            found.append(_thing(rng, x, y))
    return found


def _next_nets() -> list[Array]:
    """Bands and posts of the nets of the next courts; their mesh is too fine to matter."""
    found = []
    for sign in (-1.0, 1.0):
        middle = sign * NEIGHBOUR_X_M
        reach = court.DOUBLES_POST_X_M
        white: Colour = (0.8, 0.8, 0.78)
        rods = []
        for side in (-1.0, 1.0):
            post = (middle + side * reach, 0.0, court.NET_POST_M)
            rods.append(_rod((middle, 0.0, court.NET_CENTRE_M - 0.03), post, 0.03, white))
            rods.append(_rod((post[0], 0.0, 0.0), post, 0.04, (0.03, 0.06, 0.04)))
        found.append(np.array(rods))
    return found


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
    groups += _litter(rng, venue)
    if venue.neighbours:
        groups += _next_nets()
    return tuple(groups)
