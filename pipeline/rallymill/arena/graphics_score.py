"""Score graphics of several designs, all our own: rows, tall, plain, lower and strip.

``strip`` lies across the picture and is kept for the test split. A design is a function that draws
into an image (H, W, 4) of blue, green, red and opacity.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rallymill.arena.looks import Split

Bytes = NDArray[np.uint8]
Ink = tuple[int, int, int, int]
FONTS = (cv2.FONT_HERSHEY_DUPLEX, cv2.FONT_HERSHEY_SIMPLEX, cv2.FONT_HERSHEY_TRIPLEX)
WHITE: Ink = (240, 240, 240, 255)
DARK: Ink = (20, 20, 20, 255)
RESERVED = ("strip",)
RESERVED_SHARE = 0.35
"""Share of the test split's score graphics of a design that no other split has."""


@dataclass(frozen=True)
class Score:
    """What is shown: names, games, points, who serves (0 or 1)."""

    names: tuple[str, str]
    games: tuple[int, int]
    points: tuple[str, str]
    server: int


@dataclass(frozen=True)
class Style:
    """Colours, font and place of a graphic; ``row`` is the height of a line of it in pixels."""

    base: Ink
    accent: Ink
    font: int
    row: int
    left: bool
    top: bool


def text(
    image: Bytes, words: str, x: float, y: float, size_px: float, colour: tuple[int, ...],
    font: int = cv2.FONT_HERSHEY_DUPLEX,
) -> None:
    """Text whose capitals are ``size_px`` high, lower left corner at (x, y)."""
    scale = size_px / 21.0
    cv2.putText(
        image, words, (round(x), round(y)), font, scale, colour, max(1, round(scale * 1.6)),
        cv2.LINE_AA,
    )


def _corner(image: Bytes, style: Style, width: int, height: int) -> tuple[int, int]:
    rows, columns = image.shape[:2]
    margin = round(columns * 0.04)
    x = margin if style.left else columns - width - margin
    y = round(rows * 0.06) if style.top else round(rows * 0.94) - height
    return max(x, 0), max(y, 0)


def _box(image: Bytes, x: int, y: int, w: int, h: int, colour: Ink) -> None:
    cv2.rectangle(image, (x, y), (x + w - 1, y + h - 1), colour, -1)


def _dot(image: Bytes, x: int, y: int, radius: int, colour: Ink) -> None:
    cv2.circle(image, (x, y), max(radius, 2), colour, -1, cv2.LINE_AA)


