"""Light from the ground and all that stands still, and the net; pixel by pixel, linear.

Compiled by numba. Edges of painted lines are filtered exactly: the footprint of a pixel on the
ground is a parallelogram, its shadow on an axis a trapezoid, whose integral over a strip is known
in closed form.
"""

from __future__ import annotations

from math import floor, sqrt

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from rallymill.arena.shade_light import edge_light, paint_left
from rallymill.arena.shade_ray import (
    bilinear,
    ramp,
    ray,
    straight,
    strip,
)
from rallymill.arena.shade_surround import (
    crowd,
    crowd_near,
    far_away,
    wall,
)
from rallymill.arena.shade_venue import (
    V_AMBIENT,
    V_BAR_HALF,
    V_BROKEN,
    V_EDGE_ON,
    V_FADE,
    V_INNER,
    V_INNER_X,
    V_INNER_Y,
    V_LINE_OPACITY,
    V_OUTER,
    V_SEED,
    V_SIDE_X,
    V_SLOPE,
    V_STAND_DEPTH,
    V_TEXTURE,
    V_WALL_H,
    V_WALL_Y,
)

Array = NDArray[np.float64]
MAP_CELL_M = 0.25
MAP_X_M = 20.0
MAP_Y_M = 32.0
MANY = -1
NEAR_CROWD_M = 0.02
"""Pixels finer than this show shoulders, clothes and faces of the crowd."""


def paint_map(lines: Array) -> NDArray[np.int16]:
    """Which of the lines (N, 8) lies within a cell of a cell, over (y, x) from (-32, -20).

    0 stands for none, n + 1 for line n alone, ``MANY`` for several.
    """
    x = (np.arange(round(2 * MAP_X_M / MAP_CELL_M)) + 0.5) * MAP_CELL_M - MAP_X_M
    y = (np.arange(round(2 * MAP_Y_M / MAP_CELL_M)) + 0.5) * MAP_CELL_M - MAP_Y_M
    found = np.zeros((len(y), len(x)), dtype=np.int16)
    reach = 1.5 * MAP_CELL_M
    for n, (x0, x1, y0, y1, *_) in enumerate(lines):
        columns = (x > x0 - reach) & (x < x1 + reach)
        rows = (y > y0 - reach) & (y < y1 + reach)
        here = rows[:, None] & columns[None, :]
        found[here] = np.where(found[here] == 0, n + 1, MANY)
    return found


@njit(cache=True, fastmath=True, error_model="numpy", forceinline=True)
def ground(  # type: ignore[no-untyped-def]
    venue, lines, paint, sunlight, shadowed, tex0, tex1, tex2, x, y, ax, bx, ay, by
):
    """Light from a ground point; (ax, bx) and (ay, by) are the footprint's shadows in metres.

    ``sunlight`` (3,) is what all lamps together give a level ground, ``shadowed`` whether anything
    may keep it off.
    """
    ex = 0.5 * (ax + bx)
    ey = 0.5 * (ay + by)
    # Away from every edge the footprint holds one colour only.
    inside_x = venue[V_INNER_X] - abs(x)
    inside_y = venue[V_INNER_Y] - abs(y)
    if inside_x < -ex or inside_y < -ey:
        inner = 0.0
    elif inside_x > ex and inside_y > ey:
        inner = 1.0
    else:
        inner = strip(x, -venue[V_INNER_X], venue[V_INNER_X], ax, bx)
        inner *= strip(y, -venue[V_INNER_Y], venue[V_INNER_Y], ay, by)
    foot = 2.0 * max(ex, ey)
    # Textures reach from (-20, -32) with 5, 20 and 80 cm a sample.
    c = x + 20.0
    r = y + 32.0
    # Levels are mixed in narrow bands only: one look-up does nearly everywhere.
    if foot < 0.13:
        k = min(max((foot - 0.08) * 20.0, 0.0), 1.0)
        g = 0.0
        if k < 1.0:
            g = bilinear(tex0, r * 20.0 - 0.5, c * 20.0 - 0.5) * (1 - k)
        if k > 0.0:
            g += bilinear(tex1, r * 5.0 - 0.5, c * 5.0 - 0.5) * k
    else:
        k = min(max((foot - 0.35) * 5.0, 0.0), 1.0)
        g = 0.0
        if k < 1.0:
            g = bilinear(tex1, r * 5.0 - 0.5, c * 5.0 - 0.5) * (1 - k)
        if k > 0.0:
            g += bilinear(tex2, r * 1.25 - 0.5, c * 1.25 - 0.5) * k
    shade = 1.0 + venue[V_TEXTURE] * (g - 1.0)
    red = (venue[V_OUTER] + (venue[V_INNER] - venue[V_OUTER]) * inner) * shade
    green = (venue[V_OUTER + 1] + (venue[V_INNER + 1] - venue[V_OUTER + 1]) * inner) * shade
    blue = (venue[V_OUTER + 2] + (venue[V_INNER + 2] - venue[V_OUTER + 2]) * inner) * shade
    cover = 0.0
    paint_row = 0
    # A coarse map tells where any paint is near; wide footprints look at every line.
    first, last = 0, lines.shape[0]
    if foot < MAP_CELL_M:
        i = int(c * (1 / MAP_CELL_M))
        j = int(r * (1 / MAP_CELL_M))
        if 0 <= i < paint.shape[1] and 0 <= j < paint.shape[0]:
            near = paint[j, i]
            if near >= 0:
                first, last = near - 1, near
    if last > 0:
        for n in range(first, last):
            if x + ex < lines[n, 0] or x - ex > lines[n, 1]:
                continue
            if y + ey < lines[n, 2] or y - ey > lines[n, 3]:
                continue
            one = strip(x, lines[n, 0], lines[n, 1], ax, bx) * strip(
                y, lines[n, 2], lines[n, 3], ay, by
            )
            if one * lines[n, 4] > cover:
                cover = one * lines[n, 4]
                paint_row = n
    if cover > 0.0:
        # Dust and wear lie on the paint as they lie on the court.
        wear = min(max(1.0 - venue[V_FADE] * (1.0 + 4.0 * (1.0 - g)), 0.15), 1.0)
        k = cover * venue[V_LINE_OPACITY] * wear
        if venue[V_BROKEN] > 0.0:
            k *= paint_left(venue[V_BROKEN], int(venue[V_SEED]) + 17, x, y)
        red += (lines[paint_row, 5] - red) * k
        green += (lines[paint_row, 6] - green) * k
        blue += (lines[paint_row, 7] - blue) * k
    sun = 1.0
    if shadowed:
        sun = edge_light(venue, x, y)
    lr = venue[V_AMBIENT] + sunlight[0] * sun
    lg = venue[V_AMBIENT + 1] + sunlight[1] * sun
    lb = venue[V_AMBIENT + 2] + sunlight[2] * sun
    return red * lr, green * lg, blue * lb


