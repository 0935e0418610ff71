"""Look for the ball also where it must be, between frames in which it was seen.

The detector has to propose a place before anybody looks at it from near. A ball that is smeared or
lies on a line is often not proposed in one frame of five, and seen in the others. Where a frame has
no sure ball, its place is worked out from sure ones of the frames before and after, the camera's
motion taken out, and looked at as well. Whether the ball is there is told by the same network.

Frames are taken in order, and each is given back as soon as the frames that it needs have come.
What is found in a frame serves the frames after it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from rallymill import motion_picture
from rallymill.stages import detect_balls
from rallymill.stages.detect_balls import BallLook
from rallymill.stages.detect_boxes import Box
from rallymill.stages.detect_stream import Seen

Array = NDArray[np.float64]

SURE = 0.4
"""A ball of this confidence says where others may be, and no other place is asked for."""
REACH_STEPS = 3
"""Steps in time to the farthest frame that says where the ball may be."""
A_FRAME = 2
"""Sure balls of a frame that are gone by: another ball may roll through the picture."""
FASTEST_PX = 160.0
"""A ball does not move farther in a step, in pixels of a picture 1280 pixels wide: some 70 m/s
across the far half of a court that fills the picture."""
SAME_PX = 4.0
"""A place so near to a proposal has been looked at."""
MOST_PLACES = 6
GROUP_S = 2.0
"""Frames of a view are followed in groups of this length, so that borders of chunks, which hold
whole groups, change nothing."""

Followed = tuple[Seen, list[Box]]


@dataclass(frozen=True)
class Spot:
    """A ball at a time, in pixels of the frame that is looked at; first pixel's middle is 0."""

    t: float
    place_px: Array
    size_px: tuple[float, float]


def places(before: Sequence[Spot], after: Sequence[Spot], fastest_px: float) -> list[Spot]:
    """Where the ball may be at time 0, by sure balls before and after it.

    Parameters
    ----------
    before, after
        Balls at times below and above 0, in any unit, nearest in time first.
    fastest_px
        Pixels that a ball moves in a unit of time at most.

    Returns
    -------
    Places between a ball before and one after, on the straight line through both, and places on the
    line of two that follow each other, carried on. A few tenths of a second of flight are straight
    to some pixels; where the ball was struck or bounced nothing will be found.
    """
    found = [
        _on_line(one, other, fastest_px)
        for one in _nearest(before) for other in _nearest(after)
    ]
    for side in (before, after):
        times = sorted({spot.t for spot in side}, key=abs)
        for near, far in list(pairwise(times))[:1]:
            found += [
                _on_line(one, other, fastest_px)
                for one in side if one.t == near for other in side if other.t == far
            ]
    kept: list[Spot] = []
    for spot in found:
        if spot is not None and all(
            np.hypot(*(spot.place_px - other.place_px)) >= SAME_PX / 2 for other in kept
        ):
            kept.append(spot)
    return kept[:MOST_PLACES]


def _nearest(spots: Sequence[Spot]) -> list[Spot]:
    return [spot for spot in spots if spot.t == spots[0].t]


def _on_line(one: Spot, other: Spot, fastest_px: float) -> Spot | None:
    way = (other.place_px - one.place_px) / (other.t - one.t)
    if np.hypot(*way) > fastest_px:
        return None
    return Spot(0.0, one.place_px - one.t * way, one.size_px)


@dataclass
class Follower:
    """Follows the ball through frames of a stretch that are ``step`` frames from moment to moment.

    ``least`` is the least confidence of a ball that is kept.
    """

    look: BallLook
    step: int
    least: float
    _waiting: deque[Followed] = field(default_factory=deque)
    _gone: deque[Followed] = field(default_factory=deque)

    def give(self, seen: Seen, boxes: list[Box]) -> list[Followed]:
        """Take the next frame; gives back those that are done, in order."""
        self._waiting.append((seen, boxes))
        done = []
        while len(self._waiting) > REACH_STEPS * self.step:
            done.append(self._next())
        return done

    def rest(self) -> list[Followed]:
        """All that still wait; what comes after them is another stretch."""
        done = []
        while self._waiting:
            done.append(self._next())
        self._gone.clear()
        return done

    def _next(self) -> Followed:
        seen, boxes = self._waiting.popleft()
        balls = [box for box in boxes if box.label == "ball"]
        if all(box.confidence < SURE for box in balls):
            spots = self._spots(seen, balls)
            if spots:
                found = [
                    box for box in self.look.asked(
                        seen.moments, seen.matrices, np.array([spot.place_px for spot in spots]),
                        [spot.size_px for spot in spots],
                    ) if box.confidence >= self.least
                ]
                others = [box for box in boxes if box.label != "ball"]
                boxes = others + detect_balls.once([*balls, *found])
        self._gone.append((seen, boxes))
        while len(self._gone) > REACH_STEPS * self.step:
            self._gone.popleft()
        return seen, boxes

    def _spots(self, seen: Seen, balls: Sequence[Box]) -> list[Spot]:
        """Places to be looked at, without those that have been and those outside the picture."""
        height, width = seen.at.shades.grey.shape
        fastest = FASTEST_PX * width / motion_picture.INPUT_SIZE[1] / self.step
        before = _balls_of(seen, reversed(self._gone), REACH_STEPS * self.step)
        after = _balls_of(seen, self._waiting, REACH_STEPS * self.step)
        known = detect_balls.middles(balls)
        return [
            spot for spot in places(before, after, fastest)
            if (spot.place_px >= 0).all() and (spot.place_px < (width, height)).all()
            and not (np.hypot(*(known - spot.place_px).T) < SAME_PX).any()
        ]


def _balls_of(seen: Seen, others: Iterable[Followed], reach: int) -> list[Spot]:
    """Sure balls of other frames in the pixels of a frame, in the order of those frames."""
    found = []
    for other, boxes in others:
        t = other.at.frame - seen.at.frame
        if abs(t) > reach:
            break
        sure = [box for box in boxes if box.label == "ball" and box.confidence >= SURE]
        if not sure:
            continue
        sure = sorted(sure, key=lambda box: -box.confidence)[:A_FRAME]
        width = seen.at.shades.grey.shape[1]
        matrix = motion_picture.alignment(seen.at.camera, other.at.camera, width)
        for box, place in zip(sure, _carried(detect_balls.middles(sure), matrix), strict=True):
            found.append(Spot(t, place, (box.x2_px - box.x1_px, box.y2_px - box.y1_px)))
    return found


def _carried(places_px: Array, matrix: Array | None) -> Array:
    if matrix is None:
        return places_px
    moved = np.column_stack([places_px, np.ones(len(places_px))]) @ matrix.T
    return np.asarray(moved[:, :2] / moved[:, 2:])
