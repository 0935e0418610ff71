"""Ball candidates of a view: undistorted, court-stabilised, without spots fixed on the court.

Stabilised coordinates are image points carried into the picture of a reference frame by the ground
homographies of the two frames. For a camera that only pans, tilts and zooms this is exact at any
height above the ground (Hartley & Zisserman, Multiple View Geometry, 2nd ed., section 8.4), so that
the path of a ball in flight is smooth in them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from numba import njit
from numpy.typing import NDArray

from rallymill.camera import Camera
from rallymill.stages.cameras import cameras_of, covariances_of

Array = NDArray[np.float64]
Indices = NDArray[np.int64]


@dataclass(frozen=True)
class Picture:
    """Cameras of a run of frames: numbers, times and 3x4 matrices; NaN matrices where lost.

    ``rows`` are those of the ``frames`` table.
    """

    frame: Indices
    t_s: Array
    matrix: Array
    k1: Array
    focal_px: Array
    width_px: int
    height_px: int
    rows: pd.DataFrame | None = None

    def stated(
        self, slot: Indices
    ) -> tuple[Sequence[Camera | None], Sequence[Array | None]]:
        """Cameras of frames (N,) and the covariances (8, 8) that say how sure they are.

        Both are empty where no frame says so.
        """
        if self.rows is None or "camera_covariance" not in self.rows:
            return (), ()
        rows = self.rows.iloc[slot]
        if not rows["camera_covariance"].notna().any():
            return (), ()
        return cameras_of(rows), covariances_of(rows)

    # A view may last for hours, so what all of it tells is taken once.
    @cached_property
    def period_s(self) -> float:
        """Usual time from one frame to the next."""
        return float(np.median(np.diff(self.t_s))) if len(self.t_s) > 1 else 0.04

    @cached_property
    def known(self) -> Indices:
        """Indices of the frames whose camera is known."""
        return np.flatnonzero(np.isfinite(self.matrix[:, 0, 0]))

    @cached_property
    def ground(self) -> Array:
        """Homographies (N, 3, 3) of the ground."""
        return self.matrix[:, :, [0, 1, 3]]

    @cached_property
    def _known_s(self) -> Array:
        return self.t_s[self.known]

    def nearest(self, t_s: float) -> int:
        """Index of the frame with a known camera that is nearest to a time."""
        after = int(np.searchsorted(self._known_s, t_s))
        low, high = max(after - 1, 0), min(after, len(self._known_s) - 1)
        later = abs(self._known_s[high] - t_s) < abs(self._known_s[low] - t_s)
        return int(self.known[high if later else low])


@dataclass(frozen=True)
class Candidates:
    """Ball candidates in time order.

    ``slot`` is the index of the frame within the picture, ``image_px`` (N, 2) the undistorted
    point, ``steady_px`` (N, 2) the stabilised point, ``box`` the larger side of the box in pixels.
    """

    slot: Indices
    t_s: Array
    image_px: Array
    steady_px: Array
    confidence: Array
    box_px: Array

    def __len__(self) -> int:
        """Number of candidates."""
        return len(self.slot)

    def take(self, keep: NDArray[np.bool_] | Indices) -> Candidates:
        """Candidates chosen by a mask or by indices."""
        return Candidates(
            self.slot[keep], self.t_s[keep], self.image_px[keep], self.steady_px[keep],
            self.confidence[keep], self.box_px[keep],
        )


def picture(frames: pd.DataFrame) -> Picture:
    """Cameras of a data frame with the columns of the ``frames`` table, in frame order."""
    n = len(frames)
    matrix = np.full((n, 3, 4), np.nan)
    for i, camera in enumerate(frames["camera"]):
        if camera is not None and len(camera) == 12:
            matrix[i] = np.asarray(camera, dtype=float).reshape(3, 4)
    # Scale so that the third row gives the distance along the viewing axis, positive in front.
    norm = np.linalg.norm(matrix[:, 2, :3], axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        matrix /= (norm * np.where(matrix[:, 2, 3] < 0, -1.0, 1.0))[:, None, None]
    focal = pd.to_numeric(frames["focal_px"]).to_numpy(dtype=float)
    # Without a focal length in the table: |m1 x m3| of the left block (square pixels).
    derived = np.linalg.norm(np.cross(matrix[:, 0, :3], matrix[:, 2, :3]), axis=1)
    focal = np.where(np.isfinite(focal) & (focal > 0), focal, derived)
    k1 = np.nan_to_num(pd.to_numeric(frames["k1"]).to_numpy(dtype=float))
    width = pd.to_numeric(frames["width_px"]).dropna()
    height = pd.to_numeric(frames["height_px"]).dropna()
    return Picture(
        frames["frame"].to_numpy(dtype=np.int64), frames["t_s"].to_numpy(dtype=float), matrix, k1,
        focal, int(width.iloc[0]) if len(width) else 1280,
        int(height.iloc[0]) if len(height) else 720, frames,
    )


def undistort(image_px: Array, view: Picture, slot: Indices) -> Array:
    """Image points (N, 2) as a camera without radial distortion would show them."""
    centre = np.array([(view.width_px - 1) / 2, (view.height_px - 1) / 2])
    focal = view.focal_px[slot][:, None]
    k1 = view.k1[slot][:, None]
    distorted = (image_px - centre) / focal
    point = distorted
    for _ in range(10):
        point = distorted / (1 + k1 * np.sum(point**2, axis=1, keepdims=True))
    return centre + point * focal


def gather(detections: pd.DataFrame, view: Picture, min_confidence: float, per_frame: int
           ) -> Candidates:
    """Ball candidates in frames whose camera is known, at most ``per_frame`` best ones a frame."""
    balls = detections[detections["label"] == "ball"]
    balls = balls[balls["confidence"] >= min_confidence]
    slots = np.searchsorted(view.frame, balls["frame"].to_numpy())
    slots = np.minimum(slots, len(view.frame) - 1)
    known = (view.frame[slots] == balls["frame"].to_numpy()) & np.isfinite(view.matrix[slots, 0, 0])
    balls, slots = balls[known], slots[known]
    rank = balls.groupby("frame")["confidence"].rank(method="first", ascending=False).to_numpy()
    balls, slots = balls[rank <= per_frame], slots[rank <= per_frame]
    box = balls[["x1_px", "y1_px", "x2_px", "y2_px"]].to_numpy(dtype=float)
    image = (box[:, :2] + box[:, 2:]) / 2
    if len(image):
        image = undistort(image, view, slots)
    order = np.argsort(slots, kind="stable")
    found = Candidates(
        slots[order].astype(np.int64), view.t_s[slots[order]], image[order],
        image[order].copy(), balls["confidence"].to_numpy(dtype=float)[order],
        (box[:, 2:] - box[:, :2]).max(axis=1, initial=0.0)[order],
    )
    return stabilise(found, view)


def stabilise(found: Candidates, view: Picture) -> Candidates:
    """The same candidates with stabilised points."""
    if not len(found):
        return found
    ground = view.ground
    reference = ground[view.known[len(view.known) // 2]]
    ones = np.column_stack([found.image_px, np.ones(len(found))])
    inverse = np.linalg.inv(ground[found.slot])
    carried = np.einsum("ij,njk,nk->ni", reference, inverse, ones)
    steady = carried[:, :2] / carried[:, 2:]
    return Candidates(found.slot, found.t_s, found.image_px, steady, found.confidence, found.box_px)


@njit(cache=True)
def _recurrence(t, xy, radius, near_s, far_s):  # type: ignore[no-untyped-def]
    """Number of candidates at the same place, at least near_s and at most far_s away in time."""
    n = t.shape[0]
    count = np.zeros(n, np.int64)
    for i in range(n):
        j = i + 1
        while j < n and t[j] - t[i] <= far_s:
            if t[j] - t[i] >= near_s:
                dx = xy[j, 0] - xy[i, 0]
                dy = xy[j, 1] - xy[i, 1]
                if dx * dx + dy * dy <= radius * radius:
                    count[i] += 1
                    count[j] += 1
            j += 1
    return count


def fixed(found: Candidates, radius_px: float, least: int) -> NDArray[np.bool_]:
    """Which candidates recur at one stabilised place: marks, logos, balls lying about.

    A ball in play may pass a place twice, but not ``least`` times at least 0.4 s apart within 15 s.
    """
    if not len(found):
        return np.zeros(0, dtype=bool)
    return _recurrence(found.t_s, found.steady_px, radius_px, 0.4, 15.0) >= least


EVEN_S, EVEN_SLACK_S = 0.8, 0.06
"""Length of an even stretch, and how far it may be off."""
EVEN_SHARE = 0.7
"""Least share of its frames in which something is on the line."""


@njit(cache=True)
def _even(t, slot, xy, radius, speed, share):  # type: ignore[no-untyped-def]
    """Which candidates lie on a straight line that is passed evenly and slowly."""
    n = t.shape[0]
    marked = np.zeros(n, np.bool_)
    on_line = np.zeros(n, np.int64)
    for i in range(n):
        for j in range(i + 1, n):
            span = t[j] - t[i]
            if span > EVEN_S + EVEN_SLACK_S:
                break
            if span < EVEN_S - EVEN_SLACK_S:
                continue
            vx = (xy[j, 0] - xy[i, 0]) / span
            vy = (xy[j, 1] - xy[i, 1]) / span
            if vx * vx + vy * vy > speed * speed:
                continue
            count = 0
            frames = 0
            last = -1
            for k in range(i, j + 1):
                if slot[k] == last:
                    continue
                dx = xy[k, 0] - xy[i, 0] - vx * (t[k] - t[i])
                dy = xy[k, 1] - xy[i, 1] - vy * (t[k] - t[i])
                if dx * dx + dy * dy <= radius * radius:
                    on_line[count] = k
                    count += 1
                    frames += 1
                    last = slot[k]
            if frames >= share * (slot[j] - slot[i] + 1):
                for m in range(count):
                    marked[on_line[m]] = True
    return marked


def walking(found: Candidates, radius_px: float, speed_px_per_s: float) -> NDArray[np.bool_]:
    """Which candidates move evenly, straight and slowly for most of a second, as walkers' shoes do.

    A ball in flight does not: gravity bends its way in the picture by several times the radius
    within that time, and on the ground it is no ball in play.
    """
    if not len(found):
        return np.zeros(0, dtype=bool)
    marked: NDArray[np.bool_] = _even(
        found.t_s, found.slot, found.steady_px, radius_px, speed_px_per_s, EVEN_SHARE
    )
    return marked
