"""Graphics laid over the picture: a score box and a full-screen card, of our own design.

All names are invented. A graphic is an image with an opacity, shape (H, W, 4), blue, green, red,
opacity, as large as the frame.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from rallymill.arena import graphics_score
from rallymill.arena.graphics_score import text
from rallymill.arena.looks import Split
from rallymill.arena.render_seen import Picture
from rallymill.arena.scene_textures import WORDS

Bytes = NDArray[np.uint8]
NAMES = ("MARREC", "ORROW", "KESTRELL", "ALAMAY", "TESSEL", "BRANDOCK", "VINTLEY", "OSMUNDA")
POINTS = ("0", "15", "30", "40", "AD")
WIPES = 4


def score_graphic(
    seed: int, width_px: int, height_px: int, names: tuple[str, str] | None = None,
    games: tuple[int, int] | None = None, points: tuple[str, str] | None = None,
    server: int | None = None, split: Split = "any",
) -> Bytes:
    """Score box; its design and whatever is not given are drawn from the seed."""
    rng = np.random.default_rng([seed, 81])
    drawn = rng.choice(np.array(NAMES), 2, replace=False)
    score = graphics_score.Score(
        names or (str(drawn[0]), str(drawn[1])),
        games or (int(rng.integers(0, 7)), int(rng.integers(0, 7))),
        points or (str(rng.choice(POINTS)), str(rng.choice(POINTS))),
        int(rng.integers(0, 2)) if server is None else server,
    )
    # What is shown changes within a film, the design does not.
    rng = np.random.default_rng([seed, 87])
    design = graphics_score.draw_design(rng, split)
    opacity = int(rng.integers(200, 256))
    blue, green, red = (int(c) for c in rng.integers(10, 110, 3))
    base = (blue, green, red, opacity)
    blue, green, red = (int(c) for c in rng.integers(90, 230, 3))
    style = graphics_score.Style(
        base, (blue, green, red, opacity),
        int(graphics_score.FONTS[int(rng.integers(len(graphics_score.FONTS)))]),
        max(round(min(height_px, 0.7 * width_px) * float(rng.uniform(0.034, 0.052))), 8),
        bool(rng.random() < 0.75), bool(rng.random() < 0.6),
    )
    out = np.zeros((height_px, width_px, 4), dtype=np.uint8)
    graphics_score.DESIGNS[design](out, score, style)
    graphics_score.badge(out, rng, style)
    return out


def full_screen(seed: int, width_px: int, height_px: int, t_s: float) -> Bytes:
    """Full-screen card, (H, W, 3): a table of numbers, or an advertisement with moving shapes."""
    rng = np.random.default_rng([seed, 82])
    if rng.random() < 0.45:
        return _advertisement(rng, width_px, height_px, t_s)
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
    text(out, "LANTERN QUAY OPEN", width_px * 0.32, height_px * 0.16, size * 1.3, (235, 235, 235))
    text(out, names[0], width_px * 0.2, height_px * 0.28, size, (235, 235, 235))
    text(out, names[1], width_px * 0.65, height_px * 0.28, size, (235, 235, 235))
    rows = ("ACES", "DOUBLE FAULTS", "FIRST SERVES IN", "WINNERS", "POINTS WON")
    for i, label in enumerate(rows):
        line = height_px * (0.4 + 0.1 * i)
        cv2.line(
            out, (round(width_px * 0.15), round(line + size)),
            (round(width_px * 0.85), round(line + size)), (150, 150, 150), 1, cv2.LINE_AA,
        )
        text(out, str(int(rng.integers(0, 70))), width_px * 0.24, line, size, (235, 235, 235))
        text(out, str(int(rng.integers(0, 70))), width_px * 0.70, line, size, (235, 235, 235))
        text(out, label, width_px * 0.40, line, size * 0.8, (210, 210, 210))
    return out


def _advertisement(
    rng: np.random.Generator, width_px: int, height_px: int, t_s: float
) -> Bytes:
    """Invented product: its name over discs and bands that move."""
    out = np.empty((height_px, width_px, 3), dtype=np.uint8)
    out[:] = rng.integers(10, 250, 3)
    for _ in range(int(rng.integers(3, 9))):
        colour = [int(c) for c in rng.integers(0, 256, 3)]
        x, y = rng.uniform(0, width_px), rng.uniform(0, height_px)
        vx, vy = rng.uniform(-0.3, 0.3, 2) * width_px
        place = (round(x + vx * t_s), round(y + vy * t_s))
        size = round(float(rng.uniform(0.02, 0.3)) * height_px)
        if rng.random() < 0.6:
            cv2.circle(out, place, size, colour, -1, cv2.LINE_AA)
        else:
            end = (place[0] + 4 * size, place[1] + size)
            cv2.rectangle(out, place, end, colour, -1)
    words = str(rng.choice(np.array(WORDS)))
    dark = float(out.mean()) > 128
    ink = (20, 20, 20) if dark else (240, 240, 240)
    font = int(graphics_score.FONTS[int(rng.integers(len(graphics_score.FONTS)))])
    grow = 1.0 + 0.08 * t_s
    size_px = height_px * float(rng.uniform(0.06, 0.11)) * grow
    graphics_score.text(
        out, words, width_px * float(rng.uniform(0.06, 0.3)),
        height_px * float(rng.uniform(0.35, 0.7)), size_px, ink, font,
    )
    return out


def wipe(first: Bytes, second: Bytes, share: float, style: int = 0) -> Bytes:
    """Wipe from one frame to the other, ``share`` from 0 to 1.

    Styles: 0 slanted with a bright edge, 1 a disc that opens, 2 two doors, 3 a cross-fade.
    """
    height, width = first.shape[:2]
    y, x = np.mgrid[0:height, 0:width]
    if style % WIPES == 3:
        return np.asarray(cv2.addWeighted(first, 1 - share, second, share, 0.0), dtype=np.uint8)
    if style % WIPES in (1, 2):
        far = np.hypot(x - width / 2, y - height / 2) if style % WIPES == 1 else abs(x - width / 2)
        inside = far < share * 1.05 * float(far.max())
        return np.where(inside[..., None], second, first).astype(np.uint8)
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