@njit(parallel=True, fastmath=True, cache=True, error_model="numpy")
def background(  # type: ignore[no-untyped-def]
    cam, venue, lines, paint, lights, tex0, tex1, tex2, banner0, banner1, view, t_s, image
):
    """Fill ``image`` (H, W, 3) with everything that stands still; ``view`` is the panorama."""
    height, width, _ = image.shape
    f = cam[0]
    cx, cy, cz = cam[4], cam[5], cam[6]
    wall_y, side_x, wall_h = venue[V_WALL_Y], venue[V_SIDE_X], venue[V_WALL_H]
    slope, depth = venue[V_SLOPE], venue[V_STAND_DEPTH]
    lr, lg, lb = venue[V_AMBIENT], venue[V_AMBIENT + 1], venue[V_AMBIENT + 2]
    shadowed = venue[V_EDGE_ON] > 0.0 or venue[V_BAR_HALF] > 0.0
    sunlight = np.zeros(3)
    for n in range(lights.shape[0]):
        for c in range(3):
            sunlight[c] += lights[n, 3 + c] * max(lights[n, 2], 0.0)
        k = 0.45
        lr += lights[n, 3] * k
        lg += lights[n, 4] * k
        lb += lights[n, 5] * k
    # Shadows of a footprint on the ground's axes are linear in the ray: see the loop.
    turn_x = cam[7] * cam[12] - cam[10] * cam[9]
    turn_y = cam[8] * cam[12] - cam[11] * cam[9]
    row_x = cam[7] * cam[15] - cam[13] * cam[9]
    row_y = cam[8] * cam[15] - cam[14] * cam[9]
    column_x = cam[10] * cam[15] - cam[13] * cam[12]
    column_y = cam[11] * cam[15] - cam[14] * cam[12]
    inverse_f = 1.0 / f
    stretch = sqrt(1 + slope * slope)
    for v in prange(height):
        for u in range(width):
            across = (u - cam[1]) * inverse_f
            down = (v - cam[2]) * inverse_f
            if cam[3] != 0.0:
                k = straight(cam[3] * (across * across + down * down))
                across *= k
                down *= k
            dx = cam[7] * across + cam[10] * down + cam[13]
            dy = cam[8] * across + cam[11] * down + cam[14]
            dz = cam[9] * across + cam[12] * down + cam[15]
            if dz < -1e-6:
                inverse = 1.0 / dz
                t = -cz * inverse
                x = cx + t * dx
                y = cy + t * dy
                if abs(x) < side_x and y < wall_y:
                    k = cz * inverse * inverse * inverse_f
                    ax = abs(turn_x * down + row_x) * k
                    ay = abs(turn_y * down + row_y) * k
                    bx = abs(column_x - turn_x * across) * k
                    by = abs(column_y - turn_y * across) * k
                    r, g, b = ground(
                        venue, lines, paint, sunlight, shadowed, tex0, tex1, tex2, x, y, ax, bx,
                        ay, by,
                    )
                    image[v, u, 0] = r
                    image[v, u, 1] = g
                    image[v, u, 2] = b
                    continue
            ty = 1e9
            if dy > 1e-9 and cy < wall_y:
                ty = (wall_y - cy) / dy
            tx = 1e9
            sx = 1.0 if dx > 0 else -1.0
            if abs(dx) > 1e-9 and abs(cx) < side_x:
                tx = (sx * side_x - cx) / dx
            back = ty < tx
            t = ty if back else tx
            if t > 1e8:
                r, g, b = far_away(view, dx, dy, dz)
                image[v, u, 0] = r
                image[v, u, 1] = g
                image[v, u, 2] = b
                continue
            z = cz + t * dz
            foot = t * inverse_f
            done = False
            r = 0.0
            g = 0.0
            b = 0.0
            if z < wall_h:
                along = cx + t * dx if back else -sx * (cy + t * dy) + 37.0
                r, g, b = wall(venue, banner0, banner1, along + 60.0, z, foot)
                k = 0.72 if back else 0.6
                r *= k * lr
                g *= k * lg
                b *= k * lb
                done = True
            elif slope > 0.0:
                # Plane z = wall_h + slope * (distance beyond the wall).
                if back:
                    t = (wall_h - slope * wall_y - cz + slope * cy) / (dz - slope * dy)
                    up = cy + t * dy - wall_y
                    across = cx + t * dx
                else:
                    t = (wall_h - slope * side_x - cz + slope * sx * cx) / (dz - slope * sx * dx)
                    up = sx * (cx + t * dx) - side_x
                    across = cy + t * dy + 100.0
                if t > 0.0 and 0.0 <= up < depth:
                    foot = t * inverse_f
                    if foot < NEAR_CROWD_M:
                        r, g, b = crowd_near(venue, across, up * stretch, foot, t_s)
                    else:
                        r, g, b = crowd(venue, across, up * stretch, foot, t_s, False)
                    k = 0.8 if back else 0.65
                    r *= k * lr
                    g *= k * lg
                    b *= k * lb
                    done = True
            if not done:
                r, g, b = far_away(view, dx, dy, dz)
            image[v, u, 0] = r
            image[v, u, 1] = g
            image[v, u, 2] = b


