"""Boxes of a simulated world's people: the hull of their bodies and rackets in the picture."""

from __future__ import annotations

import numpy as np
import pandas as pd

from rallymill import tableio, tables
from rallymill.arena.body import solids
from rallymill.arena.camera_work import main_camera
from rallymill.arena.play import PlayWorld
from rallymill.arena.render_people import surface
from rallymill.camera import Camera
from tests.support.people_scene import Scene


def hull(camera: Camera, body: np.ndarray, shapes: np.ndarray) -> np.ndarray:
    """Box (4,) around a body's points (V, 3), shoes and all, and solids (N, SOLID_SIZE).

    Of each solid both ends with its radius count, but no lower than the body: its feet are not
    those that are drawn.
    """
    ends = np.concatenate([shapes[:, 1:4], shapes[:, 5:8]])
    radius = np.concatenate([shapes[:, 4], shapes[:, 8]])
    reach = (radius * camera.pixels_per_metre(ends))[:, None]
    image, drawn = camera.project(ends), camera.project(body)
    low = np.minimum((image - reach).min(0), drawn.min(0))
    high = np.maximum((image + reach).max(0), drawn.max(0))
    return np.array([*low, high[0], drawn[:, 1].max()])


def filmed(
    world: PlayWorld, seed: int, tier: str, rate: float, start_s: float, end_s: float,
    noise_px: float = 1.0, missed: float = 0.05, width: int = 1280, height: int = 720,
) -> Scene:
    """People's boxes of a stretch of a world, cut at the picture's edges, and the truth."""
    rng = np.random.default_rng(seed)
    work = main_camera(world, seed, tier, width, height)
    boxes, frames, truth = [], [], []
    low, high = np.array([-0.5, -0.5]), np.array([width - 0.5, height - 0.5])
    for number, t_s in enumerate(np.arange(start_s, min(end_s, world.duration_s), 1 / rate)):
        camera = work.at(float(t_s))
        when = {"match_id": "m", "frame": number, "t_s": float(t_s)}
        frames.append(
            {**when, "view_id": 0, "camera": camera.matrix.ravel().tolist(), "k1": camera.k1,
             "court_status": "found", "position_sd_m": 0.03, "width_px": width,
             "height_px": height}
        )
        for index, role in enumerate(world.roles):
            person = world.person(index, float(t_s))
            truth.append(
                {**when, "track_id": index, "role": role, "x_m": person.x_m, "y_m": person.y_m,
                 "z_m": person.z_m, "vx_mps": person.vx_mps, "vy_mps": person.vy_mps}
            )
            look = world.looks[index]
            box = hull(camera, surface(person, look)[0], solids(person, look)[0])
            box = box + rng.normal(0, noise_px + 0.006 * (box[3] - box[1]), 4)
            corners = np.clip(box.reshape(2, 2), low, high)
            if (corners[1] - corners[0]).min() < 8 or rng.random() < missed:
                continue
            names = ("x1_px", "y1_px", "x2_px", "y2_px")
            boxes.append(
                {**when, "label": "player", "confidence": float(rng.uniform(0.5, 0.95)),
                 **dict(zip(names, corners.ravel(), strict=True))}
            )
    return Scene(
        tableio.from_rows(tables.DETECTIONS, boxes), tableio.from_rows(tables.FRAMES, frames),
        pd.DataFrame(truth),
    )
