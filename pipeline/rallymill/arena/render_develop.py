"""From linear light to the 8-bit picture that a camera hands on: lens, sensor, processing."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

Image = NDArray[np.float32]
Bytes = NDArray[np.uint8]


@dataclass(frozen=True)
class Processing:
    """What a camera does to the light.

    ``exposure`` multiplies the light, ``softness_px`` is the deviation of the blur, ``vignette``
    the loss in the corners, ``sharpening`` the strength of the halo, ``noise`` the deviation of
    the noise in the middle greys (of 255), ``saturation``, ``warmth`` and ``contrast`` the look.
    """

    exposure: float = 1.0
    softness_px: float = 0.55
    vignette: float = 0.12
    sharpening: float = 0.4
    noise: float = 1.2
    saturation: float = 1.0
    warmth: float = 0.0
    contrast: float = 1.0
    flicker: float = 0.0


def draw_processing(rng: np.random.Generator, tier: str) -> Processing:
    """Processing of a camera of a tier."""
    if tier == "broadcast":
        return Processing(
            float(rng.uniform(0.85, 1.15)), float(rng.uniform(0.4, 0.75)),
            float(rng.uniform(0.0, 0.2)), float(rng.uniform(0.2, 0.9)),
            float(rng.uniform(0.4, 2.0)), float(rng.uniform(0.85, 1.2)),
            float(rng.uniform(-0.05, 0.05)), float(rng.uniform(0.92, 1.12)),
        )
    hard = tier == "hostile"
    return Processing(
        float(rng.uniform(0.75, 1.25)), float(rng.uniform(0.5, 1.1 if hard else 0.85)),
        float(rng.uniform(0.05, 0.35)), float(rng.uniform(0.0, 1.3)),
        float(rng.uniform(1.5, 5.0 if hard else 3.5)), float(rng.uniform(0.7, 1.2)),
        float(rng.uniform(-0.1, 0.1)), float(rng.uniform(0.85, 1.2)),
    )


@njit(cache=True, fastmath=True)
def _tone(light, table, gains, vignette, saturation, out):  # type: ignore[no-untyped-def]
    """Exposure per colour, vignette, saturation and gamma by table; out is blue, green, red."""
    height, width, _ = light.shape
    zero, top = np.float32(0.0), np.float32(1.999)
    red, green, blue = np.float32(0.25), np.float32(0.65), np.float32(0.1)
    one, loss = np.float32(1.0), np.float32(vignette / 1.32)
    scale = np.float32(0.5 * (table.shape[0] - 1))
    for v in range(height):
        y = np.float32((v - 0.5 * height) / (0.5 * width))
        for u in range(width):
            x = np.float32((u - 0.5 * width) / (0.5 * width))
            k = one - loss * (x * x + y * y)
            r = light[v, u, 0] * gains[0] * k
            g = light[v, u, 1] * gains[1] * k
            b = light[v, u, 2] * gains[2] * k
            grey = red * r + green * g + blue * b
            r = grey + (r - grey) * saturation
            g = grey + (g - grey) * saturation
            b = grey + (b - grey) * saturation
            out[v, u, 0] = table[np.int32(min(max(b, zero), top) * scale)]
            out[v, u, 1] = table[np.int32(min(max(g, zero), top) * scale)]
            out[v, u, 2] = table[np.int32(min(max(r, zero), top) * scale)]


@njit(cache=True, fastmath=True)
def _finish(tone, soft, grain, ox, oy, sharpening, noise, out):  # type: ignore[no-untyped-def]
    height, width, _ = tone.shape
    gh, gw, _ = grain.shape
    for v in range(height):
        row = (v + oy) % gh
        column = ox
        for u in range(width):
            for c in range(3):
                x = tone[v, u, c]
                x += sharpening * (x - soft[v, u, c])
                x += noise * (1.4 - x * (0.8 / 255.0)) * grain[row, column, c]
                out[v, u, c] = np.uint8(min(max(x + 0.5, 0.0), 255.0))
            column += 1
            if column == gw:
                column = 0


@lru_cache(maxsize=1)
def _grain() -> Image:
    """A patch of noise of unit deviation, a little correlated like demosaiced noise."""
    rng = np.random.default_rng(5)
    raw = rng.standard_normal((611, 1031, 3)).astype(np.float32)
    common = rng.standard_normal((611, 1031, 1)).astype(np.float32)
    mixed = cv2.GaussianBlur(0.6 * raw + 0.8 * common, (0, 0), 0.55)
    return np.asarray(mixed / mixed.std(), dtype=np.float32)


@lru_cache(maxsize=32)
def _table(contrast: float) -> Image:
    """Tone curve from linear light 0 to 2 to 0 to 255, with a soft shoulder above 0.8."""
    x = np.linspace(0, 2, 4097)
    shoulder = np.where(x < 0.8, x, 0.8 + 0.2 * (1 - np.exp(-(x - 0.8) / 0.2)))
    y = shoulder ** (1 / 2.2)
    y = 0.5 + (y - 0.5) * contrast
    return np.asarray(np.clip(y, 0, 1) * 255, dtype=np.float32)


def develop(light: Image, how: Processing, seed: tuple[int, ...]) -> Bytes:
    """Picture (H, W, 3) uint8, blue, green, red, of linear light (H, W, 3), red, green, blue."""
    rng = np.random.default_rng([*seed, 75])
    blurred = cv2.GaussianBlur(light, (0, 0), how.softness_px) if how.softness_px > 0.2 else light
    exposure = how.exposure * (1 + how.flicker * float(rng.standard_normal()))
    gains = exposure * np.array([1 + how.warmth, 1.0, 1 - how.warmth])
    tone = np.empty_like(light)
    _tone(
        blurred, _table(round(how.contrast, 3)), gains.astype(np.float32), how.vignette,
        np.float32(how.saturation), tone,
    )
    soft = cv2.GaussianBlur(tone, (0, 0), 1.3) if how.sharpening > 0 else tone
    grain = _grain()
    out = np.empty(light.shape, dtype=np.uint8)
    _finish(
        tone, soft, grain, int(rng.integers(0, grain.shape[1])),
        int(rng.integers(0, grain.shape[0])), np.float32(how.sharpening), np.float32(how.noise),
        out,
    )
    return out
