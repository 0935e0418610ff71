"""Square cut-outs of training pictures, mostly around balls and people.

Of pictures of eight channels, half run backwards in time, and contrast, brightness and colour vary:
their channels are differences and shades (see :mod:`rallymill.motion_picture`), which common
augmentation of colour pictures would not fit. Those of three are left as they are.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from rallymill import motion_picture
from rallymill.arena.export_labels import BALL, PLAYER

Picture = NDArray[np.uint8]
Array = NDArray[np.float64]

LEAST_VISIBLE = 0.4
"""A box that is cut by the tile's edge stays a label if this share of it is left."""
AROUND = (BALL, PLAYER, BALL, None)
"""What the first, second, ... tile of a picture is cut around; None: anywhere."""
N_DIFFERENCES = len(motion_picture.MOMENTS)
GREY, YELLOW, YELLOW_DIFFERENCE = N_DIFFERENCES, N_DIFFERENCES + 1, N_DIFFERENCES + 2


def cut(labels: Array, x: float, y: float, side: float) -> Array:
    """Labels (N, 5) as class and corners within a square cut-out; mostly cut ones are dropped."""
    if not len(labels):
        return labels
    moved = labels.copy()
    moved[:, [1, 3]] = np.clip(labels[:, [1, 3]] - x, 0, side)
    moved[:, [2, 4]] = np.clip(labels[:, [2, 4]] - y, 0, side)
    area = (labels[:, 3] - labels[:, 1]) * (labels[:, 4] - labels[:, 2])
    left = (moved[:, 3] - moved[:, 1]) * (moved[:, 4] - moved[:, 2])
    return moved[left > LEAST_VISIBLE * area]


def varied(tile: Picture, rng: np.random.Generator) -> Picture:
    """Tile (H, W, channels) with other contrast, brightness and colour, or backwards in time."""
    contrast = float(rng.uniform(0.7, 1.3))
    colour = contrast * float(rng.uniform(0.6, 1.4))
    level = tile.astype(np.float32)
    zero = motion_picture.ZERO
    differences = level[..., :N_DIFFERENCES]
    if rng.random() < 0.5:
        differences = differences[..., ::-1]
    level[..., :N_DIFFERENCES] = (differences - zero) * contrast + zero
    level[..., GREY] = (level[..., GREY] - zero) * contrast + zero + rng.uniform(-25, 25)
    level[..., YELLOW] *= colour
    level[..., YELLOW_DIFFERENCE] = (level[..., YELLOW_DIFFERENCE] - zero) * colour + zero
    return np.asarray(np.rint(level).clip(0, 255), dtype=np.uint8)


def tiles(
    picture: Picture, labels: Array, count: int, side_px: int, rng: np.random.Generator
) -> Iterator[tuple[Picture, Array]]:
    """``count`` tiles of a picture (H, W, channels) with their labels (N, 5) in pixels.

    Where the picture is smaller than a tile, the tile is filled up with what stands for nothing.
    """
    height, width = picture.shape[:2]
    for number in range(count):
        wanted = AROUND[number % len(AROUND)]
        chosen = labels[labels[:, 0] == wanted] if wanted is not None else labels[:0]
        if len(chosen):
            box = chosen[rng.integers(len(chosen))]
            x = (box[1] + box[3]) / 2 - rng.uniform(0.1, 0.9) * side_px
            y = (box[2] + box[4]) / 2 - rng.uniform(0.1, 0.9) * side_px
        else:
            x = rng.uniform(0, max(width - side_px, 1))
            y = rng.uniform(0, max(height - side_px, 1))
        left = int(min(max(x, 0), max(width - side_px, 0)))
        top = int(min(max(y, 0), max(height - side_px, 0)))
        part = picture[top : top + side_px, left : left + side_px]
        if picture.shape[2] == motion_picture.CHANNELS:
            part = varied(part, rng)
        tile = np.zeros((side_px, side_px, picture.shape[2]), dtype=np.uint8)
        tile[: part.shape[0], : part.shape[1]] = part
        yield tile, cut(labels, left, top, side_px)
