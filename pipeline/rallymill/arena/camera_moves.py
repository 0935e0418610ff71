"""What befalls a camera work: unsteadiness, breathing focus, another size, an upright cut-out.

Each wraps a camera work and gives cameras that are exact for what is drawn: a cut-out is the same
camera with its principal point moved, breathing a focal length that wanders.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from rallymill.arena.camera_work import CameraWork
from rallymill.arena.world import World
from rallymill.camera import Camera

Array = NDArray[np.float64]
FOLLOW_S = 0.9
"""An upright cut-out is led by where play has been for so long."""


def scaled(camera: Camera, width_px: int, height_px: int) -> Camera:
    """The same view in a picture of another size and about the same shape.

    The scale is that of the widths; a difference of shape is cut or added evenly above and below.
    """
    factor = width_px / camera.width_px
    cx, cy = camera.principal_px
    rest = (height_px - camera.height_px * factor) / 2
    return replace(
        camera, focal_px=camera.focal_px * factor, width_px=width_px, height_px=height_px,
        principal_px=((cx + 0.5) * factor - 0.5, (cy + 0.5) * factor - 0.5 + rest),
    )


@dataclass(frozen=True)
class Scaled:
    """A camera work in another size."""

    base: CameraWork
    width_px: int
    height_px: int

    def at(self, t_s: float) -> Camera:
        """Camera at a moment of the world's clock."""
        return scaled(self.base.at(t_s), self.width_px, self.height_px)


@dataclass(frozen=True)
class Unsteady:
    """A camera that trembles and whose focal length breathes with its focus.

    ``waves`` (N, 4) are amplitudes of pan, tilt and roll in radians and the frequency in Hz, with
    ``phases`` (N, 3); ``breathing`` is the amplitude of the relative focal length, ``breath_hz``
    its frequency.
    """

    base: CameraWork
    waves: Array
    phases: Array
    breathing: float = 0.0
    breath_hz: float = 0.1

    def at(self, t_s: float) -> Camera:
        """Camera at a moment of the world's clock."""
        camera = self.base.at(t_s)
        turn = 2 * np.pi * (self.waves[:, 3:] * t_s + self.phases)
        pan, tilt, roll = (self.waves[:, :3] * np.sin(turn)).sum(0)
        rotation = np.asarray(cv2.Rodrigues(np.array([tilt, pan, roll]))[0])
        breath = 1 + self.breathing * float(np.sin(2 * np.pi * self.breath_hz * t_s))
        return replace(
            camera, rotation=rotation @ camera.rotation, focal_px=camera.focal_px * breath
        )


def unsteady(base: CameraWork, rng: np.random.Generator, shake_rad: float, breathing: float
             ) -> Unsteady:
    """Camera work with five waves of trembling that add up to about ``shake_rad``."""
    frequency = np.exp(rng.uniform(np.log(0.3), np.log(7.0), 5))
    size = shake_rad / np.sqrt(len(frequency)) * rng.uniform(0.3, 1.0, (5, 3))
    size[:, 2] *= 0.5
    waves = np.column_stack([size, frequency])
    return Unsteady(
        base, waves, rng.uniform(0, 1, (5, 3)), breathing, float(rng.uniform(0.04, 0.5))
    )


def _interest_px(world: World, camera: Camera, t_s: float) -> float:
    """Column that shows what matters: between both players, drawn to the ball."""
    places = []
    for index, role in enumerate(world.roles):
        if role in ("near", "far"):
            state = world.person(index, t_s)
            places.append((state.x_m, state.y_m, 1.0))
    ball = world.ball(0, t_s)
    if ball is not None:
        places += [tuple(ball.position_m)] * 2
    columns = camera.project(np.array(places, dtype=float).reshape(-1, 3))[:, 0]
    columns = columns[np.isfinite(columns)]
    return float(np.clip(columns, 0, camera.width_px - 1).mean()) if len(columns) else 0.0


@dataclass(frozen=True)
class Window:
    """An upright cut-out, ``width_px`` wide, of a wide film that follows play."""

    base: CameraWork
    world: World
    width_px: int

    def at(self, t_s: float) -> Camera:
        """Camera at a moment of the world's clock."""
        camera = self.base.at(t_s)
        past = [
            _interest_px(self.world, camera, max(t_s - FOLLOW_S * share, 0.0))
            for share in np.linspace(0.1, 1.0, 8)
        ]
        left = float(np.clip(np.mean(past) - self.width_px / 2, 0, camera.width_px - self.width_px))
        cx, cy = camera.principal_px
        return replace(camera, width_px=self.width_px, principal_px=(cx - left, cy))
