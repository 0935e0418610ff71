"""The plan and profile of a point as SVG.

Plan: the court from above, true to scale, the far side on top. Profile: beside it, at the same
scale and the same places along the court, the height of the ball to the right. A horizontal line
through a contact in the plan meets the same contact in the profile.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from markupsafe import Markup, escape
from numpy.typing import NDArray

from rallymill import court
from rallymill.report.scene import MARK_M, TAG_M, Bounce, Contact, Feet, Mark, Path, Scene

Array = NDArray[np.float64]

SCALE_PX_PER_M = 20.0
GAP_M = 1.1
HEAD_PX = 18.0
"""Strip over plan and profile for the name of the far side."""
FOOT_PX = 35.0
"""Strip under them for the name of the near side and the scale of heights."""


def element(name: str, content: str = "", **attributes: object) -> Markup:
    """An SVG element; ``_`` in attribute names becomes ``-``, a trailing one is dropped.

    Words are escaped unless they are markup already.
    """
    parts = [
        f' {key.rstrip("_").replace("_", "-")}="{_short(value)}"'
        for key, value in attributes.items() if value is not None
    ]
    head = f"<{name}{''.join(parts)}"
    return Markup(f"{head}>{escape(content)}</{name}>" if content else f"{head}/>")


def _short(value: object) -> str:
    """A number to a tenth of a unit, words escaped."""
    if isinstance(value, float):
        return f"{value:.1f}".removesuffix(".0")
    return str(value) if isinstance(value, int) else str(escape(value))


def _points(points: Array) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in points)


@dataclass(frozen=True)
class Layout:
    """Where metres land in the drawing."""

    scene: Scene

    @property
    def plan_width(self) -> float:
        """Width of the plan."""
        return 2 * self.scene.half_width_m * SCALE_PX_PER_M

    @property
    def height(self) -> float:
        """Height of plan and profile."""
        return (self.scene.far_m - self.scene.near_m) * SCALE_PX_PER_M

    @property
    def profile_left(self) -> float:
        """Place of the ground in the profile."""
        return self.plan_width + GAP_M * SCALE_PX_PER_M

    @property
    def width(self) -> float:
        """Width of the whole drawing."""
        return self.profile_left + (self.scene.height_m + 0.4) * SCALE_PX_PER_M

    def across(self, x_m: float) -> float:
        """Drawing x of a place across the court."""
        return (x_m + self.scene.half_width_m) * SCALE_PX_PER_M

    def along(self, y_m: float) -> float:
        """Drawing y of a place along the court."""
        return (self.scene.far_m - y_m) * SCALE_PX_PER_M

    def up(self, z_m: float) -> float:
        """Drawing x of a height in the profile."""
        return self.profile_left + z_m * SCALE_PX_PER_M

    def plan(self, points_m: Array) -> Array:
        """Drawing points (N, 2) in the plan of points (N, 3)."""
        return np.column_stack([
            (points_m[:, 0] + self.scene.half_width_m) * SCALE_PX_PER_M,
            (self.scene.far_m - points_m[:, 1]) * SCALE_PX_PER_M,
        ])

    def profile(self, points_m: Array) -> Array:
        """Drawing points (N, 2) in the profile of points (N, 3)."""
        return np.column_stack([
            self.profile_left + points_m[:, 2] * SCALE_PX_PER_M,
            (self.scene.far_m - points_m[:, 1]) * SCALE_PX_PER_M,
        ])


def draw(
    scene: Scene, identifier: str, title: str, description: str,
    under: Sequence[Markup] = (), over: Sequence[Markup] = (),
) -> Markup:
    """The drawing of a scene; ``title`` and ``description`` say in words what it shows.

    ``identifier`` must be unique in the page. Groups carry ``data-shot`` with the stroke's number
    in the match. ``under`` is drawn on the court and below the ball's ways, ``over`` on top of all.
    """
    layout = Layout(scene)
    height = HEAD_PX + layout.height + FOOT_PX
    body = [
        element("title", title, id=f"{identifier}-title"),
        element("desc", description, id=f"{identifier}-desc"),
        element(
            "clipPath", _rect(0, 0, layout.plan_width, layout.height), id=f"{identifier}-plan"
        ),
        element(
            "clipPath",
            _rect(
                layout.profile_left, 0, layout.width - layout.profile_left, layout.height
            ),
            id=f"{identifier}-profile",
        ),
        _ground(layout), _profile_ground(layout),
        _group(list(under), clip_path=f"url(#{identifier}-plan)"),
        _group(_balls(layout, identifier), class_="balls"),
        _group([_feet(layout, feet) for feet in scene.feet], class_="stands"),
        _group([_bounce(layout, bounce) for bounce in scene.bounces]),
        _group([_contact(layout, contact) for contact in scene.contacts]),
        _group([_mark(layout, mark) for mark in scene.marks]),
        *over,
    ]
    return element(
        "svg", Markup("").join(body), class_="drawing", role="img",
        viewBox=f"0 {-HEAD_PX:.0f} {layout.width:.0f} {height:.0f}",
        aria_labelledby=f"{identifier}-title {identifier}-desc",
        xmlns="http://www.w3.org/2000/svg",
    )


def _group(parts: list[Markup], **attributes: Any) -> Markup:
    return element("g", Markup("").join(parts), **attributes) if parts else Markup("")


def _rect(x: float, y: float, width: float, height: float, **attributes: Any) -> Markup:
    return element(
        "rect", x=float(x), y=float(y), width=float(width), height=float(height), **attributes
    )


def _text(words: str, x: float, y: float, **attributes: Any) -> Markup:
    return element("text", words, x=float(x), y=float(y), **attributes)


def _ground(layout: Layout) -> Markup:
    """Surround, court, lines and net of the plan."""
    left, top = layout.across(-court.HALF_DOUBLES_M), layout.along(court.HALF_LENGTH_M)
    parts = [
        _rect(0, 0, layout.plan_width, layout.height, rx=8.0, class_="surround"),
        _rect(
            left, top, court.DOUBLES_WIDTH_M * SCALE_PX_PER_M, court.LENGTH_M * SCALE_PX_PER_M,
            class_="court",
        ),
    ]
    for line in court.lines():
        corners = layout.plan(line.corners())
        low, high = corners.min(0), corners.max(0)
        # Painted lines are 5 to 10 cm wide, too fine to see at this scale without a floor.
        spread = np.maximum(1.3 - (high - low), 0) / 2
        low, size = low - spread, high - low + 2 * spread
        parts.append(_rect(*low, *size, class_="line"))
    post = court.DOUBLES_POST_X_M
    parts += [
        element(
            "line", x1=layout.across(-post), x2=layout.across(post), y1=layout.along(0.0),
            y2=layout.along(0.0), class_="net",
        ),
        _text("far side", 2, -6, class_="small"),
        _text("near side, by the camera", 2, layout.height + 15, class_="small"),
    ]
    return _group(parts)


def _profile_ground(layout: Layout) -> Markup:
    """Ground, net and scale of heights of the profile."""
    right = layout.up(layout.scene.height_m)
    parts = [
        _rect(
            layout.profile_left, 0, right - layout.profile_left, layout.height, class_="air"
        )
    ]
    for y_m in (-court.HALF_LENGTH_M, -court.SERVICE_LINE_M, court.SERVICE_LINE_M,
                court.HALF_LENGTH_M):
        y = layout.along(y_m)
        parts.append(
            element("line", x1=layout.profile_left, x2=right, y1=y, y2=y, class_="guide")
        )
    foot = layout.height
    for metre in range(int(layout.scene.height_m) + 1):
        x = layout.up(float(metre))
        if metre:
            parts.append(element("line", x1=x, x2=x, y1=0.0, y2=foot, class_="guide"))
        parts.append(_text(str(metre), x, foot + 14, class_="small", text_anchor="middle"))
    parts += [
        element(
            "line", x1=layout.profile_left, x2=layout.profile_left, y1=0.0, y2=foot,
            class_="earth",
        ),
        element(
            "line", x1=layout.profile_left, x2=layout.up(court.NET_CENTRE_M),
            y1=layout.along(0.0), y2=layout.along(0.0), class_="net",
        ),
        _text(
            "height, m", (layout.profile_left + right) / 2, foot + 28, class_="small",
            text_anchor="middle",
        ),
    ]
    return _group(parts)


def _balls(layout: Layout, identifier: str) -> list[Markup]:
    slots = {contact.shot_id: contact.slot for contact in layout.scene.contacts}
    plan = []
    profile = []
    for path in layout.scene.paths:
        kind = f"ball {slots.get(path.shot_id, 'a')}{' after' if path.after_bounce else ''}"
        timed = np.isfinite(path.start_s) and np.isfinite(path.end_s)
        parts = [element(
            "polyline", points=_points(layout.plan(path.points_m)), class_=kind, fill="none",
            data_from=f"{path.start_s:.3f}" if timed else None,
            data_to=f"{path.end_s:.3f}" if timed else None,
        )]
        if not path.after_bounce:
            corners = arrow_corners(layout, path)
            if corners is not None:
                slot = slots.get(path.shot_id, "a")
                parts.append(
                    element("polygon", points=_points(corners), class_=f"arrow {slot}")
                )
        plan.append(_group(parts, data_shot=path.shot_id))
        flown = path.points_m[np.isfinite(path.points_m[:, 2])]
        if len(flown) > 1:
            profile.append(_group([element(
                "polyline", points=_points(layout.profile(flown)), class_=kind, fill="none"
            )], data_shot=path.shot_id))
    return [
        _group(plan, clip_path=f"url(#{identifier}-plan)"),
        _group(profile, clip_path=f"url(#{identifier}-profile)"),
    ]


def arrow_corners(layout: Layout, path: Path) -> Array | None:
    """Head of an arrow (4, 2) at 60 % of the way in the plan, in the direction of flight.

    None where the way is too short for one.
    """
    points = layout.plan(path.points_m)
    walked = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    if walked[-1] < 30:
        return None
    at = 0.6 * walked[-1]
    tip = np.array([np.interp(at + 5, walked, points[:, i]) for i in (0, 1)])
    tail = np.array([np.interp(at - 5, walked, points[:, i]) for i in (0, 1)])
    along = (tip - tail) / np.hypot(*(tip - tail))
    side = np.array([-along[1], along[0]])
    return np.array([tip, tail + 4.5 * side, tail + 2.5 * along, tail - 4.5 * side])


def _feet(layout: Layout, feet: Feet) -> Markup:
    """A circle for slot a, a square for slot b; hollow for the player who waits."""
    x, y = layout.across(feet.x_m), layout.along(feet.y_m)
    radius = 5.5 if feet.hitter else 6.5
    kind = f"stand {feet.slot}{'' if feet.hitter else ' waits'}"
    if feet.slot == "a":
        shape = element("circle", cx=x, cy=y, r=radius, class_=kind)
    else:
        half = radius * 0.9
        shape = _rect(x - half, y - half, 2 * half, 2 * half, class_=kind)
    parts = [shape]
    if not feet.hitter:
        parts.append(
            _text(str(feet.number), x, y + 3.2, class_="tiny", text_anchor="middle")
        )
    return _group(parts, data_shot=feet.shot_id)


def _bounce(layout: Layout, bounce: Bounce) -> Markup:
    """A full diamond for in, a cross for out, a hollow diamond where that is not known."""
    x, y = layout.across(bounce.x_m), layout.along(bounce.y_m)
    r = 5.0
    if bounce.in_court is False:
        shape = element(
            "path", d=f"M{x - r:.1f} {y - r:.1f}l{2 * r} {2 * r}m0 {-2 * r}l{-2 * r} {2 * r}",
            class_="bounce out",
        )
    else:
        known = "in" if bounce.in_court else "unsure"
        shape = element(
            "path", d=f"M{x:.1f} {y - r:.1f}l{r} {r}l{-r} {r}l{-r} {-r}z",
            class_=f"bounce {known} {bounce.slot}",
        )
    number = _text(str(bounce.number), x + 8, y + 4, class_="tiny halo")
    return _group([shape, number], data_shot=bounce.shot_id, data_bounce=bounce.number)


def _contact(layout: Layout, contact: Contact) -> Markup:
    x, y = layout.across(contact.x_m), layout.along(contact.y_m)
    tag_x, tag_y = layout.across(contact.tag_x_m), layout.along(contact.tag_y_m)
    parts = []
    if np.hypot(tag_x - x, tag_y - y) > 1:
        parts.append(element("line", x1=x, y1=y, x2=tag_x, y2=tag_y, class_="leash"))
    parts.append(element("circle", cx=x, cy=y, r=2.6, class_=f"dot {contact.slot}"))
    radius = TAG_M * SCALE_PX_PER_M
    if contact.slot == "a":
        parts.append(element("circle", cx=tag_x, cy=tag_y, r=radius, class_="tag a"))
    else:
        half = radius * 0.9
        parts.append(
            _rect(tag_x - half, tag_y - half, 2 * half, 2 * half, rx=2.0, class_="tag b")
        )
    number = str(contact.number)
    parts.append(_text(number, tag_x, tag_y + 4.6, class_="number", text_anchor="middle"))
    if contact.z_m is not None:
        up = layout.up(contact.z_m)
        parts.append(element("circle", cx=up, cy=y, r=3.2, class_=f"dot {contact.slot}"))
        parts.append(_text(number, up + 6, y + 3.6, class_="tiny halo"))
    return _group(parts, data_shot=contact.shot_id, data_contact=number)


def symbol_corners(kind: str, x: float, y: float, radius: float) -> Array:
    """Corners (N, 2) of a flag mark: a triangle for a fault, a star for a credit, else a square."""
    if kind == "fault":
        angles = np.radians([-90, 30, 150])
        reach = np.full(3, 1.25 * radius)
    elif kind == "credit":
        angles = np.radians(-90 + 36 * np.arange(10))
        reach = np.where(np.arange(10) % 2 == 0, 1.3, 0.72) * radius
    else:
        angles = np.radians([-135, -45, 45, 135])
        reach = np.full(4, 1.15 * radius)
    return np.column_stack([x + reach * np.cos(angles), y + reach * np.sin(angles)])


def symbol(kind: str, letter: str, x: float, y: float, radius: float) -> Markup:
    """Flag mark with its letter; see :func:`symbol_corners`."""
    corners = symbol_corners(kind, x, y, radius)
    return element("polygon", points=_points(corners), class_=f"flag {kind}") + _text(
        letter, x, y + 0.38 * radius, class_="letter", text_anchor="middle"
    )


def _mark(layout: Layout, mark: Mark) -> Markup:
    parts = symbol(
        mark.kind, mark.letter, layout.across(mark.x_m), layout.along(mark.y_m),
        MARK_M * SCALE_PX_PER_M,
    )
    return _group([parts], data_shot=mark.shot_id, data_flag=mark.flag_id)


def symbol_alone(kind: str, letter: str = "") -> Markup:
    """A flag mark as a small drawing of its own, for lists and tables; hidden from readers."""
    return element(
        "svg", symbol(kind, letter, 12.0, 12.5, 8.5), class_="symbol", viewBox="0 0 24 24",
        aria_hidden="true", focusable="false", xmlns="http://www.w3.org/2000/svg",
    )
