"""Cameras of the rows of the frames table, and how sure they are."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rallymill.camera import Camera, from_matrix
from rallymill.camera_spread import unpack


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


def covariances_of(frames: pd.DataFrame) -> tuple[NDArray[np.float64] | None, ...]:
    """Covariance (8, 8) of each row's camera, None where it is not stated.

    :mod:`rallymill.camera_spread` tells from it how sure any place or height on the court is.
    """
    if "camera_covariance" not in frames:
        return (None,) * len(frames)
    return tuple(
        None if numbers is None else unpack(numbers) for numbers in frames["camera_covariance"]
    )
