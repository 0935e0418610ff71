"""What a detector might find in a film, without drawing it: boxes with misses, noise and clutter.

Seconds of work for minutes of play, so that what happens after detection can be tuned and measured
on many more points than could be drawn. The figures of :class:`Noise` are about those of the
detector on drawn films, those of balls by tier (:mod:`rallymill.arena.box_balls`); real boxes fail
in more ways, so what is measured here is a bound. Edges of players' boxes there are off by 1.1 px
at 60 px of height and by 2 to 2.7 px at 110 to 200, with a correlation of 0.8 from frame to frame
(ten films for validation).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
import pyarrow as pa
from numpy.typing import NDArray
from scipy.special import expit

from rallymill import tableio, tables
from rallymill.arena import film_truth
from rallymill.arena.box_balls import TIERS, BallLooker, BallNoise, Spot
from rallymill.arena.film import Film
from rallymill.arena.film_plan import Segment, frame_time_s
from rallymill.arena.render_people import surface
from rallymill.arena.world import Look, PersonState, World
from rallymill.camera import Camera

Array = NDArray[np.float64]
Row = dict[str, Any]

PLAYERS = ("near", "far")
BALL_WIDTH_M = 0.067
LEAST_BALL_PX = 3.0
"""No ball's box is narrower."""
STRINGS, STRINGS_M = 2, 0.13
"""Row of a pose's marks that is the middle of the strings, and how far they reach about it."""
LEAST_HOP_M = 0.008


@dataclass(frozen=True)
class Noise:
    """How bad the boxes are; lengths in pixels of a picture 1280 wide."""

    balls: BallNoise | None = None
    """None: as on drawn films of the film's tier."""
    camera_px: float = 0.3
    people_m: float = 0.08
    player_px: float = 0.8
    """Deviation of each edge of a player's box, besides the share of its height."""
    player_share: float = 0.007
    player_lasts_s: float = 0.18
    """A box that ends above or below a shoe does so for about so long."""
    feet_on_ground: tuple[float, float] = (-6.9, 1.8)
    feet_in_air: tuple[float, float] = (6.2, 4.0)
    """Mean and deviation of the log odds that feet are off the ground, as ``models/hop_look`` gives
    them on validation films."""
    feet_last_s: tuple[float, float] = (0.04, 1.0)
    """Half of the variance of that deviation goes on for about the first, half for the second."""


@dataclass(frozen=True)
class Boxed:
    """Tables that stages before flight would write of a film, and the truth."""

    measured: dict[str, pa.Table]
    truth: dict[str, pa.Table]
    sheet: dict[str, Any]


def boxed(film: Film, noise: Noise | None = None) -> Boxed:
    """Views, frames, detections and people of a film's main-camera spans; the same each time."""
    config = film.config
    match_id = config.name
    looker = _Looker(film.world, noise or Noise(), config.seed, config.width_px, config.height_px,
                     float(config.rate), config.tier)
    for view_id, segment in enumerate(film.segments):
        if segment.label == "main":
            looker.look(segment, view_id, config)
    views = film_truth.views(match_id, film.segments, config.rate)
    truth = film_truth.play_tables(match_id, film.truth, film.segments, config.rate, film.codes())
    truth["views"] = views
    truth["frames"] = tableio.from_rows(tables.FRAMES, [
        film_truth.frame_row(match_id, *row) for row in looker.true_frames
    ])
    return Boxed({"views": views, **looker.tables(match_id)}, truth, dict(film.sheet))


