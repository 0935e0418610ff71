"""Measure where a bright line is, to a fraction of a pixel, by its profile across.

A profile is modelled as ground on either side and paint of known width between, with blurred edges.
The paint is found by a matched filter that is blind to the ground's levels, then its place is
fitted by Gauss-Newton on place and the three levels.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import erf, exp, sqrt
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[np.float64]
Picture = NDArray[Any]

BLUR_PX = 0.85
"""Usual blur of a picture, with that of the interpolation."""
FLANK_PX = 3.5
"""Ground looked at on each side of the bar."""
LEAST_CONTRAST = 3.5
"""Grey levels by which paint must be brighter than the ground."""
LONGEST = 160


@dataclass(frozen=True)
class Measured:
    """Lines measured at N places.

    ``offset_px`` (N,) along the normal from the expected place to the middle of the line,
    ``sd_px`` its standard deviation from the profile's own noise, ``contrast`` in grey levels;
    ``found`` says where there was a line at all.
    """

    offset_px: Array
    sd_px: Array
    contrast: Array
    found: NDArray[np.bool_]


@njit(cache=True)
def _grey(image, u, v):  # type: ignore[no-untyped-def]
    i = int(v)
    j = int(u)
    fv = v - i
    fu = u - j
    return (
        (1 - fv) * ((1 - fu) * image[i, j] + fu * image[i, j + 1])
        + fv * ((1 - fu) * image[i + 1, j] + fu * image[i + 1, j + 1])
    )


@njit(cache=True)
def _solve4(m, r):  # type: ignore[no-untyped-def]
    """Solve a symmetric 4 x 4 system in place by elimination; False if singular."""
    for i in range(4):
        pivot = m[i, i]
        if abs(pivot) < 1e-10:
            return False
        for j in range(i + 1, 4):
            share = m[j, i] / pivot
            for k in range(i, 4):
                m[j, k] -= share * m[i, k]
            for k in range(2):
                r[j, k] -= share * r[i, k]
    for i in range(3, -1, -1):
        for k in range(2):
            value = r[i, k]
            for j in range(i + 1, 4):
                value -= m[i, j] * r[j, k]
            r[i, k] = value / m[i, i]
    return True


@njit(cache=True)
def _measure(image, points, normals, half_px, reach_px, blur, window_px, out):  # type: ignore[no-untyped-def]
    height, width = image.shape
    profile = np.zeros(LONGEST)
    template = np.zeros(LONGEST)
    normal4 = np.zeros((4, 4))
    right4 = np.zeros((4, 2))
    root = sqrt(2.0) * blur
    for i in range(points.shape[0]):
        out[i, 3] = 0.0
        u = points[i, 0]
        v = points[i, 1]
        nu = normals[i, 0]
        nv = normals[i, 1]
        half = max(half_px[i], 0.3)
        window = int(max(half + FLANK_PX, window_px[i]) + 1.0)
        reach = int(reach_px[i] + 0.999)
        span = window + reach
        if 2 * span + 1 > LONGEST:
            continue
        end_u = abs(nu) * span + 2.0
        end_v = abs(nv) * span + 2.0
        if u < end_u or v < end_v or u > width - 2 - end_u or v > height - 2 - end_v:
            continue
        for k in range(2 * span + 1):
            t = k - span
            pu = u + t * nu
            pv = v + t * nv
            # Three neighbours along the line: less noise, same place.
            profile[k] = (
                0.5 * _grey(image, pu, pv)
                + 0.25 * _grey(image, pu - nv, pv + nu)
                + 0.25 * _grey(image, pu + nv, pv - nu)
            )
        count = 2 * window + 1
        mean = 0.0
        for k in range(count):
            x = k - window
            template[k] = 0.5 * (erf((x + half) / root) - erf((x - half) / root))
            mean += template[k]
        mean /= count
        power = 0.0
        for k in range(count):
            template[k] -= mean  # an even bar is already blind to an odd step
            power += template[k] * template[k]
        if power < 1e-6:
            continue
        best = 0.0
        at = -1000
        before = 0.0
        for shift in range(-reach, reach + 1):
            c = 0.0
            for k in range(count):
                c += template[k] * profile[span + shift - window + k]
            c /= power
            favour = c * (1.0 - 0.25 * abs(shift) / (reach + 1.0))
            if favour > best:
                best = favour
                at = shift
                before = c
        if at == -1000 or before < LEAST_CONTRAST:
            continue
        place = float(at)
        left = 0.0
        for k in range(count):
            left += profile[span + at - window + k]
        left = left / count - before * mean
        right = left
        paint = left + before
        low = max(0, span + at - window)
        high = min(2 * span + 1, span + at + window + 1)
        good = True
        error2 = 0.0
        for _ in range(4):
            normal4[:] = 0.0
            right4[:] = 0.0
            error2 = 0.0
            for k in range(low, high):
                x = k - span - place
                e1 = 0.5 * erf((x + half) / root)
                e2 = 0.5 * erf((x - half) / root)
                g1 = exp(-(((x + half) / root) ** 2))
                g2 = exp(-(((x - half) / root) ** 2))
                row1 = 0.5 - e1
                row2 = 0.5 + e2
                row3 = e1 - e2
                row0 = -0.5641895835 / root * (paint * (g1 - g2) - left * g1 + right * g2)
                error = profile[k] - left * row1 - right * row2 - paint * row3
                error2 += error * error
                normal4[0, 0] += row0 * row0
                normal4[0, 1] += row0 * row1
                normal4[0, 2] += row0 * row2
                normal4[0, 3] += row0 * row3
                normal4[1, 1] += row1 * row1
                normal4[1, 2] += row1 * row2
                normal4[1, 3] += row1 * row3
                normal4[2, 2] += row2 * row2
                normal4[2, 3] += row2 * row3
                normal4[3, 3] += row3 * row3
                right4[0, 0] += row0 * error
                right4[1, 0] += row1 * error
                right4[2, 0] += row2 * error
                right4[3, 0] += row3 * error
            normal4[0, 0] += 1e-3 * (paint - 0.5 * (left + right)) ** 2
            for a in range(1, 4):
                normal4[a, a] += 1e-4
            for a in range(4):
                for b in range(a):
                    normal4[a, b] = normal4[b, a]
            right4[0, 1] = 1.0
            if not _solve4(normal4, right4):
                good = False
                break
            move = right4[0, 0]
            if move > 1.0:
                move = 1.0
            elif move < -1.0:
                move = -1.0
            place += move
            left += right4[1, 0]
            right += right4[2, 0]
            paint += right4[3, 0]
            if abs(place - at) > 2.5:
                good = False
                break
            if abs(move) < 0.01:
                break
        bar = paint - 0.5 * (left + right)
        # Paint must be clearly brighter than the brighter side too, or it is a mere edge.
        if not good or bar < LEAST_CONTRAST or paint - max(left, right) < 0.25 * bar:
            continue
        noise2 = error2 / max(1, high - low - 4) + 0.3
        out[i, 0] = place
        out[i, 1] = sqrt(max(noise2 * right4[0, 1], 0.0))
        out[i, 2] = bar
        out[i, 4] = noise2 - 0.3
        # A bar that explains little of its own surroundings is no line.
        out[i, 3] = 1.0 if bar * bar > 4.0 * noise2 else 0.0


def measure(
    image: Picture, points_px: Array, normals: Array, half_px: Array, reach_px: Array | float,
    blur_px: float = BLUR_PX,
) -> Measured:
    """Measure lines in a whiteness picture (H, W).

    ``points_px`` (N, 2) are expected middles, ``normals`` (N, 2) unit vectors across,
    ``half_px`` (N,) half widths of the paint, ``reach_px`` how far to look to either side,
    ``blur_px`` how blurred edges are.
    """
    count = len(points_px)
    out = np.zeros((count, 5))
    reach = np.broadcast_to(np.asarray(reach_px, dtype=float), (count,)).copy()
    if count:
        _measure(
            image, np.ascontiguousarray(points_px), np.ascontiguousarray(normals),
            np.ascontiguousarray(half_px), reach, blur_px, np.zeros(count), out,
        )
    return Measured(out[:, 0], out[:, 1], out[:, 2], out[:, 3] > 0.5)


def misfit(
    image: Picture, points_px: Array, normals: Array, half_px: Array, widest_px: Array,
    blur_px: float,
) -> Array:
    """Mean squared grey levels (N,) by which profiles differ from paint of a given width and blur.

    ``widest_px`` (N,) are the greatest half widths that will be compared, so that all comparisons
    see the same stretch. NaN where no line is found.
    """
    count = len(points_px)
    out = np.zeros((count, 5))
    if count:
        _measure(
            image, np.ascontiguousarray(points_px), np.ascontiguousarray(normals),
            np.ascontiguousarray(half_px), np.full(count, 3.0), blur_px,
            np.ascontiguousarray(widest_px) + FLANK_PX, out,
        )
    return np.where(out[:, 3] > 0.5, out[:, 4], np.nan)
