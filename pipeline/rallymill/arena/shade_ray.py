"""Rays, footprints and noise for the shaders. Compiled by numba.

A camera travels as 16 numbers, see :func:`camera_vector`. Every ray is scaled so that its parameter
is the depth along the viewing axis.
"""

from __future__ import annotations

from math import floor
from pathlib import Path

import numpy as np
from numba import njit
from numpy.typing import NDArray

from rallymill.arena import shade_cache
from rallymill.camera import Camera

shade_cache.drop_stale(Path(__file__).parent)

Array = NDArray[np.float64]


Q_LOW, Q_HIGH = -0.145, 0.4
"""Distortion beyond which a picture folds back on itself, or which no lens here has."""
_N_STEPS = 1_024
Q_STEPS = _N_STEPS / (Q_HIGH - Q_LOW)


def _straight_table() -> Array:
    """Solutions s of s + q s^3 = 1 at even steps of q, by Newton's method."""
    q = np.linspace(Q_LOW, Q_HIGH, _N_STEPS + 1)
    s = np.ones_like(q)
    for _ in range(60):
        s -= (s * (1.0 + q * s * s) - 1.0) / (1.0 + 3.0 * q * s * s)
    return s


STRAIGHT = _straight_table()


def camera_vector(camera: Camera) -> Array:
    """Focal length, principal point, k1, centre and rotation of a camera, shape (16,)."""
    return np.concatenate(
        [
            [camera.focal_px, *camera.principal_px, camera.k1],
            camera.centre_m,
            camera.rotation.ravel(),
        ]
    ).astype(float)


@njit(cache=True, fastmath=True, error_model="numpy", forceinline=True)
def straight(q):  # type: ignore[no-untyped-def]
    """Factor that undoes radial distortion: s with s + q s^3 = 1, read from a table."""
    place = (min(max(q, Q_LOW), Q_HIGH) - Q_LOW) * Q_STEPS
    i = min(int(place), len(STRAIGHT) - 2)
    share = place - i
    return STRAIGHT[i] * (1.0 - share) + STRAIGHT[i + 1] * share


@njit(cache=True, fastmath=True, error_model="numpy", forceinline=True)
def ray(cam, u, v):  # type: ignore[no-untyped-def]
    """Direction of the ray through an image point; unit depth along the viewing axis."""
    inverse = 1.0 / cam[0]
    x = (u - cam[1]) * inverse
    y = (v - cam[2]) * inverse
    if cam[3] != 0.0:
        k = straight(cam[3] * (x * x + y * y))
        x *= k
        y *= k
    return (
        cam[7] * x + cam[10] * y + cam[13],
        cam[8] * x + cam[11] * y + cam[14],
        cam[9] * x + cam[12] * y + cam[15],
    )


@njit(cache=True, fastmath=True, error_model="numpy", forceinline=True)
def to_image(cam, px, py, pz):  # type: ignore[no-untyped-def]
    """Image point and depth of a court point; depth -1 where the lens does not see it."""
    dx = px - cam[4]
    dy = py - cam[5]
    dz = pz - cam[6]
    x = cam[7] * dx + cam[8] * dy + cam[9] * dz
    y = cam[10] * dx + cam[11] * dy + cam[12] * dz
    depth = cam[13] * dx + cam[14] * dy + cam[15] * dz
    if depth < 0.05:
        return 0.0, 0.0, -1.0
    x /= depth
    y /= depth
    # Beyond this radius a barrel-shaped picture would fold back on itself.
    if 1.0 + 3.0 * cam[3] * (x * x + y * y) < 0.05:
        return 0.0, 0.0, -1.0
    scale = 1.0 + cam[3] * (x * x + y * y)
    return cam[0] * x * scale + cam[1], cam[0] * y * scale + cam[2], depth


@njit(cache=True, fastmath=True, error_model="numpy", forceinline=True)
def hash01(i, j, k):  # type: ignore[no-untyped-def]
    """Reproducible number in [0, 1) of three integers."""
    h = (i * 374761393 + j * 668265263 + k * 2246822519) & 0xFFFFFFFF
    h = ((h ^ (h >> 13)) * 1274126177) & 0xFFFFFFFF
    h = ((h ^ (h >> 15)) * 2246822519) & 0xFFFFFFFF
    return ((h ^ (h >> 16)) & 0xFFFFFF) / 16777216.0


@njit(cache=True, fastmath=True, error_model="numpy", forceinline=True)
def trapezoid_cdf(s, a, b):  # type: ignore[no-untyped-def]
    """Integral up to ``s`` of the convolution of two unit boxes of widths a and b."""
    if a < b:
        a, b = b, a
    b = max(b, 1e-7)
    a = max(a, 2e-7)
    half = 0.5 * (a - b)
    full = 0.5 * (a + b)
    if s <= -full:
        return 0.0
    if s >= full:
        return 1.0
    if s < -half:
        return (s + full) * (s + full) / (2.0 * a * b)
    if s > half:
        return 1.0 - (full - s) * (full - s) / (2.0 * a * b)
    return 0.5 + s / a


@njit(cache=True, fastmath=True, error_model="numpy", forceinline=True)
def strip(x, low, high, a, b):  # type: ignore[no-untyped-def]
    """Share of a footprint at ``x`` with shadows a, b that lies between low and high."""
    return trapezoid_cdf(high - x, a, b) - trapezoid_cdf(low - x, a, b)


@njit(cache=True, fastmath=True, error_model="numpy", forceinline=True)
def bilinear(image, row, column):  # type: ignore[no-untyped-def]
    """Value of a single-channel picture between its samples; edges repeat."""
    h, w = image.shape
    row = min(max(row, 0.0), h - 1.001)
    column = min(max(column, 0.0), w - 1.001)
    i = int(row)
    j = int(column)
    fr = row - i
    fc = column - j
    top = image[i, j] * (1 - fc) + image[i, j + 1] * fc
    low = image[i + 1, j] * (1 - fc) + image[i + 1, j + 1] * fc
    return top * (1 - fr) + low * fr


@njit(cache=True, fastmath=True, error_model="numpy", forceinline=True)
def value_noise(x, y, seed):  # type: ignore[no-untyped-def]
    """Smooth noise in [0, 1) with features of unit size."""
    i = floor(x)
    j = floor(y)
    fx = x - i
    fy = y - j
    fx = fx * fx * (3 - 2 * fx)
    fy = fy * fy * (3 - 2 * fy)
    a = hash01(i, j, seed) * (1 - fx) + hash01(i + 1, j, seed) * fx
    b = hash01(i, j + 1, seed) * (1 - fx) + hash01(i + 1, j + 1, seed) * fx
    return a * (1 - fy) + b * fy


@njit(cache=True, fastmath=True, error_model="numpy", forceinline=True)
def slope_at(x, steep):  # type: ignore[no-untyped-def]
    """Edge at 0 that rises by ``steep`` a unit."""
    return min(max(x * steep + 0.5, 0.0), 1.0)


@njit(cache=True, fastmath=True, error_model="numpy", forceinline=True)
def ramp(x, width):  # type: ignore[no-untyped-def]
    """Edge at 0 that is smoothed over a width."""
    return min(max(x / width + 0.5, 0.0), 1.0)
