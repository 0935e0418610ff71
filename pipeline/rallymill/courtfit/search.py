"""Try court models on the lines of a picture: pairs of lines against pairs of court lines.

Two lines across and two lines down, matched to two court lines each, fix a homography by their
four crossings. Every combination that a camera could really see is scored by how far its projected
lines fall on line evidence (Farin, Krabbe, de With, Effelsberg 2003 use the same combination).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from rallymill.courtfit.evidence import Evidence, ImageLine
from rallymill.courtfit.model import USUAL, coordinates, line_points

Array = NDArray[np.float64]

MOST_ACROSS = 14
MOST_DOWN = 13
LOWEST_M, HIGHEST_M = 1.2, 45.0
NEAREST_M, FARTHEST_M = 12.2, 110.0
"""Where a main camera may be: height, and distance behind the net."""
ASIDE_M = 18.0
MISSING = 0.55
"""Cost of a pixel of line that should be there and is not, against the gain of one that is."""


@dataclass(frozen=True)
class Hypothesis:
    """A homography (3, 3) from ground to picture, with the score that its lines got."""

    homography: Array
    score: float
    doubles: bool


@njit(cache=True)
def _crossing(n1, c1, n2, c2):  # type: ignore[no-untyped-def]
    det = n1[0] * n2[1] - n1[1] * n2[0]
    if abs(det) < 1e-6:
        return 0.0, 0.0, False
    return (c1 * n2[1] - c2 * n1[1]) / det, (n1[0] * c2 - n2[0] * c1) / det, True


@njit(cache=True)
def _rectangle_to(x1, x2, y1, y2, q, h):  # type: ignore[no-untyped-def]
    """Homography from corners (x1,y1) (x2,y1) (x2,y2) (x1,y2) to the four image points q."""
    dx1 = q[1, 0] - q[2, 0]
    dx2 = q[3, 0] - q[2, 0]
    sx = q[0, 0] - q[1, 0] + q[2, 0] - q[3, 0]
    dy1 = q[1, 1] - q[2, 1]
    dy2 = q[3, 1] - q[2, 1]
    sy = q[0, 1] - q[1, 1] + q[2, 1] - q[3, 1]
    det = dx1 * dy2 - dx2 * dy1
    if abs(det) < 1e-9:
        return False
    g = (sx * dy2 - dx2 * sy) / det
    k = (dx1 * sy - sx * dy1) / det
    a = q[1, 0] - q[0, 0] + g * q[1, 0]
    b = q[3, 0] - q[0, 0] + k * q[3, 0]
    d = q[1, 1] - q[0, 1] + g * q[1, 1]
    e = q[3, 1] - q[0, 1] + k * q[3, 1]
    kx = 1.0 / (x2 - x1)
    ky = 1.0 / (y2 - y1)
    h[0, 0] = a * kx
    h[0, 1] = b * ky
    h[0, 2] = q[0, 0] - a * kx * x1 - b * ky * y1
    h[1, 0] = d * kx
    h[1, 1] = e * ky
    h[1, 2] = q[0, 1] - d * kx * x1 - e * ky * y1
    h[2, 0] = g * kx
    h[2, 1] = k * ky
    h[2, 2] = 1.0 - g * kx * x1 - k * ky * y1
    return True


@njit(cache=True)
def _plausible(h, cx, cy, low_f, high_f):  # type: ignore[no-untyped-def]
    """Whether a camera with square pixels and central principal point could see this."""
    a0 = h[0, 0] - cx * h[2, 0]
    a1 = h[1, 0] - cy * h[2, 0]
    a2 = h[2, 0]
    b0 = h[0, 1] - cx * h[2, 1]
    b1 = h[1, 1] - cy * h[2, 1]
    b2 = h[2, 1]
    r0 = a0 * b0 + a1 * b1
    r1 = a0 * a0 + a1 * a1 - b0 * b0 - b1 * b1
    s0 = -a2 * b2
    s1 = b2 * b2 - a2 * a2
    # Both constraints are of the form r / f^2 = s; squares of the equal-length one are scaled
    # down, since it says little where the court is seen at a flat angle.
    norm = r0 * r0 + r1 * r1
    if norm < 1e-18:
        return False
    inverse = (r0 * s0 + r1 * s1) / norm
    if inverse <= 0:
        return False
    f = 1.0 / np.sqrt(inverse)
    if f < low_f or f > high_f:
        return False
    a0 /= f
    a1 /= f
    b0 /= f
    b1 /= f
    c0 = (h[0, 2] - cx * h[2, 2]) / f
    c1 = (h[1, 2] - cy * h[2, 2]) / f
    c2 = h[2, 2]
    la = np.sqrt(a0 * a0 + a1 * a1 + a2 * a2)
    lb = np.sqrt(b0 * b0 + b1 * b1 + b2 * b2)
    if la < 1e-12 or lb < 1e-12 or la / lb > 1.6 or lb / la > 1.6:
        return False
    if abs(a0 * b0 + a1 * b1 + a2 * b2) > 0.25 * la * lb:
        return False
    scale = 2.0 / (la + lb)
    if c2 < 0:
        scale = -scale
    a0 *= scale
    a1 *= scale
    a2 *= scale
    b0 *= scale
    b1 *= scale
    b2 *= scale
    c0 *= scale
    c1 *= scale
    c2 *= scale
    # Third column of the rotation; its image-down part must point down for world-up.
    z0 = a1 * b2 - a2 * b1
    z1 = a2 * b0 - a0 * b2
    z2 = a0 * b1 - a1 * b0
    x = -(a0 * c0 + a1 * c1 + a2 * c2)
    y = -(b0 * c0 + b1 * c1 + b2 * c2)
    z = -(z0 * c0 + z1 * c1 + z2 * c2)
    if z < LOWEST_M or z > HIGHEST_M or y > -NEAREST_M or y < -FARTHEST_M or abs(x) > ASIDE_M:
        return False
    if z1 > -0.4 or abs(z0) > 0.25:
        return False
    # The camera looks along the court, the right of the picture is the right of the court.
    return b2 > 0.3 and a0 > 0.5


@njit(cache=True)
def _score(h, points, direction, spacing, across, down, tolerance, missing):  # type: ignore[no-untyped-def]
    height, width = across.shape
    total = 0.0
    for i in range(points.shape[0]):
        x = points[i, 0]
        y = points[i, 1]
        w = h[2, 0] * x + h[2, 1] * y + h[2, 2]
        if w <= 1e-9:
            continue
        u = (h[0, 0] * x + h[0, 1] * y + h[0, 2]) / w
        v = (h[1, 0] * x + h[1, 1] * y + h[1, 2]) / w
        if u < 0 or v < 0 or u > width - 1 or v > height - 1:
            continue
        dw = h[2, 0] * direction[i, 0] + h[2, 1] * direction[i, 1]
        du = (h[0, 0] * direction[i, 0] + h[0, 1] * direction[i, 1] - u * dw) / w
        dv = (h[1, 0] * direction[i, 0] + h[1, 1] * direction[i, 1] - v * dw) / w
        length = np.sqrt(du * du + dv * dv) * spacing[i]
        if length > 0.06 * width:
            length = 0.06 * width
        iu = int(u + 0.5)
        iv = int(v + 0.5)
        if abs(du) > 1.7 * abs(dv):
            distance = across[iv, iu]
        elif abs(dv) > 1.7 * abs(du):
            distance = down[iv, iu]
        else:
            distance = min(across[iv, iu], down[iv, iu])
        if distance <= tolerance:
            total += length * (1.0 - 0.15 * distance / tolerance)
        else:
            total -= missing * length
    return total


@njit(cache=True)
def _search(  # type: ignore[no-untyped-def]
    a_normal, a_offset, d_normal, d_offset, court_y, court_x, cx, cy, low_f, high_f,
    coarse, coarse_dir, coarse_step, across, down, tolerance, keep,
):
    best = np.full(keep, -1e18)
    found = np.zeros((keep, 3, 3))
    q = np.zeros((4, 2))
    h = np.zeros((3, 3))
    n_a = a_normal.shape[0]
    n_d = d_normal.shape[0]
    tried = 0
    for near in range(n_a):
        for far in range(n_a):
            if near == far:
                continue
            for left in range(n_d):
                for right in range(n_d):
                    if left == right:
                        continue
                    x0, y0, ok0 = _crossing(
                        a_normal[near], a_offset[near], d_normal[left], d_offset[left])
                    x1, y1, ok1 = _crossing(
                        a_normal[near], a_offset[near], d_normal[right], d_offset[right])
                    if not (ok0 and ok1) or x1 - x0 < 20:
                        continue
                    x3, y3, ok3 = _crossing(
                        a_normal[far], a_offset[far], d_normal[left], d_offset[left])
                    x2, y2, ok2 = _crossing(
                        a_normal[far], a_offset[far], d_normal[right], d_offset[right])
                    if not (ok2 and ok3):
                        continue
                    # Near is lower in the picture and wider.
                    if y3 > y0 - 3 or y2 > y1 - 3 or x2 - x3 < 5 or x2 - x3 > x1 - x0:
                        continue
                    q[0, 0] = x0
                    q[0, 1] = y0
                    q[1, 0] = x1
                    q[1, 1] = y1
                    q[2, 0] = x2
                    q[2, 1] = y2
                    q[3, 0] = x3
                    q[3, 1] = y3
                    for j in range(court_y.shape[0]):
                        for k in range(j + 1, court_y.shape[0]):
                            for m in range(court_x.shape[0]):
                                for n in range(m + 1, court_x.shape[0]):
                                    if not _rectangle_to(
                                        court_x[m], court_x[n], court_y[j], court_y[k], q, h
                                    ):
                                        continue
                                    if not _plausible(h, cx, cy, low_f, high_f):
                                        continue
                                    tried += 1
                                    score = _score(
                                        h, coarse, coarse_dir, coarse_step, across, down,
                                        tolerance, MISSING)
                                    at = np.argmin(best)
                                    if score > best[at]:
                                        best[at] = score
                                        found[at] = h
    return best, found, tried


def _split(lines: tuple[ImageLine, ...]) -> tuple[list[ImageLine], list[ImageLine]]:
    """Lines that may run across the court and lines that may run along it."""
    across, down = [], []
    for line in lines:
        slope = np.degrees(np.arctan2(abs(line.normal[0]), abs(line.normal[1])))
        if slope < 20:
            across.append(line)
        if slope > 9:
            down.append(line)
    return across[:MOST_ACROSS], down[:MOST_DOWN]


def score(homography: Array, evidence: Evidence, doubles: bool, tolerance: float = 2.5) -> float:
    """Pixels of projected line with evidence under them, less those without, weighted."""
    points = line_points(USUAL[doubles], 0.35)
    return float(_score(
        homography, points.points_m, points.direction, points.spacing_m,
        evidence.across, evidence.down, tolerance, MISSING,
    ))


def search(evidence: Evidence, doubles: bool, keep: int = 48) -> list[Hypothesis]:
    """Best hypotheses for the court in a picture, best first; near-doubles are left out."""
    across, down = _split(evidence.lines)
    if len(across) < 2 or len(down) < 2:
        return []
    height, width = evidence.across.shape
    court_y, court_x = coordinates(USUAL[doubles])
    coarse = line_points(USUAL[doubles], 0.9)
    scale = max(width / 1280, 0.5)
    best, found, _ = _search(
        np.array([line.normal for line in across]), np.array([line.offset_px for line in across]),
        np.array([line.normal for line in down]), np.array([line.offset_px for line in down]),
        court_y, court_x, (width - 1) / 2, (height - 1) / 2, 0.3 * width, 8.0 * width,
        coarse.points_m, coarse.direction, coarse.spacing_m, evidence.across, evidence.down,
        5.0 * scale, keep,
    )
    chosen: list[Hypothesis] = []
    corners: list[Array] = []
    ends = np.array([[-5.5, -11.9, 1], [5.5, -11.9, 1], [5.5, 11.9, 1], [-5.5, 11.9, 1]])
    for at in np.argsort(-best):
        if best[at] < 0.15 * width:
            break
        seen = ends @ found[at].T
        seen = seen[:, :2] / seen[:, 2:]
        if any(np.abs(seen - other).max() < 8 * scale for other in corners):
            continue
        corners.append(seen)
        chosen.append(Hypothesis(found[at].copy(), float(best[at]), doubles))
    return chosen
