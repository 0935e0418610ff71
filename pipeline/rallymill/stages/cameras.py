"""Cameras of the rows of the frames table."""

from __future__ import annotations

import numpy as np
import pandas as pd

from rallymill.camera import Camera, from_matrix


def cameras_of(frames: pd.DataFrame) -> tuple[Camera | None, ...]:
    """Camera of each row; None where the matrix is null or not that of a camera."""
    cache: dict[bytes, Camera | None] = {}
    found: list[Camera | None] = []
    for matrix, k1, width, height in zip(
        frames["camera"], frames["k1"], frames["width_px"], frames["height_px"], strict=True
    ):
        if matrix is None:
            found.append(None)
            continue
        numbers = np.asarray(matrix, dtype=float)
        distortion = 0.0 if k1 is None or np.isnan(k1) else float(k1)
        key = numbers.tobytes() + np.float64(distortion).tobytes()
        if key not in cache:
            try:
                cache[key] = from_matrix(numbers, int(width), int(height), distortion)
            except ValueError:
                cache[key] = None
        found.append(cache[key])
    return tuple(found)
