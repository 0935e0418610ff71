"""What training pictures show, as labels in the pixels that the detector looks at."""

from __future__ import annotations

from collections.abc import Container, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rallymill.arena import render_seen
from rallymill.detect_scores import lies_still
from rallymill.motion_picture import Moment

Bytes = NDArray[np.uint8]
Size = tuple[int, int]
Box = tuple[float, float, float, float]

PLAYER, BALL = 0, 1
MIN_BALL_BOX_PX = 8.0
MIN_PERSON_SHARE = 0.25
MIN_PERSON_PX = 6.0
CONTRAST_FLOOR = 3.0
BALL_CELLS = 9
"""Contrast of so many levels over so many pixels is as much as noise."""
LEAST_LEFT = 0.15
"""A ball of which compression has left less is no ball to learn from. Chosen by eye."""
SLOW_PX = 3.0


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
    """From a picture drawn in size ``drawn`` to one scaled to ``out``."""

    drawn: Size
    out: Size

    def box(self, box: Box) -> Box:
        """Box (x1, y1, x2, y2) in the pixels of the picture that is written."""
        x_scale, y_scale = (self.out[k] / self.drawn[k] for k in range(2))
        # Pixel centres are at whole numbers.
        return (
            (box[0] + 0.5) * x_scale - 0.5, (box[1] + 0.5) * y_scale - 0.5,
            (box[2] + 0.5) * x_scale - 0.5, (box[3] + 0.5) * y_scale - 0.5,
        )

    def inside(self) -> Box:
        """Edges of the picture that is written."""
        return (-0.5, -0.5, self.out[0] - 0.5, self.out[1] - 0.5)


def remains(raw: Sequence[Bytes], coded: Sequence[Bytes], box: Box, moves: bool) -> float:
    """How much of a ball a codec has left, 0 to about 1.

    ``raw`` and ``coded`` are pictures of one shade (H, W) before, at and after, without and with
    compression; ``box`` is the ball's in the middle one. What sets the ball off (from the
    neighbours where it moves, from its surroundings where it hardly does) is compared by its
    projection on what it was; contrast within a level or two of grey counts as none.
    """
    # A film scaled to another shape may be a row taller or lower than what was drawn.
    height, width = np.minimum(raw[1].shape, coded[1].shape).tolist()
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


def labels(
    picture: render_seen.Picture, placed: Placed, lost: Container[int] = ()
) -> NDArray[np.float64]:
    """Labels (N, 5) of a picture, class and corners: people seen, balls that are visible.

    Of balls that are not in play only those that move, or that somebody holds to serve.
    Corners are measured from the corner of the picture, as networks measure them. ``lost`` are the
    numbers of balls of which compression has left nothing to see.
    """
    inside = placed.inside()
    found: list[tuple[float, ...]] = []
    for person in picture.people:
        if person.visible_share < MIN_PERSON_SHARE:
            continue
        box = _clipped(placed.box(person.box_px), inside, 0.0)
        if box is not None and max(box[2] - box[0], box[3] - box[1]) >= MIN_PERSON_PX:
            found.append((PLAYER, *box))
    for ball in picture.balls:
        # The first is or was in play; of the others one that somebody holds counts as lying.
        height_m = ball.position_m[2] if ball.index == 0 else 0.0
        moves = not lies_still(ball.velocity_mps, height_m)
        box = _clipped(placed.box(ball.box_px), inside, MIN_BALL_BOX_PX)
        if ball.visible and ball.index not in lost and (ball.live or moves) and box is not None:
            found.append((BALL, *box))
    rows = np.array(found, dtype=float).reshape(-1, 5)
    rows[:, 1:] += 0.5
    return rows


def label_lines(rows: NDArray[np.float64], size: Size) -> list[str]:
    """Lines of a label file: class, then centre and size as shares of a picture of a size."""
    lines = []
    for label, x1, y1, x2, y2 in rows:
        values = (
            (x1 + x2) / 2 / size[0], (y1 + y2) / 2 / size[1],
            (x2 - x1) / size[0], (y2 - y1) / size[1],
        )
        lines.append(f"{int(label)} " + " ".join(f"{value:.6f}" for value in values))
    return lines


def lost_balls(
    pictures: Sequence[render_seen.Picture], placed: Placed, raw: Sequence[Moment],
    coded: Sequence[Moment],
) -> set[int]:
    """Numbers of the balls of the middle picture that compression has wiped out in every shade.

    ``pictures`` are what is seen before, at and after, ``raw`` and ``coded`` the shades that are
    looked at, without and with compression.
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
        left = [
            remains([getattr(m, shade) for m in raw], [getattr(m, shade) for m in coded],
                    placed.box(ball.box_px), moves)
            for shade in ("grey", "yellow")
        ]
        if max(left) < LEAST_LEFT:
            found.add(ball.index)
    return found
