"""Frames made of interlaced fields, and what is true of them.

A field holds every other row of the picture at its own moment. A frame of two fields shows the
first a quarter of a frame before its time and the second a quarter after; what it shows of a moving
thing lies between, so its box is the hull of both and its place that of the frame's own time; but
where a deinterlacer has filled it in from the first field, it is where that has it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rallymill.arena.render_seen import BallSeen, PersonSeen, Picture
from rallymill.arena.world import World
from rallymill.camera import Camera

Bytes = NDArray[np.uint8]
Box = tuple[float, float, float, float]
MOTION_LEVELS = 48
"""A deinterlacer takes a smaller difference between fields for noise and leaves the comb."""


def bob(picture: Bytes, parity: int) -> Bytes:
    """Picture (H, W, 3) of which only the rows of a parity are kept, the others filled in."""
    rows = picture[parity::2].astype(np.uint16)
    out = picture.copy()
    n = len(out[1 - parity :: 2])
    if parity == 0:
        below = np.concatenate([rows[1:], rows[-1:]])
        filled = (rows + below + 1) // 2
    else:
        above = np.concatenate([rows[:1], rows[:-1]])
        filled = (rows + above + 1) // 2
        filled = filled if len(filled) >= n else np.concatenate([filled, rows[-1:]])
    out[1 - parity :: 2] = filled[:n].astype(np.uint8)
    return out


def weave(first: Bytes, second: Bytes) -> Bytes:
    """Even rows of the first picture, odd rows of the second."""
    out = first.copy()
    out[1::2] = second[1::2]
    return out


def blend(first: Bytes, second: Bytes) -> Bytes:
    """Average of both fields, each filled up to full height."""
    total = bob(first, 0).astype(np.uint16) + bob(second, 1)
    return ((total + 1) // 2).astype(np.uint8)


def comb(first: Bytes, second: Bytes) -> Bytes:
    """Woven where the fields differ little, the first field filled in where they differ much."""
    filled = bob(first, 0)
    woven = weave(first, second)
    apart = np.abs(filled.astype(np.int16) - woven).max(-1) > MOTION_LEVELS
    return np.asarray(np.where(apart[..., None], filled, woven), dtype=np.uint8)


def join(fields: str, first: Bytes, second: Bytes) -> Bytes:
    """Frame of two pictures (H, W, 3) at the moments of its fields.

    Raises
    ------
    ValueError
        The kind of film does not join two fields.
    """
    makers = {"blend": blend, "weave": weave, "comb": comb}
    if fields not in makers:
        raise ValueError(f"{fields!r} joins no fields, {', '.join(makers)} do")
    return makers[fields](first, second)


def _hull(a: Box, b: Box) -> Box:
    return (min(a[0], b[0]), min(a[1], b[1]), max(a[2], b[2]), max(a[3], b[3]))


def _people(
    world: World, camera: Camera, t_s: float, first: Picture, second: Picture
) -> list[PersonSeen]:
    later = {person.index: person for person in second.people}
    found = []
    for one in first.people:
        two = later.get(one.index)
        if two is None:
            continue
        state = world.person(one.index, t_s)
        pixel = camera.project(np.array([state.x_m, state.y_m, 0.0]))
        found.append(
            PersonSeen(
                one.index, one.role, _hull(one.box_px, two.box_px),
                (float(state.x_m), float(state.y_m), float(state.z_m)),
                (float(pixel[0]), float(pixel[1])), 0.5 * (one.visible_share + two.visible_share),
            )
        )
    return found


def seen_between(
    world: World, camera: Camera, t_s: float, first: Picture, second: Picture
) -> Picture:
    """What a frame of two fields shows: hulls of both, places at ``t_s`` as ``camera`` sees them.

    Whoever or whatever one of the two does not show is left out.
    """
    later = {ball.index: ball for ball in second.balls}
    balls = []
    for one in first.balls:
        two, state = later.get(one.index), world.ball(one.index, t_s)
        if two is None or state is None:
            continue
        pixel = camera.project(np.asarray(state.position_m))
        x, y, z = (float(value) for value in state.position_m)
        vx, vy, vz = (float(value) for value in state.velocity_mps)
        balls.append(
            BallSeen(
                one.index, (x, y, z), (vx, vy, vz), (float(pixel[0]), float(pixel[1])),
                _hull(one.box_px, two.box_px), 0.5 * (one.visible_share + two.visible_share),
                bool(state.live),
            )
        )
    people = _people(world, camera, t_s, first, second)
    return Picture(first.light, tuple(people), tuple(balls))
