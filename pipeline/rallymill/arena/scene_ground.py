"""What lies on the ground beside the court's own lines: other sports' lines, shadows' edges.

Lines are rectangles (x low, x high, y low, y high, opacity, red, green, blue), metres and linear
colours, along the axes of the court.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rallymill.arena.scene_light import hsv
from rallymill.arena.world import Colour

Array = NDArray[np.float64]
Line = tuple[float, float, float, float, float, float, float, float]
Bar = tuple[float, float, float, float, float]

# Half sizes in metres: a court for paddles of 20 x 44 ft, juniors' courts of 36 ft and of 60 ft.
_PADDLE = (3.05, 6.705, 2.13)
_JUNIOR = (3.0, 5.485)
_SIXTY = (4.115, 9.0)


def _frame(x: float, y: float, width: float) -> list[tuple[float, float, float, float]]:
    h = width / 2
    return [
        (-x - h, -x + h, -y, y), (x - h, x + h, -y, y),
        (-x, x, -y - h, -y + h), (-x, x, y - h, y + h),
    ]


def other_lines(rng: np.random.Generator) -> tuple[Line, ...]:
    """Lines of one or two other sports on a court that is shared."""
    found: list[Line] = []
    names = ["paddle", "junior", "sixty", "hall"]
    kinds = rng.choice(names, int(rng.integers(1, 3)), replace=False)
    for kind in kinds:
        width = float(rng.choice([0.04, 0.05, 0.05]))
        h = width / 2
        if kind == "paddle":
            x, y, kitchen = _PADDLE
            rows = _frame(x, y, width)
            for sign in (-1.0, 1.0):
                rows.append((-x, x, sign * kitchen - h, sign * kitchen + h))
                low, high = sorted((sign * kitchen, sign * y))
                rows.append((-h, h, low, high))
        elif kind == "hall":
            # A ball-sport hall: its touch lines and middle line run across.
            x, y = float(rng.uniform(7.0, 8.2)), float(rng.uniform(13.5, 16.0))
            rows = _frame(x, y, width)
            rows += [(-x, x, s * float(y - 6.0) - h, s * float(y - 6.0) + h) for s in (-1.0, 1.0)]
        else:
            rows = _frame(*(_JUNIOR if kind == "junior" else _SIXTY), width)
        colour: Colour = hsv(
            float(rng.choice([0.0, 0.07, 0.14, 0.3, 0.55, 0.62])), float(rng.uniform(0.3, 0.9)),
            float(rng.uniform(0.35, 0.95)),
        )
        if rng.random() < 0.2:
            colour = (0.75, 0.75, 0.75)
        opacity = float(rng.uniform(0.35, 0.95))
        found += [(*row, opacity, *colour) for row in rows]
    return tuple(found)


def shadow_bar(rng: np.random.Generator, sun: tuple[float, float, float]) -> Bar:
    """Shadow of a mast, or of a row of posts or beams: normal, offset, half width, period.

    The shadow of what is upright lies along the sun's azimuth; a period of 0 means one alone.
    """
    azimuth = float(np.arctan2(sun[1], sun[0]))
    if rng.random() < 0.3:
        # Roof beams and rails run any way.
        azimuth = float(rng.uniform(0, np.pi))
    single = rng.random() < 0.55
    half = float(rng.uniform(0.06, 0.35) if single else rng.uniform(0.04, 0.3))
    period = 0.0 if single else float(rng.uniform(1.2, 6.0))
    return (
        float(-np.sin(azimuth)), float(np.cos(azimuth)), float(rng.uniform(-7, 7)), half, period
    )
