"""When and where a second network is asked for people, and what becomes of its answer.

At the first frame of every block of some 0.4 s of a view, somebody is looked for among our own
boxes on either half of the court. Where a half that is in the picture has nobody, the second
network looks at it. Where it finds somebody, it looks again around that place at a few more frames
of the block, if our own network still sees nobody there: so that the people stage can follow. A
block stands for itself, and chunks of the table hold whole blocks, so that borders of chunks change
nothing.

Its boxes are kept where somebody who plays may stand and of people as tall as people are; there are
spectators enough in any picture.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rallymill.camera import Camera
from rallymill.court import HALF_DOUBLES_M, HALF_LENGTH_M
from rallymill.stages.detect_boxes import Box, corners, overlaps
from rallymill.stages.detect_second import PeopleNetwork, Region

Array = NDArray[np.float64]
Picture = NDArray[np.uint8]

HALVES: Mapping[str, float] = {"near": -1.0, "far": 1.0}
"""Sides of the net, with the sign of y."""
SURE = 0.40
"""A box of this confidence counts as somebody; the people stage starts tracks with it."""
ASIDE_M, BEHIND_M = 1.5, 4.5
"""Who stands no further from the doubles court has to be a player (common practice, no source):
line judges stand further behind, ball kids beside the net."""
RUN_OFF_M = (3.7, 6.6)
"""Run-off beside and behind the court, in which players are looked for. ITF, guide to test methods
and court construction: 3.66 m and 6.40 m are recommended for international play."""
NET_M = 1.5
"""Beside the court and nearer to the net than this are ball kids and the umpire."""
TALL_M = (1.0, 2.7)
"""People with rackets, and players in a wheelchair, have boxes between these heights."""
STATURE_M = 1.8
LEAST_TALL_PX = 16.0
"""Where people would be smaller than this, nobody is looked for."""
SAME_IOU = 0.4
"""Boxes of two networks that overlap so far are one person."""


@dataclass(frozen=True)
class Rhythm:
    """Frames of a view at which the second network may look: ``looks`` in each block of frames."""

    first: int
    block: int
    looks: int

    @staticmethod
    def of_view(first: int, spacing_s: float, block_s: float, looks: int) -> Rhythm:
        """Rhythm of a view that begins with frame ``first``, its frames ``spacing_s`` apart."""
        block = max(1, round(block_s / spacing_s)) if spacing_s > 0 else 1
        return Rhythm(first, block, min(looks, block))

    def block_of(self, frame: int) -> int:
        """Number of the block that a frame belongs to."""
        return (frame - self.first) // self.block

    def begins(self, frame: int) -> bool:
        """Whether a frame is the first of its block."""
        return (frame - self.first) % self.block == 0

    def may_look(self, frame: int) -> bool:
        """Whether the second network may look at a frame."""
        at = (frame - self.first) % self.block
        return any(at == round(k * self.block / self.looks) for k in range(self.looks))

    def whole_blocks(self, most_frames: int) -> int:
        """Frames of as many whole blocks as ``most_frames`` has room for, at least one."""
        return max(most_frames // self.block, 1) * self.block


def feet_m(camera: Camera, boxes_px: Array) -> Array:
    """Ground points (N, 3) of boxes (N, 4), measured from the picture's corner."""
    foot = np.column_stack([(boxes_px[:, 0] + boxes_px[:, 2]) / 2, boxes_px[:, 3]])
    return camera.ground(foot - 0.5)


def within(ground_m: Array, sign: float, aside_m: float, behind_m: float) -> NDArray[np.bool_]:
    """Which points (N, 3) lie on a half, up to so far beside and behind the doubles court."""
    depth = sign * ground_m[:, 1]
    aside = np.abs(ground_m[:, 0]) - HALF_DOUBLES_M
    at_net = (aside > 0) & (depth < NET_M)
    with np.errstate(invalid="ignore"):
        return (
            (aside <= aside_m) & (depth >= 0) & (depth <= HALF_LENGTH_M + behind_m) & ~at_net
        )


def empty_halves(camera: Camera, boxes_px: Array, confidence: Array) -> list[str]:
    """Halves of the court on which no sure box stands."""
    ground = feet_m(camera, boxes_px[confidence >= SURE])
    return [
        half for half, sign in HALVES.items()
        if not within(ground, sign, ASIDE_M, BEHIND_M).any()
    ]


@dataclass(frozen=True)
class Place:
    """Where to look: a region of the picture, heights of the smallest and tallest people there."""

    region: Region
    tall_px: tuple[float, float]


def place_of_half(camera: Camera, sign: float) -> Place | None:
    """Where people on a half and its run-off are seen; None where the picture does not show it."""
    x, depth = np.meshgrid(
        np.linspace(-1, 1, 9) * (HALF_DOUBLES_M + RUN_OFF_M[0]),
        np.linspace(0.3, HALF_LENGTH_M + RUN_OFF_M[1], 13),
    )
    ground = np.column_stack([x.ravel(), sign * depth.ravel(), np.zeros(x.size)])
    feet = camera.project(ground)
    heads = camera.project(ground + [0.0, 0.0, STATURE_M])
    with np.errstate(invalid="ignore"):
        # The upper half of a body must be in the picture.
        middle = (feet + heads) / 2
        shown = ((middle >= 0) & (middle < [camera.width_px, camera.height_px])).all(1)
    if not shown.any():
        return None
    feet, heads = feet[shown], heads[shown]
    tall = feet[:, 1] - heads[:, 1]
    if tall.max() < LEAST_TALL_PX:
        return None
    beside = 0.5 * tall
    region = (
        float((feet[:, 0] - beside).min()), float((heads[:, 1] - 0.3 * tall).min()),
        float((feet[:, 0] + beside).max()), float((feet[:, 1] + 0.1 * tall).max()),
    )
    smallest = max(float(tall.min()), LEAST_TALL_PX)
    return Place(_inside(region, camera), (smallest, float(tall.max())))


