"""Where the cameras stand and how their operators follow play.

A broadcast camera stands high behind the baseline and pans, tilts and zooms with a lag; a club
camera stands on a tripod behind the baseline with a wide lens. Shots are chosen so that all of the
court, or all but a corner of it, is in the picture. A camera work is a function of time, the same
whatever moments are asked for.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from rallymill import court
from rallymill.arena.scene import split_of
from rallymill.arena.world import World
from rallymill.camera import Camera

Array = NDArray[np.float64]
STEP_S = 0.04
STEEP_SLOPE = 0.62
RESERVED_SHARE = 0.35
"""Share of the test split's broadcast cameras that stand where no other split's does."""


class CameraWork(Protocol):
    """A camera at any moment."""

    def at(self, t_s: float) -> Camera:
        """Camera at a moment of the world's clock."""
        ...


@dataclass(frozen=True)
class Fixed:
    """A camera that does not move."""

    camera: Camera

    def at(self, t_s: float) -> Camera:
        """Camera at a moment of the world's clock."""
        return self.camera


@dataclass(frozen=True)
class Follow:
    """A camera at a fixed place that follows play.

    ``aim`` (N, 3) are target x, target y and relative zoom every ``STEP_S`` seconds from 0;
    ``shake_rad`` the size of slow unsteadiness with the given ``phases``.
    """

    base: Camera
    target_m: tuple[float, float, float]
    aim: Array
    shake_rad: float
    phases: tuple[float, ...]

    def at(self, t_s: float) -> Camera:
        """Camera at a moment of the world's clock."""
        place = min(max(t_s / STEP_S, 0.0), len(self.aim) - 1.000001)
        i = int(place)
        share = place - i
        aim = self.aim[i] * (1 - share) + self.aim[min(i + 1, len(self.aim) - 1)] * share
        p = self.phases
        slow = np.sin(2 * np.pi * (np.array([0.37, 0.29]) * t_s + np.array([p[0], p[2]])))
        quick = np.sin(2 * np.pi * (np.array([1.9, 2.3]) * t_s + np.array([p[1], p[3]])))
        sway = self.shake_rad * (slow + 0.5 * quick)
        x, y, z = self.target_m
        distance = float(np.linalg.norm(np.array([x, y, z]) - self.base.centre_m))
        target = np.array([x + aim[0] + sway[0] * distance, y + aim[1], z + sway[1] * distance])
        return Camera.looking_at(
            self.base.centre_m, target, self.base.focal_px * aim[2], self.base.width_px,
            self.base.height_px, p[4], self.base.k1,
        )


def _extent(camera: Camera, points: Array) -> tuple[float, float, float, float]:
    """Extent of points in the picture in half widths and half heights from its centre."""
    image = camera.project(points)
    x = (image[:, 0] - (camera.width_px - 1) / 2) / (camera.width_px / 2)
    y = (image[:, 1] - (camera.height_px - 1) / 2) / (camera.height_px / 2)
    return float(x.min()), float(x.max()), float(y.min()), float(y.max())


def _fit(camera: Camera, target: Array, points: Array, fill: float) -> Camera:
    """Focal length and height of the target at which points just fill the picture."""
    for _ in range(12):
        x0, x1, y0, y1 = _extent(camera, points)
        scale = fill / max((x1 - x0) / 2, (y1 - y0) / 2)
        # Shift the aim so that the points lie evenly above and below the middle.
        shift = (y0 + y1) / 2 * (camera.height_px / 2) / camera.focal_px
        distance = float(np.linalg.norm(target - camera.centre_m))
        target = target - np.array([0.0, 0.0, shift * distance])
        side = (x0 + x1) / 2 * (camera.width_px / 2) / camera.focal_px
        target = target + np.array([side * distance, 0.0, 0.0])
        camera = Camera.looking_at(
            camera.centre_m, target, camera.focal_px * scale, camera.width_px,
            camera.height_px, k1=camera.k1,
        )
    return camera


