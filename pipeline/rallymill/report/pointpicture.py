"""A frame with the numbered points of the court, and a plan that says which number is where."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from rallymill import court, courtpoints
from rallymill.camera import Camera

Array = NDArray[np.float64]
Picture = NDArray[Any]

PANEL_PX = 330
RULER_PX = 100
PAPER, INK, MARK, LINE = (250, 250, 250), (40, 40, 40), (30, 30, 220), (255, 220, 90)
FONT = cv2.FONT_HERSHEY_SIMPLEX


def draw(image: Picture, camera: Camera | None, caption: str) -> Picture:
    """Frame (H, W, 3) BGR with the court that a camera sees, rulers, and the plan under it.

    Without a camera only rulers and the plan are drawn. The frame keeps its size, so that its
    pixels can be read off in any viewer.
    """
    height, width = image.shape[:2]
    out = np.full((height + PANEL_PX, width, 3), PAPER, np.uint8)
    out[:height] = image
    frame = out[:height]
    if camera is not None:
        _court(frame, camera)
        _points(frame, camera)
    _rulers(frame)
    _plan(out[height:], caption)
    return out


def _text(image: Picture, text: str, at: tuple[int, int], size: float, colour: Any) -> None:
    cv2.putText(image, text, at, FONT, size, (0, 0, 0), 3, cv2.LINE_AA)
    cv2.putText(image, text, at, FONT, size, colour, 1, cv2.LINE_AA)


def _court(frame: Picture, camera: Camera) -> None:
    shares = np.linspace(0, 1, 41)[:, None]
    edges = []
    for line in court.lines():
        start, end = line.ends()
        edges.append(start + shares * (end - start))
    x = np.linspace(-court.DOUBLES_POST_X_M, court.DOUBLES_POST_X_M, 41)
    edges.append(np.stack([x, 0 * x, court.net_height_m(x)], 1))
    for points in edges:
        seen = camera.project(points)
        seen = seen[np.isfinite(seen).all(1)]
        if len(seen) > 1:
            drawn = np.clip(np.round(seen * 16), -(2**20), 2**20).astype(np.int32)
            cv2.polylines(frame, [drawn], False, LINE, 1, cv2.LINE_AA, 4)


def _points(frame: Picture, camera: Camera) -> None:
    height, width = frame.shape[:2]
    known = court.named_points()
    for number, name in enumerate(courtpoints.NAMES, 1):
        u, v = camera.project(known[name])
        if not (0 <= u < width and 0 <= v < height):
            continue
        at = (round(float(u)), round(float(v)))
        cv2.drawMarker(frame, at, MARK, cv2.MARKER_CROSS, 9, 1, cv2.LINE_AA)
        _text(frame, str(number), (min(at[0] + 5, width - 24), max(at[1] - 5, 14)), 0.45,
              (255, 255, 255))


def _rulers(frame: Picture) -> None:
    height, width = frame.shape[:2]
    for u in range(RULER_PX, width, RULER_PX):
        cv2.line(frame, (u, 0), (u, 8), (255, 255, 255), 1)
        _text(frame, str(u), (u - 14, 22), 0.4, (255, 255, 255))
    for v in range(RULER_PX, height, RULER_PX):
        cv2.line(frame, (0, v), (8, v), (255, 255, 255), 1)
        _text(frame, str(v), (11, v + 4), 0.4, (255, 255, 255))


def _plan(panel: Picture, caption: str) -> None:
    """The court from above, far side up, with all numbers, and the names beside it."""
    cv2.putText(panel, caption, (12, 22), FONT, 0.5, INK, 1, cv2.LINE_AA)
    scale = (PANEL_PX - 60) / (court.LENGTH_M + 1.0)
    middle = np.array([100.0, 36 + (PANEL_PX - 44) / 2])

    def at(x_m: float, y_m: float) -> tuple[int, int]:
        place = middle + np.array([x_m, -y_m]) * scale
        return round(float(place[0])), round(float(place[1]))

    for line in court.lines():
        cv2.line(panel, at(line.x1_m, line.y1_m), at(line.x2_m, line.y2_m), INK, 1, cv2.LINE_AA)
    post = court.DOUBLES_POST_X_M
    cv2.line(panel, at(-post, 0), at(post, 0), MARK, 1, cv2.LINE_AA)
    columns = max(1, (panel.shape[1] - 210) // 270)
    rows = -(-len(courtpoints.NAMES) // columns)
    for number, (name, place) in enumerate(court.named_points().items(), 1):
        u, v = at(place[0], place[1])
        cv2.circle(panel, (u, v), 2, MARK, -1, cv2.LINE_AA)
        aside = 4 if place[0] >= 0 else -20
        cv2.putText(panel, str(number), (u + aside, v - 3), FONT, 0.38, INK, 1, cv2.LINE_AA)
        column, row = divmod(number - 1, rows)
        cv2.putText(
            panel, f"{number:2d}  {name}", (210 + 270 * column, 48 + 17 * row), FONT, 0.42, INK, 1,
            cv2.LINE_AA,
        )
