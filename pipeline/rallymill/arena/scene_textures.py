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
    raw = rng.standard_normal(shape).astype(np.float32)
    smooth = cv2.GaussianBlur(raw, (0, 0), sigmaX=sigma[1], sigmaY=sigma[0])
    return np.asarray((smooth - smooth.mean()) / max(float(smooth.std()), 1e-9), dtype=np.float32)


@lru_cache(maxsize=4)
def ground(seed: int, surface: str, tier: str) -> tuple[Image, Image, Image]:
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
        marks = np.zeros((h, w), dtype=np.float32)
        for _ in range(int(rng.integers(60, 260))):
            cx = rng.normal(0, 3.0)
            cy = rng.choice([-1, 1]) * rng.normal(11.5, 2.5)
            length = rng.uniform(0.08, 0.7)
            turn = rng.uniform(0, np.pi)
            p = (cx - length / 2 * np.cos(turn), cy - length / 2 * np.sin(turn))
            q = (cx + length / 2 * np.cos(turn), cy + length / 2 * np.sin(turn))
            ends = [
                (int((a + GROUND_X_M) / STEP_M * 16), int((b + GROUND_Y_M) / STEP_M * 16))
                for a, b in (p, q)
            ]
            value = float(rng.uniform(-0.16, 0.1))
            cv2.line(marks, ends[0], ends[1], value, 2, cv2.LINE_AA, 4)
        out += cv2.GaussianBlur(marks, (0, 0), 0.8)
    elif surface == "grass":
        out += 0.05 * _noise(rng, (h, w), (1.0, 1.0))
        width = rng.uniform(0.9, 1.6)
        along = x if rng.random() < 0.6 else y
        stripes = np.sin(np.pi * along / width)
        out += (0.05 * np.clip(stripes * 6, -1, 1)).astype(np.float32) * np.ones((h, w), np.float32)
        wear = rng.uniform(0.1, 0.6)
        patchy = np.clip(0.7 + 0.4 * _noise(rng, (h, w), (8, 8)), 0, 1.5)
        out += (wear * 0.5 * baseline).astype(np.float32) * patchy
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
