"""Pictures that lie on the venue: the ground's grain and wear, and the boards' lettering.

All names on boards are invented.
"""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from rallymill.arena.world import Colour

Image = NDArray[np.float32]
GROUND_X_M = 20.0
GROUND_Y_M = 32.0
STEP_M = 0.05

WORDS = (
    "LANTERN QUAY", "SALTMARSH LAMPS", "QUILLBANK", "OLD FERRY ROPES", "BRINDLEWICK TEA",
    "HARROWDEAN", "NORTH PIER CLOCKS", "TIDEMARK TILES", "FERNHOLLOW", "GULLWATER OATS",
    "MERRICOTE", "COBBLE & THRIFT", "EVENKEEL PAINT", "PLUMRIDGE", "SEVEN STILES",
)


def choose_words(rng: np.random.Generator) -> tuple[str, ...]:
    """Words for the boards of a venue."""
    n = int(rng.integers(3, 7))
    return tuple(str(word) for word in rng.choice(WORDS, n, replace=False))


def _noise(rng: np.random.Generator, shape: tuple[int, int], sigma: tuple[float, float]) -> Image:
    """Smooth noise of unit deviation with the given size along rows and columns, in samples."""
    # Broad features need few samples: smooth a small picture and enlarge it.
    rows, columns = (max(int(size / 3), 1) for size in sigma)
    small = (-(-shape[0] // rows), -(-shape[1] // columns))
    raw = rng.standard_normal(small).astype(np.float32)
    smooth = cv2.GaussianBlur(raw, (0, 0), sigmaX=sigma[1] / columns, sigmaY=sigma[0] / rows)
    if small != shape:
        smooth = cv2.resize(smooth, shape[::-1], interpolation=cv2.INTER_CUBIC)
    return np.asarray((smooth - smooth.mean()) / max(float(smooth.std()), 1e-9), dtype=np.float32)


def _letter(out: Image, words: str, x_m: float, y_m: float, high_m: float, change: float) -> None:
    """Paint words on the ground in place, to be read from the main camera; (x, y) their middle."""
    scale = high_m / STEP_M / 21.0
    thick = max(1, round(scale * 4))
    (w, h), _ = cv2.getTextSize(words, cv2.FONT_HERSHEY_DUPLEX, scale, thick)
    patch = np.zeros((h + 2 * thick, w + 2 * thick), dtype=np.uint8)
    cv2.putText(
        patch, words, (thick, h + thick), cv2.FONT_HERSHEY_DUPLEX, scale, 255, thick, cv2.LINE_AA
    )
    top = round((y_m + GROUND_Y_M) / STEP_M) - patch.shape[0] // 2
    left = round((x_m + GROUND_X_M) / STEP_M) - patch.shape[1] // 2
    if left < 0 or left + patch.shape[1] > out.shape[1]:
        return
    # Rows run away from the camera.
    out[top : top + patch.shape[0], left : left + patch.shape[1]] += (
        np.float32(change / 255) * patch[::-1]
    )


def _clay_wear(rng: np.random.Generator, shape: tuple[int, int], near_baseline: Image) -> Image:
    """Slides, footprints, brushed rings, damp and dry patches: change of the ground's factor."""
    h, w = shape
    marks = np.zeros((h, w), dtype=np.float32)

    def place(x: float, y: float) -> tuple[int, int]:
        return (int((x + GROUND_X_M) / STEP_M * 16), int((y + GROUND_Y_M) / STEP_M * 16))

    for _ in range(int(rng.integers(60, 420))):
        cx, cy = rng.normal(0, 3.0), rng.choice([-1, 1]) * rng.normal(11.5, 2.5)
        length = rng.uniform(0.08, 0.7) if rng.random() < 0.85 else rng.uniform(0.7, 2.0)
        turn = rng.uniform(0, np.pi)
        dx, dy = length / 2 * np.cos(turn), length / 2 * np.sin(turn)
        value = float(rng.uniform(-0.2, 0.16))
        thick = int(rng.integers(1, 4))
        cv2.line(marks, place(cx - dx, cy - dy), place(cx + dx, cy + dy), value, thick,
                 cv2.LINE_AA, 4)
    for _ in range(int(rng.integers(0, 160))):
        # Marks of the ball, some of them fresh and pale.
        centre = place(rng.uniform(-5.5, 5.5), rng.uniform(-12.5, 12.5))
        value = float(rng.choice([-0.15, 0.12, 0.3], p=[0.5, 0.35, 0.15]))
        axes = (int(16 * rng.uniform(0.8, 1.6)), int(16 * rng.uniform(0.8, 2.8)))
        cv2.ellipse(marks, centre, axes, float(rng.uniform(0, 180)), 0, 360, value, -1,
                    cv2.LINE_AA, 4)
    out = cv2.GaussianBlur(marks, (0, 0), 0.7)
    if rng.random() < 0.35:
        damp = np.clip(_noise(rng, shape, (45, 45)) - rng.uniform(0.3, 1.2), 0, 0.6)
        out = out - np.float32(rng.uniform(0.15, 0.4)) * damp
    if rng.random() < 0.4:
        out = out + np.float32(rng.uniform(0.05, 0.2)) * near_baseline
    return np.asarray(out, dtype=np.float32)


@lru_cache(maxsize=4)
def ground(
    seed: int, surface: str, tier: str, logos: tuple[str, ...] = ()
) -> tuple[Image, Image, Image]:
    """Factor on the ground's colour over (y, x) from (-32, -20), at 5, 20 and 80 cm a sample."""
    rng = np.random.default_rng([seed, 72])
    h = round(2 * GROUND_Y_M / STEP_M)
    w = round(2 * GROUND_X_M / STEP_M)
    y = (np.arange(h) + 0.5)[:, None] * STEP_M - GROUND_Y_M
    x = (np.arange(w) + 0.5)[None, :] * STEP_M - GROUND_X_M
    out = np.ones((h, w), dtype=np.float32)
    out += 0.012 * rng.standard_normal((h, w)).astype(np.float32)
    out += 0.015 * _noise(rng, (h, w), (40, 40))
    baseline = np.exp(-(((np.abs(y) - 12.4) / 1.3) ** 2) - (x / 3.2) ** 2)
    if surface == "clay":
        out += 0.035 * _noise(rng, (h, w), (1.2, 1.2))
        # The drag net leaves bands along the court.
        out += 0.02 * _noise(rng, (h, w), (60, 4))
        out += 0.05 * _noise(rng, (h, w), (14, 14)) * baseline.astype(np.float32)
        out -= (0.08 * baseline).astype(np.float32)
        out += _clay_wear(rng, (h, w), np.asarray(baseline, np.float32))
    elif surface == "grass":
        out += 0.05 * _noise(rng, (h, w), (1.0, 1.0))
        width = rng.uniform(0.9, 1.6)
        along = x if rng.random() < 0.6 else y
        stripes = np.sin(np.pi * along / width)
        out += (0.05 * np.clip(stripes * 6, -1, 1)).astype(np.float32) * np.ones((h, w), np.float32)
        wear = rng.uniform(0.1, 0.9)
        patchy = np.clip(0.7 + 0.4 * _noise(rng, (h, w), (8, 8)), 0, 1.5)
        out += (wear * 0.5 * baseline).astype(np.float32) * patchy
        path = np.exp(-((x / 1.6) ** 2) - ((np.abs(y) - 5.5) / 3.5) ** 2)
        out += (0.25 * wear * rng.uniform(0, 1) * path).astype(np.float32) * patchy
    else:
        out += 0.02 * _noise(rng, (h, w), (25, 60))
        out -= (rng.uniform(0, 0.05) * baseline).astype(np.float32)
        if tier not in ("easy", "broadcast"):
            stains = _noise(rng, (h, w), (30, 30))
            out -= (0.06 * np.clip(stains - 1.2, 0, 1)).astype(np.float32)
            cracks = np.abs(_noise(rng, (h, w), (18, 18)))
            out -= (0.12 * np.clip(0.02 - cracks, 0, 0.02) / 0.02 * (rng.random() < 0.4)).astype(
                np.float32
            )
    if logos:
        change = float(rng.choice([-0.5, 0.6, 1.2, 2.0]))
        size = float(rng.uniform(0.7, 1.4))
        for y_m in (-15.2, 15.2):
            _letter(out, logos[0], 0.0, y_m, size, change)
        for x_m in (-7.6, 7.6):
            _letter(out, logos[-1][:8], x_m, float(rng.uniform(-3, 3)), 0.6, change)
    middle = cv2.resize(out, (w // 4, h // 4), interpolation=cv2.INTER_AREA)
    coarse = cv2.resize(middle, (w // 16, h // 16), interpolation=cv2.INTER_AREA)
    return out, np.asarray(middle, np.float32), np.asarray(coarse, np.float32)


@lru_cache(maxsize=4)
def banners(seed: int, words: tuple[str, ...], back: Colour) -> tuple[Image, Image]:
    """Boards round the court, (H, W, 3) linear, at 1.5 cm and 6 cm a sample (roughly)."""
    rng = np.random.default_rng([seed, 73])
    h, w = 64, 4096
    strip = np.zeros((h, w, 3), dtype=np.uint8)
    single = rng.random() < 0.4
    base = np.array([255 * min(c, 1.0) ** (1 / 2.2) for c in back])
    column = 0
    while column < w:
        width = int(rng.integers(220, 460))
        ground_colour = base * rng.uniform(0.9, 1.3) if single else rng.uniform(10, 230, 3)
        strip[:, column : column + width] = np.clip(ground_colour, 0, 255).astype(np.uint8)
        word = str(rng.choice(np.array(words)))
        size = cv2.getTextSize(word, cv2.FONT_HERSHEY_DUPLEX, 1.0, 3)[0]
        scale = min(1.25, (width - 30) / size[0])
        light = float(np.mean(ground_colour)) < 120
        ink = (235.0, 235.0, 235.0) if light else (25.0, 25.0, 30.0)
        if not single and rng.random() < 0.3:
            blue, green, red = (float(c) for c in rng.uniform(150, 255, 3))
            ink = (blue, green, red) if light else ink
        left = column + (width - int(size[0] * scale)) // 2
        cv2.putText(
            strip, word, (left, 44), cv2.FONT_HERSHEY_DUPLEX, scale, ink, 3, cv2.LINE_AA
        )
        column += width
    linear = (strip.astype(np.float32) / 255.0) ** 2.2
    small = cv2.resize(linear, (w // 4, h // 4), interpolation=cv2.INTER_AREA)
    return np.ascontiguousarray(linear), np.ascontiguousarray(small)
