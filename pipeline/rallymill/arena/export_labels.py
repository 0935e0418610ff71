"""Scale frames as the detector does, and write down what they show as label lines."""

from __future__ import annotations

from collections.abc import Container, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rallymill.arena import render_seen

Bytes = NDArray[np.uint8]
Size = tuple[int, int]
Box = tuple[float, float, float, float]

PLAYER, BALL = 0, 1
MIN_BALL_BOX_PX = 8.0
MIN_PERSON_SHARE = 0.25
MIN_PERSON_PX = 6.0
MIN_BALL_SPEED_MPS = 0.5
CONTRAST_FLOOR = 3.0
BALL_CELLS = 9
"""Contrast of so many levels over so many pixels is as much as noise."""
LEAST_LEFT = 0.15
"""A ball of which compression has left less is no ball to learn from. Chosen by eye."""
SLOW_PX = 3.0
BORDER_LEVEL = 114
"""Grey of the borders beside a picture of another shape, as letterboxing networks use it."""


def placing(size: Size, to: Size) -> tuple[float, int, int, Size]:
    """Scale, left and top border and scaled size of a film ``size`` fitted into ``to``.

    A film fills the width, or the height where it is taller in shape.
    """
    scale = to[0] / size[0]
    if round(size[1] * scale) > to[1]:
        scale = to[1] / size[1]
    width, height = round(size[0] * scale), round(size[1] * scale)
    return scale, (to[0] - width) // 2, (to[1] - height) // 2, (width, height)


def fitted(frame: Bytes, width_px: int, height_px: int) -> Bytes:
    """Grey picture (height, width) of a BGR frame (H, W, 3), scaled as the detector scales it."""
    grey = np.asarray(cv2.cvtColor(frame, cv2.COLOR_BGR2GRAY), dtype=np.uint8)
    _, left, top, (width, height) = placing((grey.shape[1], grey.shape[0]), (width_px, height_px))
    if (width, height) != (grey.shape[1], grey.shape[0]):
        way = cv2.INTER_AREA if width < grey.shape[1] else cv2.INTER_CUBIC
        grey = np.asarray(cv2.resize(grey, (width, height), interpolation=way), dtype=np.uint8)
    if (width, height) == (width_px, height_px):
        return grey
    out = np.full((height_px, width_px), BORDER_LEVEL, dtype=np.uint8)
    out[top : top + height, left : left + width] = grey
    return out


def _clipped(box: Sequence[float], inside: Box, least: float) -> Box | None:
    """Box grown to at least ``least`` a side, cut at the film's edge; None where little is left."""
    x1, y1, x2, y2 = box
    for_x = max(least - (x2 - x1), 0.0) / 2
    for_y = max(least - (y2 - y1), 0.0) / 2
    x1, x2 = max(x1 - for_x, inside[0]), min(x2 + for_x, inside[2])
    y1, y2 = max(y1 - for_y, inside[1]), min(y2 + for_y, inside[3])
    if x2 - x1 < 3.0 or y2 - y1 < 3.0:
        return None
    return x1, y1, x2, y2


@dataclass(frozen=True)
class Placed:
    """From a picture drawn in size ``drawn`` and scaled to ``film`` to one fitted into ``out``."""

    drawn: Size
    film: Size
    out: Size

    def box(self, box: Box) -> Box:
        """Box (x1, y1, x2, y2) in the pixels of the picture that is written."""
        scale, left, top, _ = placing(self.film, self.out)
        x_scale = self.film[0] / self.drawn[0] * scale
        y_scale = self.film[1] / self.drawn[1] * scale
        # Pixel centres are at whole numbers.
        return (
            (box[0] + 0.5) * x_scale - 0.5 + left, (box[1] + 0.5) * y_scale - 0.5 + top,
            (box[2] + 0.5) * x_scale - 0.5 + left, (box[3] + 0.5) * y_scale - 0.5 + top,
        )

    def inside(self) -> Box:
        """Edges of the film within the picture that is written."""
        _, left, top, (width, height) = placing(self.film, self.out)
        return (left - 0.5, top - 0.5, left + width - 0.5, top + height - 0.5)


