"""Colour of skin, hair and cloth from the place on the body. Compiled by numba.

Places are those of the reference body at rest (metres, facing -y, left is +x), on which face and
garments lie where the constants say. Patterns are own inventions.
"""

from __future__ import annotations

from math import sin

import numpy as np
from numba import njit
from numpy.typing import NDArray

from rallymill.arena.world import Look

PATTERN_SIZE = 8
PLAIN, HOOPS, SIDES, SHOULDERS, CHEST_BAND, FADE = range(6)


def pattern_of(look: Look) -> NDArray[np.float64]:
    """What a person's garments and face carry: pattern (1), its colour (3), beard, stripe, seed."""
    tint = sum(w * c for w, c in zip((7, 11, 13, 17, 19, 23), look.shirt + look.skin, strict=True))
    seed = int(1e5 * abs(tint) + 1e4 * look.height_m)
    rng = np.random.default_rng(seed)
    out = np.zeros(PATTERN_SIZE)
    out[0] = rng.choice(6, p=[0.4, 0.12, 0.14, 0.12, 0.1, 0.12])
    base = look.shorts if rng.uniform() < 0.6 else (0.85, 0.85, 0.85)
    out[1:4] = base
    out[4] = 0.0 if look.woman else float(rng.choice([0.0, 0.25, 0.7], p=[0.5, 0.3, 0.2]))
    out[5] = float(rng.uniform() < 0.4)
    out[6] = float(rng.uniform(0, 6.28))
    return out


@njit(cache=True, fastmath=True, error_model="numpy")
def paint(kind, x, y, z, colours, pattern, fine, rgb):  # type: ignore[no-untyped-def]
    """Write the colour at a place to ``rgb`` (3,); returns how open its folds are, about 1.

    ``kind`` is the number of the material as in :data:`body_mesh.MATERIALS`; ``fine`` from 0 to 1
    says how much of folds and strands can be seen at the size of the body.
    """
    r, g, b = colours[kind, 0], colours[kind, 1], colours[kind, 2]
    relief = 1.0
    side = abs(x)
    if kind == 0:
        if z > 0.72 and y < -0.06 and side < 0.08:
            # Brows, lips, nostrils, beard.
            if 0.846 < z + 1.6 * (side - 0.03) ** 2 / 0.05 < 0.854 and 0.012 < side < 0.052:
                r += (colours[9, 0] - r) * 0.7
                g += (colours[9, 1] - g) * 0.7
                b += (colours[9, 2] - b) * 0.7
            mouth = (x / 0.025) ** 2 + ((z - 0.761) / 0.0085) ** 2
            if mouth < 1.0 and y < -0.10:
                dark = 0.5 if abs(z - 0.7615) < 0.0013 else 1.0
                r, g, b = r * 0.82 * dark, g * 0.60 * dark, b * 0.60 * dark
            elif pattern[4] > 0.0 and z < 0.786 and (z < 0.752 or mouth < 3.5 or side > 0.03):
                k = pattern[4]
                r += (colours[9, 0] - r) * k
                g += (colours[9, 1] - g) * k
                b += (colours[9, 2] - b) * k
            elif z < 0.80 and side > 0.028:
                r *= 1.03
        if z < 0.72:
            relief = 1.0 - 0.05 * fine * (0.5 + 0.5 * sin(60.0 * z + 30.0 * x + 40.0 * y))
    elif kind == 1:
        iris = (side - 0.031) ** 2 + (z - 0.836) ** 2
        if iris < 0.0058**2:
            dark = 0.1 if iris < 0.0026**2 else 0.35
            r, g, b = r * dark, g * dark * 0.8, b * dark * 0.6
    elif 2 <= kind <= 6:
        style = int(pattern[0])
        marked = False
        if kind == 2 or kind == 3:
            if style == 1:
                marked = sin(pattern[6] + z * 95.0) > 0.25
            elif style == 2:
                marked = kind == 2 and side > 0.105 + 0.05 * (z - 0.3)
            elif style == 3:
                marked = kind == 3 or z > 0.56 + 0.3 * side
            elif style == 4:
                marked = kind == 2 and 0.43 < z < 0.50
            if style == 5:
                k = min(max((0.62 - z) / 0.5, 0.0), 1.0)
                r += (pattern[1] - r) * k
                g += (pattern[2] - g) * k
                b += (pattern[3] - b) * k
        elif pattern[5] > 0.0 and (
            (kind == 6 and z < -0.055) or (kind != 6 and side > 0.145 and abs(y + 0.01) < 0.035)
        ):
            r, g, b = colours[2, 0], colours[2, 1], colours[2, 2]
        if marked:
            r, g, b = pattern[1], pattern[2], pattern[3]
        # Folds run down and slantwise.
        fold = sin(34.0 * x + 26.0 * y + 9.0 * sin(7.0 * z + pattern[6]) + 12.0 * z)
        fold += 0.7 * sin(21.0 * z - 30.0 * x + 6.0 * sin(13.0 * y + 9.0 * z))
        relief = 1.0 + fine * 0.16 * fold
        if kind == 2 and abs(y) < 0.3 and 0.07 < z < 0.12:
            relief -= 0.1 * fine
    elif kind == 8:
        if z < -0.796:
            r, g, b = 0.72, 0.72, 0.70
        elif y < -0.06 and side > 0.15 and side < 0.19 and z > -0.782:
            lace = sin(420.0 * y)
            if lace > 0.2 and fine > 0.3:
                r, g, b = 0.8, 0.8, 0.78
        elif y > -0.075 and y < -0.02 and z < -0.765:
            r, g, b = 0.5 * r + 0.35, 0.5 * g + 0.35, 0.5 * b + 0.35
    elif kind == 9 or kind == 10:
        strand = sin(160.0 * x + 25.0 * sin(20.0 * z)) * sin(90.0 * y + 60.0 * z)
        relief = 1.0 + 0.35 * fine * strand
        k = 1.0 + 0.4 * fine * strand
        r, g, b = r * k, g * k, b * k
    elif kind == 11:
        seam = abs(sin(3.0 * np.arctan2(x, y + 0.035)))
        if seam < 0.05 and z > 0.9 and fine > 0.5:
            relief = 0.8
    rgb[0], rgb[1], rgb[2] = r, g, b
    return max(relief, 0.2)
