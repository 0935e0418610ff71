"""A second look at each place where the detector may have seen a ball.

The detector looks at three moments of a whole picture and has to be quick. A small network then
looks at each of its candidates alone, at five moments and from near and from farther off, where the
camera's own motion has been taken out: a ball comes from somewhere and goes somewhere, a shoe, a
corner of a line or a letter does not. It says how likely the place is the ball in play, as a
probability that holds on unseen films, and where in it the ball's middle is.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from rallymill import motion_picture, pixels
from rallymill.stages.base import Execution
from rallymill.stages.detect_boxes import Box
from rallymill.stages.onnx_network import open_network

Array = NDArray[np.float64]
Picture = NDArray[np.uint8]

SIDE = 48
"""Side of what is seen of a place, in pixels."""
FAR = motion_picture.FAR
N_MOMENTS = len(motion_picture.MOMENTS)
CHANNELS = 2 * N_MOMENTS + 1
"""Grey of the moments from near, of the moments from farther off, and yellow."""
FEATURES = 4
"""What the detector said: that it said something, log odds of its confidence, width, height."""
LEAST_CONFIDENCE = 1e-4

SAME_PX = 4.0
"""Two places that end up closer than this are one, the surer one."""
LOOK_AT_ONCE = 256
"""Places that are given to the network together."""

Around = tuple[Sequence[motion_picture.Moment], Sequence[Array | None]]
"""The five moments around a frame and what takes the pixels of each to those of the frame."""
Run = Callable[[Picture, NDArray[np.float32]], NDArray[np.float32]]
"""From looks (N, CHANNELS, SIDE, SIDE) and features (N, FEATURES) to (N, 3): log odds, offset."""


def looks(
    moments: Sequence[motion_picture.Moment], matrices: Sequence[Array | None], places_px: Array
) -> Picture:
    """What is seen of places (N, 2) of a frame, shape (N, CHANNELS, SIDE, SIDE).

    ``moments`` are the five around the frame, ``matrices`` take the pixels of each to those of the
    frame (None: they are the same). Beyond the edge of a picture its last pixels go on.
    """
    seen = np.empty((len(places_px), CHANNELS, SIDE, SIDE), dtype=np.uint8)
    for k, (moment, matrix) in enumerate(zip(moments, matrices, strict=True)):
        places = moved_places(places_px, matrix)
        pixels.around(moment.grey, places, seen, k)
        pixels.around(moment.far, (places + 0.5) / FAR - 0.5, seen, N_MOMENTS + k)
    pixels.around(moments[motion_picture.MIDDLE].yellow, places_px, seen, CHANNELS - 1)
    return seen


def moved_places(places_px: Array, matrix: Array | None) -> Array:
    """Where places of the frame lie in another moment, whose pixels ``matrix`` takes to it."""
    if matrix is None or not len(places_px):
        return places_px
    moved = np.column_stack([places_px, np.ones(len(places_px))]) @ np.linalg.inv(matrix).T
    return np.asarray(moved[:, :2] / moved[:, 2:])


def features(boxes: Sequence[Box]) -> NDArray[np.float32]:
    """What the detector said of boxes, shape (N, FEATURES)."""
    rows = np.zeros((len(boxes), FEATURES), dtype=np.float32)
    for row, box in zip(rows, boxes, strict=True):
        sure = min(max(box.confidence, LEAST_CONFIDENCE), 1 - LEAST_CONFIDENCE)
        row[:] = (
            1.0, np.log(sure / (1 - sure)) / 4, (box.x2_px - box.x1_px) / 16,
            (box.y2_px - box.y1_px) / 16,
        )
    return rows


def middles(boxes: Sequence[Box]) -> Array:
    """Middles (N, 2) of boxes in pixels whose first has its middle at 0."""
    rows = [((b.x1_px + b.x2_px - 1) / 2, (b.y1_px + b.y2_px - 1) / 2) for b in boxes]
    return np.array(rows, dtype=float).reshape(-1, 2)


def load(models: Path, name: str, execution: Execution) -> BallLook:
    """The network of that name under the models folder.

    Raises
    ------
    ModelMissingError
        No such file, or it cannot be read.
    """
    network = open_network(models, name, execution, "the second look at balls", "ball_look")

    def run(seen: Picture, said: NDArray[np.float32]) -> NDArray[np.float32]:
        return network([seen, said])[0]

    return BallLook(run)


class BallLook:
    """Says of each candidate how likely it is the ball in play, and where its middle is."""

    def __init__(self, run: Run) -> None:
        self._run = run

    def looked_together(
        self, around: Sequence[Around], boxes: Sequence[Sequence[Box]]
    ) -> list[list[Box]]:
        """Boxes of balls of frames, each moved to the middle that was seen, with its probability.

        ``around`` has the moments of each frame, see :func:`looks`. A box keeps its size.
        Confidences are probabilities that the ball is there. Boxes of a frame come surest first; of
        those around one middle the surest stays.
        """
        found = self._found(
            [(*one, middles(those)) for one, those in zip(around, boxes, strict=True)],
            features([box for those in boxes for box in those]),
        )
        return [
            once([
                Box(
                    box.label, box.x1_px + right, box.y1_px + down, box.x2_px + right,
                    box.y2_px + down, sure,
                ) for box, (sure, right, down) in zip(those, one, strict=True)
            ]) for those, one in zip(boxes, found, strict=True)
        ]

    def asked(
        self, moments: Sequence[motion_picture.Moment], matrices: Sequence[Array | None],
        places_px: Array, sizes_px: Sequence[tuple[float, float]],
    ) -> list[Box]:
        """What is seen at places (N, 2) of which the detector said nothing, as boxes of a size."""
        said = np.zeros((len(places_px), FEATURES), dtype=np.float32)
        boxes = []
        for place, (width, height), (sure, right, down) in zip(
            places_px, sizes_px, self._found([(moments, matrices, places_px)], said)[0], strict=True
        ):
            # Edges are measured from the picture's corner, places from the first pixel's middle.
            x, y = float(place[0]) + right + 0.5, float(place[1]) + down + 0.5
            boxes.append(Box(
                "ball", x - width / 2, y - height / 2, x + width / 2, y + height / 2, sure
            ))
        return once(boxes)

    def _found(
        self,
        asked: Sequence[tuple[Sequence[motion_picture.Moment], Sequence[Array | None], Array]],
        said: NDArray[np.float32],
    ) -> list[list[tuple[float, float, float]]]:
        """Of places (N, 2) of frames the probability of the ball and how far it is off them."""
        seen = np.concatenate([looks(*one) for one in asked])
        found: list[tuple[float, float, float]] = []
        for first in range(0, len(seen), LOOK_AT_ONCE):
            part = slice(first, first + LOOK_AT_ONCE)
            found += [
                (1 / (1 + math.exp(-odds)), right, down)
                for odds, right, down in self._run(seen[part], said[part]).tolist()
            ]
        ends = np.cumsum([len(places) for *_, places in asked]).tolist()
        return [found[first:last] for first, last in zip([0, *ends], ends, strict=False)]


def once(boxes: Sequence[Box]) -> list[Box]:
    """Boxes, surest first, without those whose middle a surer box has as well."""
    order = sorted(boxes, key=lambda box: -box.confidence)
    places = middles(order)
    kept: list[int] = []
    for k, place in enumerate(places):
        if all(np.hypot(*(place - places[other])) >= SAME_PX for other in kept):
            kept.append(k)
    return [order[k] for k in kept]
