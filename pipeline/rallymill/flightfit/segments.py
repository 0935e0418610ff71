"""Where an image path may have a contact: optimal cutting into smooth pieces.

The path is cut into pieces that are polynomials of degree one to three in time, in each coordinate,
so that squared error plus a price for every piece and parameter is least (optimal partitioning:
Jackson et al. 2005, IEEE Signal Processing Letters 12:105; from memory). A free flight in
perspective needs about one such piece, a contact always a cut; so the cuts are a superset of the
contacts, and their times come from where the two pieces meet.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[np.float64]


@njit(cache=True)
def _solve_cost(gram, right, square, degree):  # type: ignore[no-untyped-def]
    """Squared error of the least-squares polynomial, by Cholesky of the normal equations."""
    d = degree + 1
    low = np.zeros((d, d))
    for i in range(d):
        for j in range(i + 1):
            value = gram[i + j]
            for k in range(j):
                value -= low[i, k] * low[j, k]
            if i == j:
                low[i, i] = np.sqrt(max(value, 1e-12))
            else:
                low[i, j] = value / low[j, j]
    total = square[0] + square[1]
    for c in range(2):
        y = np.empty(d)
        for i in range(d):
            value = right[i, c]
            for k in range(i):
                value -= low[i, k] * y[k]
            y[i] = value / low[i, i]
            total -= y[i] * y[i]
    return max(total, 0.0)


@njit(cache=True)
def _partition(t, xy, sigma, per_piece, per_parameter, longest_s):  # type: ignore[no-untyped-def]
    n = t.shape[0]
    best = np.full(n + 1, 1e18)
    best[0] = -per_piece
    cut = np.zeros(n + 1, np.int64)
    gram = np.empty(7)
    right = np.empty((4, 2))
    square = np.empty(2)
    for i in range(n):
        gram[:] = 0.0
        right[:] = 0.0
        square[:] = 0.0
        base = best[i] + per_piece
        for j in range(i, n):
            span = t[j] - t[i]
            if span > longest_s and j > i + 1:
                break
            tau = span * 2.0
            weight = 1.0 / (sigma[j] * sigma[j])
            power = weight
            for k in range(7):
                gram[k] += power
                if k < 4:
                    right[k, 0] += power * (xy[j, 0] - xy[i, 0])
                    right[k, 1] += power * (xy[j, 1] - xy[i, 1])
                power *= tau
            square[0] += weight * (xy[j, 0] - xy[i, 0]) ** 2
            square[1] += weight * (xy[j, 1] - xy[i, 1]) ** 2
            count = j - i + 1
            low = 1e18
            top = min(3, count - 1)
            for degree in range(min(1, top), top + 1):
                cost = 0.5 * _solve_cost(gram, right, square, degree)
                cost += per_parameter * 2 * (degree + 1)
                if cost < low:
                    low = cost
            if base + low < best[j + 1]:
                best[j + 1] = base + low
                cut[j + 1] = i
    return cut


def cuts(
    t_s: Array, path_px: Array, sigma_px: Array, per_piece: float = 2.0,
    per_parameter: float = 1.0, longest_s: float = 3.0,
) -> NDArray[np.int64]:
    """Indices at which new pieces of a path (N, 2) start, without 0; ``sigma_px`` (N,)."""
    n = len(t_s)
    if n < 3:
        return np.zeros(0, dtype=np.int64)
    back = _partition(
        np.asarray(t_s, dtype=float), np.asarray(path_px, dtype=float),
        np.asarray(sigma_px, dtype=float), per_piece, per_parameter, longest_s,
    )
    found = []
    at = n
    while at > 0:
        at = int(back[at])
        if at > 0:
            found.append(at)
    return np.array(found[::-1], dtype=np.int64)


def _piece(t_s: Array, path_px: Array, at_s: Array, degree: int) -> Array:
    """Values (M, 2) at times (M,) of the polynomial through points (N, 2)."""
    centre, scale = t_s.mean(), max(float(np.ptp(t_s)), 1e-3)
    basis = np.vander((t_s - centre) / scale, degree + 1)
    coefficients = np.linalg.lstsq(basis, path_px, rcond=None)[0]
    values: Array = np.vander((at_s - centre) / scale, degree + 1) @ coefficients
    return values


def meetings(
    t_s: Array, path_px: Array, starts: NDArray[np.int64], period_s: float
) -> tuple[Array, Array]:
    """Times (K,) and places (K, 2) at which the pieces on both sides of each cut come closest.

    Only the nearest points of a piece (at most seven, within 0.3 s) are used, and times are sought
    from one frame before the last point of the earlier piece to one after the first of the later.
    """
    bounds = np.concatenate([[0], starts, [len(t_s)]])
    times = np.empty(len(starts))
    places = np.empty((len(starts), 2))
    for k, start in enumerate(starts):
        left = np.arange(max(bounds[k], start - 7), start)
        right = np.arange(start, min(bounds[k + 2], start + 7))
        left = left[t_s[left] >= t_s[start - 1] - 0.3]
        right = right[t_s[right] <= t_s[start] + 0.3]
        gap_low, gap_high = t_s[start - 1], t_s[start]
        if len(left) < 2 or len(right) < 2:
            times[k] = (gap_low + gap_high) / 2
            places[k] = (path_px[start - 1] + path_px[start]) / 2
            continue
        grid = np.linspace(gap_low - 0.9 * period_s, gap_high + 0.9 * period_s, 41)
        a = _piece(t_s[left], path_px[left], grid, 2 if len(left) >= 5 else 1)
        b = _piece(t_s[right], path_px[right], grid, 2 if len(right) >= 5 else 1)
        apart = np.linalg.norm(a - b, axis=1)
        # A slight preference for the gap itself, where the pieces run nearly parallel.
        outside = np.maximum(np.maximum(gap_low - grid, grid - gap_high), 0.0) / period_s
        best = int(np.argmin(apart + 1.5 * outside))
        times[k] = grid[best]
        places[k] = (a[best] + b[best]) / 2
    return times, places
