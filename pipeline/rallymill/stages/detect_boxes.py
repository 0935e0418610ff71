"""Boxes of a picture, and how far two of them are the same."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Box:
    """A detection in pixels of the picture that was looked at, from its top-left corner.

    ``airborne`` is how likely a person's feet are off the ground, None where nobody looked.
    """

    label: str
    x1_px: float
    y1_px: float
    x2_px: float
    y2_px: float
    confidence: float
    airborne: float | None = None


def corners(boxes: Sequence[Box]) -> Array:
    """Corners x1 y1 x2 y2 of boxes, shape (N, 4), in their pixels."""
    rows = [(box.x1_px, box.y1_px, box.x2_px, box.y2_px) for box in boxes]
    return np.array(rows, dtype=float).reshape(-1, 4)


def overlaps(first: Array, second: Array) -> Array:
    """Intersection over union of each of (N, 4) with each of (M, 4) corners, shape (N, M)."""
    low = np.maximum(first[:, None, :2], second[None, :, :2])
    high = np.minimum(first[:, None, 2:], second[None, :, 2:])
    shared = np.prod(np.maximum(high - low, 0.0), axis=2)
    areas = [np.prod(np.maximum(one[:, 2:] - one[:, :2], 0.0), axis=1) for one in (first, second)]
    union = areas[0][:, None] + areas[1][None] - shared
    return np.divide(shared, union, out=np.zeros_like(shared), where=union > 0)
