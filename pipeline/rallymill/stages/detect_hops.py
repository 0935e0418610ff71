"""How high a player's feet are above the ground, seen in the five moments around a frame.

A box of the detector is good to some pixels and a hop lifts the feet by two to six, so hops cannot
be read from boxes. A small network looks at the legs and at the whole body, the camera's motion
taken out, and says how likely the player is in the air.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from rallymill import motion_picture
from rallymill.camera import Camera
from rallymill.stages.base import Execution
from rallymill.stages.detect_ask import ASIDE_M, BEHIND_M, HALVES, SURE, feet_m, within
from rallymill.stages.detect_balls import Around, moved_places
from rallymill.stages.detect_boxes import Box, corners
from rallymill.stages.onnx_network import open_network

Array = NDArray[np.float64]
Picture = NDArray[np.uint8]

SIDE = 48
"""Side of what is seen, in pixels."""
N_MOMENTS = len(motion_picture.MOMENTS)
CHANNELS = 2 * N_MOMENTS
"""Grey of the moments around the feet, and around the body."""
LEAST_TALL_PX = 24.0
"""Of people smaller than this in the picture nothing can be said."""
A_FRAME = 4
"""Most people of a frame whose feet are looked at: the players, and others on court."""
VIEWS = ((0.16, 0.6), (0.5, 1.3))
"""Feet and body: height of the middle of what is seen above the lower edge of the box, and side of
what is seen, in heights of the box."""


def looks(
    moments: Sequence[motion_picture.Moment], matrices: Sequence[Array | None], boxes_px: Array
) -> Picture:
    """What is seen of players in boxes (N, 4) of a frame, shape (N, CHANNELS, SIDE, SIDE).

    ``moments`` are the five around the frame, ``matrices`` take the pixels of each to those of the
    frame (None: they are the same).
    """
    seen = np.empty((len(boxes_px), CHANNELS, SIDE, SIDE), dtype=np.uint8)
    height = boxes_px[:, 3] - boxes_px[:, 1]
    feet = np.column_stack([(boxes_px[:, 0] + boxes_px[:, 2]) / 2, boxes_px[:, 3]])
    for k, (moment, matrix) in enumerate(zip(moments, matrices, strict=True)):
        # All that is seen moves as the ground under the feet does: a hop is seen as one.
        shift = moved_places(feet, matrix) - feet
        for view, (above, side) in enumerate(VIEWS):
            middle = feet + shift - np.column_stack([np.zeros_like(height), above * height])
            for i in range(len(boxes_px)):
                seen[i, view * N_MOMENTS + k] = _square(
                    moment.grey, middle[i], max(side * height[i], 1.0)
                )
    return seen


def _square(picture: Picture, middle: Array, side_px: float) -> Picture:
    """A square of a picture, SIDE pixels wide."""
    zoom = side_px / SIDE
    corner = middle - (SIDE - 1) / 2 * zoom
    matrix = np.array([[zoom, 0, corner[0]], [0, zoom, corner[1]]])
    return np.asarray(cv2.warpAffine(
        picture, matrix, (SIDE, SIDE), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    ), np.uint8)


Run = Callable[[Picture], NDArray[np.float32]]
"""From looks (N, CHANNELS, SIDE, SIDE) to (N, 2): log odds of being in the air, decimetres."""


def load(models: Path, name: str, execution: Execution) -> HopLook:
    """The network of that name under the models folder.

    Raises
    ------
    ModelMissingError
        No such file, or it cannot be read.
    """
    network = open_network(models, name, execution, "the look at players' feet", "hop_look")
    return HopLook(lambda seen: network([seen])[0])


def on_court(camera: Camera, boxes: Sequence[Box], scale: float) -> list[int]:
    """Numbers of the boxes of those who may play, most confident first: all that stand there."""
    placed = [
        k for k, box in enumerate(boxes)
        if box.label == "player" and box.confidence >= SURE
        and box.y2_px - box.y1_px >= LEAST_TALL_PX
    ]
    if not placed:
        return []
    ground = feet_m(camera, corners([boxes[k] for k in placed]) * scale)
    inside = np.any([
        within(ground, sign, ASIDE_M, BEHIND_M) for sign in HALVES.values()
    ], axis=0)
    those = [k for k, stands in zip(placed, inside, strict=True) if stands]
    return sorted(those, key=lambda k: -boxes[k].confidence)[:A_FRAME]


class HopLook:
    """Says of players how likely their feet are off the ground."""

    def __init__(self, run: Run) -> None:
        self._run = run

    def looked_together(
        self, around: Sequence[Around], cameras: Sequence[tuple[Camera | None, float]],
        boxes: Sequence[list[Box]],
    ) -> list[list[Box]]:
        """Boxes of frames, of which those of people on court say how likely they are in the air.

        ``around`` has the moments of each frame, see :func:`looks`; ``cameras`` its camera and the
        pixels of the camera to one of the boxes.
        """
        those = [
            [] if camera is None else on_court(camera, frame, scale)
            for (camera, scale), frame in zip(cameras, boxes, strict=True)
        ]
        if not any(those):
            return list(boxes)
        seen = np.concatenate([
            looks(moments, matrices, corners([frame[k] for k in asked]) - 0.5)
            for (moments, matrices), frame, asked in zip(around, boxes, those, strict=True)
        ])
        odds = iter(self._run(seen)[:, 0].tolist())
        found = []
        for frame, asked in zip(boxes, those, strict=True):
            found.append(list(frame))
            for k in asked:
                found[-1][k] = replace(frame[k], airborne=1 / (1 + math.exp(-next(odds))))
        return found
