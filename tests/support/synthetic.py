"""Noisy detections, frames and people tables from a world whose truth is known.

Works with anything that follows :class:`rallymill.arena.world.World`; :class:`SmallWorld` is a
rally generator of its own, made of nothing but :mod:`rallymill.flight`, so that tests of the ball
stages do not depend on the simulator.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import cv2
import numpy as np
import pyarrow as pa

from rallymill import court, flight, tableio, tables
from rallymill.arena.world import BallState, Look, PersonState
from rallymill.camera import Camera
from rallymill.errors import RallymillError

WIDTH_PX, HEIGHT_PX = 1280, 720


@dataclass(frozen=True)
class Noise:
    """How bad the detections are."""

    sigma_px: float = 0.7
    streak_share: float = 0.08
    """Error along the streak, as a share of the distance flown in a frame."""
    miss: float = 0.06
    miss_near_player: float = 0.35
    clutter: float = 1.0
    """False ball boxes a frame near players."""
    static: int = 3
    """Ball-like spots fixed on the court."""
    camera_px: float = 0.3
    people_m: float = 0.08


@dataclass
class Contact:
    """A true contact of the ball."""

    t_s: float
    kind: str
    side: str
    position_m: np.ndarray
    speed_mps: float
    """Speed just after it."""


@dataclass
class SmallWorld:
    """A rally: serve, returns, groundstrokes, volleys, and how it ends."""

    seed: int
    n_shots: int = 6
    surface: str = "hard"
    duration_s: float = 0.0
    looks: tuple[Look, ...] = (Look(1.85), Look(1.75))
    roles: tuple[str, ...] = ("near", "far")
    balls: int = 1
    contacts: list[Contact] = field(default_factory=list)
    pieces: list[tuple[float, float, np.ndarray, np.ndarray]] = field(default_factory=list)
    knots: dict[str, list[tuple[float, float, float]]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        rng = np.random.default_rng(self.seed)
        side = 1.0 if rng.random() < 0.5 else -1.0  # side of the hitter: -1 is near
        deuce = rng.random() < 0.5
        hand = 0.5
        x = (0.8 if deuce else -0.8) * -side
        now = 1.6
        names = {-1.0: "near", 1.0: "far"}
        self.knots = {"near": [], "far": []}
        position = np.array([x, side * 11.7, rng.uniform(2.55, 2.85)])
        self._stand(names[side], now, position[0] - 0.2, side * 11.9)
        self._stand(names[-side], now, -x * 4.0, -side * 12.6)
        toss = np.array([*position[:2], 1.6, 0, -0.3 * side, 0.0])
        rise = 0.85
        toss[5] = (position[2] - toss[2]) / rise + flight.GRAVITY_MPS2 * rise / 2
        self.pieces.append((now - rise, now, toss, np.zeros(2)))
        for shot in range(self.n_shots):
            serve = shot == 0
            last = shot == self.n_shots - 1
            start, spin = self._strike(rng, position, side, serve, deuce, last)
            self.contacts.append(Contact(now, "hit", names[side], position.copy(),
                                         float(np.linalg.norm(start[3:]))))
            volley = not serve and not last and rng.random() < 0.12
            if volley:
                fly = min(abs(-side * 3.0 - position[1]) / max(abs(start[4]) * 0.75, 1), 1.2)
                after = flight.states(start, spin, [fly])[0]
                if after[1] * side < -1.5 and 0.4 < after[2] < 2.5:
                    self.pieces.append((now, now + fly, start, spin))
                    now += fly
                    position = after[:3]
                    side = -side
                    self._stand(names[side], now, position[0] + hand, position[1] + side * 0.4)
                    continue
            now, position, stop = self._bounce_and_on(rng, now, start, spin, side, last)
            if stop:
                break
            side = -side
            self._stand(names[side], now, position[0] + hand * (1 if rng.random() < 0.5 else -1),
                        position[1] + side * 0.3)
        self.duration_s = now + 1.0

    def _stand(self, name: str, t_s: float, x_m: float, y_m: float) -> None:
        self.knots[name].append((t_s, float(x_m), float(y_m)))

    def _strike(self, rng, position, side, serve, deuce, last):
        """State and spin of a ball that lands at a place drawn at random."""
        for _ in range(200):
            if serve:
                across = rng.uniform(0.5, 3.7) * (-1 if deuce else 1) * -side
                target = np.array([across, -side * rng.uniform(4.6, 6.2)])
                speed, spin = rng.uniform(36, 56), np.array([rng.uniform(0, 250), 0.0])
            else:
                depth = rng.uniform(6.0, 11.6) if not last else rng.uniform(7, 12.6)
                target = np.array([rng.uniform(-3.9, 3.9), -side * depth])
                speed = rng.uniform(19, 36)
                spin = np.array([rng.uniform(-150, 350), rng.uniform(-60, 60)])
                if rng.random() < 0.08:
                    speed, spin = rng.uniform(16, 20), np.array([50.0, 0.0])
            heading = target - position[:2]
            reach = np.linalg.norm(heading)
            heading /= reach

            def landing(up, h=heading, s=speed, w=spin):
                start = np.array([*position, *(h * s * np.cos(up)), s * np.sin(up)])
                t, state = flight.fall_to(start, w)
                return start, t, np.linalg.norm(state[:2] - position[:2])

            grid = np.radians(np.linspace(-12, 50, 63))
            far = np.array([landing(a)[2] for a in grid])
            rising = np.flatnonzero((far[:-1] < reach) & (far[1:] >= reach))
            if not len(rising):
                continue
            low, high = grid[rising[0]], grid[rising[0] + 1]
            for _ in range(30):
                middle = (low + high) / 2
                if landing(middle)[2] < reach:
                    low = middle
                else:
                    high = middle
            start, t, _ = landing(low)
            path = flight.states(start, spin, np.linspace(0.001, t, 60))
            over = path[np.argmin(np.abs(path[:, 1]))]
            if over[2] > court.net_height_m(over[0]) + 0.08 and t < 2.4:
                return start, spin
        raise RallymillError(f"seed {self.seed}: no stroke found", "take another seed")

    def _bounce_and_on(self, rng, now, start, spin, side, last):
        surface = flight.SURFACES[self.surface]
        t, state = flight.fall_to(start, spin)
        self.pieces.append((now, now + t, start, spin))
        now += t
        after, spin = flight.bounce(state, spin, surface)
        self._touch(now, after)
        if last:
            again, state = flight.fall_to(after, spin)
            self.pieces.append((now, now + again, after, spin))
            now += again
            after, spin = flight.bounce(state, spin, surface)
            self._touch(now, after)
            self.pieces.append((now, now + 0.4, after, spin))
            return now + 0.4, after[:3], True
        again, _ = flight.fall_to(after, spin, height_m=0.3)
        if not np.isfinite(again):
            again, _ = flight.fall_to(after, spin)
            again *= 0.5
        wait = rng.uniform(0.35, 0.9) * again
        self.pieces.append((now, now + wait, after, spin))
        met = flight.states(after, spin, [wait])[0]
        if met[2] > 2.6:
            met[2] = 2.6
        return now + wait, met[:3], False

    def _touch(self, now, after):
        self.contacts.append(Contact(now, "bounce", court.side_of(after[1]), after[:3].copy(),
                                     float(np.linalg.norm(after[3:]))))

    def ball(self, index: int, t_s: float) -> BallState | None:
        """State of the ball."""
        for begin, end, start, spin in self.pieces:
            if begin <= t_s < end:
                state = flight.states(start, spin, [t_s - begin])[0]
                live = bool(self.contacts and t_s >= self.contacts[0].t_s)
                return BallState(state[:3], state[3:], live)
        return None

    def person(self, index: int, t_s: float) -> PersonState:
        """State of a player, who runs evenly from one contact to the next."""
        knots = self.knots[self.roles[index]]
        times, xs, ys = np.array(knots).T
        x, y = np.interp(t_s, times, xs), np.interp(t_s, times, ys)
        return PersonState(float(x), float(y), 0.0, 0.0, 0.0, 0.0, "run", 0.0, 0.0)


def broadcast(seed: int, width_px: int = WIDTH_PX, height_px: int = HEIGHT_PX) -> tuple:
    """Centre, target and focal length of a high camera behind the near baseline."""
    rng = np.random.default_rng(seed + 17)
    centre = np.array([rng.uniform(-0.6, 0.6), rng.uniform(-34, -26), rng.uniform(7.0, 10.0)])
    focal = width_px * rng.uniform(1.45, 1.6) * abs(centre[1]) / 30
    return centre, np.array([0.0, -1.0, 0.0]), focal


def club(seed: int, width_px: int = WIDTH_PX, height_px: int = HEIGHT_PX) -> tuple:
    """Centre, target and focal length of a tripod on the fence."""
    rng = np.random.default_rng(seed + 17)
    centre = np.array([rng.uniform(-0.5, 0.5), rng.uniform(-19.5, -18.5), rng.uniform(2.4, 3.2)])
    return centre, np.array([0.0, 0.0, 0.6]), width_px * 0.85


def film(
    world, seed: int, fps: float = 25.0, noise: Noise | None = None, low_camera: bool = False,
    width_px: int = WIDTH_PX, height_px: int = HEIGHT_PX, match_id: str = "synthetic", work=None,
) -> dict[str, pa.Table]:
    """Tables ``detections``, ``frames`` and ``people`` that a camera would give of a world.

    ``work`` is a camera work of the simulator; without it the camera is one of this module's.
    """
    noise = noise or Noise()
    rng = np.random.default_rng(seed)
    centre, target, focal = (club if low_camera else broadcast)(seed, width_px, height_px)
    times = np.arange(0, world.duration_s, 1 / fps)
    pan = np.zeros(2)
    boxes: list[tuple] = []
    frames: dict[str, list] = {
        name: [] for name in ("frame", "t_s", "camera", "k1", "focal_px")}
    people: dict[str, list] = {name: [] for name in (
        "frame", "t_s", "track_id", "role", "x_m", "y_m", "x1_px", "y1_px", "x2_px", "y2_px",
        "u_px", "v_px")}
    statics = np.column_stack([rng.uniform(-6, 6, noise.static), rng.uniform(-14, 14, noise.static),
                               np.zeros(noise.static)])
    missing = 0
    players = [i for i, role in enumerate(world.roles) if role in ("near", "far")]
    for number, t_s in enumerate(times):
        ball = world.ball(0, float(t_s))
        if ball is not None and not low_camera and work is None:
            wanted = np.array([np.clip(ball.position_m[0], -5, 5) * 0.25,
                               np.clip(ball.position_m[1], -12, 12) * 0.05])
            pan += (wanted - pan) * min(1.0, 2.0 / fps)
        if work is None:
            camera = Camera.looking_at(centre, target + [*pan, 0], focal, width_px, height_px)
        else:
            camera = work.at(float(t_s))
            focal = camera.focal_px
        turn = cv2.Rodrigues(rng.normal(0, noise.camera_px / focal, 3))[0]
        seen = replace(camera, rotation=turn @ camera.rotation)
        frames["frame"].append(number)
        frames["t_s"].append(t_s)
        frames["camera"].append(seen.matrix.ravel().tolist())
        frames["k1"].append(seen.k1)
        frames["focal_px"].append(seen.focal_px)
        corners = []
        for index in players:
            state = world.person(index, float(t_s))
            place = np.array([state.x_m, state.y_m, max(state.z_m, 0.0)])
            height = world.looks[index].height_m
            foot, head = camera.project([place, place + [0, 0, height]])
            if not np.isfinite([*foot, *head]).all():
                continue  # behind a low camera
            half = abs(head[1] - foot[1]) * 0.25
            box = (foot[0] - half, head[1], foot[0] + half, foot[1])
            corners.append(box)
            measured = place[:2] + rng.normal(0, noise.people_m, 2)
            for name, value in zip(people, (
                number, t_s, index, world.roles[index], *measured, *box, *foot), strict=True):
                people[name].append(value)
            boxes.append((number, t_s, "player", *box, 0.9))
            for _ in range(rng.poisson(noise.clutter / len(players))):
                spot = [rng.uniform(box[0], box[2]), rng.choice([box[3], (box[1] + box[3]) / 2])]
                boxes.append(_spot(number, t_s, spot + rng.normal(0, 3, 2), 3,
                                   rng.uniform(0.15, 0.7)))
        for spot in camera.project(statics):
            if rng.random() < 0.5:
                boxes.append(_spot(number, t_s, spot + rng.normal(0, 0.4, 2), 3,
                                   rng.uniform(0.15, 0.8)))
        if ball is None:
            continue
        image, ahead = camera.project([ball.position_m, ball.position_m + ball.velocity_mps / fps])
        if not (0 <= image[0] < width_px and 0 <= image[1] < height_px):
            continue
        beside = any(b[0] - 8 < image[0] < b[2] + 8 and b[1] < image[1] < b[3] for b in corners)
        if missing > 0:
            missing -= 1
            continue
        if rng.random() < (noise.miss_near_player if beside else noise.miss):
            missing = int(rng.integers(0, 3)) if rng.random() < 0.3 else 0
            continue
        along = (ahead - image) * rng.normal(0, noise.streak_share)
        size = max(3.0, focal * 0.067 / camera.depth_m(ball.position_m))
        boxes.append(_spot(number, t_s, image + along + rng.normal(0, noise.sigma_px, 2), size,
                           rng.uniform(0.4, 0.95)))
    return _as_tables(boxes, frames, people, match_id, width_px, height_px)


def _spot(frame, t_s, centre, size, confidence):
    half = size / 2
    return (frame, t_s, "ball", centre[0] - half, centre[1] - half, centre[0] + half,
            centre[1] + half, confidence)


def _as_tables(boxes, frames, people, match_id, width_px, height_px):
    n, m = len(frames["frame"]), len(people["frame"])
    names = ("frame", "t_s", "label", "x1_px", "y1_px", "x2_px", "y2_px", "confidence")
    columns = dict(zip(names, map(list, zip(*boxes, strict=True)), strict=True)) if boxes else {}
    return {
        "detections": tableio.from_columns(
            tables.DETECTIONS, {"match_id": [match_id] * len(boxes), **columns}),
        "frames": tableio.from_columns(tables.FRAMES, {
            "match_id": [match_id] * n, **frames, "view_id": [0] * n,
            "court_status": ["found"] * n, "court_rms_px": [0.5] * n,
            "width_px": [width_px] * n, "height_px": [height_px] * n}),
        "people": tableio.from_columns(tables.PEOPLE, {
            "match_id": [match_id] * m, **people, "observed": [True] * m,
            "confidence": [0.9] * m}),
    }
