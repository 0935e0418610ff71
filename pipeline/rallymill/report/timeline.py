"""The recording as one bar: what each span shows, where the points are, where flags were raised."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from rallymill.report import words
from rallymill.report.content import Played
from rallymill.report.svg import element

Rows = Sequence[Mapping[str, Any]]

WIDTH = 1000.0
BOTTOM = 55.0
GREATEST_PERCENT = 97.0
STEPS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600)
GREATEST_TICKS = 10


def tick_step_s(duration_s: float) -> int:
    """Round step between time labels that gives ten of them or fewer."""
    for step in STEPS_S:
        if duration_s / step <= GREATEST_TICKS:
            return step
    return STEPS_S[-1] * (1 + int(duration_s // (GREATEST_TICKS * STEPS_S[-1])))


@dataclass(frozen=True)
class Tick:
    """A time label: the second, and its place in per cent of the bar."""

    second: int
    percent: float


@dataclass(frozen=True)
class Timeline:
    """The bar as SVG, which stretches with the page, and the labels under it, which do not."""

    bar: Markup
    ticks: tuple[Tick, ...]


def draw(
    views: Rows, points: Sequence[Played], flags: Rows, duration_s: float, summary: str
) -> Timeline | None:
    """The bar; ``summary`` says in words what it shows. Points link to their section.

    None for a recording without length.
    """
    if duration_s <= 0:
        return None

    def at(seconds: float) -> float:
        return min(max(seconds / duration_s, 0.0), 1.0) * WIDTH

    parts = [
        element("title", summary, id="timeline-title"),
        element("pattern", element("rect", width=7.0, height=7.0, class_="hatched") + element(
            "line", x1=1.0, x2=1.0, y1=0.0, y2=7.0, class_="hatch",
        ), id="apart", width=7.0, height=7.0, patternUnits="userSpaceOnUse",
            patternTransform="rotate(45)"),
        element("rect", x=0.0, y=22.0, width=WIDTH, height=22.0, class_="span none"),
    ]
    for view in views:
        left, right = at(view["start_s"]), at(view["end_s"])
        tip = f"{words.clock(view['start_s'])}: {words.label(view['label'], words.VIEWS)}"
        parts.append(element(
            "rect", element("title", tip), x=left, y=22.0, width=max(right - left, 0.5),
            height=22.0, class_=f"span {view['label']}",
        ))
    for point in points:
        left, right = at(point.rows[0]["start_s"]), at(point.row["end_s"])
        name = f"point {point.number} at {words.clock(point.rows[0]['start_s'])}"
        parts.append(element(
            "rect", element("title", name), x=left, y=16.0, width=max(right - left, 3.0),
            height=34.0, rx=2.0, class_="rally",
        ))
    for flag in flags:
        if flag["kind"] == "note":
            continue
        x = at((flag["clip_start_s"] + flag["clip_end_s"]) / 2)
        shape = f"{x - 4:.1f},4 {x + 4:.1f},4 {x:.1f},12"
        if flag["kind"] == "credit":
            shape = f"{x:.1f},3 {x + 5:.1f},8 {x:.1f},13 {x - 5:.1f},8"
        parts.append(element("polygon", points=shape, class_=f"flag {flag['kind']}"))
    marks = []
    for second in range(0, int(duration_s) + 1, tick_step_s(duration_s)):
        x = at(second)
        parts.append(element(
            "line", x1=x, x2=x, y1=50.0, y2=BOTTOM, class_="tick",
            vector_effect="non-scaling-stroke",
        ))
        marks.append(Tick(second, 100 * x / WIDTH))
    bar = element(
        "svg", Markup("").join(parts), class_="timeline", role="img",
        viewBox=f"0 0 {WIDTH:.0f} {BOTTOM:.0f}", preserveAspectRatio="none",
        aria_labelledby="timeline-title", xmlns="http://www.w3.org/2000/svg",
    )
    # A label at the very end would run out of the page.
    return Timeline(bar, tuple(tick for tick in marks if tick.percent < GREATEST_PERCENT))
