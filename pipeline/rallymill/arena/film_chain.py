"""What happens to a picture between the lens and the file, drawn broadly for training.

A chain says how large the film is, how fast, how long the shutter is open, how the sensor is read,
how fields were made into frames and how often and how hard it was compressed. Shares of sizes and
codecs are common practice, no source; compression reaches from clean to starved in every tier, and
small, starved films are most of the hostile tier.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

Size = tuple[int, int]

FIELDS = ("progressive", "bob", "blend", "weave", "comb")
"""How a film came by its frames.

progressive: shot whole. bob: a frame of every field, the missing rows filled in. blend: both
fields of a frame averaged. weave: the rows of both fields interleaved, never deinterlaced. comb:
woven where a deinterlacer saw no motion, filled in elsewhere.
"""
CODECS = ("h264", "h265")
RATES_FPS = (24.0, 25.0, 29.97, 30.0, 50.0, 59.94, 60.0)
SIZES: tuple[Size, ...] = (
    (640, 360), (768, 432), (854, 480), (960, 540), (1280, 720), (1920, 1080),
)
_SIZE_ODDS = {
    "easy": (0.02, 0.03, 0.10, 0.15, 0.55, 0.15),
    "broadcast": (0.08, 0.07, 0.15, 0.15, 0.43, 0.12),
    "club": (0.08, 0.07, 0.15, 0.15, 0.43, 0.12),
    "hostile": (0.27, 0.14, 0.35, 0.10, 0.11, 0.03),
}
_CRF = {"easy": (16, 26), "broadcast": (18, 36), "club": (19, 37), "hostile": (23, 36)}
_STARVED = {"easy": 0.0, "broadcast": 0.15, "club": 0.15, "hostile": 0.25}
_FIELD_ODDS = {"easy": 0.0, "broadcast": 0.12, "club": 0.08, "hostile": 0.2}
_UPRIGHT_ODDS = {"easy": 0.0, "broadcast": 0.04, "club": 0.04, "hostile": 0.04}

SHAKE_RAD = {"easy": 0.0, "broadcast": 0.0004, "club": 0.0006, "hostile": 0.0012}
"""How far the main camera of a tier trembles at most."""
BREATHING = {"easy": 0.0, "broadcast": 0.002, "club": 0.0, "hostile": 0.004}
"""How far its focal length wanders at most, a share of it."""


@dataclass(frozen=True)
class Coding:
    """One pass through a codec.

    ``crf`` is the quality; ``bits_per_pixel`` bounds the rate where it is not None (with a buffer
    of half a second, so that even the first picture is starved). ``chroma`` is the pixel format.
    """

    codec: str = "h264"
    crf: int = 22
    bits_per_pixel: float | None = None
    preset: str = "veryfast"
    chroma: str = "yuv420p"
    keyframe_every: int = 250

    @property
    def starved(self) -> bool:
        """Whether the rate is bounded."""
        return self.bits_per_pixel is not None


@dataclass(frozen=True)
class Chain:
    """What a training picture went through.

    ``size`` is that of the film; ``master`` that of the picture which was shot and scaled to it
    (the same where it was not scaled). ``readout_s`` is the time in which a rolling shutter reads
    all rows. ``upright`` is None, ``window`` (a 9:16 cut-out of a wide film that follows play) or
    ``phone`` (a telephone held upright). ``step`` counts frames to the neighbours that the
    detector looks at, ``lead`` frames before them that the codec has seen.
    """

    size: Size
    master: Size
    rate: float
    shutter_s: float
    fields: str
    readout_s: float
    upright: str | None
    codings: tuple[Coding, ...]
    step: int
    lead: int


def _coding(rng: np.random.Generator, tier: str) -> Coding:
    low, high = _CRF[tier]
    modern = rng.random() < 0.3
    bits = None
    if rng.random() < _STARVED[tier]:
        # 0.02 bits a pixel are 115 kb/s at 640 x 360 and 460 kb/s at 1280 x 720, 25 a second.
        bits = float(np.exp(rng.uniform(np.log(0.02), np.log(0.12))))
        high = low + 6
    presets = ("ultrafast", "superfast") if modern else ("ultrafast", "veryfast", "faster")
    return Coding(
        "h265" if modern else "h264", int(rng.integers(low, high + 1)), bits,
        str(rng.choice(presets)), "yuv420p" if rng.random() < 0.93 else "yuv422p",
        int(rng.choice([3, 5, 12, 250])),
    )


def draw_chain(rng: np.random.Generator, tier: str) -> Chain:
    """Chain of a training picture of a tier."""
    size = SIZES[int(rng.choice(len(SIZES), p=_SIZE_ODDS[tier]))]
    rate = float(rng.choice(RATES_FPS))
    longest = 0.95 / rate
    low = 1 / 400 if tier == "hostile" else 1 / 1000
    shutter = float(np.exp(rng.uniform(np.log(low), np.log(longest))))
    fields = "progressive"
    if rng.random() < _FIELD_ODDS[tier]:
        fields = str(rng.choice(FIELDS[1:]))
        # Fields come 50 or 60 times a second.
        rates = (50.0, 59.94) if fields == "bob" else (25.0, 29.97)
        rate = float(rng.choice(rates))
        shutter = min(shutter, (0.9 if fields == "bob" else 0.45) / rate)
    readout = 0.0
    if fields == "progressive" and rng.random() < 0.6:
        most = {"easy": 0.004, "broadcast": 0.008}.get(tier, 0.02)
        readout = float(min(rng.uniform(0.0, most), 0.9 / rate))
    master = size
    if fields == "progressive" and rng.random() < (0.2 if tier == "hostile" else 0.08):
        # A small film that was blown up before it was coded again.
        master = SIZES[max(SIZES.index(size) - int(rng.integers(1, 3)), 0)]
    codings = [_coding(rng, tier)]
    if tier != "easy" and rng.random() < 0.2:
        codings.insert(0, Coding("h264", int(rng.integers(18, 30)), None, "veryfast"))
    upright = None
    if rng.random() < _UPRIGHT_ODDS[tier]:
        upright = "window" if rng.random() < 0.7 else "phone"
        tall = (404, 720) if rng.random() < 0.6 else (608, 1080)
        size = master = tall
    step = max(1, round(0.036 * rate)) if rng.random() < 0.85 else 1
    return Chain(
        size, master, rate, shutter, fields, readout, upright, tuple(codings), step,
        int(rng.integers(0, 3)),
    )