@njit(cache=True, fastmath=True, error_model="numpy")
def net_layer(cam, net, light, image, alpha, x0, y0, x1, y1):  # type: ignore[no-untyped-def]
    """Draw the net over ``image`` in a box and note its opacity in ``alpha`` (H, W).

    ``net`` holds x of posts or sticks, centre height, post height, mesh opacity, colours of mesh
    and band (3 each), band depth and where the net ends; ``light`` the brightness (3,) on a
    vertical white surface.
    """
    f = cam[0]
    cx, cy, cz = cam[4], cam[5], cam[6]
    post_x = net[0]
    for v in range(y0, y1):
        for u in range(x0, x1):
            dx, dy, dz = ray(cam, float(u), float(v))
            if abs(dy) < 1e-9:
                continue
            t = -cy / dy
            if t <= 0.05:
                continue
            x = cx + t * dx
            z = cz + t * dz
            foot = max(t / f, 1e-4)
            top = net[1] + (net[2] - net[1]) * min(abs(x) / post_x, 1.0)
            across = ramp(net[11] - abs(x), foot)
            if across <= 0.0 or z > top + foot or z < -foot:
                continue
            band = ramp(top - z, foot) - ramp(top - net[10] - z, foot)
            mesh = ramp(top - net[10] - z, foot) * ramp(z - 0.02, foot)
            strap = mesh * (ramp(0.025 - abs(x), foot))
            cell = 0.045
            open_mesh = net[3]
            if foot < 0.02:
                # Near enough to see the cords.
                mx = abs(x / cell - floor(x / cell + 0.5)) * cell
                mz = abs(z / cell - floor(z / cell + 0.5)) * cell
                cord = max(ramp(0.002 - mx, foot), ramp(0.002 - mz, foot))
                k = min(max((0.02 - foot) / 0.012, 0.0), 1.0)
                open_mesh = open_mesh * (1 - k) + k * min(cord, 1.0)
            mesh_alpha = mesh * open_mesh * (1.0 - strap / max(mesh, 1e-6))
            solid = min(band + strap, 1.0)
            a = across * min(solid + mesh_alpha, 1.0)
            alpha[v, u] = a
            for c in range(3):
                colour = (net[7 + c] * solid + net[4 + c] * mesh_alpha) / max(
                    solid + mesh_alpha, 1e-6
                )
                image[v, u, c] = image[v, u, c] * (1 - a) + colour * light[c] * a
