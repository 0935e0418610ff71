"""The line that matters, drawn into the film: what a flag speaks of, on the ground of the court."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from rallymill.report import overlay
from rallymill.report.moment import Moment, Place
from rallymill.report.raster import write

Array = NDArray[np.float64]
Image = NDArray[np.uint8]

BEFORE_S, AFTER_S = 0.5, 1.0
"""How long before and after the contact that it is about a line is shown."""
INK: overlay.Colour = (255, 255, 255)
SHADE: overlay.Colour = (35, 25, 15)
KINDS: dict[str, overlay.Colour] = {
    "fault": (220, 133, 255), "credit": (74, 217, 180), "note": (215, 205, 195),
}
STEPS = 24
LEAST_OFF_M = 0.25


@dataclass(frozen=True)
class Remark:
    """A flag as the film shows it: when, its letter and title, and the moment that it is about."""

    at_s: float
    kind: str
    letter: str
    title: str
    moment: Moment | None
    waits: bool
    space: bool

    def shown(self, t_s: float) -> bool:
        """Whether the film shows it at a time."""
        return self.at_s - BEFORE_S <= t_s <= self.at_s + AFTER_S


def draw(image: Image, row: dict[str, Any], remarks: Sequence[Remark], t_s: float) -> Image:
    """The frame (H, W, 3) BGR with what the remarks speak of at this time; drawn in place."""
    shown = [remark for remark in remarks if remark.shown(t_s)]
    if not shown:
        return image
    scale = image.shape[1] / float(row.get("width_px") or image.shape[1])
    project = overlay.projector(row, scale)
    stroke = max(2, round(image.shape[0] / 300))
    if project is not None:
        for remark in shown:
            _moment(image, project, remark, stroke)
    _captions(image, shown)
    return image


def _moment(
    image: Image, project: overlay.Projector, remark: Remark, stroke: int
) -> None:
    moment = remark.moment
    if moment is None:
        return
    if remark.space and moment.open_m:
        shade = image.copy()
        for outline in moment.open_m:
            corners = project(np.column_stack([outline, np.zeros(len(outline))]))
            if np.isfinite(corners).all():
                cv2.fillPoly(shade, [_fixed(corners)], KINDS[remark.kind], cv2.LINE_AA, 4)
        cv2.addWeighted(shade, 0.35, image, 0.65, 0, dst=image)
    if not remark.waits:
        return
    for line in moment.passing:
        _line(image, project, *line, INK, max(stroke - 1, 1), dash=True)
    _line(image, project, *moment.bisector, INK, stroke)
    if abs(moment.off_m) >= LEAST_OFF_M:
        _line(image, project, moment.best, moment.waits, KINDS[remark.kind], stroke + 2)
        middle = project(np.array([[
            (moment.best[0] + moment.waits[0]) / 2, moment.waits[1], 0.0
        ]]))[0]
        if np.isfinite(middle).all():
            size = image.shape[0] / 26
            place = (float(middle[0]), float(middle[1] + 1.3 * size))
            _text(image, f"{abs(moment.off_m):.1f} m", place, size, KINDS[remark.kind], "middle")


def _fixed(points: Array) -> NDArray[np.int32]:
    return np.round(np.clip(points, -1e4, 1e4) * 16).astype(np.int32)


def _line(
    image: Image, project: overlay.Projector, start: Place, end: Place, colour: overlay.Colour,
    stroke: int, dash: bool = False,
) -> None:
    """A straight line on the ground, with a dark edge so that it is seen on any surface."""
    shares = np.linspace(0, 1, STEPS + 1)[:, None]
    ground = np.array(start) + shares * (np.array(end) - np.array(start))
    points = project(np.column_stack([ground, np.zeros(len(ground))]))
    for shade, width in ((SHADE, stroke + 2), (colour, stroke)):
        for k in range(0, STEPS, 2 if dash else 1):
            piece = points[k : k + 2]
            if np.isfinite(piece).all():
                cv2.polylines(image, [_fixed(piece)], False, shade, width, cv2.LINE_AA, 4)


def _text(
    image: Image, words: str, place: tuple[float, float], size: float, colour: overlay.Colour,
    anchor: str = "start",
) -> None:
    for dx, dy in ((-1, 0), (1, 0), (0, -1), (0, 1)):
        write(image, words, (place[0] + dx, place[1] + dy), size, SHADE, anchor, bold=True)
    write(image, words, place, size, colour, anchor, bold=True)


def _captions(image: Image, shown: Sequence[Remark]) -> None:
    """What is looked at, in words at the top left; without names, since films are passed on."""
    size = max(image.shape[0] / 28, 11.0)
    for line, remark in enumerate(shown[:3]):
        words = f"{remark.letter}  {remark.title}"
        y = (line + 1) * 1.7 * size + 0.3 * size
        _text(image, words, (0.8 * size, y), size, KINDS[remark.kind])
