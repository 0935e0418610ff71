"""Which ground points the sun reaches, and how worn paint is. Compiled by numba."""

from __future__ import annotations

from math import floor

from numba import njit

from rallymill.arena.shade_ray import ramp, value_noise
from rallymill.arena.shade_venue import (
    V_BAR_HALF,
    V_BAR_NX,
    V_BAR_NY,
    V_BAR_OFFSET,
    V_BAR_PERIOD,
    V_DAPPLE,
    V_EDGE_C,
    V_EDGE_NX,
    V_EDGE_NY,
    V_EDGE_ON,
    V_SEED,
    V_TIME,
)


@njit(cache=True, fastmath=True, error_model="numpy", forceinline=True)
def edge_light(venue, x, y):  # type: ignore[no-untyped-def]
    """Share of sunlight at a ground point that stands, masts and trees let through."""
    share = 1.0
    if venue[V_EDGE_ON] > 0.0:
        share = ramp(venue[V_EDGE_NX] * x + venue[V_EDGE_NY] * y - venue[V_EDGE_C], 0.25)
        if venue[V_DAPPLE] > 0.0 and share < 1.0:
            # Sunlight through leaves that sway: bright spots in the shade.
            seed = int(venue[V_SEED]) + 31
            sway = 0.08 * venue[V_TIME]
            n = 0.5 * value_noise(x * 1.1 + sway, y * 0.9 - sway, seed)
            n += 0.3 * value_noise(x * 3.1 - 2.0 * sway, y * 2.3, seed + 1)
            n += 0.2 * value_noise(x * 8.3, y * 6.1 + 3.0 * sway, seed + 2)
            spot = min(max((n - 0.53) * 4.5, 0.0), 1.0)
            share = max(share, spot * venue[V_DAPPLE])
    if venue[V_BAR_HALF] > 0.0:
        d = venue[V_BAR_NX] * x + venue[V_BAR_NY] * y - venue[V_BAR_OFFSET]
        period = venue[V_BAR_PERIOD]
        if period > 0.0:
            d -= period * floor(d / period + 0.5)
        share *= ramp(abs(d) - venue[V_BAR_HALF], 0.06)
    return share


@njit(cache=True, fastmath=True, error_model="numpy", forceinline=True)
def paint_left(broken, seed, x, y):  # type: ignore[no-untyped-def]
    """Share of a line's paint that is left at a place, 1 where ``broken`` is 0."""
    n = 0.55 * value_noise(x * 1.3, y * 1.3, seed) + 0.45 * value_noise(x * 7.0, y * 7.0, seed + 1)
    return 1.0 - broken * min(max((n - 0.48) * 5.0, 0.0), 1.0)
