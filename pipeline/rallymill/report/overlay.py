"""What was found, drawn over a frame: the court, the players' feet, the way of the ball."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from rallymill import court
from rallymill.camera import from_matrix
from rallymill.report.words import is_missing

Array = NDArray[np.float64]
Image = NDArray[np.uint8]
Colour = tuple[int, int, int]

# Blue, green, red. Two tones for the players that stay apart for the colour-blind.
LINE: Colour = (255, 240, 120)
NET: Colour = (230, 200, 255)
SLOTS: dict[str, Colour] = {"a": (220, 140, 30), "b": (30, 160, 245)}
BALL: Colour = (60, 255, 240)
RING_M = 0.55
TRAIL_S = 0.6
LOST = "lost"


def draw(
    image: Image,
    frame_row: Mapping[str, Any],
    tracks_rows: Sequence[Mapping[str, Any]],
    slot_of: Mapping[str, str] | None = None,
    trail_s: float = TRAIL_S,
) -> Image:
    """A copy of a frame (H, W, 3), BGR, with what was found drawn over it.

    ``frame_row`` is the frame's row of ``frames``; without a camera only image points are drawn.
    ``tracks_rows`` are rows of ``tracks`` of this frame and, for the trail, of earlier ones;
    ``slot_of`` gives the colour slot of a side. The picture may be smaller than the frame was.
    """
    out = image.copy()
    width = frame_row.get("width_px") or image.shape[1]
    scale = image.shape[1] / float(width)
    project = projector(frame_row, scale)
    slots = {"near": "a", "far": "b"} | dict(slot_of or {})
    stroke = max(1, round(image.shape[0] / 540))
    if project is not None:
        _court(out, project, stroke)
    frame = frame_row.get("frame")
    for row in tracks_rows:
        if row["frame"] == frame and row["role"] in slots:
            _ring(out, project, row, SLOTS[slots[row["role"]]], scale, stroke + 1)
    _trail(out, [row for row in tracks_rows if row["role"] == "ball"], frame_row, scale, trail_s)
    return out


def resized(points_px: Array, scale: float) -> Array:
    """Image points (..., 2) in a picture of another size; pixel centres are whole numbers."""
    return (points_px + 0.5) * scale - 0.5


class Projector:
    """From metres to pixels of the picture at hand; NaN behind the camera."""

    def __init__(self, frame_row: Mapping[str, Any], scale: float) -> None:
        k1 = frame_row.get("k1")
        self._camera = from_matrix(
            frame_row["camera"], int(frame_row["width_px"]), int(frame_row["height_px"]),
            0.0 if is_missing(k1) else float(k1),  # type: ignore[arg-type]
        )
        self._scale = scale

    def __call__(self, points_m: Array) -> Array:
        """Image points (N, 2) of points (N, 3)."""
        return resized(self._camera.project(points_m), self._scale)


def projector(frame_row: Mapping[str, Any], scale: float = 1.0) -> Projector | None:
    """Projection of a frame, None where the court is lost."""
    if frame_row.get("camera") is None or frame_row.get("court_status") == LOST:
        return None
    try:
        return Projector(frame_row, scale)
    except ValueError:
        return None


def _polyline(image: Image, points: Array, colour: Colour, width: int, closed: bool) -> None:
    """A line through image points; pieces with points behind the camera are left out."""
    fixed = np.where(np.isfinite(points), points, -1e5)
    whole = np.round(np.clip(fixed, -3e4, 3e4) * 16).astype(np.int32)
    ok = np.asarray(np.isfinite(points).all(axis=1))
    n = len(points)
    for i in range(n if closed else n - 1):
        j = (i + 1) % n
        if ok[i] and ok[j]:
            cv2.line(
                image, tuple(map(int, whole[i])), tuple(map(int, whole[j])), colour, width,
                cv2.LINE_AA, 4,
            )


def _court(image: Image, project: Projector, stroke: int) -> None:
    """Outer edges of all lines, and the top of the net."""
    shade = image.copy()
    for line in court.lines():
        corners = line.corners()
        steps = np.linspace(0, 1, 9)[:, None]
        edge = np.concatenate([
            corners[i] + steps[:-1] * (corners[(i + 1) % 4] - corners[i]) for i in range(4)
        ])
        _polyline(shade, project(edge), LINE, stroke, closed=True)
    x = np.linspace(-court.DOUBLES_POST_X_M, court.DOUBLES_POST_X_M, 21)
    top = np.column_stack([x, np.zeros_like(x), court.net_height_m(x)])
    _polyline(shade, project(top), NET, stroke, closed=False)
    posts = np.array([[top[0], [x[0], 0, 0]], [top[-1], [x[-1], 0, 0]]])
    for post in posts:
        _polyline(shade, project(post), NET, stroke, closed=False)
    cv2.addWeighted(shade, 0.85, image, 0.15, 0, dst=image)


def _ring(
    image: Image, project: Projector | None, row: Mapping[str, Any], colour: Colour, scale: float,
    stroke: int,
) -> None:
    """A ring on the ground about a player's feet; dashed where the place is bridged."""
    x, y = row["x_m"], row["y_m"]
    if project is not None and not is_missing(x) and not is_missing(y):
        angles = np.linspace(0, 2 * np.pi, 33)
        ring = np.column_stack([
            x + RING_M * np.cos(angles), y + RING_M * np.sin(angles), np.zeros(33)
        ])
        points = project(ring)
        if row["observed"]:
            _polyline(image, points, colour, stroke, closed=False)
        else:
            for start in range(0, 32, 4):
                _polyline(image, points[start : start + 3], colour, stroke, closed=False)
    elif not is_missing(row["u_px"]) and not is_missing(row["v_px"]):
        u, v = resized(np.array([row["u_px"], row["v_px"]]), scale)
        centre = (round(float(u)), round(float(v)))
        cv2.circle(image, centre, 3 * stroke, colour, stroke, cv2.LINE_AA)


def _sixteenths(row: Mapping[str, Any], scale: float) -> tuple[int, int]:
    """Image point of a row in sixteenths of a pixel, as OpenCV takes it with four shift bits."""
    u, v = resized(np.array([row["u_px"], row["v_px"]]), scale) * 16
    return round(float(u)), round(float(v))


def _trail(
    image: Image, rows: Sequence[Mapping[str, Any]], frame_row: Mapping[str, Any], scale: float,
    trail_s: float,
) -> None:
    """The ball's way up to the frame: dots that shrink into the past, hollow where bridged."""
    now = float(frame_row["t_s"])
    seen = [
        row for row in rows
        if now - trail_s <= row["t_s"] <= now + 1e-6 and not is_missing(row["u_px"])
        and not is_missing(row["v_px"])
    ]
    size = image.shape[0] / 720
    for row in sorted(seen, key=lambda row: row["t_s"]):
        fresh = 1 - (now - row["t_s"]) / trail_s
        centre = _sixteenths(row, scale)
        radius = max(round((1.5 + 3.0 * fresh) * size * 16), 16)
        thickness = -1 if row["observed"] else 1
        cv2.circle(image, centre, radius, BALL, thickness, cv2.LINE_AA, 4)
    if seen and max(row["t_s"] for row in seen) > now - 1e-6:
        last = max(seen, key=lambda row: row["t_s"])
        centre = _sixteenths(last, scale)
        cv2.circle(image, centre, round(11 * size * 16), BALL, max(1, round(size)), cv2.LINE_AA, 4)
