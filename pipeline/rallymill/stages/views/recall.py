"""Tell whether pictures show earlier play again, slowed, from the same camera.

A replay runs through earlier pictures evenly and slowly, and each of its pictures is more like the
one on its line than like those just before and after that.

Pictures are compared in blocks, each against its own best within a second about the line. What
stands still cannot tell one moment from another, and what differs all along (a score graphic that
is gone, a change of light) differs from all alike: neither counts. At the true moment all blocks
are at their best together; at any other they are at odds.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Floats = NDArray[np.float32]
Picture = NDArray[Any]

SIZE_PX = (96, 54)
"""Width and height of the pictures that are remembered: a far player is still a few wide."""
BLOCKS = (6, 8)
"""Rows and columns of blocks in which pictures are compared."""
RATE_HZ, ASKED_HZ = 12.5, 6.25
"""Pictures a second that are remembered for comparison, and that are compared with them."""
BACK_S, LONGEST_S, AFTER_S = 60.0, 25.0, 1.7
"""How far back content is looked for, the longest replay, and what must have been seen after it."""
WINDOW_S, STRIDE_S = 1.6, 0.4
APART_S = 0.3
"""Least time between a stretch and the earlier pictures that it is laid beside."""
NEAR_S = 1.0
"""A picture competes with those so much before and after it."""
SPEEDS = np.geomspace(0.2, 0.72, 14)
"""Slower shows next to nothing; at full speed rallies of the same pattern look alike."""
AGREEMENT, AGAINST_STILL = 0.25, 0.6
"""A stretch is seen again where its disagreement (0 none, 1 that of any moment) is below the first,
and below this share of what it has with any one earlier picture held."""
LEAST_CHANGE = 4.0
"""Least standard deviation, in levels, of what changes in the earlier pictures."""
SAME_S, MISSED = 0.3, 3
"""Stretches tell of one replay if they see the same moment to this time; so many strides may fail
to in between."""
LEAST_SEEN = 2
AGREES, NEUTRAL_SHARE, MISS_S, NEUTRAL_S = 0.4, 0.1, 0.2, 1.0
"""A frame goes on with a replay below this disagreement. One cannot tell where its line changes by
less than a share of what it usually does; others end the replay after the first time, those after
the second."""


def medium_picture(image: Picture) -> Picture:
    """Colour picture (54, 96, 3) of a frame."""
    return cv2.resize(image, SIZE_PX, interpolation=cv2.INTER_AREA)


@dataclass(frozen=True)
class Line:
    """At time t, the moment ``from_s + speed * (t - shown_s)`` is shown."""

    shown_s: float
    from_s: float
    speed: float

    def at(self, t_s: Any) -> Any:
        """Moment that is shown."""
        return self.from_s + self.speed * (t_s - self.shown_s)


@dataclass(frozen=True)
class Seen:
    """A replay: frames ``first`` to ``last`` show earlier play and nothing else.

    ``opens`` is the first frame in which it has begun to show, ``closes`` the last in which it has
    not quite gone.
    """

    first: int
    last: int
    opens: int
    closes: int
    line: Line
    disagreement: float


class Frames:
    """The remembered frames: all of them as they are, and some for comparison."""

    def __init__(self) -> None:
        self.all: deque[tuple[int, float, Picture]] = deque()
        self.times: list[float] = []
        self._room = 2 * round((BACK_S + LONGEST_S + 5.0) * RATE_HZ)
        height, width = SIZE_PX[1] // BLOCKS[0], SIZE_PX[0] // BLOCKS[1]
        self._blocks = np.zeros((BLOCKS[0] * BLOCKS[1], self._room, height * width), np.float32)
        self._powers = np.zeros((BLOCKS[0] * BLOCKS[1], self._room), np.float32)

    def add(self, frame: int, t_s: float, grey: Picture) -> bool:
        """Remember a frame; whether it is one for comparison."""
        self.all.append((frame, t_s, grey))
        while t_s - self.all[0][1] > BACK_S + LONGEST_S + 5.0:
            self.all.popleft()
        if self.times and t_s - self.times[-1] < 0.999 / RATE_HZ:
            return False
        count = len(self.times)
        if count == self._room:
            half = self._room // 2
            self._blocks[:, :half] = self._blocks[:, half:]
            self._powers[:, :half] = self._powers[:, half:]
            self.times, count = self.times[half:], half
        blocks = split(grey)
        self._blocks[:, count] = blocks
        self._powers[:, count] = (blocks**2).sum(1)
        self.times.append(t_s)
        return True

    def squares(self, asked: Floats, low: int, high: int) -> Floats:
        """Mean square differences (B, M, N) of pictures in blocks (B, M, P) from earlier ones."""
        known, power = self._blocks[:, low:high], self._powers[:, low:high]
        product = np.matmul(asked, known.transpose(0, 2, 1))
        square = (asked**2).sum(2)[:, :, None] + power[:, None, :] - 2 * product
        return np.maximum(square, 0.0) / np.float32(asked.shape[2])

    def kept(self, places: NDArray[np.int64]) -> Floats:
        """Pictures for comparison as blocks (B, M, P)."""
        return self._blocks[:, places]

    def picture_at(self, t_s: float) -> Picture:
        """Remembered frame nearest to a time."""
        index = int(np.searchsorted([one[1] for one in self.all], t_s))
        near = [self.all[i] for i in (index - 1, index) if 0 <= i < len(self.all)]
        return min(near, key=lambda one: abs(one[1] - t_s))[2]


def split(grey: Picture) -> Floats:
    """A grey picture (54, 96) in blocks, (B, P)."""
    rows, columns = BLOCKS
    height, width = grey.shape[0] // rows, grey.shape[1] // columns
    blocks = grey.reshape(rows, height, columns, width).transpose(0, 2, 1, 3)
    return blocks.reshape(rows * columns, height * width).astype(np.float32)


def contrasts(squares: Floats) -> tuple[Floats, Floats]:
    """By how much pictures (M) miss the best about each earlier one (N), and usual ones do.

    Of differences (B, M, N) in blocks; both (B, M, N).
    """
    reach = round(NEAR_S * RATE_HZ)
    flat = np.ascontiguousarray(squares.reshape(-1, squares.shape[2]))
    kernel = np.ones((1, 2 * reach + 1), np.uint8)
    least = cv2.erode(flat, kernel, borderType=cv2.BORDER_REPLICATE)
    side = cv2.blur(flat, (reach, 1), borderType=cv2.BORDER_REPLICATE)
    # Beyond a cut everything differs: the side that changes less is the one that tells.
    usual = np.minimum(_moved(side, reach // 2 + 1), _moved(side, -(reach // 2 + 1)))
    usual = np.maximum(usual, least)
    missed = np.minimum(flat, usual) - least
    return missed.reshape(squares.shape), (usual - least).reshape(squares.shape)


def _moved(values: NDArray[Any], by: int) -> NDArray[Any]:
    """Columns moved to the right by so many, the outermost repeated."""
    by = int(np.clip(by, 1 - values.shape[1], values.shape[1] - 1))
    out = np.empty_like(values)
    if by >= 0:
        out[:, by:] = values[:, :values.shape[1] - by]
        out[:, :by] = values[:, :1]
    else:
        out[:, :by] = values[:, -by:]
        out[:, by:] = values[:, -1:]
    return out


@dataclass(frozen=True)
class Sight:
    """A stretch that is seen again: on which line, and how far from agreeing."""

    line: Line
    disagreement: float


def best_line(missed: Floats, usual: Floats, shown_s: Array, earlier_s: Array) -> Sight | None:
    """Best even advance of M pictures through N earlier ones, None if none is good enough."""
    rows = np.arange(len(shown_s))[None]
    since = shown_s - shown_s[0]
    held = (missed.sum(0) / (usual.sum(0) + 1e-6)).astype(np.float32)[None]
    reach = np.ones((1, 4 * round(NEAR_S * RATE_HZ) + 1), np.uint8)
    held = cv2.erode(held, reach, borderType=cv2.BORDER_REPLICATE)[0]
    allowed = np.minimum(AGREEMENT, AGAINST_STILL * held)
    best: tuple[float, Sight] | None = None
    for speed in SPEEDS:
        wanted = earlier_s[:, None] + speed * since[None]
        at = np.clip(np.searchsorted(earlier_s, wanted - 0.5 / RATE_HZ), 0, len(earlier_s) - 1)
        change = usual[rows, at].sum(1)
        score = missed[rows, at].sum(1) / (change + 1e-6)
        over = score / (allowed + 1e-6)
        over[wanted[:, -1] > earlier_s[-1] + 1.0 / RATE_HZ] = np.inf
        over[change < LEAST_CHANGE**2 * len(shown_s)] = np.inf
        start = int(np.argmin(over))
        if over[start] < 1.0 and (best is None or over[start] < best[0]):
            line = Line(float(shown_s[0]), float(earlier_s[start]), float(speed))
            best = (float(over[start]), Sight(line, float(score[start])))
    return None if best is None else best[1]