def _rows(image: Bytes, score: Score, style: Style) -> None:
    """Two lines in a corner: name, games, points in an accented cell."""
    row = style.row
    name_w, cell = round(row * 5.6), round(row * 1.35)
    x, top = _corner(image, style, name_w + 2 * cell, 2 * row + 2)
    for i in range(2):
        y = top + i * (row + 2)
        line = y + round(row * 0.72)
        _box(image, x, y, name_w + 2 * cell, row, style.base)
        _box(image, x + name_w + cell, y, cell, row, style.accent)
        text(image, score.names[i][:12], x + row * 0.5, line, row * 0.46, WHITE, style.font)
        text(image, str(score.games[i]), x + name_w + cell * 0.35, line, row * 0.46, WHITE)
        text(image, score.points[i], x + name_w + cell * 1.2, line, row * 0.46, DARK)
        if i == score.server:
            _dot(image, x + name_w - round(row * 0.4), y + row // 2, row // 9, (120, 240, 230, 255))


def _tall(image: Bytes, score: Score, style: Style) -> None:
    """Headed block with a coloured edge; points lead, sets follow."""
    row = style.row
    width = round(row * 7.6)
    x, top = _corner(image, style, width, 3 * row)
    _box(image, x, top, width, round(row * 0.8), style.accent)
    text(image, "LANTERN QUAY", x + row * 0.4, top + row * 0.58, row * 0.34, DARK, style.font)
    for i in range(2):
        y = top + round(row * (0.8 + 1.1 * i))
        _box(image, x, y, width, round(row * 1.1), WHITE)
        _box(image, x, y, round(row * 0.18), round(row * 1.1), style.base)
        line = y + round(row * 0.76)
        text(image, score.points[i], x + row * 0.4, line, row * 0.46, style.base, style.font)
        text(image, score.names[i][:10], x + row * 1.7, line, row * 0.42, DARK, style.font)
        text(image, str(score.games[i]), x + width - row * 0.8, line, row * 0.46, DARK)
        if i == score.server:
            _dot(image, x + width - round(row * 1.2), y + row // 2, row // 8, style.accent)


def _plain(image: Bytes, score: Score, style: Style) -> None:
    """Letters with a dark edge straight on the picture."""
    row = style.row
    x, top = _corner(image, style, round(row * 7), 2 * row)
    for i in range(2):
        words = f"{'> ' if i == score.server else '  '}{score.names[i][:10]}"
        line = top + round(row * (0.7 + i))
        for dx, dy, ink in ((1, 1, DARK), (0, 0, WHITE)):
            text(image, words, x + dx, line + dy, row * 0.44, ink, style.font)
            tail = f"{score.games[i]}  {score.points[i]}"
            text(image, tail, x + row * 5.2 + dx, line + dy, row * 0.44, ink, style.font)


def _lower(image: Bytes, score: Score, style: Style) -> None:
    """Wide plate in the lower third, both names on either side of the score."""
    height, width = image.shape[:2]
    row = round(style.row * 1.25)
    w = round(width * 0.56)
    x, y = (width - w) // 2, round(height * 0.87)
    _box(image, x, y, w, row, style.base)
    _box(image, x + round(w * 0.38), y, round(w * 0.24), row, style.accent)
    line = y + round(row * 0.68)
    text(image, score.names[0][:11], x + w * 0.03, line, row * 0.4, WHITE, style.font)
    text(image, score.names[1][:11], x + w * 0.66, line, row * 0.4, WHITE, style.font)
    middle = f"{score.games[0]}-{score.games[1]}  {score.points[0]}:{score.points[1]}"
    text(image, middle, x + w * 0.405, line, row * 0.4, DARK, style.font)
    _dot(image, x + round(w * (0.36 if score.server == 0 else 0.64)), y + row // 2, row // 9, WHITE)


def _strip(image: Bytes, score: Score, style: Style) -> None:
    """Band across the whole picture at its top or foot."""
    height, width = image.shape[:2]
    row = round(style.row * 0.9)
    y = 0 if style.top else height - row
    _box(image, 0, y, width, row, style.base)
    line = y + round(row * 0.72)
    words = (
        f"{score.names[0]} {score.games[0]} ({score.points[0]})   |   "
        f"{score.names[1]} {score.games[1]} ({score.points[1]})   |   LANTERN QUAY OPEN"
    )
    text(image, words, width * 0.05, line, row * 0.45, WHITE, style.font)
    _box(image, 0, y, round(width * 0.03), row, style.accent)


DESIGNS: dict[str, Callable[[Bytes, Score, Style], None]] = {
    "rows": _rows, "tall": _tall, "plain": _plain, "lower": _lower, "strip": _strip,
}


def draw_design(rng: np.random.Generator, split: Split) -> str:
    """Name of a design that a split may have."""
    if split == "test" and rng.random() < RESERVED_SHARE:
        return RESERVED[0]
    return str(rng.choice([name for name in DESIGNS if name not in RESERVED]))


def badge(image: Bytes, rng: np.random.Generator, style: Style) -> None:
    """Small things that come with a score: an emblem in a corner, the speed of a serve, a clock."""
    height, width = image.shape[:2]
    row = style.row
    if rng.random() < 0.5:
        x = width - round(row * 2.4) if style.left else round(row * 0.8)
        y = round(height * 0.05)
        cv2.circle(image, (x + row // 2, y + row // 2), round(row * 0.5), style.accent, -1,
                   cv2.LINE_AA)
        text(image, "LQ", x + row * 0.18, y + row * 0.65, row * 0.34, WHITE, style.font)
    if rng.random() < 0.25:
        x, y = round(width * 0.8), round(height * (0.9 if style.top else 0.1))
        _box(image, x, y, round(row * 4.6), row, style.base)
        speed = f"{int(rng.integers(120, 225))} km/h"
        text(image, speed, x + row * 0.4, y + row * 0.7, row * 0.45, WHITE, style.font)
