"""Graphics laid over the picture: a score box and a full-screen card, of our own design.

All names are invented. A graphic is an image with an opacity, shape (H, W, 4), blue, green, red,
opacity, as large as the frame.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from rallymill.arena.render_seen import Picture

Bytes = NDArray[np.uint8]
NAMES = ("MARREC", "ORROW", "KESTRELL", "ALAMAY", "TESSEL", "BRANDOCK", "VINTLEY", "OSMUNDA")
POINTS = ("0", "15", "30", "40", "AD")
FONT = cv2.FONT_HERSHEY_DUPLEX


def _text(image: Bytes, words: str, x: float, y: float, size_px: float,
          colour: tuple[int, ...]) -> None:
    """Text whose capitals are ``size_px`` high, lower left corner at (x, y)."""
    scale = size_px / 21.0
    cv2.putText(
        image, words, (round(x), round(y)), FONT, scale, colour, max(1, round(scale * 1.6)),
        cv2.LINE_AA,
    )


def score_graphic(
    seed: int, width_px: int, height_px: int, names: tuple[str, str] | None = None,
    games: tuple[int, int] | None = None, points: tuple[str, str] | None = None,
    server: int | None = None,
) -> Bytes:
    """Score box in a corner; whatever is not given is drawn from the seed."""
    rng = np.random.default_rng([seed, 81])
    drawn = rng.choice(np.array(NAMES), 2, replace=False)
    names = names or (str(drawn[0]), str(drawn[1]))
    games = games or (int(rng.integers(0, 7)), int(rng.integers(0, 7)))
    points = points or (str(rng.choice(POINTS)), str(rng.choice(POINTS)))
    server = int(rng.integers(0, 2)) if server is None else server
    row = round(height_px * float(rng.uniform(0.038, 0.05)))
    name_w = round(row * 5.6)
    cell = round(row * 1.35)
    total = name_w + 2 * cell
    left = round(width_px * 0.04) if rng.random() < 0.75 else width_px - total - round(
        width_px * 0.04
    )
    top = round(height_px * (0.06 if rng.random() < 0.6 else 0.84))
    base = tuple(int(c) for c in rng.integers(10, 110, 3))
    accent = tuple(int(c) for c in rng.integers(90, 230, 3))
    out = np.zeros((height_px, width_px, 4), dtype=np.uint8)
    opacity = int(rng.integers(200, 256))
    for i in range(2):
        y = top + i * (row + 2)
        cv2.rectangle(out, (left, y), (left + total, y + row - 1), (*base, opacity), -1)
        cv2.rectangle(
            out, (left + name_w + cell, y), (left + total, y + row - 1), (*accent, opacity), -1
        )
        white = (240, 240, 240, 255)
        line = y + round(row * 0.72)
        _text(out, names[i][:12], left + row * 0.5, line, row * 0.46, white)
        _text(out, str(games[i]), left + name_w + cell * 0.35, line, row * 0.46, white)
        _text(out, points[i], left + name_w + cell * 1.2, line, row * 0.46, (20, 20, 20, 255))
        if i == server:
            middle = (left + name_w - round(row * 0.4), y + row // 2)
            cv2.circle(out, middle, max(2, row // 9), (120, 240, 230, 255), -1, cv2.LINE_AA)
    return out


def full_screen(seed: int, width_px: int, height_px: int, t_s: float) -> Bytes:
    """Full-screen card with a table of numbers, (H, W, 3); its ground drifts with time."""
    rng = np.random.default_rng([seed, 82])
    hue = rng.uniform(0, 180)
    y, x = np.mgrid[0:height_px, 0:width_px].astype(np.float32)
    wave = 0.5 + 0.5 * np.sin((x + 0.6 * y) / (0.2 * width_px) + 1.5 * t_s + hue)
    hsv = np.empty((height_px, width_px, 3), dtype=np.uint8)
    hsv[..., 0] = int(hue)
    hsv[..., 1] = 150
    hsv[..., 2] = (40 + 60 * wave).astype(np.uint8)
    out = np.asarray(cv2.cvtColor(hsv, cv2.COLOR_HSV2BGR), dtype=np.uint8)
    names = [str(name) for name in rng.choice(np.array(NAMES), 2, replace=False)]
    size = height_px * 0.035
    _text(out, "LANTERN QUAY OPEN", width_px * 0.32, height_px * 0.16, size * 1.3, (235, 235, 235))
    _text(out, names[0], width_px * 0.2, height_px * 0.28, size, (235, 235, 235))
    _text(out, names[1], width_px * 0.65, height_px * 0.28, size, (235, 235, 235))
    rows = ("ACES", "DOUBLE FAULTS", "FIRST SERVES IN", "WINNERS", "POINTS WON")
    for i, label in enumerate(rows):
        line = height_px * (0.4 + 0.1 * i)
        cv2.line(
            out, (round(width_px * 0.15), round(line + size)),
            (round(width_px * 0.85), round(line + size)), (150, 150, 150), 1, cv2.LINE_AA,
        )
        _text(out, str(int(rng.integers(0, 70))), width_px * 0.24, line, size, (235, 235, 235))
        _text(out, str(int(rng.integers(0, 70))), width_px * 0.70, line, size, (235, 235, 235))
        _text(out, label, width_px * 0.40, line, size * 0.8, (210, 210, 210))
    return out


def wipe(first: Bytes, second: Bytes, share: float) -> Bytes:
    """Slanted wipe from one frame to the other, ``share`` from 0 to 1, with a bright edge."""
    height, width = first.shape[:2]
    y, x = np.mgrid[0:height, 0:width]
    front = share * 1.4 * width - 0.2 * width + (y - height / 2) * 0.3
    out = np.where((x < front)[..., None], second, first).astype(np.uint8)
    edge = np.abs(x - front) < 0.02 * width
    out[edge] = (60, 170, 200)
    return out


def covers(graphic: Bytes, u_px: float, v_px: float) -> bool:
    """Whether a graphic hides what is at an image point."""
    row, column = round(v_px), round(u_px)
    inside = 0 <= row < graphic.shape[0] and 0 <= column < graphic.shape[1]
    return inside and int(graphic[row, column, 3]) > 100


def hide_balls(picture: Picture, graphic: Bytes) -> Picture:
    """What a picture shows once a graphic lies over it: balls under it are hidden."""
    balls = tuple(
        replace(ball, visible_share=0.0) if covers(graphic, *ball.centre_px) else ball
        for ball in picture.balls
    )
    return replace(picture, balls=balls)


def lay_over(frame: Bytes, graphic: Bytes) -> None:
    """Draw a graphic over a frame (H, W, 3) in place."""
    rows = np.flatnonzero(graphic[..., 3].any(1))
    columns = np.flatnonzero(graphic[..., 3].any(0))
    if not len(rows):
        return
    area = np.s_[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    alpha = graphic[area][..., 3:].astype(np.float32) / 255
    mixed = frame[area] * (1 - alpha) + graphic[area][..., :3] * alpha
    frame[area] = (mixed + 0.5).astype(np.uint8)
