"""Court lines as points to look for in a picture."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from rallymill import court
from rallymill.courtfit import profile

Array = NDArray[np.float64]

ACROSS = ("near_baseline", "near_service", "far_service", "far_baseline")
DOWN = ("left_doubles", "left_singles", "centre_service", "right_singles", "right_doubles")


@dataclass(frozen=True)
class Paint:
    """What the rules leave open about a court: alleys, widths of the paint, singles sticks.

    ``line_sd_m`` and ``baseline_sd_m`` are the standard deviations of the two widths; ``blur_px``
    is how blurred the edges of the paint are in the picture.
    """

    doubles: bool = True
    line_width_m: float = court.LINE_WIDTH_M
    baseline_width_m: float = court.BASELINE_WIDTH_M
    sticks: bool = False
    line_sd_m: float = 0.004
    baseline_sd_m: float = 0.025
    blur_px: float = profile.BLUR_PX

    @property
    def post_x_m(self) -> float:
        """Where the net is held up."""
        return court.SINGLES_POST_X_M if self.sticks else court.DOUBLES_POST_X_M

    def lines(self) -> tuple[court.Line, ...]:
        """The painted lines."""
        return court.lines(self.doubles, self.line_width_m, self.baseline_width_m)


USUAL = {True: Paint(True), False: Paint(False)}
"""Courts with and without doubles alleys, otherwise as is usual."""


@dataclass(frozen=True)
class LinePoints:
    """Points along the middles of the painted lines.

    ``points_m`` (N, 2) on the ground, ``direction`` (N, 2) unit vectors along the line,
    ``width_m`` (N,) of the paint, ``line`` (N,) index into ``names``, ``spacing_m`` (N,) the
    length of line that a point stands for. ``by_width`` (N, 2, 2) is how x and y of the middle
    change with the width of lines and of baselines: outer edges are where the rules say.
    ``piece`` (N,) numbers stretches of line of about ``PIECE_M``.
    """

    points_m: Array
    direction: Array
    width_m: Array
    line: NDArray[np.int64]
    spacing_m: Array
    by_width: Array
    piece: NDArray[np.int64]
    names: tuple[str, ...]

    def edges_m(self) -> tuple[Array, Array]:
        """Points (N, 3) on the two edges of the paint, left and right of the direction."""
        side = np.stack([-self.direction[:, 1], self.direction[:, 0]], 1)
        half = side * self.width_m[:, None] / 2
        zeros = np.zeros((len(half), 1))
        return (
            np.hstack([self.points_m + half, zeros]),
            np.hstack([self.points_m - half, zeros]),
        )


PIECE_M = 2.0
"""Length of line whose places err alike, beyond what they share with the whole line."""
NET_PIECES = 4


@dataclass(frozen=True)
class Pieces:
    """Stretches of the lines, and last of the net's band: ``line`` (C,) they belong to."""

    first: tuple[int, ...]
    line: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.line)


def _n_pieces(line: court.Line) -> int:
    start, end = line.ends()
    return max(1, round(float(np.linalg.norm(end - start)) / PIECE_M))


@lru_cache(maxsize=4)
def pieces(doubles: bool) -> Pieces:
    """Numbers of the pieces of all lines with :func:`line_points`' numbers, and of the net."""
    counts = [_n_pieces(line) for line in court.lines(doubles) if not line.name.endswith("_mark")]
    counts.append(NET_PIECES)
    first = np.concatenate([[0], np.cumsum(counts)[:-1]])
    return Pieces(tuple(first.tolist()), np.repeat(np.arange(len(counts)), counts))


def _by_width(line: court.Line) -> Array:
    """How the middle of a line moves (2, 2) with the width of lines and of baselines."""
    by = np.zeros((2, 2))
    if "baseline" in line.name:
        by[1, 1] = -0.5 * np.sign(line.y1_m)
    elif "service" in line.name and line.y1_m == line.y2_m:
        by[1, 0] = -0.5 * np.sign(line.y1_m)
    else:
        by[0, 0] = -0.5 * np.sign(line.x1_m)
    return by


@lru_cache(maxsize=32)
def line_points(paint: Paint, step_m: float, margin_m: float = 0.12) -> LinePoints:
    """Points every ``step_m`` along all lines except the marks, ``margin_m`` away from the ends."""
    points, directions, widths, numbers, spacings = [], [], [], [], []
    by_width, piece = [], []
    names: list[str] = []
    first = pieces(paint.doubles).first
    for line in paint.lines():
        if line.name.endswith("_mark"):
            continue
        start, end = line.ends()[:, :2]
        length = float(np.linalg.norm(end - start))
        direction = (end - start) / length
        count = max(2, round((length - 2 * margin_m) / step_m) + 1)
        at = np.linspace(margin_m, length - margin_m, count)
        points.append(start + at[:, None] * direction)
        directions.append(np.tile(direction, (count, 1)))
        widths.append(np.full(count, line.width_m))
        numbers.append(np.full(count, len(names)))
        spacings.append(np.full(count, (length - 2 * margin_m) / (count - 1)))
        by_width.append(np.tile(_by_width(line), (count, 1, 1)))
        share = (at / length * _n_pieces(line)).astype(np.int64)
        piece.append(first[len(names)] + share)
        names.append(line.name)
    return LinePoints(
        np.concatenate(points), np.concatenate(directions), np.concatenate(widths),
        np.concatenate(numbers), np.concatenate(spacings),
        np.concatenate(by_width), np.concatenate(piece), tuple(names),
    )


@lru_cache(maxsize=8)
def coordinates(paint: Paint) -> tuple[Array, Array]:
    """Places of the lines across (y, near to far) and down (x, left to right), in metres."""
    by_name = {line.name: line for line in paint.lines()}
    across = np.array([by_name[name].y1_m for name in ACROSS])
    down = np.array([by_name[name].x1_m for name in DOWN if name in by_name])
    return across, down
