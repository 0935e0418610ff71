"""What the simulator hands to the renderer: a world that can be asked for any moment.

A world is continuous in time, so that the renderer can sample within a frame for motion blur. It
holds one point or more; the film (which cuts, replays and shows graphics) is made from worlds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

Array = NDArray[np.float64]
Colour = tuple[float, float, float]
"""Linear red, green, blue, 0 to 1."""

ACTIONS = (
    "ready", "run", "sidestep", "split_step", "serve", "forehand", "backhand", "slice", "volley",
    "overhead", "recover", "walk", "stand", "bounce_ball",
)


@dataclass(frozen=True)
class Look:
    """How a person looks and is built."""

    height_m: float
    build: float = 1.0
    right_handed: bool = True
    two_handed_backhand: bool = True
    woman: bool = False
    shirt: Colour = (0.8, 0.8, 0.8)
    shorts: Colour = (0.2, 0.2, 0.2)
    shoes: Colour = (0.9, 0.9, 0.9)
    skin: Colour = (0.6, 0.4, 0.3)
    hair: Colour = (0.1, 0.07, 0.05)
    cap: Colour | None = None
    skirt: bool = False
    racket: Colour | None = (0.1, 0.1, 0.1)
    """None: carries no racket (line judge, ball kid, umpire)."""


@dataclass(frozen=True)
class PersonState:
    """A person at a moment.

    ``z_m`` is the height of the lower foot above the ground (0 unless airborne). ``facing_rad`` is
    the direction the chest points to, counter-clockwise from +x. ``phase`` runs from 0 to 1 within
    an action; a stroke meets the ball at phase 0.5, at ``contact_m``. ``gait`` is the phase of the
    legs in cycles. ``stretch`` from 0 to 1 is how far the body leans and reaches.
    """

    x_m: float
    y_m: float
    z_m: float
    vx_mps: float
    vy_mps: float
    facing_rad: float
    action: str
    phase: float
    gait: float
    contact_m: tuple[float, float, float] | None = None
    stretch: float = 0.0


@dataclass(frozen=True)
class BallState:
    """The ball at a moment; ``live`` while a point is played with it."""

    position_m: Array
    velocity_mps: Array
    live: bool


class World(Protocol):
    """A stretch of play.

    ``roles`` gives each person's role: ``near``, ``far`` or ``other``. ``balls`` is the number of
    balls that exist; ball 0 is the one in play.
    """

    duration_s: float
    surface: str
    looks: tuple[Look, ...]
    roles: tuple[str, ...]
    balls: int

    def person(self, index: int, t_s: float) -> PersonState:
        """State of a person."""
        ...

    def ball(self, index: int, t_s: float) -> BallState | None:
        """State of a ball, None while it is out of the world (in a pocket or a hand)."""
        ...

    def truth(self) -> dict[str, pa.Table]:
        """``events``, ``shots``, ``points`` and ``arcs`` with times in the world's own clock."""
        ...
