"""A second network that finds people, trained on photographs; it looks at square tiles.

The network (see its card in ``models/people_second``) sees 416 x 416 pixels. At each place of three
grids, 8, 16 and 32 pixels wide, it gives the probability of each of 80 kinds of things and, for
each side of the box, a distribution over 11 distances, the mean of which (in cells) is the distance
from the middle of the cell to that side (Li et al., Generalized Focal Loss, 2020).

It runs on the CPU: by OpenVINO where that is installed, which is several times faster, otherwise by
OpenCV alone.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from rallymill.stages.base import Execution
from rallymill.stages.onnx_network import open_network

Array = NDArray[np.float64]
Picture = NDArray[np.uint8]
Region = tuple[float, float, float, float]
"""Left, top, right and bottom in pixels."""
Tile = tuple[int, int, int, int]
"""The same, whole pixels, right and bottom excluded."""

SIDE = 416
"""Height and width of what the network sees."""
MEAN_BGR = (103.53, 116.28, 123.675)
DEVIATION_BGR = (57.375, 57.12, 58.395)
STRIDES = (8, 16, 32)
KINDS = 80
PERSON = 0
DISTANCES = 11
TALL = 70.0
"""Height in the network's pixels that suits the smallest people: it finds them from some 40 on."""
SAME_IOU = 0.5
"""Boxes that overlap more than this are the same person seen twice."""
EDGE = 3.0
"""A box that comes so near to the edge of a tile, in pixels of the network, may be cut by it."""

Run = Callable[[NDArray[np.float32]], list[NDArray[np.float32]]]
"""From what the network sees (1, 3, SIDE, SIDE) to its outputs in any order."""


def load(models: Path, name: str, execution: Execution) -> PeopleNetwork:
    """The network of that name under the models folder.

    Raises
    ------
    ModelMissingError
        No such file, or it cannot be read.
    """
    network = open_network(
        models, name, execution, "the second opinion on people", "second_opinion"
    )

    def run(seen: NDArray[np.float32]) -> list[NDArray[np.float32]]:
        return network([seen])

    return PeopleNetwork(run, execution.threads)


def prepared(tile: Picture) -> tuple[NDArray[np.float32], float]:
    """What the network sees of a tile (H, W, 3), BGR, and how many of its pixels one of them is.

    The tile is resized to fit; what is left over at the right or below is grey.
    """
    height, width = tile.shape[:2]
    ratio = SIDE / max(height, width)
    size = (max(round(width * ratio), 1), max(round(height * ratio), 1))
    shrink = ratio < 1
    fitted = cv2.resize(tile, size, interpolation=cv2.INTER_AREA if shrink else cv2.INTER_LINEAR)
    seen = np.zeros((SIDE, SIDE, 3), np.float32)
    seen[: size[1], : size[0]] = (
        (np.asarray(fitted, dtype=np.float32) - np.array(MEAN_BGR, dtype=np.float32))
        / np.array(DEVIATION_BGR, dtype=np.float32)
    )
    return np.ascontiguousarray(seen.transpose(2, 0, 1)[None]), ratio


