"""Light from stands, walls, boards and sky. Compiled by numba."""

from __future__ import annotations

from math import floor, pi, sin, sqrt

from numba import njit

from rallymill.arena.shade_ray import (
    bilinear,
    hash01,
    ramp,
    slope_at,
    value_noise,
)
from rallymill.arena.shade_venue import (
    V_BANNER_HIGH,
    V_BANNER_LOW,
    V_BEYOND,
    V_CROWD,
    V_FENCE,
    V_GLITTER,
    V_LAMPS,
    V_SEAT,
    V_SEED,
    V_SKY,
    V_WALL,
)

RISE_LOW = -0.4
RISE_HIGH = 0.9
PANORAMA_SIZE = (640, 1536)
"""Rows and columns of a panorama; what lies so far away is out of focus anyway."""


@njit(cache=True, fastmath=True, error_model="numpy", forceinline=True)
def crowd(venue, across, up, foot, t_s, near):  # type: ignore[no-untyped-def]
    """Colour of a sloped stand at (across, up the slope): seats and people in rows.

    ``near`` is whether people are so near that shoulders, clothes and faces are seen.
    """
    seed = int(venue[V_SEED])
    row = floor(up * (1 / 0.85))
    fy = up * (1 / 0.85) - row
    a = across * (1 / 0.52) + 0.5 * (row & 1)
    seat = floor(a)
    fx = a - seat
    edge = 1.0 / max(foot * 2.0, 0.05)
    red = venue[V_SEAT] * 0.35
    green = venue[V_SEAT + 1] * 0.35
    blue = venue[V_SEAT + 2] * 0.35
    back = slope_at(0.55 - fy, edge) * slope_at(0.42 - abs(fx - 0.5), edge)
    red += venue[V_SEAT] * 0.6 * back
    green += venue[V_SEAT + 1] * 0.6 * back
    blue += venue[V_SEAT + 2] * 0.6 * back
    aisle = (floor(across * (1 / 0.52)) % 23) == 0
    if not aisle and hash01(row, seat, seed) < venue[V_CROWD]:
        h1 = hash01(row, seat, seed + 1)
        h2 = hash01(row, seat, seed + 2)
        h3 = hash01(row, seat, seed + 3)
        cx = 0.5 + 0.16 * (h3 - 0.5)
        if h2 > 0.6:
            cx += 0.14 * sin(2 * pi * (t_s * (0.15 + 0.5 * h1) + h3))
        top = 0.46 + 0.12 * h1
        below = top - fy
        wide = 0.4
        if near:
            wide = 0.4 * sqrt(min(max(below, 0.0) * (0.6 + h1) * 6.0, 1.0))
        k = slope_at(below, edge) * slope_at(wide - abs(fx - cx), edge)
        # Clothes: mostly white, grey and dark, some of strong colour.
        base = 0.04 + 0.75 * h2 * h2
        if h1 < 0.45:
            cr = base
            cg = base
            cb = base * (0.95 + 0.15 * h3)
        else:
            phase = 2 * pi * h3
            cr = base * (0.55 + 0.5 * sin(phase))
            cg = base * (0.5 + 0.4 * sin(phase + 2.1))
            cb = base * (0.55 + 0.5 * sin(phase + 4.2))
        if near:
            # Arms, folds, an open collar.
            arm = slope_at(0.025 - abs(abs(fx - cx) - 0.27 + 0.1 * below), edge)
            fold = 0.85 + 0.3 * value_noise(fx * 7.0 + 13.0 * seat, fy * 9.0 + 7.0 * row, seed)
            fold *= 1.0 - 0.4 * arm
            if h3 > 0.5:
                fold *= 1.0 - 0.35 * slope_at(sin(fy * 60.0 * h3), 1.5) * (h1 > 0.5)
            cr *= fold
            cg *= fold
            cb *= fold
        red += (cr - red) * k
        green += (cg - green) * k
        blue += (cb - blue) * k
        if near:
            tone = 0.12 + 0.45 * hash01(row, seat, seed + 4)
            neck = slope_at(0.075 - abs(fx - cx), edge) * slope_at(0.09 - abs(below), edge)
            red += (tone * 0.95 - red) * neck
            green += (tone * 0.66 - green) * neck
            blue += (tone * 0.5 - blue) * neck
        hy = (fy - top - 0.15) * (1 / 0.16)
        hx = (fx - cx) * (1 / 0.19)
        k = slope_at(1.0 - sqrt(hx * hx + hy * hy), edge * 0.2)
        tone = 0.12 + 0.45 * hash01(row, seat, seed + 4)
        hair = slope_at(hy - 0.15, edge * (1 / 6.0))
        dye = 1.0
        if h3 > 0.6:
            dye = 1.0 + 7.0 * (h3 - 0.6)
        cr = tone * 1.1 * (1 - hair) + 0.06 * dye * hair
        cg = tone * 0.78 * (1 - hair) + 0.045 * dye * hair
        cb = tone * 0.6 * (1 - hair) + 0.035 * hair
        if near and foot < 0.03:
            # Eyes, mouth, the shade of brow and nose, hair down the sides.
            sharp = edge * 0.17
            turn = 0.3 * sin(2 * pi * (0.07 * t_s + h1))
            face = (hx - turn) * (hx - turn)
            eye = slope_at(0.11 - abs(abs(hx - turn) - 0.34), sharp)
            eye *= slope_at(0.07 - abs(hy + 0.1), sharp)
            mouth = slope_at(0.22 - abs(hx - turn), sharp) * slope_at(0.05 - abs(hy + 0.58), sharp)
            light = (1.05 - 0.35 * face) * (1.0 - 0.75 * eye) * (1.0 - 0.5 * mouth)
            light *= 1.0 - 0.12 * slope_at(hx - turn, sharp) * (1.0 - hair)
            if h2 > 0.55 and hair == 0.0:
                light *= 1.0 - 0.85 * slope_at(abs(hx) - 0.74, sharp)
            cr *= light
            cg *= light
            cb *= light
        red += (cr - red) * k
        green += (cg - green) * k
        blue += (cb - blue) * k
        if venue[V_GLITTER] > 0.0 and hash01(row, seat, seed + 6) < venue[V_GLITTER]:
            # Watches, glasses and screens that catch the light for a moment.
            beat = floor(t_s * (0.8 + 2.0 * h1) + 9.0 * h3)
            if hash01(seat, int(beat), seed + 7) < 0.3:
                gx = fx - cx
                gy = fy - top + 0.12
                spark = slope_at(0.12 - sqrt(gx * gx + gy * gy), edge * (1 / 1.5))
                red += (1.6 - red) * spark
                green += (1.6 - green) * spark
                blue += (1.6 - blue) * spark
    far = up * (1 / 14.0)
    fade = 0.55 + 0.45 / (1.0 + far * (1.0 + 0.5 * far))
    return red * fade, green * fade, blue * fade


