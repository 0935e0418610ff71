"""How people look: kit, skin, build and handedness drawn from a seed.

``split`` keeps worlds for training, validation and testing apart: the hues of kit are cut into
twelve sectors, of which training draws from the even ones, validation and testing each from half of
the odd ones. White, black and grey belong to all; white shoes and caps, which look most like a
ball, are the commonest.
"""

from __future__ import annotations

import colorsys
from typing import Literal

import numpy as np

from rallymill.arena.world import Colour, Look

Split = Literal["any", "train", "validation", "test"]
HUE_SECTORS = 12
SECTORS: dict[str, tuple[int, ...]] = {
    "train": (0, 2, 4, 6, 8, 10), "validation": (1, 5, 9), "test": (3, 7, 11),
}

_WHITE: Colour = (0.85, 0.85, 0.85)
_SKIN: tuple[Colour, ...] = (
    (0.80, 0.56, 0.43),
    (0.70, 0.45, 0.32),
    (0.55, 0.33, 0.21),
    (0.38, 0.21, 0.13),
    (0.22, 0.12, 0.08),
    (0.12, 0.065, 0.045),
)
_HAIR: tuple[Colour, ...] = (
    (0.02, 0.015, 0.012),
    (0.07, 0.04, 0.025),
    (0.20, 0.11, 0.05),
    (0.45, 0.30, 0.12),
    (0.30, 0.09, 0.03),
)


def hue_sector(hue: float) -> int:
    """Sector (0 to 11) of a hue from 0 to 1."""
    return int(hue * HUE_SECTORS) % HUE_SECTORS


def draw_hue(rng: np.random.Generator, split: Split) -> float:
    """Hue from 0 to 1 that belongs to a split."""
    if split == "any":
        return float(rng.uniform())
    sector = int(rng.choice(SECTORS[split]))
    return (sector + float(rng.uniform(0.02, 0.98))) / HUE_SECTORS


def draw_kit(rng: np.random.Generator, split: Split) -> Colour:
    """Colour of a garment: white, black or grey one time in three, otherwise a hue of the split."""
    if rng.uniform() < 0.33:
        grey = float(rng.choice([0.02, 0.05, 0.3, 0.75, 0.9]))
        return (grey, grey, grey)
    red, green, blue = colorsys.hsv_to_rgb(
        draw_hue(rng, split), float(rng.uniform(0.45, 1.0)), float(rng.uniform(0.08, 0.9))
    )
    return (red, green, blue)


def _draw_skin(rng: np.random.Generator) -> Colour:
    place = float(rng.uniform(0, len(_SKIN) - 1))
    low = int(place)
    share = place - low
    a, b = _SKIN[low], _SKIN[min(low + 1, len(_SKIN) - 1)]
    return (
        a[0] + share * (b[0] - a[0]),
        a[1] + share * (b[1] - a[1]),
        a[2] + share * (b[2] - a[2]),
    )


def _draw_cap(rng: np.random.Generator, split: Split) -> Colour | None:
    if rng.uniform() >= 0.4:
        return None
    return _WHITE if rng.uniform() < 0.5 else draw_kit(rng, split)


def draw_player_look(
    rng: np.random.Generator, split: Split = "any", woman: bool | None = None
) -> Look:
    """Look of a player. Statures 1.86 m (men) and 1.74 m (women): common practice, no source."""
    if woman is None:
        woman = bool(rng.uniform() < 0.5)
    mean, spread = (1.74, 0.055) if woman else (1.86, 0.065)
    height = float(np.clip(rng.normal(mean, spread), 1.60, 2.05))
    return Look(
        height_m=height,
        build=float(np.clip(rng.normal(1.0, 0.07), 0.85, 1.2)),
        right_handed=bool(rng.uniform() < 0.87),
        two_handed_backhand=bool(rng.uniform() < (0.95 if woman else 0.8)),
        woman=woman,
        shirt=draw_kit(rng, split),
        shorts=draw_kit(rng, split),
        shoes=_WHITE if rng.uniform() < 0.5 else draw_kit(rng, split),
        skin=_draw_skin(rng),
        hair=_HAIR[int(rng.integers(len(_HAIR)))],
        cap=_draw_cap(rng, split),
        skirt=bool(woman and rng.uniform() < 0.6),
        racket=draw_kit(rng, split),
    )


def draw_official_look(
    rng: np.random.Generator, shirt: Colour, shorts: Colour, child: bool = False
) -> Look:
    """Look of a line judge, ball kid or umpire in a uniform; carries no racket."""
    height = float(rng.uniform(1.45, 1.7) if child else rng.uniform(1.6, 1.9))
    return Look(
        height_m=height,
        build=float(np.clip(rng.normal(1.0 if child else 1.1, 0.1), 0.85, 1.35)),
        woman=bool(rng.uniform() < 0.5),
        shirt=shirt,
        shorts=shorts,
        shoes=(0.7, 0.7, 0.7),
        skin=_draw_skin(rng),
        hair=_HAIR[int(rng.integers(len(_HAIR)))],
        cap=shirt if rng.uniform() < 0.4 else None,
        racket=None,
    )