def decoded(outputs: Sequence[NDArray[np.float32]], least: float) -> Array:
    """People (N, 5) in the network's outputs: x1 y1 x2 y2 in its pixels and a score of ``least``.

    Outputs are (1, places, 80) and (1, places, 44) for each of the three grids, in any order.
    """
    scores = {one.shape[1]: one[0] for one in outputs if one.shape[2] == KINDS}
    sides = {one.shape[1]: one[0] for one in outputs if one.shape[2] == 4 * DISTANCES}
    parts = [np.empty((0, 5))]
    for stride in STRIDES:
        n = SIDE // stride
        score = scores[n * n][:, PERSON].astype(float)
        places = np.flatnonzero(score >= least)
        raw = sides[n * n][places].reshape(-1, 4, DISTANCES).astype(float)
        weight = np.exp(raw - raw.max(axis=2, keepdims=True))
        distance = stride * (weight @ np.arange(DISTANCES)) / weight.sum(axis=2)
        middle = stride * (np.column_stack([places % n, places // n]) + 0.5)
        parts.append(np.column_stack([
            middle - distance[:, :2], middle + distance[:, 2:], score[places]
        ]))
    return np.concatenate(parts)


def once(people: Array) -> Array:
    """People (N, 5) without those that a surer box overlaps, surest first."""
    if not len(people):
        return people
    wide = [[x1, y1, x2 - x1, y2 - y1] for x1, y1, x2, y2 in people[:, :4].tolist()]
    kept = cv2.dnn.NMSBoxes(wide, people[:, 4].tolist(), 0.0, SAME_IOU)
    return people[np.asarray(kept, dtype=int).ravel()]


def tiles(
    region: Region, side_px: float, overlap_px: tuple[float, float], width_px: int, height_px: int
) -> list[Tile]:
    """Squares of ``side_px`` that cover a region of a picture, all of them inside the picture.

    Where the picture is narrower or lower than a square, the tile is as well. Neighbours overlap by
    at least ``overlap_px``, across and down, but by no more than half.
    """
    across = _cuts(region[0], region[2], side_px, overlap_px[0], width_px)
    down = _cuts(region[1], region[3], side_px, overlap_px[1], height_px)
    return [(left, top, right, bottom) for top, bottom in down for left, right in across]


def _cuts(low: float, high: float, side: float, overlap: float, length: int) -> list[tuple]:
    # Whole pixels, rounded outwards.
    first, end = max(math.floor(low), 0), min(math.ceil(high), length)
    if end <= first:
        return []
    size = min(max(round(side), 1), length)
    wanted = end - first
    if wanted <= size:
        start = min(max((first + end - size) // 2, 0), length - size)
        return [(start, start + size)]
    shared = min(overlap, size / 2)
    count = math.ceil((wanted - shared) / (size - shared))
    starts = np.linspace(first, end - size, count)
    return [(round(start), round(start) + size) for start in starts.tolist()]


class PeopleNetwork:
    """Finds people in regions of pictures."""

    def __init__(self, run: Run, threads: int = 1) -> None:
        self._run = run
        # Whoever asks waits for the answer: all threads help, and stay, each with its own request.
        self._pool = ThreadPoolExecutor(max(threads, 1), "tiles")

    def people(
        self, image: Picture, region: Region, tall_px: tuple[float, float], least: float
    ) -> Array:
        """People (N, 5) in tiles around a region of a picture (H, W, 3), BGR.

        Parameters
        ----------
        image, region
            The picture and the part of it that is looked at.
        tall_px
            Heights of the smallest and of the tallest people to be expected. Tiles are so large
            that the smallest are ``TALL`` pixels high for the network, and overlap so far that the
            tallest are whole in one.
        least
            Least score.

        Returns
        -------
        Corners x1 y1 x2 y2 in pixels from the picture's corner, and score, surest first. Boxes that
        an edge of a tile cuts are left out, unless it is the edge of the picture.
        """
        height, width = image.shape[:2]
        side = SIDE * tall_px[0] / TALL
        overlap = (0.8 * tall_px[1], 1.3 * tall_px[1])
        every = tiles(region, side, overlap, width, height)
        parts = self._pool.map(lambda tile: self._in_tile(image, tile, least), every)
        merged = once(np.concatenate([np.empty((0, 5)), *parts]))
        merged[:, [0, 2]] = np.clip(merged[:, [0, 2]], 0, width)
        merged[:, [1, 3]] = np.clip(merged[:, [1, 3]], 0, height)
        return merged

    def _in_tile(self, image: Picture, tile: Tile, least: float) -> Array:
        """People in a tile of a picture, in the picture's pixels."""
        left, top, right, bottom = tile
        height, width = image.shape[:2]
        seen, ratio = prepared(image[top:bottom, left:right])
        found = once(decoded(self._run(seen), least))
        found[:, :4] /= ratio
        near = EDGE / ratio
        whole = (
            ((found[:, 0] > near) | (left == 0))
            & ((found[:, 1] > near) | (top == 0))
            & ((found[:, 2] < right - left - near) | (right == width))
            & ((found[:, 3] < bottom - top - near) | (bottom == height))
        )
        found = found[whole]
        found[:, :4] += np.array([left, top, left, top])
        return found
