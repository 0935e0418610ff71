"""In which frames of a film a codec has left nothing of the ball.

A ball that is in the picture before compression and not after it is seen by nobody: the truth must
not call it visible. What is left is told by the same measure as for training pictures.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rallymill import motion_picture
from rallymill.arena.export_labels import LEAST_LEFT, SLOW_PX, remains
from rallymill.arena.film_config import MOST_BITS, FilmConfig

Bytes = NDArray[np.uint8]
Box = tuple[float, float, float, float]

APART_S = 0.036
"""Time to the frames before and after that a frame is compared with."""
MARGIN_PX = 12
FINER_CRF = 3
FINER_BITS = 1.5
BEST_CRF = 12
"""Steps to a finer coding, and how far they go."""


def finer(config: FilmConfig) -> FilmConfig | None:
    """The film coded a step finer; None where it is coded as finely as any."""
    if config.crf <= BEST_CRF:
        return None
    bits = config.bits_per_pixel
    return replace(
        config, crf=max(config.crf - FINER_CRF, BEST_CRF),
        bits_per_pixel=None if bits is None else min(bits * FINER_BITS, MOST_BITS),
    )


@dataclass(frozen=True)
class _Drawn:
    frame: int
    view_id: int
    image: Bytes
    box: Box | None


@dataclass(frozen=True)
class _Kept:
    """Cut-outs before, at and after, the ball's box in them, and whether it moves."""

    area: tuple[slice, slice]
    raw: tuple[Bytes, ...]
    box: Box
    moves: bool


class BallsLeft:
    """Takes drawn frames in order; asked afterwards what the written film still shows."""

    def __init__(self, rate: Fraction) -> None:
        self.step = max(1, round(APART_S * rate))
        self._window: deque[_Drawn] = deque(maxlen=2 * self.step + 1)
        self._kept: dict[int, _Kept] = {}

    def add(self, frame: int, view_id: int, image: Bytes, box: Box | None) -> None:
        """A drawn frame (H, W, 3) and the ball's box in it, None where no ball is seen."""
        # Whoever draws may draw into the same picture again.
        self._window.append(_Drawn(frame, view_id, image.copy(), box))
        if len(self._window) < 2 * self.step + 1:
            return
        before, at, after = (self._window[k * self.step] for k in range(3))
        if at.box is None or not before.view_id == at.view_id == after.view_id:
            return
        height, width = image.shape[:2]
        x1, y1, x2, y2 = at.box
        left, top = max(int(x1) - MARGIN_PX, 0), max(int(y1) - MARGIN_PX, 0)
        right, low = min(int(x2) + MARGIN_PX, width), min(int(y2) + MARGIN_PX, height)
        if right - left < 4 or low - top < 4:
            return
        area = np.s_[top:low, left:right]
        ways = [_apart(at.box, other.box) for other in (before, after) if other.box is not None]
        self._kept[at.frame] = _Kept(
            area, tuple(one.image[area].copy() for one in (before, at, after)),
            (x1 - left, y1 - top, x2 - left, y2 - top), not ways or max(ways) > SLOW_PX,
        )

    def lost(self, path: Path) -> set[int]:
        """Frames of the written film in which nothing is left of a ball that was drawn."""
        from rallymill import video  # PyAV is not installed on every host that trains

        found: set[int] = set()
        window: deque[tuple[int, Bytes]] = deque(maxlen=2 * self.step + 1)
        with video.frames(path) as stream:
            for frame in stream:
                window.append((frame.index, frame.image))
                if len(window) < 2 * self.step + 1:
                    continue
                at = window[self.step][0]
                kept = self._kept.get(at)
                if kept is None:
                    continue
                coded = [window[k * self.step][1][kept.area] for k in range(3)]
                if max(_left(kept, coded, shade) for shade in ("grey", "yellow")) < LEAST_LEFT:
                    found.add(at)
        return found

    def share(self, lost: set[int]) -> float:
        """Share of the moving balls that were drawn of which something is left; 1 of none."""
        moving = [frame for frame, kept in self._kept.items() if kept.moves]
        return 1 - sum(frame in lost for frame in moving) / max(len(moving), 1)


def _left(kept: _Kept, coded: list[Bytes], shade: str) -> float:
    raw, now = (
        [getattr(motion_picture.moment(cut, cut.shape[1]), shade) for cut in cuts]
        for cuts in (kept.raw, coded)
    )
    return remains(raw, now, kept.box, kept.moves)


def _apart(one: Box, other: Box) -> float:
    return float(np.hypot(
        (one[0] + one[2] - other[0] - other[2]) / 2, (one[1] + one[3] - other[1] - other[3]) / 2
    ))


def without_lost(rows: list[dict[str, Any]], lost: set[int], ball_id: int) -> list[dict[str, Any]]:
    """Rows of the tracks table with the ball not visible in some frames."""
    return [
        row | {"observed": False, "visible": False}
        if row["track_id"] == ball_id and row["frame"] in lost else row
        for row in rows
    ]
