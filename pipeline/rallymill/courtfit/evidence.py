"""Bright thin lines in a picture: ridge response, line segments, lines."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

Picture = NDArray[Any]
Floats = NDArray[Any]
Array = NDArray[np.float64]

RIDGE_REACHES_PX = (2, 4, 8, 14)
"""Distances to the two sides at which a line must be brighter, for a picture 1280 pixels wide."""
REACH_MAX_PX = 12
"""How far from a ridge the distance maps count; farther is all the same."""

SHORTEST_PX = 14.0
"""Shortest chain of ridge pixels that counts, for a picture 1280 pixels wide."""
CROWD_DENSITY = 0.10
"""Share of ridge pixels in a neighbourhood above which it is texture and no lines."""


@dataclass(frozen=True)
class ImageLine:
    """A straight bright line in a picture.

    ``normal`` (2,) and ``offset_px`` give its points p by ``normal @ p = offset_px``; ``ends`` is
    (2, 2), ``covered_px`` how much of it was really seen.
    """

    normal: Array
    offset_px: float
    ends: Array
    covered_px: float


@dataclass(frozen=True)
class Evidence:
    """What a picture shows of bright thin lines.

    ``across`` and ``down`` are (H, W) uint8 distances in pixels, cut at ``REACH_MAX_PX``, to the
    middle of lines that run across the picture and down the picture; ``lines`` holds the
    straight lines, longest first.
    """

    across: Picture
    down: Picture
    lines: tuple[ImageLine, ...]


def whiteness(image: Picture) -> Picture:
    """Grey picture (H, W) in which white paint stands out: mean of luma and the least channel.

    The least channel is low on every coloured ground, so white gains contrast on it; luma keeps
    the sharpness that subsampled colour lacks.
    """
    luma = cv2.cvtColor(image, cv2.COLOR_BGR2GRAY)
    out = np.empty_like(luma)
    _whiteness(np.ascontiguousarray(image).reshape(-1), luma.reshape(-1), out.reshape(-1))
    return out


@njit(cache=True)
def _whiteness(channels, luma, out):  # type: ignore[no-untyped-def]
    """Means of luma and least channel in one pass: five times as fast as channel by channel."""
    for i in range(out.size):
        least = min(min(channels[3 * i], channels[3 * i + 1]), channels[3 * i + 2])
        out[i] = np.uint8((np.uint16(luma[i]) + np.uint16(least) + np.uint16(1)) >> np.uint16(1))


def _shifted(values: Floats, dx: int, dy: int) -> Floats:
    moved = np.empty_like(values)
    height, width = values.shape
    padded = cv2.copyMakeBorder(
        values, abs(dy), abs(dy), abs(dx), abs(dx), cv2.BORDER_REPLICATE
    )
    moved[:] = padded[abs(dy) + dy:abs(dy) + dy + height, abs(dx) + dx:abs(dx) + dx + width]
    return moved


def ridge_response(white: Picture, vertical_profile: bool) -> Floats:
    """How much brighter each pixel is than both sides, (H, W), best over several line widths.

    With ``vertical_profile`` the sides are above and below, which finds lines that run across.
    """
    base = white.astype(np.float32)
    scale = max(white.shape[1] / 1280, 0.5)
    best: Floats = np.zeros_like(base)
    for nominal in RIDGE_REACHES_PX:
        reach = max(2, round(nominal * scale))
        sigma = 0.4 * reach
        along, over = (0.8, sigma) if not vertical_profile else (sigma, 0.8)
        # Smooth a little along the line as well: noise falls, a line stays.
        size = (2 * int(2.5 * over) + 1, 2 * int(2.5 * along) + 1)
        if vertical_profile:
            smooth = cv2.GaussianBlur(base, size, sigmaX=1.2, sigmaY=sigma)
            sides = cv2.max(_shifted(smooth, 0, reach), _shifted(smooth, 0, -reach))
        else:
            smooth = cv2.GaussianBlur(base, size[::-1], sigmaX=sigma, sigmaY=1.2)
            sides = cv2.max(_shifted(smooth, reach, 0), _shifted(smooth, -reach, 0))
        best = cv2.max(best, smooth - sides)
    return best


def _peaks(response: Floats, vertical_profile: bool, threshold: Floats) -> Picture:
    """Pixels (H, W), 0 or 255, that are the top of a ridge across its profile."""
    kernel = np.ones((3, 1) if vertical_profile else (1, 3), np.uint8)
    top = (response >= cv2.dilate(response, kernel)) & (response > threshold)
    return top.astype(np.uint8) * 255


def _threshold(response: Floats, white: Picture) -> Floats:
    """Least response that counts, (H, W): above noise, and higher where everything is busy."""
    scale = white.shape[1] / 1280
    quiet = np.median(response[::4, ::4])
    side = 2 * round(20 * scale) + 1
    busy = cv2.blur(response, (side, side))
    return np.maximum(3.0 + 3.0 * quiet, 1.6 * busy).astype(np.float32)


def _without_crowd(peaks: Picture) -> Picture:
    """Peaks (H, W) without places where they are too dense for painted lines (seats, crowds)."""
    side = 2 * round(20 * peaks.shape[1] / 1280) + 1
    density = cv2.blur(peaks, (side, side), borderType=cv2.BORDER_REFLECT)
    return np.where(density > CROWD_DENSITY * 255, 0, peaks).astype(np.uint8)


def segments(peaks: Picture) -> Array:
    """Straight segments (N, 4) as x1, y1, x2, y2 of chains of peaks; each chain may give two."""
    shown = cv2.convertScaleAbs(cv2.GaussianBlur(peaks, (0, 0), 0.9), alpha=2.0)
    detector = cv2.createLineSegmentDetector(cv2.LSD_REFINE_NONE, 0.8)
    found = detector.detect(shown)[0]
    if found is None:
        return np.zeros((0, 4))
    return np.asarray(found, dtype=float).reshape(-1, 4)


def join(pieces: Array, width_px: int, most: int = 44) -> tuple[ImageLine, ...]:
    """Join collinear segments (N, 4) to lines, longest first.

    Segments belong together if both ends lie near the line that the longest of them spans; the
    two edges of one painted line fall together this way.
    """
    if len(pieces) == 0:
        return ()
    scale = width_px / 1280
    delta = pieces[:, 2:] - pieces[:, :2]
    length = np.hypot(delta[:, 0], delta[:, 1])
    free = np.ones(len(pieces), bool)
    found: list[ImageLine] = []
    for seed in np.argsort(-length):
        if not free[seed]:
            continue
        if len(found) >= most or length[seed] < 18 * scale:
            break
        direction = delta[seed] / length[seed]
        middle = (pieces[seed, :2] + pieces[seed, 2:]) / 2
        members = np.array([seed])
        for _ in range(3):
            normal = np.array([-direction[1], direction[0]])
            first = (pieces[:, :2] - middle) @ normal
            second = (pieces[:, 2:] - middle) @ normal
            tolerance = 3.5 * scale
            near = (np.abs(first) < tolerance) & (np.abs(second) < tolerance) & free
            if not near.any():
                break
            members = np.flatnonzero(near)
            points = np.concatenate([pieces[members, :2], pieces[members, 2:]])
            weights = np.concatenate([length[members]] * 2)
            middle = weights @ points / weights.sum()
            direction = _main_direction(points - middle, weights)
        free[members] = False
        free[seed] = False
        normal = np.array([-direction[1], direction[0]])
        t1 = (pieces[members, :2] - middle) @ direction
        t2 = (pieces[members, 2:] - middle) @ direction
        low, high = np.minimum(t1, t2), np.maximum(t1, t2)
        covered = _union_length(low, high)
        ends = np.stack([middle + low.min() * direction, middle + high.max() * direction])
        found.append(ImageLine(normal, float(normal @ middle), ends, covered))
    return tuple(sorted(found, key=lambda line: -line.covered_px))


def _main_direction(points: Array, weights: Array) -> Array:
    """Unit vector (2,) along which weighted points (N, 2) about the origin spread most."""
    x, y = points.T
    angle = 0.5 * np.arctan2(2 * weights @ (x * y), weights @ (x * x) - weights @ (y * y))
    return np.array([np.cos(angle), np.sin(angle)])


def _union_length(low: Array, high: Array) -> float:
    """Length covered by intervals."""
    order = np.argsort(low)
    total, end = 0.0, -np.inf
    for start, stop in zip(low[order], high[order], strict=True):
        total += max(0.0, stop - max(start, end))
        end = max(end, stop)
    return float(total)


def _distance(pieces: Array, shape: tuple[int, int]) -> Picture:
    """Distance (H, W) to the nearest of the segments, cut at ``REACH_MAX_PX``."""
    free = np.full(shape, 255, np.uint8)
    ends = np.round(pieces * 16).astype(np.int32).reshape(-1, 2, 2)
    cv2.polylines(free, list(ends), False, 0, 1, cv2.LINE_8, 4)
    distance = cv2.distanceTransform(free, cv2.DIST_L2, 3)
    return np.minimum(distance, REACH_MAX_PX).astype(np.uint8)


def find(image: Picture) -> Evidence:
    """Line evidence of a BGR picture (H, W, 3) or a whiteness picture (H, W)."""
    white = whiteness(image) if image.ndim == 3 else image
    least = SHORTEST_PX * max(white.shape[1] / 1280, 0.5)
    maps = []
    pieces = []
    for vertical_profile in (True, False):
        response = ridge_response(white, vertical_profile)
        peaks = _peaks(response, vertical_profile, _threshold(response, white))
        found = segments(_without_crowd(peaks))
        delta = np.abs(found[:, 2:] - found[:, :2])
        # Lines within 30 degrees of the profile's own direction are the other map's to find.
        along = delta[:, 0] if vertical_profile else delta[:, 1]
        against = delta[:, 1] if vertical_profile else delta[:, 0]
        found = found[(along > 0.55 * against) & (np.hypot(along, against) > least)]
        maps.append(_distance(found, white.shape))
        pieces.append(found)
    lines = join(np.concatenate(pieces), white.shape[1])
    return Evidence(maps[0], maps[1], lines)
