"""Small plots with intervals: a whisker for one value, a line of values over time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from rallymill.report.svg import element

WIDTH, HEIGHT = 200.0, 18.0
TREND_WIDTH, TREND_HEIGHT = 300.0, 96.0
TREND_LEFT, TREND_RIGHT, TREND_TOP, TREND_BOTTOM = 34.0, 8.0, 8.0, 22.0


def whisker(
    low: float, value: float, high: float, axis: tuple[float, float], kind: str = "",
    zero: float | None = None,
) -> Markup:
    """A value with its interval on an axis; hidden from readers, since words say the same."""

    def at(number: float) -> float:
        inside = min(max(number, axis[0]), axis[1])
        return 4 + (WIDTH - 8) * (inside - axis[0]) / (axis[1] - axis[0])

    middle = HEIGHT / 2
    parts = [element(
        "line", x1=4.0, x2=WIDTH - 4, y1=middle, y2=middle, class_="axis-line",
    )]
    ends = [axis[0], axis[1]] if zero is None else [zero]
    parts += [
        element("line", x1=at(end), x2=at(end), y1=middle - 5, y2=middle + 5, class_="axis-line")
        for end in ends
    ]
    parts += [
        element("rect", x=at(low), y=middle - 3.5, width=max(at(high) - at(low), 1.5), height=7.0,
                rx=3.5, class_=f"band {kind}".strip()),
        element("circle", cx=at(value), cy=middle, r=4.5, class_=f"dot-value {kind}".strip()),
    ]
    return element(
        "svg", Markup("").join(parts), class_="whisker", aria_hidden="true", focusable="false",
        viewBox=f"0 0 {WIDTH:.0f} {HEIGHT:.0f}", xmlns="http://www.w3.org/2000/svg",
    )


@dataclass(frozen=True)
class Moment:
    """A value of a trend with its interval; ``label`` says when."""

    at: float
    value: float
    low: float
    high: float
    label: str


def trend(moments: Sequence[Moment], identifier: str, title: str, said: str) -> Markup:
    """Shares over time, 0 to 100 %, each with its interval; drawn to one scale for all."""
    first, last = moments[0].at, moments[-1].at
    room = TREND_WIDTH - TREND_LEFT - TREND_RIGHT

    def x(moment: Moment) -> float:
        if last == first:
            return TREND_LEFT + room / 2
        return TREND_LEFT + 6 + (room - 12) * (moment.at - first) / (last - first)

    def y(value: float) -> float:
        return TREND_TOP + (TREND_HEIGHT - TREND_TOP - TREND_BOTTOM) * (1 - value)

    parts = [element("title", title, id=f"{identifier}-t"),
             element("desc", said, id=f"{identifier}-d")]
    for value in (0.0, 0.5, 1.0):
        parts.append(element(
            "line", x1=TREND_LEFT, x2=TREND_WIDTH - TREND_RIGHT, y1=y(value), y2=y(value),
            class_="guide" if value == 0.5 else "axis-line",
        ))
        parts.append(element(
            "text", f"{100 * value:.0f}", x=TREND_LEFT - 6, y=y(value) + 4, class_="small",
            text_anchor="end",
        ))
    for moment in moments:
        parts.append(element(
            "line", element("title", moment.label), x1=x(moment), x2=x(moment), y1=y(moment.low),
            y2=y(moment.high), class_="reach-line",
        ))
    if len(moments) > 1:
        points = " ".join(f"{x(moment):.1f},{y(moment.value):.1f}" for moment in moments)
        parts.append(element("polyline", points=points, class_="trend-line", fill="none"))
    for moment in moments:
        parts.append(element(
            "circle", element("title", moment.label), cx=x(moment), cy=y(moment.value), r=3.2,
            class_="trend-dot",
        ))
    return element(
        "svg", Markup("").join(parts), class_="trend", role="img",
        viewBox=f"0 0 {TREND_WIDTH:.0f} {TREND_HEIGHT:.0f}",
        aria_labelledby=f"{identifier}-t {identifier}-d", xmlns="http://www.w3.org/2000/svg",
    )