def place_around(camera: Camera, boxes_px: Array) -> Place:
    """Where those who were in boxes (N, 4) will be seen in half a second."""
    tall = boxes_px[:, 3] - boxes_px[:, 1]
    region = (
        float((boxes_px[:, 0] - 1.5 * tall).min()), float((boxes_px[:, 1] - 0.7 * tall).min()),
        float((boxes_px[:, 2] + 1.5 * tall).max()), float((boxes_px[:, 3] + 0.7 * tall).max()),
    )
    return Place(_inside(region, camera), (float(tall.min()), float(tall.max())))


def _inside(region: Region, camera: Camera) -> Region:
    left, top, right, bottom = region
    width, height = camera.width_px, camera.height_px
    return max(left, 0.0), max(top, 0.0), min(right, width), min(bottom, height)


@dataclass(frozen=True)
class Second:
    """How the second network is asked: least score, and what its score is worth as confidence.

    ``load`` gives the network; it is called once, when it is first needed.
    """

    load: Callable[[], PeopleNetwork]
    least: float
    worth: float


class Asker:
    """Adds the second network's people to our own boxes, frame after frame of a block."""

    def __init__(self, second: Second) -> None:
        self._second = second
        self._network: PeopleNetwork | None = None
        self._block = (-1, -1)
        self._seen: dict[str, Array] = {}
        self.asked = 0
        """Looks of the second network so far."""

    def completed(
        self, rhythm: Rhythm, frame: int, image: Picture, camera: Camera | None, boxes: list[Box],
        scale: float,
    ) -> list[Box]:
        """Our boxes of a frame at which the second network may look, with its own where needed.

        Frames of a block are given in order, beginning with its first. ``image`` (H, W, 3) is the
        frame as stored, of whose pixels one of those of the boxes is ``scale``.
        """
        if rhythm.begins(frame):
            self._block = (rhythm.first, rhythm.block_of(frame))
            self._seen = {}
        elif self._block != (rhythm.first, rhythm.block_of(frame)):
            return boxes
        if camera is None or not (rhythm.begins(frame) or self._seen):
            return boxes
        players = [box for box in boxes if box.label == "player"]
        confidence = np.array([box.confidence for box in players])
        stored = corners(players) * scale
        for half in empty_halves(camera, stored, confidence):
            found = self._on_half(
                rhythm.begins(frame), half, image, camera, stored[confidence >= SURE]
            )
            boxes = with_others(boxes, [replace_scaled(box, 1 / scale) for box in found])
        return boxes

    def _on_half(
        self, begins: bool, half: str, image: Picture, camera: Camera, sure_px: Array
    ) -> list[Box]:
        """People that the second network finds on a half, in pixels of the stored frame.

        Those in our own sure boxes ``sure_px`` (N, 4) are known already, officials for instance,
        and no reason to look again.
        """
        if begins:
            place = place_of_half(camera, HALVES[half])
        else:
            place = place_around(camera, self._seen[half]) if half in self._seen else None
        if place is None:
            return []
        if self._network is None:
            self._network = self._second.load()
        self.asked += 1
        people = self._network.people(image, place.region, place.tall_px, self._second.least)
        people = people[plausible(camera, people, HALVES[half])]
        known = overlaps(people[:, :4], sure_px).max(axis=1, initial=0.0) >= SAME_IOU
        people = people[~known]
        if len(people):
            self._seen[half] = people[:, :4]
        return [
            Box("player", x1, y1, x2, y2, score * self._second.worth)
            for x1, y1, x2, y2, score in people.tolist()
        ]


def plausible(camera: Camera, people: Array, sign: float) -> NDArray[np.bool_]:
    """Which people (N, 5) stand on a half or its run-off and are as tall as people are."""
    ground = feet_m(camera, people)
    head = np.column_stack([(people[:, 0] + people[:, 2]) / 2, people[:, 1]]) - 0.5
    tall = camera.height_above(ground, head)
    # Feet below the picture make people short.
    cut = people[:, 3] >= camera.height_px - 2.0
    with np.errstate(invalid="ignore"):
        upright = (tall <= TALL_M[1]) & (cut | (tall >= TALL_M[0]))
    return within(ground, sign, *RUN_OFF_M) & upright


def with_others(boxes: Sequence[Box], others: Sequence[Box]) -> list[Box]:
    """Boxes with those of another network added, each person once.

    Where both have a player, our box stays, as sure as the surer of the two.
    """
    merged = list(boxes)
    own = [place for place, box in enumerate(boxes) if box.label == "player"]
    same = overlaps(corners([boxes[place] for place in own]), corners(others))
    for j, other in enumerate(others):
        best = int(np.argmax(same[:, j])) if own else -1
        if best < 0 or same[best, j] < SAME_IOU:
            merged.append(other)
        elif other.confidence > merged[own[best]].confidence:
            merged[own[best]] = replace(merged[own[best]], confidence=other.confidence)
    return merged


def replace_scaled(box: Box, ratio: float) -> Box:
    """A box with its corners times ``ratio``."""
    return replace(
        box, x1_px=box.x1_px * ratio, y1_px=box.y1_px * ratio, x2_px=box.x2_px * ratio,
        y2_px=box.y2_px * ratio,
    )