@njit(cache=True, fastmath=True, error_model="numpy")
def crowd_near(venue, across, up, foot, t_s):  # type: ignore[no-untyped-def]
    """:func:`crowd` from nearby; kept apart, so that the usual, far one stays short."""
    return crowd(venue, across, up, foot, t_s, True)


@njit(cache=True, fastmath=True, error_model="numpy", forceinline=True)
def beyond(venue, dx, dy, dz):  # type: ignore[no-untyped-def]
    """What is seen over walls and stands: trees and sky, or a dark roof."""
    seed = int(venue[V_SEED])
    level = sqrt(dx * dx + dy * dy)
    rise = dz / max(level, 1e-6)
    side = dx / max(level, 1e-6)
    kind = venue[V_BEYOND]
    if kind == 1.0:
        glow = 0.03 + 0.02 * value_noise(side * 40.0, rise * 40.0, seed)
        if venue[V_LAMPS] > 0.0 and rise > 0.01:
            # Rows of lamps on a level ceiling, as far away as the view is flat.
            a = side / rise * venue[V_LAMPS]
            b = dy / (level * rise) * 0.7 * venue[V_LAMPS]
            a -= floor(a + 0.5)
            b -= floor(b + 0.5)
            size = 0.01 / (rise * rise) * venue[V_LAMPS]
            lamp = ramp(0.16 - abs(a), size) * ramp(0.09 - abs(b), size)
            glow += 2.2 * lamp * min(rise * 6.0, 1.0)
        return glow, glow, glow * 1.1
    if kind == 0.0:
        top = 0.06 + 0.09 * value_noise(side * 9.0, 3.0, seed)
        top += 0.03 * value_noise(side * 50.0, 7.0, seed)
        if rise < top:
            n = value_noise(side * 90.0, rise * 90.0, seed + 9)
            m = value_noise(side * 25.0, rise * 25.0, seed + 11)
            k = 0.25 + 0.5 * n + 0.5 * m
            return 0.05 * k, 0.085 * k, 0.03 * k
    k = min(max(rise * 1.6, 0.0), 1.0)
    return (
        venue[V_SKY] * (1 - 0.35 * k) + 0.1 * (1 - k),
        venue[V_SKY + 1] * (1 - 0.2 * k) + 0.1 * (1 - k),
        venue[V_SKY + 2],
    )


