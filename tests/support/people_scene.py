"""Invented rallies seen by an invented detector: people's boxes with known places.

Players run between places near the baseline with limited acceleration and hop now and then;
officials and ball kids stand where they usually stand. Nothing here is used by the stages.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa

from rallymill import tableio, tables
from rallymill.camera import Camera

OFFICIALS = (
    # x, y, height seen, height of the feet above the ground
    (-7.4, 0.6, 1.70, 1.5),  # umpire on the chair
    (6.6, -0.9, 1.10, 0.0),  # ball kid at the post, crouched
    (-6.6, -0.9, 1.10, 0.0),
    (-4.1, 17.8, 1.75, 0.0),  # line judges
    (4.1, 17.8, 1.75, 0.0),
    (0.0, 18.3, 1.75, 0.0),
    (5.6, 17.2, 1.65, 0.0),  # ball kid in the corner
)


@dataclass(frozen=True)
class Scene:
    """Input tables of the people stage and the truth (match_id, frame, role, x_m ... z_m)."""

    detections: pa.Table
    frames: pa.Table
    truth: pd.DataFrame


def run_between(
    rng: np.random.Generator, times: np.ndarray, sign: float, pause_s: float = 1.3
) -> np.ndarray:
    """Path (N, 4) x, y, vx, vy of a player: accelerate and brake to one place after another."""
    place = np.array([rng.uniform(-2, 2), sign * rng.uniform(11.5, 13.5)])
    speed = np.zeros(2)
    goal = place
    next_s = times[0] + rng.uniform(0.3, pause_s)
    out = np.empty((len(times), 4))
    fine = 0.005
    now = times[0]
    for i, time in enumerate(times):
        while now < time:
            if now >= next_s:
                depth = rng.uniform(2.5, 6) if rng.random() < 0.1 else rng.uniform(10.5, 14)
                goal = np.array([rng.uniform(-4.2, 4.2), sign * depth])
                next_s = now + rng.uniform(0.6, 1.4) * pause_s
            wanted = (goal - place) * 3.5
            wanted *= min(1.0, 5.5 / max(np.linalg.norm(wanted), 1e-9))
            change = (wanted - speed) * 8
            change *= min(1.0, 6.0 / max(np.linalg.norm(change), 1e-9))
            speed = speed + change * fine
            place = place + speed * fine
            now += fine
        out[i] = [*place, *speed]
    return out


def hops(rng: np.random.Generator, times: np.ndarray, every_s: float = 1.3) -> np.ndarray:
    """Height of the feet (N,) of a player who makes a split step about every ``every_s``."""
    z = np.zeros(len(times))
    start = times[0] + rng.uniform(0, every_s)
    while start < times[-1]:
        length = rng.uniform(0.18, 0.30)
        inside = (times >= start) & (times <= start + length)
        z[inside] = 9.81 / 2 * (times[inside] - start) * (start + length - times[inside])
        start += rng.uniform(0.8, 1.2) * every_s
    return z


def camera(rng: np.random.Generator, width: int = 1280, height: int = 720) -> Camera:
    """Broadcast-like camera behind the near baseline."""
    return Camera.looking_at(
        (rng.uniform(-0.5, 0.5), rng.uniform(-34, -28), rng.uniform(8, 11)), (0, -1.5, 0),
        rng.uniform(1.55, 1.8) * width, width, height,
    )


def scene(
    seed: int,
    seconds: float = 8.0,
    rate: float = 50.0,
    n_views: int = 1,
    width: int = 1280,
    height: int = 720,
    missed: float = 0.05,
    noise_px: float = 1.2,
    officials: tuple[tuple[float, float, float, float], ...] = OFFICIALS,
    cut_s: float = 20.0,
) -> Scene:
    """A match of some views; boxes have noise, gaps, occlusion and false alarms."""
    rng = np.random.default_rng(seed)
    cam = camera(rng, width, height)
    noise_px = noise_px * height / 720
    found, frame_rows, truth = [], [], []
    first, start = 0, 0.0
    for view in range(n_views):
        n = int(seconds * rate)
        times = start + np.arange(n) / rate
        people = []
        for sign, role, tall in ((-1.0, "near", 1.85), (1.0, "far", 1.78)):
            people.append((role, run_between(rng, times, sign), hops(rng, times), tall))
        for x, y, tall, lift in officials:
            path = np.tile([x, y, 0, 0], (n, 1)).astype(float)
            path[:, :2] += np.cumsum(rng.normal(0, 0.004, (n, 2)), 0)
            people.append(("other", path, np.full(n, lift), tall))
        hidden = np.zeros(n, bool)
        at = rng.integers(n // 4, n // 2)
        hidden[at : at + int(0.4 * rate)] = True
        for i in range(n):
            frame = first + i
            frame_rows.append(
                {"match_id": "m", "frame": frame, "t_s": times[i], "view_id": 2 * view,
                 "camera": cam.matrix.ravel().tolist(), "k1": 0.0, "focal_px": cam.focal_px,
                 "court_rms_px": 0.5, "court_status": "found", "position_sd_m": 0.03,
                 "width_px": width, "height_px": height}
            )
            for index, (role, path, z, tall) in enumerate(people):
                x, y, vx, vy = path[i]
                if role != "other" or z[i] == 0:
                    truth.append(
                        {"match_id": "m", "frame": frame, "t_s": times[i], "track_id": index,
                         "role": role, "x_m": x, "y_m": y, "z_m": z[i], "vx_mps": vx,
                         "vy_mps": vy}
                    )
                if rng.random() < missed or (role == "far" and hidden[i]):
                    continue
                # All face the net: towards the camera point heels below, toes beyond it.
                shoe = 0.07 if y < 0 else 0.15
                foot, head = cam.project([[x, y - shoe, z[i]], [x, y, z[i] + tall]])
                tall_px = foot[1] - head[1]
                sd = noise_px + 0.01 * tall_px
                # Now and then a racket reaches out on a side.
                swing = np.maximum(0, np.sin(2.4 * times[i] + np.array([0, np.pi]))) ** 8
                reach = tall_px * (0.17 + 0.3 * swing)
                box = np.array([foot[0] - reach[0], head[1], foot[0] + reach[1], foot[1]])
                box += rng.normal(0, sd, 4)
                found.append(_box(frame, times[i], box, rng.uniform(0.5, 0.95)))
            if rng.random() < 0.02:
                u, v = rng.uniform(0.2, 0.8) * width, rng.uniform(0.3, 0.9) * height
                box = np.array([u, v - 60, u + 30, v])
                found.append(_box(frame, times[i], box, rng.uniform(0.15, 0.6)))
        first += n + 200
        start = times[-1] + cut_s
    return Scene(
        tableio.from_rows(tables.DETECTIONS, found),
        tableio.from_rows(tables.FRAMES, frame_rows),
        pd.DataFrame(truth),
    )


def _box(frame: int, t_s: float, box: np.ndarray, confidence: float) -> dict[str, object]:
    return {
        "match_id": "m", "frame": frame, "t_s": t_s, "label": "player", "x1_px": box[0],
        "y1_px": box[1], "x2_px": box[2], "y2_px": box[3], "confidence": confidence,
    }
