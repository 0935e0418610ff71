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
    size = table.shape[0] - 1
    for v in range(height):
        y = (v - 0.5 * height) / (0.5 * width)
        for u in range(width):
            x = (u - 0.5 * width) / (0.5 * width)
            k = 1.0 - vignette * (x * x + y * y) / 1.32
            r = light[v, u, 0] * gains[0] * k
            g = light[v, u, 1] * gains[1] * k
            b = light[v, u, 2] * gains[2] * k
            grey = 0.25 * r + 0.65 * g + 0.1 * b
            r = grey + (r - grey) * saturation
            g = grey + (g - grey) * saturation
            b = grey + (b - grey) * saturation
            out[v, u, 0] = table[int(min(max(b, 0.0), 1.999) * 0.5 * size)]
            out[v, u, 1] = table[int(min(max(g, 0.0), 1.999) * 0.5 * size)]
            out[v, u, 2] = table[int(min(max(r, 0.0), 1.999) * 0.5 * size)]


@njit(cache=True, fastmath=True)
def _finish(tone, soft, grain, ox, oy, sharpening, noise, out):  # type: ignore[no-untyped-def]
    height, width, _ = tone.shape
    gh, gw, _ = grain.shape
    for v in range(height):
        for u in range(width):
            for c in range(3):
                x = tone[v, u, c]
                x += sharpening * (x - soft[v, u, c])
                level = min(max(x / 255.0, 0.0), 1.0)
                spread = noise * (0.6 + 0.8 * (1.0 - level))
                x += spread * grain[(v + oy) % gh, (u + ox) % gw, c]
                out[v, u, c] = int(min(max(x + 0.5, 0.0), 255.0))


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
    _tone(blurred, _table(round(how.contrast, 3)), gains, how.vignette, how.saturation, tone)
    soft = cv2.GaussianBlur(tone, (0, 0), 1.3) if how.sharpening > 0 else tone
    grain = _grain()
    out = np.empty(light.shape, dtype=np.uint8)
    _finish(
        tone, soft, grain, int(rng.integers(0, grain.shape[1])),
        int(rng.integers(0, grain.shape[0])), how.sharpening, how.noise, out,
    )
    return out