class _Looker:
    """Looks at one main-camera span after the other and keeps what it finds."""

    def __init__(
        self, world: World, noise: Noise, seed: int, width_px: int, height_px: int, rate_hz: float,
        tier: str,
    ) -> None:
        self.world, self.noise = world, noise
        self.size = (width_px, height_px)
        self.rate_hz = rate_hz
        self.scale = width_px / 1280
        self.rng = np.random.default_rng([seed, 97])
        self.balls = BallLooker(
            noise.balls or TIERS[tier], np.random.default_rng([seed, 71]), self.size)
        self.true_frames: list[tuple[int, float, int, Camera]] = []
        self.frames: list[Row] = []
        self.boxes: list[Row] = []
        self.people: list[Row] = []
        self.edge_rng = np.random.default_rng([seed, 31])
        self._edges: dict[int, tuple[float, Array]] = {}
        self.feet_rng = np.random.default_rng([seed, 53])
        self._feet: dict[int, tuple[float, Array]] = {}

    def look(self, segment: Segment, view_id: int, config: Any) -> None:
        """Every frame of a span."""
        assert segment.work is not None
        start_s = frame_time_s(segment.first_frame, config.rate)
        for frame in range(segment.first_frame, segment.last_frame + 1):
            t_s = frame_time_s(frame, config.rate)
            world_s = segment.world_s + segment.speed * (t_s - start_s)
            camera = segment.work.at(world_s)
            self.true_frames.append((frame, t_s, view_id, camera))
            self._frame(frame, t_s, view_id, camera)
            corners = self._players(frame, t_s, world_s, camera)
            self._balls(frame, t_s, world_s, camera, corners)

    def _frame(self, frame: int, t_s: float, view_id: int, camera: Camera) -> None:
        turn = cv2.Rodrigues(
            self.rng.normal(0, self.noise.camera_px * self.scale / camera.focal_px, 3)
        )[0]
        seen = replace(camera, rotation=turn @ camera.rotation)
        self.frames.append({
            "frame": frame, "t_s": t_s, "view_id": view_id, "court_status": "found",
            "camera": seen.matrix.ravel().tolist(), "k1": seen.k1, "focal_px": seen.focal_px,
            "court_rms_px": 0.5, "width_px": self.size[0], "height_px": self.size[1],
        })

    def _players(self, frame: int, t_s: float, world_s: float, camera: Camera) -> list[Array]:
        corners = []
        for index, role in enumerate(self.world.roles):
            if role not in PLAYERS:
                continue
            state = self.world.person(index, world_s)
            place = np.array([state.x_m, state.y_m, max(state.z_m, 0.0)])
            foot, head = camera.project([place, place + [0, 0, self.world.looks[index].height_m]])
            if not np.isfinite([*foot, *head]).all():
                continue  # behind a low camera
            half = abs(head[1] - foot[1]) * 0.25
            box = np.array([foot[0] - half, head[1], foot[0] + half, foot[1]])
            if box[0] > self.size[0] or box[2] < 0 or box[1] > self.size[1]:
                continue
            corners.append(box)
            measured = place[:2] + self.rng.normal(0, self.noise.people_m, 2)
            hull = self._hull(state, self.world.looks[index], camera)
            hull = hull + self._unsteady(index, t_s, hull[3] - hull[1])
            edges = dict(zip(("x1_px", "y1_px", "x2_px", "y2_px"), hull, strict=True))
            self.people.append({
                "frame": frame, "t_s": t_s, "track_id": index + 1, "role": role,
                "x_m": measured[0], "y_m": measured[1], **edges, "u_px": foot[0], "v_px": foot[1],
                "observed": True, "confidence": 0.9,
            })
            self.boxes.append({
                "frame": frame, "t_s": t_s, "label": "player", **edges, "confidence": 0.9,
                "airborne": self._airborne(index, t_s, state.z_m > LEAST_HOP_M),
            })
        return corners

    def _hull(self, state: PersonState, look: Look, camera: Camera) -> Array:
        """Box (4,) about the body and the strings, as far as the picture goes."""
        skin, _, pose = surface(state, look)
        strings = pose.marks[STRINGS] + STRINGS_M * np.concatenate([np.eye(3), -np.eye(3)])
        image = camera.project(np.concatenate([skin, strings]))
        last = np.array(self.size) - 1.0
        return np.concatenate([
            np.clip(np.nanmin(image, axis=0), 0, last), np.clip(np.nanmax(image, axis=0), 0, last)
        ])

    def _unsteady(self, index: int, t_s: float, tall_px: float) -> Array:
        """Errors (4,) of a box's edges: each of a Gauss-Markov process of first order."""
        noise = self.noise
        since_s, last = self._edges.get(index, (-np.inf, np.zeros(4)))
        kept = 0.0
        if noise.player_lasts_s > 0:
            kept = float(np.exp(-(t_s - since_s) / noise.player_lasts_s))
        now = kept * last + np.sqrt(1 - kept**2) * self.edge_rng.normal(0, 1, 4)
        self._edges[index] = (t_s, now)
        return now * (noise.player_px * self.scale + noise.player_share * tall_px)

    def _airborne(self, index: int, t_s: float, in_air: bool) -> float:
        """What is said of a player's feet in a frame; errors last, since legs stay as they are."""
        since_s, last = self._feet.get(index, (-np.inf, np.zeros(2)))
        kept = np.exp(-(t_s - since_s) / np.array(self.noise.feet_last_s))
        now = kept * last + np.sqrt(1 - kept**2) * self.feet_rng.normal(0, 1, 2)
        self._feet[index] = (t_s, now)
        mean, deviation = self.noise.feet_in_air if in_air else self.noise.feet_on_ground
        return float(expit(mean + deviation * now.sum() / np.sqrt(2)))

    def _balls(
        self, frame: int, t_s: float, world_s: float, camera: Camera, corners: list[Array]
    ) -> None:
        """Boxes at the ball, where it is found, and at what is taken for one."""
        ball = self.world.ball(0, world_s)
        image: Array | None = None
        if ball is not None:
            step = ball.velocity_mps / self.rate_hz
            image, ahead = camera.project([ball.position_m, ball.position_m + step])
            if (image >= 0).all() and image[0] < self.size[0] and image[1] < self.size[1]:
                wide = camera.focal_px * BALL_WIDTH_M / float(camera.depth_m(ball.position_m))
                spot = self.balls.right(image, ahead, corners)
                if spot is not None:
                    self._box(frame, t_s, spot, max(LEAST_BALL_PX, wide))
            else:
                image = None
        for spot in self.balls.wrong(camera, image, corners):
            self._box(frame, t_s, spot, LEAST_BALL_PX)

    def _box(self, frame: int, t_s: float, spot: Spot, wide_px: float) -> None:
        half = wide_px / 2
        self.boxes.append({
            "frame": frame, "t_s": t_s, "label": "ball", "x1_px": spot.at[0] - half,
            "y1_px": spot.at[1] - half, "x2_px": spot.at[0] + half, "y2_px": spot.at[1] + half,
            "confidence": spot.confidence,
        })

    def tables(self, match_id: str) -> dict[str, pa.Table]:
        """What was found, as tables."""
        specs = {
            "frames": (tables.FRAMES, self.frames), "people": (tables.PEOPLE, self.people),
            "detections": (tables.DETECTIONS, self.boxes),
        }
        return {
            name: tableio.from_rows(spec, [{"match_id": match_id, **row} for row in rows])
            for name, (spec, rows) in specs.items()
        }
