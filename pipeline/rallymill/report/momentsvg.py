"""The moment of a contact as SVG: passing lines, bisector, distance from it, open space."""

from __future__ import annotations

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from rallymill.report.moment import Moment, Place
from rallymill.report.svg import Layout, element

Array = NDArray[np.float64]

LEAST_OFF_M = 0.25
"""Less than this off the bisector is no distance that a video shows; it is not drawn."""
TICK_PX = 5.0
PATTERN = "out-of-reach"


def hatching(identifier: str = PATTERN) -> Markup:
    """Pattern of the ground that is out of reach; once a page."""
    stripe = element("line", x1=0.0, x2=0.0, y1=0.0, y2=6.0, class_="reach-stripe")
    return element(
        "pattern", stripe, id=identifier, width=6.0, height=6.0, patternUnits="userSpaceOnUse",
        patternTransform="rotate(45)",
    )


def _at(layout: Layout, place: Place) -> tuple[float, float]:
    return layout.across(place[0]), layout.along(place[1])


def _line(layout: Layout, start: Place, end: Place, kind: str) -> Markup:
    (x1, y1), (x2, y2) = _at(layout, start), _at(layout, end)
    return element("line", x1=x1, y1=y1, x2=x2, y2=y2, class_=kind)


def outline(layout: Layout, corners_m: Array) -> str:
    """Path data of an outline in the plan."""
    points = [_at(layout, (float(x), float(y))) for x, y in corners_m]
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points) + "Z"


def draw(layout: Layout, moment: Moment, with_open: bool = True) -> Markup:
    """A group that holds the moment, in the units of the drawing's plan."""
    parts = []
    if with_open and moment.open_m:
        shape = "".join(outline(layout, corners) for corners in moment.open_m)
        parts.append(element("path", d=shape, class_="reach"))
    parts += [_line(layout, *line, "passing") for line in moment.passing]
    parts.append(_line(layout, *moment.bisector, "bisector"))
    parts.append(off(layout, moment))
    return element("g", Markup("").join(parts), class_="moment", data_shot=moment.shot_id)


def off(layout: Layout, moment: Moment, with_words: bool = True) -> Markup:
    """The distance from the bisector as a measure with ends; empty where it is too small."""
    if abs(moment.off_m) < LEAST_OFF_M:
        return Markup("")
    (x1, y), (x2, _) = _at(layout, moment.best), _at(layout, moment.waits)
    parts = [element("line", x1=x1, y1=y, x2=x2, y2=y, class_="measure")]
    parts += [
        element("line", x1=x, y1=y - TICK_PX, x2=x, y2=y + TICK_PX, class_="measure")
        for x in (x1, x2)
    ]
    if with_words:
        outward = 1.0 if moment.waits[1] < 0 else -1.0
        parts.append(element(
            "text", f"{abs(moment.off_m):.1f} m", x=(x1 + x2) / 2, y=y + outward * 20 + 4,
            class_="measured halo", text_anchor="middle",
        ))
    return Markup("").join(parts)