def _court_points(behind_near_m: float, behind_far_m: float, head_m: float = 2.2) -> Array:
    x, y = court.HALF_DOUBLES_M, court.HALF_LENGTH_M
    return np.array(
        [
            [-x, -y, 0], [x, -y, 0], [-x, y, 0], [x, y, 0], [0, -y - behind_near_m, 0],
            [0, y + behind_far_m, 0], [-2, y + behind_far_m, head_m], [2, y + behind_far_m, head_m],
        ],
        dtype=float,
    )


def _play_centre(world: World, t_s: float) -> tuple[float, float]:
    """Place that an operator watches: between players and ball."""
    x, y, n = 0.0, 0.0, 0.0
    for index, role in enumerate(world.roles):
        if role in ("near", "far"):
            state = world.person(index, t_s)
            weight = 1.0 if role == "near" else 0.6
            x += state.x_m * weight
            y += (state.y_m - (-12.5 if role == "near" else 12.5)) * weight
            n += weight
    return (x / n, y / n) if n else (0.0, 0.0)


def _aim(world: World, rng: np.random.Generator, gain: float, zoom: float) -> Array:
    """Aim over time: offsets of the target and relative zoom, smoothed as by an operator."""
    n = int(np.ceil(world.duration_s / STEP_S)) + 2
    out = np.zeros((n, 3))
    out[:, 2] = 1.0
    lag = rng.uniform(0.35, 0.8)
    state = np.zeros((2, 3))
    state[0, 2] = 1.0
    phase = rng.uniform(0, 1)
    for i in range(n):
        t = min(i * STEP_S, world.duration_s)
        x, y = _play_centre(world, t)
        wanted = np.array(
            [gain * x, 0.25 * gain * y, 1.0 + zoom * np.sin(2 * np.pi * (0.05 * t + phase))]
        )
        if i == 0:
            state[0] = wanted
        # Critically damped follower.
        k = 1.0 / lag
        state[1] += STEP_S * (k * k * (wanted - state[0]) - 2 * k * state[1])
        state[0] = state[0] + STEP_S * state[1]
        out[i] = state[0]
    return out


def _club_camera(rng: np.random.Generator, width_px: int, height_px: int) -> CameraWork:
    """Tripod or fence mount behind the baseline with a wide lens; nobody moves it."""
    height = rng.uniform(2.0, 5.0)
    behind = rng.uniform(4.0, 8.0)
    centre = np.array([rng.uniform(-1.6, 1.6), -court.HALF_LENGTH_M - behind, height])
    k1 = float(rng.uniform(-0.14, 0.0)) if rng.random() < 0.7 else 0.0
    target = np.array([0.0, 2.0, 0.5])
    camera = Camera.looking_at(centre, target, 0.7 * width_px, width_px, height_px, k1=k1)
    points = _court_points(0.5, 2.0)
    if rng.random() < 0.5:
        # Near corners cut: the near baseline's ends may leave the picture.
        points[0, 0] *= rng.uniform(0.72, 0.95)
        points[1, 0] *= rng.uniform(0.72, 0.95)
    camera = _fit(camera, target, points, float(rng.uniform(0.90, 0.98)))
    roll = float(rng.normal(0, 0.008))
    c, s = np.cos(roll), np.sin(roll)
    turn = np.array([[c, s, 0], [-s, c, 0], [0, 0, 1.0]])
    return Fixed(replace(camera, rotation=turn @ camera.rotation))


def _broadcast_place(rng: np.random.Generator, reserved: bool) -> Array:
    """Where a broadcast camera stands, (3,): 6 to 25 m high, 15 to 45 m behind the baseline.

    ``reserved`` places, of the test split alone, look down more steeply than 35 degrees or stand
    2.5 to 6 m beside the middle line.
    """
    steep = reserved and rng.random() < 0.5
    while True:
        # Most look down by 15 to 25 degrees: common practice, no source.
        behind, slope = rng.uniform(15.0, 45.0), rng.normal(0.72 if steep else 0.36, 0.1)
        height = slope * (behind + court.HALF_LENGTH_M)
        if 6.0 <= height <= 25.0 and slope > 0.17 and steep == (slope > STEEP_SLOPE):
            break
    lateral = rng.uniform(-2.0, 2.0) if rng.random() < 0.4 else rng.uniform(-0.3, 0.3)
    if reserved and not steep:
        lateral = float(rng.choice([-1.0, 1.0])) * rng.uniform(2.5, 6.0)
    return np.array([lateral, -court.HALF_LENGTH_M - behind, height])


