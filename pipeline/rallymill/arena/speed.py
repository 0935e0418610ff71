"""How fast frames are drawn: a main camera that follows play, as films have it most of the time.

Drawn and developed, not coded; one thread a process.
"""

from __future__ import annotations

import multiprocessing
import os
import time
from dataclasses import dataclass

import cv2

from rallymill.arena import film, film_config

SIZE = (1280, 720)
WARM_UP = 2


@dataclass(frozen=True)
class Speed:
    """Frames that processes drew together, and the time of the slowest of them."""

    processes: int
    frames: int
    wall_s: float
    cpu_s: float

    @property
    def per_second(self) -> float:
        """Frames a second of all processes together."""
        return self.frames / self.wall_s

    def text(self) -> str:
        """One line for people."""
        return (
            f"{self.processes} process{'es' if self.processes > 1 else ''}: "
            f"{self.per_second:.1f} frames/s of {SIZE[0]}x{SIZE[1]} "
            f"({1000 * self.cpu_s / self.frames:.0f} ms of processor time a frame)"
        )


def _draw(task: tuple[int, str, int]) -> tuple[float, float]:
    """Wall and processor seconds that one process takes for its frames, after warming up."""
    frames, tier, seed = task
    cv2.setNumThreads(1)
    made = film.make(
        film_config.FilmConfig(
            seed=seed, tier=tier, width_px=SIZE[0], height_px=SIZE[1], n_points=2, cutaways=0.0,
            replays=0.0,
        )
    )
    drawn = film.frames(made)
    for _ in range(WARM_UP):
        next(drawn)
    wall_s, cpu_s = time.perf_counter(), time.process_time()
    for _ in range(frames):
        next(drawn)
    return time.perf_counter() - wall_s, time.process_time() - cpu_s


def measure(processes: int, frames: int, tier: str = "broadcast", seed: int = 300_003) -> Speed:
    """Speed of ``processes`` that draw ``frames`` each at the same time."""
    for name in ("NUMBA_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ[name] = "1"
    context = multiprocessing.get_context("spawn")
    with context.Pool(processes) as pool:
        found = pool.map(_draw, [(frames, tier, seed + k) for k in range(processes)], chunksize=1)
    return Speed(
        processes, frames * processes, max(wall for wall, _ in found), sum(cpu for _, cpu in found)
    )
