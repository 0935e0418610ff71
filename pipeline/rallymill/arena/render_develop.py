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
    ``flicker`` is the deviation of the exposure from picture to picture, ``drift`` how far it
    wanders within ``drift_s`` seconds. The halo reaches ``halo_px``; ``black`` lifts the darkest
    level (0 to 1), as in film of the wrong range; ``denoise`` from 0 to 1 is how much of the
    picture is replaced by a median, as telephones do.
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
    drift: float = 0.0
    drift_s: float = 20.0
    halo_px: float = 1.3
    black: float = 0.0
    denoise: float = 0.0


def draw_processing(rng: np.random.Generator, tier: str) -> Processing:
    """Processing of a camera of a tier."""

    def between(low: float, high: float) -> float:
        return float(rng.uniform(low, high))

    if tier in ("easy", "broadcast"):
        easy = tier == "easy"
        return Processing(
            between(0.85, 1.15), between(0.35, 0.75), between(0.0, 0.2),
            between(0.2, 0.6 if easy else 1.1), between(0.3, 1.0 if easy else 2.2),
            between(0.85, 1.2), between(-0.05, 0.05), between(0.92, 1.12), 0.0,
            0.0 if easy else between(0.0, 0.06), between(8.0, 30.0), between(0.8, 2.0),
            0.0 if easy or rng.random() < 0.9 else between(0.03, 0.07),
        )
    hard = tier == "hostile"
    return Processing(
        between(0.7 if hard else 0.75, 1.35 if hard else 1.25),
        between(0.4, 1.1 if hard else 0.9), between(0.05, 0.35),
        between(0.0, 2.2 if hard else 1.6), between(1.0, 6.0 if hard else 3.5),
        between(0.6, 1.25), between(-0.1, 0.1), between(0.8, 1.25),
        between(0.0, 0.012) if rng.random() < 0.3 else 0.0, between(0.0, 0.15),
        between(4.0, 25.0), between(0.8, 2.6),
        between(0.02, 0.09) if rng.random() < 0.15 else 0.0,
        between(0.2, 0.7) if rng.random() < (0.25 if hard else 0.15) else 0.0,
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
def _table(contrast: float, black: float) -> Image:
    """Tone curve from linear light 0 to 2 to 0 to 255, with a soft shoulder above 0.8."""
    x = np.linspace(0, 2, 4097)
    shoulder = np.where(x < 0.8, x, 0.8 + 0.2 * (1 - np.exp(-(x - 0.8) / 0.2)))
    y = shoulder ** (1 / 2.2)
    y = 0.5 + (y - 0.5) * contrast
    y = black + (1 - black) * np.clip(y, 0, 1)
    return np.asarray(y * 255, dtype=np.float32)


def develop(light: Image, how: Processing, seed: tuple[int, ...], t_s: float = 0.0) -> Bytes:
    """Picture (H, W, 3) uint8, blue, green, red, of linear light (H, W, 3), red, green, blue.

    ``seed`` decides the noise of this picture; ``t_s`` where the drifting exposure stands.
    """
    rng = np.random.default_rng([*seed, 75])
    blurred = light
    if how.softness_px > 0.2:
        # A kernel of five holds all but a few thousandths up to a deviation of 0.75.
        size = 5 if how.softness_px <= 0.75 else 0
        blurred = np.asarray(cv2.GaussianBlur(light, (size, size), how.softness_px), np.float32)
    exposure = how.exposure * (1 + how.flicker * float(rng.standard_normal()))
    if how.drift > 0.0:
        exposure *= 1 + how.drift * float(np.sin(2 * np.pi * t_s / how.drift_s + seed[0]))
    gains = exposure * np.array([1 + how.warmth, 1.0, 1 - how.warmth])
    tone = np.empty_like(light)
    _tone(
        blurred, _table(round(how.contrast, 3), round(how.black, 3)), gains.astype(np.float32),
        how.vignette, np.float32(how.saturation), tone,
    )
    soft: Image | Bytes = tone
    if how.sharpening > 0:
        # Whole levels will do for what is blurred, and are blurred four times as fast.
        levels = cv2.convertScaleAbs(tone)
        soft = np.asarray(cv2.GaussianBlur(levels, (0, 0), how.halo_px), dtype=np.uint8)
    grain = _grain()
    out = np.empty(light.shape, dtype=np.uint8)
    _finish(
        tone, soft, grain, int(rng.integers(0, grain.shape[1])),
        int(rng.integers(0, grain.shape[0])), np.float32(how.sharpening), np.float32(how.noise),
        out,
    )
    if how.denoise > 0.0:
        smooth = cv2.medianBlur(out, 3)
        return np.asarray(cv2.addWeighted(smooth, how.denoise, out, 1 - how.denoise, 0.0), np.uint8)
    return out