def main_camera(
    world: World, seed: int, tier: str, width_px: int, height_px: int
) -> CameraWork:
    """Main camera of a tier, drawn from a seed."""
    rng = np.random.default_rng([seed, 76])
    if tier == "club" or (tier == "hostile" and rng.random() < 0.5):
        return _club_camera(rng, width_px, height_px)
    reserved = split_of(seed) == "test" and tier != "easy" and rng.random() < RESERVED_SHARE
    centre = _broadcast_place(rng, bool(reserved))
    target = np.array([0.0, 0.0, 0.0])
    camera = Camera.looking_at(centre, target, 2.0 * width_px, width_px, height_px)
    points = _court_points(rng.uniform(1.5, 4.0), rng.uniform(1.0, 3.5))
    fill = float(rng.uniform(0.80, 0.97))
    camera = _fit(camera, target, points, fill)
    forward = camera.rotation[2]
    aim_point = camera.centre_m + forward * (-camera.centre_m[1] / forward[1])
    moving = rng.random() < (0.5 if tier == "easy" else 0.85)
    gain = float(rng.uniform(0.05, 0.3)) if moving else 0.0
    zoom = float(rng.uniform(0.0, 0.03)) if moving else 0.0
    aim = _aim(world, rng, gain, zoom) if moving else np.tile([0.0, 0.0, 1.0], (2, 1))
    phases = tuple(float(p) for p in rng.uniform(0, 1, 4)) + (float(rng.normal(0, 0.003)),)
    shake = float(rng.uniform(0, 0.0006)) if moving else 0.0
    return Follow(
        camera, (float(aim_point[0]), float(aim_point[1]), float(aim_point[2])), aim, shake, phases
    )


def side_camera(seed: int, width_px: int, height_px: int, world: World, index: int,
                t_s: float) -> CameraWork:
    """Low camera beside the court that looks at one player, for replays and close-ups."""
    rng = np.random.default_rng([seed, 77])
    state = world.person(index, t_s)
    side = float(rng.choice([-1.0, 1.0]))
    centre = np.array([side * rng.uniform(7.0, 8.3), state.y_m * rng.uniform(0.3, 0.9),
                       rng.uniform(0.9, 2.0)])
    target = np.array([state.x_m, state.y_m, 1.0])
    distance = float(np.linalg.norm(target - centre))
    focal = height_px * distance / rng.uniform(2.4, 4.5)
    return Fixed(Camera.looking_at(centre, target, focal, width_px, height_px))


def close_up(seed: int, width_px: int, height_px: int, world: World, index: int,
             t_s: float) -> CameraWork:
    """Camera on a player's upper body."""
    rng = np.random.default_rng([seed, 78])
    state = world.person(index, t_s)
    sign = -1.0 if state.y_m < 0 else 1.0
    away = -sign * rng.uniform(2.0, 8.0)
    centre = np.array([rng.uniform(-7.5, 7.5), away, rng.uniform(1.2, 2.5)])
    target = np.array([state.x_m, state.y_m, 1.25])
    distance = float(np.linalg.norm(target - centre))
    focal = height_px * distance / rng.uniform(1.2, 2.2)
    return Fixed(Camera.looking_at(centre, target, focal, width_px, height_px))


def crowd_camera(
    seed: int, width_px: int, height_px: int, side_x_m: float, wall_height_m: float, slope: float
) -> CameraWork:
    """Camera on the stands; no court in the picture."""
    rng = np.random.default_rng([seed, 79])
    side = float(rng.choice([-1.0, 1.0]))
    centre = np.array([-side * rng.uniform(0, 6), rng.uniform(-6, 6), rng.uniform(1.5, 6)])
    up = rng.uniform(2.6, 4.5)
    target = np.array(
        [side * (side_x_m + up), centre[1] + rng.uniform(-3, 3), wall_height_m + slope * up]
    )
    distance = float(np.linalg.norm(target - centre))
    focal = height_px * distance / rng.uniform(1.2, 2.2)
    return Fixed(Camera.looking_at(centre, target, focal, width_px, height_px))
