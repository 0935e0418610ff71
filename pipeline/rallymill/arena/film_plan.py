"""Which camera is on when: main camera, and in the pauses close-ups, crowd, replays, graphics."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import pyarrow as pa

from rallymill.arena import camera_moves, camera_work
from rallymill.arena.film_config import FilmConfig
from rallymill.arena.scene import Venue
from rallymill.arena.world import World

CLOCK_HZ = 90_000
BEFORE_SERVE_S = 2.2
"""The main camera is back on so long before the first contact of a point."""
AFTER_POINT_S = 1.1
"""The main camera stays on so long after a point."""
MIN_CUTAWAY_S = 0.9
REPLAY_SPEED = 0.4
WIPE_S = 0.4


@dataclass(frozen=True)
class Segment:
    """Frames ``first_frame`` to ``last_frame`` (included) from one camera.

    Frame f shows the world at ``world_s + speed * (t(f) - t(first_frame))``; ``kind`` is main,
    close_up, crowd, replay or graphic, ``label`` the same in the words of the views table.
    ``wipe_s`` is the length of the wipes at both ends.
    """

    kind: str
    label: str
    first_frame: int
    last_frame: int
    world_s: float
    speed: float
    work: camera_work.CameraWork | None
    number: int = 0
    wipe_s: float = 0.0


def frame_time_s(frame: int, rate: Fraction) -> float:
    """Presentation time of a frame, as it is written: whole ticks of the film's clock."""
    return round(frame / rate * CLOCK_HZ) / CLOCK_HZ


def _gaps(points: pa.Table, duration_s: float) -> list[tuple[float, float]]:
    """Spans of the world in which no point is near, in order."""
    starts = sorted(points.column("start_s").to_pylist())
    ends = sorted(points.column("end_s").to_pylist())
    return [
        (end + AFTER_POINT_S, start - BEFORE_SERVE_S)
        for end, start in zip(ends, [*starts[1:], duration_s + BEFORE_SERVE_S], strict=False)
        if start - end > AFTER_POINT_S + BEFORE_SERVE_S + MIN_CUTAWAY_S
    ]


def _cutaway(
    rng: np.random.Generator, config: FilmConfig, world: World, venue: Venue, start_s: float
) -> tuple[str, str, camera_work.CameraWork | None]:
    number = int(rng.integers(0, 2**31))
    size = (config.width_px, config.height_px)
    kinds = ["close_up", "close_up", "graphic"] + (["crowd"] if venue.slope > 0 else [])
    kind = str(rng.choice(kinds))
    if kind == "close_up":
        who = int(rng.integers(0, 2))
        return kind, "other", camera_work.close_up(number, *size, world, who, start_s + 0.5)
    if kind == "crowd":
        return kind, "other", camera_work.crowd_camera(
            number, *size, venue.side_x_m, venue.wall_height_m, venue.slope
        )
    return kind, "graphic", None


def main_work(config: FilmConfig, world: World) -> camera_work.CameraWork:
    """Main camera of a film, with what befalls it."""
    size = (config.width_px, config.height_px)
    if config.window:
        wide = (round(config.height_px * 16 / 9), config.height_px)
        work: camera_work.CameraWork = camera_moves.Window(
            camera_work.main_camera(world, config.seed, config.tier, *wide), world, config.width_px
        )
    else:
        work = camera_work.main_camera(world, config.seed, config.tier, *size)
    if config.shake_rad or config.breathing:
        rng = np.random.default_rng([config.seed, 88])
        work = camera_moves.unsteady(work, rng, config.shake_rad, config.breathing)
    return work


def plan(config: FilmConfig, world: World, venue: Venue, points: pa.Table) -> list[Segment]:
    """Segments that cover the film without gaps, in order."""
    rng = np.random.default_rng([config.seed, 83])
    size = (config.width_px, config.height_px)
    main = main_work(config, world)
    rate = config.rate
    opening = round(config.opening_s * rate)
    offset_s = frame_time_s(opening, rate)
    end_s = world.duration_s
    if config.max_duration_s is not None:
        end_s = min(end_s, config.max_duration_s - offset_s)
    n_frames = opening + max(int(end_s * rate), 1)
    found: list[Segment] = []
    if opening:
        number = int(rng.integers(0, 2**31))
        found.append(Segment("graphic", "graphic", 0, opening - 1, 0.0, 1.0, None, number))
    at = opening

    def add(kind: str, label: str, until: int, work: camera_work.CameraWork | None,
            world_s: float | None = None, speed: float = 1.0, wipe_s: float = 0.0) -> None:
        nonlocal at
        until = min(until, n_frames)
        if until <= at:
            return
        start = frame_time_s(at, rate) - offset_s if world_s is None else world_s
        number = int(rng.integers(0, 2**31))
        found.append(Segment(kind, label, at, until - 1, start, speed, work, number, wipe_s))
        at = until

    for start_s, stop_s in _gaps(points, end_s):
        first = int(np.ceil((start_s + offset_s) * rate))
        stop = int((stop_s + offset_s) * rate)
        draw = float(rng.random())
        replay_s = stop_s - start_s
        if draw < config.replays and replay_s >= 2.0:
            add("main", "main", first, main)
            shown_s = min(replay_s, 6.0) * REPLAY_SPEED
            ball_dead_s = start_s - AFTER_POINT_S
            who = int(rng.integers(0, 2))
            from_s = max(ball_dead_s + 0.3 - shown_s, 0.0)
            if rng.random() < 0.5:
                number = int(rng.integers(0, 2**31))
                work = camera_work.side_camera(number, *size, world, who, from_s + shown_s / 2)
            else:
                work = main
            last = min(stop, first + int(shown_s / REPLAY_SPEED * rate))
            add("replay", "replay", last, work, from_s, REPLAY_SPEED, WIPE_S)
        elif draw < config.replays + config.cutaways:
            add("main", "main", first, main)
            while at < min(stop, n_frames):
                length = round(float(rng.uniform(1.2, 3.5)) * rate)
                until = at + length
                if stop - until < MIN_CUTAWAY_S * rate:
                    until = stop
                t = frame_time_s(at, rate) - offset_s
                kind, label, cut_work = _cutaway(rng, config, world, venue, t)
                add(kind, label, until, cut_work)
    add("main", "main", n_frames, main)
    return found
