"""The plan and profile of a point as pixels: the same scene and layout as the SVG of the page."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from rallymill import court
from rallymill.report.moment import Moment, Place
from rallymill.report.momentsvg import LEAST_OFF_M
from rallymill.report.scene import MARK_M, TAG_M, Bounce, Contact, Feet, Mark, Scene
from rallymill.report.svg import (
    FOOT_PX,
    HEAD_PX,
    SCALE_PX_PER_M,
    Layout,
    arrow_corners,
    symbol_corners,
)

Array = NDArray[np.float64]
Image = NDArray[np.uint8]
Colour = tuple[int, int, int]

SHIFT = 4
# The light colours of the page, as blue, green, red.
PAPER: Colour = (255, 255, 255)
INK: Colour = (43, 33, 23)
SOFT: Colour = (103, 93, 82)
SURROUND: Colour = (211, 216, 205)
GROUND: Colour = (230, 234, 226)
LINE: Colour = (111, 117, 95)
AIR: Colour = (241, 241, 238)
SLOTS: dict[str, Colour] = {"a": (166, 80, 20), "b": (0, 76, 160)}
KINDS: dict[str, Colour] = {
    "fault": (127, 8, 160), "credit": (0, 107, 74), "note": (71, 64, 58),
}


class Canvas:
    """A picture to draw on in the units of a :class:`Layout`, enlarged by ``factor``."""

    def __init__(self, width: float, height: float, factor: float, top: float = 0.0) -> None:
        size = (max(round(height * factor), 1), max(round(width * factor), 1), 3)
        self.image: Image = np.full(size, PAPER, dtype=np.uint8)
        self.factor = factor
        self.top = top

    def _fixed(self, points: Array) -> NDArray[np.int32]:
        moved = (np.asarray(points, dtype=float) + [0.0, self.top]) * self.factor - 0.5
        return np.round(np.clip(moved, -9e3, 9e3) * 2**SHIFT).astype(np.int32)

    def _width(self, width: float) -> int:
        return max(round(0.8 * width * self.factor), 1)

    def fill(self, corners: Array, colour: Colour) -> None:
        """A filled polygon."""
        cv2.fillPoly(self.image, [self._fixed(corners)], colour, cv2.LINE_AA, SHIFT)

    def box(self, x: float, y: float, width: float, height: float, colour: Colour) -> None:
        """A filled upright rectangle."""
        self.fill(np.array([[x, y], [x + width, y], [x + width, y + height], [x, y + height]]),
                  colour)

    def line(self, points: Array, colour: Colour, width: float, dash: bool = False) -> None:
        """A line through points; dashed by leaving out every other piece of even length."""
        if dash:
            for piece in _dashes(np.asarray(points, dtype=float), 3.0):
                self.line(piece, colour, width)
            return
        fixed = self._fixed(points)
        cv2.polylines(
            self.image, [fixed], False, colour, self._width(width), cv2.LINE_AA, SHIFT
        )

    def disc(
        self, x: float, y: float, radius: float, fill: Colour, edge: Colour, width: float
    ) -> None:
        """A disc with an edge."""
        centre = tuple(int(v) for v in self._fixed(np.array([[x, y]]))[0])
        for r, colour in ((radius + width / 2, edge), (radius - width / 2, fill)):
            scaled = round(max(r, 0.1) * self.factor * 2**SHIFT)
            cv2.circle(self.image, centre, scaled, colour, -1, cv2.LINE_AA, SHIFT)

    def square(
        self, x: float, y: float, half: float, fill: Colour, edge: Colour, width: float
    ) -> None:
        """A square with an edge."""
        for h, colour in ((half + width / 2, edge), (half - width / 2, fill)):
            self.box(x - h, y - h, 2 * h, 2 * h, colour)

    def text(
        self, words: str, x: float, y: float, size: float, colour: Colour, anchor: str = "start",
        bold: bool = False,
    ) -> None:
        """Words on a baseline; ``anchor`` is start or middle."""
        place = self._fixed(np.array([[x, y]]))[0] / 2**SHIFT
        write(self.image, words, place, size * self.factor, colour, anchor, bold)


def write(
    image: Image, words: str, place: Sequence[float] | Array, size: float, colour: Colour,
    anchor: str = "start", bold: bool = False,
) -> None:
    """Write words on an image; ``place`` is the start or the middle of the baseline."""
    face: Any = cv2.FontFace("sans")
    height, weight = max(round(size * 0.95), 4), 700 if bold else 400
    _, _, width, _ = cv2.getTextSize((0, 0), words, (0, 0), face, height, weight)
    left = place[0] - width / 2 if anchor == "middle" else place[0]
    cv2.putText(image, words, (round(left), round(place[1])), colour, face, height, weight)


def _dashes(points: Array, length: float) -> list[Array]:
    """Every other piece of a line, each of ``length``."""
    walked = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    pieces = []
    for start in np.arange(0, walked[-1], 2 * length):
        at = np.array([start, min(start + length, walked[-1])])
        pieces.append(np.column_stack([np.interp(at, walked, points[:, i]) for i in (0, 1)]))
    return pieces


def draw(scene: Scene, height_px: int, moment: Moment | None = None) -> Image:
    """Plan and profile of a scene, (H, W, 3) BGR with H = ``height_px``, on white.

    ``moment`` adds the passing lines, the bisector and the distance from it at one contact.
    """
    layout = Layout(scene)
    height = HEAD_PX + layout.height + FOOT_PX
    canvas = Canvas(layout.width, height, height_px / height, HEAD_PX)
    _ground(canvas, layout)
    _profile_ground(canvas, layout)
    _balls(canvas, layout)
    if moment is not None:
        _moment(canvas, layout, moment)
    for feet in scene.feet:
        _feet(canvas, layout, feet)
    for bounce in scene.bounces:
        _bounce(canvas, layout, bounce)
    for contact in scene.contacts:
        _contact(canvas, layout, contact)
    for mark in scene.marks:
        _mark(canvas, layout, mark)
    return canvas.image


def _ground(canvas: Canvas, layout: Layout) -> None:
    canvas.box(0, 0, layout.plan_width, layout.height, SURROUND)
    canvas.box(
        layout.across(-court.HALF_DOUBLES_M), layout.along(court.HALF_LENGTH_M),
        court.DOUBLES_WIDTH_M * SCALE_PX_PER_M, court.LENGTH_M * SCALE_PX_PER_M, GROUND,
    )
    for line in court.lines():
        canvas.line(layout.plan(line.ends()), LINE, 1.3)
    x = court.DOUBLES_POST_X_M
    canvas.line(layout.plan(np.array([[-x, 0, 0], [x, 0, 0]])), INK, 3.2)
    canvas.text("far side", 2, -6, 12, SOFT)
    canvas.text("near side, by the camera", 2, layout.height + 15, 12, SOFT)


def _profile_ground(canvas: Canvas, layout: Layout) -> None:
    left, right = layout.profile_left, layout.up(layout.scene.height_m)
    canvas.box(left, 0, right - left, layout.height, AIR)
    for y_m in (-court.HALF_LENGTH_M, -court.SERVICE_LINE_M, court.SERVICE_LINE_M,
                court.HALF_LENGTH_M):
        y = layout.along(y_m)
        canvas.line(np.array([[left, y], [right, y]]), LINE, 0.5, dash=True)
    for metre in range(int(layout.scene.height_m) + 1):
        x = layout.up(float(metre))
        if metre:
            canvas.line(np.array([[x, 0.0], [x, layout.height]]), LINE, 0.5, dash=True)
        canvas.text(str(metre), x, layout.height + 14, 12, SOFT, "middle")
    canvas.line(np.array([[left, 0.0], [left, layout.height]]), INK, 1.6)
    y = layout.along(0.0)
    canvas.line(np.array([[left, y], [layout.up(court.NET_CENTRE_M), y]]), INK, 3.2)
    canvas.text("height, m", (left + right) / 2, layout.height + 28, 12, SOFT, "middle")


def _balls(canvas: Canvas, layout: Layout) -> None:
    slots = {contact.shot_id: contact.slot for contact in layout.scene.contacts}
    for path in layout.scene.paths:
        colour = SLOTS[slots.get(path.shot_id, "a")]
        width = 1.3 if path.after_bounce else 2.1
        plan = layout.plan(path.points_m)
        if len(inner := _within(plan, 0.0, layout.plan_width, layout.height)) > 1:
            canvas.line(inner, colour, width, dash=path.after_bounce)
        arrow = None if path.after_bounce else arrow_corners(layout, path)
        if arrow is not None:
            canvas.fill(arrow, colour)
        flown = layout.profile(path.points_m[np.isfinite(path.points_m[:, 2])])
        inner = _within(flown, layout.profile_left, layout.width, layout.height)
        if len(inner) > 1:
            canvas.line(inner, colour, width, dash=path.after_bounce)


def _moment(canvas: Canvas, layout: Layout, moment: Moment) -> None:
    def at(*places: Place) -> Array:
        return layout.plan(np.array([(*place, 0.0) for place in places]))

    for line in moment.passing:
        ends = at(*line)
        inside = _within(
            ends[0] + np.linspace(0, 1, 60)[:, None] * (ends[1] - ends[0]), 0.0,
            layout.plan_width, layout.height,
        )
        canvas.line(inside, INK, 1.3, dash=True)
    canvas.line(at(*moment.bisector), INK, 1.8)
    if abs(moment.off_m) < LEAST_OFF_M:
        return
    ends = at(moment.best, moment.waits)
    canvas.line(ends, KINDS["fault"], 3.4)
    x, y = ends.mean(axis=0)
    outward = 1.0 if moment.waits[1] < 0 else -1.0
    canvas.text(f"{abs(moment.off_m):.1f} m", x, y + 20 * outward + 4, 14, KINDS["fault"],
                "middle", bold=True)


def _within(points: Array, left: float, right: float, bottom: float) -> Array:
    """Points (M, 2) of a way that lie in a panel; flights leave one only at their ends."""
    x, y = points[:, 0], points[:, 1]
    return points[(x >= left) & (x <= right) & (y >= 0) & (y <= bottom)]


def _feet(canvas: Canvas, layout: Layout, feet: Feet) -> None:
    x, y, colour = layout.across(feet.x_m), layout.along(feet.y_m), SLOTS[feet.slot]
    radius = 5.5 if feet.hitter else 6.5
    fill = colour if feet.hitter else GROUND
    if feet.slot == "a":
        canvas.disc(x, y, radius, fill, colour, 1.3)
    else:
        canvas.square(x, y, 0.9 * radius, fill, colour, 1.3)
    if not feet.hitter:
        canvas.text(str(feet.number), x, y + 3.2, 9, INK, "middle", bold=True)


def _bounce(canvas: Canvas, layout: Layout, bounce: Bounce) -> None:
    x, y, r = layout.across(bounce.x_m), layout.along(bounce.y_m), 5.0
    colour = SLOTS[bounce.slot]
    diamond = np.array([[x, y - r], [x + r, y], [x, y + r], [x - r, y]])
    if bounce.in_court is False:
        for turn in (1, -1):
            canvas.line(np.array([[x - r, y - turn * r], [x + r, y + turn * r]]),
                        KINDS["fault"], 2.8)
    else:
        canvas.fill(diamond, colour if bounce.in_court else GROUND)
        canvas.line(np.vstack([diamond, diamond[:1]]), colour, 1.6)
    canvas.text(str(bounce.number), x + 8, y + 4, 9, INK, bold=True)


def _contact(canvas: Canvas, layout: Layout, contact: Contact) -> None:
    x, y, colour = layout.across(contact.x_m), layout.along(contact.y_m), SLOTS[contact.slot]
    tag_x, tag_y = layout.across(contact.tag_x_m), layout.along(contact.tag_y_m)
    canvas.line(np.array([[x, y], [tag_x, tag_y]]), SOFT, 0.8)
    canvas.disc(x, y, 2.6, colour, colour, 0.1)
    radius = TAG_M * SCALE_PX_PER_M
    if contact.slot == "a":
        canvas.disc(tag_x, tag_y, radius, PAPER, colour, 1.8)
    else:
        canvas.square(tag_x, tag_y, 0.9 * radius, PAPER, colour, 1.8)
    number = str(contact.number)
    canvas.text(number, tag_x, tag_y + 4.6, 13, INK, "middle", bold=True)
    if contact.z_m is not None:
        up = layout.up(contact.z_m)
        canvas.disc(up, y, 3.2, colour, colour, 0.1)
        canvas.text(number, up + 6, y + 3.6, 9, INK, bold=True)


def _mark(canvas: Canvas, layout: Layout, mark: Mark) -> None:
    x, y = layout.across(mark.x_m), layout.along(mark.y_m)
    radius = MARK_M * SCALE_PX_PER_M
    canvas.fill(symbol_corners(mark.kind, x, y, radius), KINDS[mark.kind])
    canvas.text(mark.letter, x, y + 0.38 * radius, 10, PAPER, "middle", bold=True)
