"""A world made by hand for tests of the renderer: people and balls put where a test wants them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pyarrow as pa

from rallymill.arena import scene
from rallymill.arena.world import BallState, Look, PersonState
from rallymill.camera import Camera


def standing(x_m: float, y_m: float, facing_rad: float = np.pi / 2, **more: object) -> PersonState:
    state = PersonState(x_m, y_m, 0.0, 0.0, 0.0, facing_rad, "stand", 0.5, 0.0)
    return replace(state, **more)  # type: ignore[arg-type]


@dataclass(frozen=True)
class StillWorld:
    """People that do not move, balls that fly straight on from a place at time 0."""

    states: tuple[PersonState, ...] = ()
    places: tuple[tuple[float, float, float], ...] = ()
    velocity_mps: tuple[float, float, float] = (0.0, 0.0, 0.0)
    duration_s: float = 1.0
    surface: str = "hard"

    @property
    def looks(self) -> tuple[Look, ...]:
        return tuple(Look(1.85, shirt=(0.8, 0.1, 0.1)) for _ in self.states)

    @property
    def roles(self) -> tuple[str, ...]:
        return ("near", "far", "other", "other")[: len(self.states)]

    @property
    def balls(self) -> int:
        return len(self.places)

    def person(self, index: int, t_s: float) -> PersonState:
        return self.states[index]

    def ball(self, index: int, t_s: float) -> BallState | None:
        velocity = np.array(self.velocity_mps)
        return BallState(np.array(self.places[index]) + velocity * t_s, velocity, True)

    def truth(self) -> dict[str, pa.Table]:
        return {}


def plain_venue() -> scene.Venue:
    """A hard court without shadows of stands, grain or wear, under an even sky."""
    venue = scene.make(7, "broadcast", "hard")
    return replace(
        venue,
        inner=(0.05, 0.12, 0.25),
        outer=(0.08, 0.2, 0.1),
        line=(0.8, 0.8, 0.8),
        line_opacity=1.0,
        line_fade=0.0,
        texture=0.0,
        doubles=True,
        line_width_m=0.05,
        baseline_width_m=0.10,
        ambient=(0.9, 0.9, 0.9),
        lights=(),
        shadow_edge=None,
        singles_sticks=False,
        bar=None,
        logos=False,
        litter=0,
        passers=0,
    )


def high_camera(k1: float = 0.0) -> Camera:
    return Camera.looking_at([0.4, -36.0, 10.0], [0.0, -0.6, 0.0], 2050.0, 1280, 720, 0.004, k1)