@njit(cache=True, fastmath=True, error_model="numpy")
def panorama(venue, out):  # type: ignore[no-untyped-def]
    """Fill ``out`` (H, W, 3) with :func:`beyond` over rise and sine of the azimuth."""
    height, width, _ = out.shape
    for i in range(height):
        rise = RISE_LOW + (RISE_HIGH - RISE_LOW) * i / (height - 1)
        for j in range(width):
            side = -1.0 + 2.0 * j / (width - 1)
            r, g, b = beyond(venue, side, sqrt(max(1.0 - side * side, 0.0)), rise)
            out[i, j, 0] = r
            out[i, j, 1] = g
            out[i, j, 2] = b


@njit(cache=True, fastmath=True, error_model="numpy", forceinline=True)
def far_away(view, dx, dy, dz):  # type: ignore[no-untyped-def]
    """Colour from a :func:`panorama` in a direction."""
    level = 1.0 / max(sqrt(dx * dx + dy * dy), 1e-6)
    height, width, _ = view.shape
    row = (dz * level - RISE_LOW) * ((height - 1) / (RISE_HIGH - RISE_LOW))
    column = (dx * level + 1.0) * (0.5 * (width - 1))
    row = min(max(row, 0.0), height - 1.001)
    column = min(max(column, 0.0), width - 1.001)
    i = int(row)
    j = int(column)
    fr = row - i
    fc = column - j
    a = (1 - fr) * (1 - fc)
    b = (1 - fr) * fc
    c = fr * (1 - fc)
    d = fr * fc
    top = view[i]
    low = view[i + 1]
    k = j + 1
    return (
        top[j, 0] * a + top[k, 0] * b + low[j, 0] * c + low[k, 0] * d,
        top[j, 1] * a + top[k, 1] * b + low[j, 1] * c + low[k, 1] * d,
        top[j, 2] * a + top[k, 2] * b + low[j, 2] * c + low[k, 2] * d,
    )


@njit(cache=True, fastmath=True, error_model="numpy", forceinline=True)
def wall(venue, banner0, banner1, along, z, foot):  # type: ignore[no-untyped-def]
    """Colour of a wall at a distance along it and a height, with its advertising boards."""
    low = venue[V_BANNER_LOW]
    high = venue[V_BANNER_HIGH]
    red = venue[V_WALL]
    green = venue[V_WALL + 1]
    blue = venue[V_WALL + 2]
    if venue[V_FENCE] > 0.0:
        n = value_noise(along * 1.3, z * 0.8, int(venue[V_SEED]) + 5)
        post = abs(along / 3.0 - floor(along / 3.0 + 0.5)) * 3.0
        k = 0.8 + 0.4 * n
        if post < 0.04:
            k *= 0.55
        red *= k
        green *= k
        blue *= k
    cover = ramp(z - low, max(foot, 0.01)) * ramp(high - z, max(foot, 0.01))
    if cover > 0.0:
        texture = banner0 if foot < 0.03 else banner1
        h, w = texture.shape[0], texture.shape[1]
        size = (high - low) / h
        column = along / size
        column = column - floor(column / (w - 1)) * (w - 1)
        row = (high - z) / size - 0.5
        br = bilinear(texture[:, :, 0], row, column)
        bg = bilinear(texture[:, :, 1], row, column)
        bb = bilinear(texture[:, :, 2], row, column)
        red += (br - red) * cover
        green += (bg - green) * cover
        blue += (bb - blue) * cover
    return red, green, blue
