"""Cameras of the rows of the frames table, and how sure they are.

A match has hundreds of thousands of frames, so both are held as numbers, a row a frame, and made
into objects when one is asked for.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import TypeVar, overload

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from rallymill.camera import Camera, from_matrix
from rallymill.camera_spread import N_PACKED, unpack

Array = NDArray[np.float64]
T = TypeVar("T")
N_NUMBERS = 18


class PerFrame(Sequence[T | None]):
    """Something of each of N frames, made from its row of numbers; None where that is not finite.
    """

    def __init__(self, numbers: NDArray[np.floating], make: Callable[[NDArray], T]) -> None:
        self._numbers, self._make = numbers, make

    def __len__(self) -> int:
        """Number of frames."""
        return len(self._numbers)

    @overload
    def __getitem__(self, index: int) -> T | None: ...
    @overload
    def __getitem__(self, index: slice) -> tuple[T | None, ...]: ...

    def __getitem__(self, index: int | slice) -> T | tuple[T | None, ...] | None:
        """What belongs to a frame, or to some in a tuple."""
        if isinstance(index, slice):
            return tuple(self[k] for k in range(*index.indices(len(self))))
        numbers = self._numbers[index]
        return self._make(numbers) if np.isfinite(numbers[0]) else None


class CamerasByFrame(Mapping[int, Camera | None]):
    """Cameras of a frames table by frame, each made when it is asked for.

    A frame whose matrix is null or not that of a camera has None. Frames that follow each other
    with the same matrix give the same object, so that a camera that stood still is seen to.
    """

    def __init__(self, table: pa.Table) -> None:
        """Take a table with ``frame``, ``camera``, ``k1``, ``width_px`` and ``height_px``."""
        self._frame: NDArray[np.int64] = table["frame"].to_numpy()
        self._order = np.argsort(self._frame, kind="stable")
        matrices = table["camera"].combine_chunks()
        if isinstance(matrices, pa.ChunkedArray):
            matrices = pa.concat_arrays(matrices.chunks) if matrices.num_chunks else pa.array([])
        known = matrices.is_valid().to_numpy(zero_copy_only=False)
        # Of what is null there is no matrix.
        self._row = np.where(known, np.cumsum(known) - 1, -1)
        self._matrices = (
            matrices.flatten().to_numpy().reshape(-1, 12) if known.any() else np.empty((0, 12))
        )
        self._k1 = np.nan_to_num(table["k1"].to_numpy().astype(float))
        self._size = [table[name].to_numpy() for name in ("width_px", "height_px")]
        self._before: tuple[bytes, Camera | None] = (b"", None)

    def __getitem__(self, frame: int) -> Camera | None:
        """Camera of a frame of the table."""
        at = int(np.searchsorted(self._frame, frame, sorter=self._order))
        if at == len(self._frame) or self._frame[self._order[at]] != frame:
            raise KeyError(frame)
        place = int(self._order[at])
        if self._row[place] < 0:
            return None
        matrix, k1 = self._matrices[self._row[place]], float(self._k1[place])
        key = matrix.tobytes() + np.float64(k1).tobytes()
        if key != self._before[0]:
            width, height = (int(numbers[place]) for numbers in self._size)
            try:
                found = from_matrix(matrix, width, height, k1)
            except ValueError:
                found = None
            self._before = (key, found)
        return self._before[1]

    def __iter__(self) -> Iterator[int]:
        """Frames of the table in their order there."""
        return iter(self._frame.tolist())

    def __len__(self) -> int:
        """Number of frames."""
        return len(self._frame)


def cameras_of(frames: pd.DataFrame) -> PerFrame[Camera]:
    """Camera of each row; None where the matrix is null or not that of a camera."""
    found = np.full((len(frames), N_NUMBERS), np.nan)
    # A camera that stands still is the same for many frames.
    before, row = b"", np.full(N_NUMBERS, np.nan)
    for i, (matrix, k1, width, height) in enumerate(zip(
        frames["camera"], frames["k1"], frames["width_px"], frames["height_px"], strict=True
    )):
        if matrix is None:
            continue
        numbers = np.asarray(matrix, dtype=float)
        distortion = 0.0 if k1 is None or np.isnan(k1) else float(k1)
        key = numbers.tobytes() + np.float64(distortion).tobytes()
        if key != before:
            before, row = key, _row(numbers, int(width), int(height), distortion)
        found[i] = row
    return PerFrame(found, _camera)


def _row(matrix: Array, width_px: int, height_px: int, k1: float) -> Array:
    try:
        camera = from_matrix(matrix, width_px, height_px, k1)
    except ValueError:
        return np.full(N_NUMBERS, np.nan)
    return np.array([
        camera.focal_px, *camera.rotation.ravel(), *camera.centre_m, width_px, height_px,
        *camera.principal_px, k1,
    ])


def _camera(row: Array) -> Camera:
    return Camera(
        float(row[0]), row[1:10].reshape(3, 3), row[10:13], int(row[13]), int(row[14]),
        (float(row[15]), float(row[16])), float(row[17]),
    )


def covariances_of(frames: pd.DataFrame) -> PerFrame[Array]:
    """Covariance (8, 8) of each row's camera, None where it is not stated.

    :mod:`rallymill.camera_spread` tells from it how sure any place or height on the court is.
    """
    packed = np.full((len(frames), N_PACKED), np.nan, dtype=np.float32)
    if "camera_covariance" in frames:
        for i, numbers in enumerate(frames["camera_covariance"]):
            if numbers is not None:
                packed[i] = numbers
    return PerFrame(packed, unpack)