def remains(raw: Sequence[Bytes], coded: Sequence[Bytes], box: Box, moves: bool) -> float:
    """How much of a ball a codec has left, 0 to about 1.

    ``raw`` and ``coded`` are the grey pictures (H, W) before, at and after, without and with
    compression; ``box`` is the ball's in the middle one. What sets the ball off (from the
    neighbours where it moves, from its surroundings where it hardly does) is compared by its
    projection on what it was; contrast within a level or two of grey counts as none.
    """
    height, width = raw[1].shape
    x1, y1 = max(int(box[0]) - 2, 0), max(int(box[1]) - 2, 0)
    x2, y2 = min(int(box[2]) + 4, width), min(int(box[3]) + 4, height)
    if x2 - x1 < 2 or y2 - y1 < 2:
        return 0.0
    area = np.s_[y1:y2, x1:x2]

    def contrast(pictures: Sequence[Bytes]) -> NDArray[np.float64]:
        before, at, after = (picture[area].astype(float) for picture in pictures)
        if moves:
            return at - (before + after) / 2
        return at - float(np.median(at))

    was, is_now = contrast(raw), contrast(coded)
    floor = CONTRAST_FLOOR**2 * BALL_CELLS
    return float((was * is_now).sum() / ((was**2).sum() + floor))


def label_lines(
    picture: render_seen.Picture, placed: Placed, lost: Container[int] = ()
) -> list[str]:
    """Label lines of a picture: people that are seen, balls that are visible and move.

    ``lost`` are the numbers of balls of which compression has left nothing to see.
    """
    out, inside = placed.out, placed.inside()
    found = []
    for person in picture.people:
        if person.visible_share < MIN_PERSON_SHARE:
            continue
        box = _clipped(placed.box(person.box_px), inside, 0.0)
        if box is not None and max(box[2] - box[0], box[3] - box[1]) >= MIN_PERSON_PX:
            found.append((PLAYER, box))
    for ball in picture.balls:
        moves = float(np.linalg.norm(ball.velocity_mps)) > MIN_BALL_SPEED_MPS
        box = _clipped(placed.box(ball.box_px), inside, MIN_BALL_BOX_PX)
        if ball.visible and ball.index not in lost and (ball.live or moves) and box is not None:
            found.append((BALL, box))
    lines = []
    for label, (x1, y1, x2, y2) in found:
        values = (
            ((x1 + x2) / 2 + 0.5) / out[0], ((y1 + y2) / 2 + 0.5) / out[1],
            (x2 - x1) / out[0], (y2 - y1) / out[1],
        )
        lines.append(f"{label} " + " ".join(f"{value:.6f}" for value in values))
    return lines


def lost_balls(
    pictures: Sequence[render_seen.Picture], placed: Placed, raw: Sequence[Bytes],
    coded: Sequence[Bytes],
) -> set[int]:
    """Numbers of the balls of the middle picture that compression has wiped out.

    ``pictures`` are what is seen before, at and after, ``raw`` and ``coded`` the grey pictures
    (H, W) that are written, without and with compression.
    """
    found = set()
    others = [{ball.index: ball for ball in picture.balls} for picture in pictures]
    for ball in pictures[1].balls:
        way = []
        for known in (others[0].get(ball.index), others[2].get(ball.index)):
            if known is not None:
                way.append(float(np.hypot(
                    known.centre_px[0] - ball.centre_px[0], known.centre_px[1] - ball.centre_px[1]
                )))
        moves = not way or max(way) * placed.out[0] / placed.drawn[0] > SLOW_PX
        if remains(raw, coded, placed.box(ball.box_px), moves) < LEAST_LEFT:
            found.add(ball.index)
    return found
