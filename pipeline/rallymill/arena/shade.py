"""Light on ground, walls, stands and sky, pixel by pixel. Compiled by numba, linear light.

A camera travels as 16 numbers, see :func:`camera_vector`. Every ray is scaled so that its parameter
is the depth along the viewing axis. Edges of painted lines are filtered exactly: the footprint of a
pixel on the ground is a parallelogram, its shadow on an axis a trapezoid, whose integral over a
strip is known in closed form.
"""

from __future__ import annotations

from math import exp, floor, pi, sin, sqrt

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from rallymill.camera import Camera

Array = NDArray[np.float64]

# Places of the numbers in the vector of a venue, see scene.Venue.vector.
V_INNER = 0
V_OUTER = 3
V_LINE = 6
V_INNER_X = 9
V_INNER_Y = 10
V_LINE_OPACITY = 11
V_WALL_Y = 12
V_SIDE_X = 13
V_WALL_H = 14
V_WALL = 15
V_SLOPE = 18
V_STAND_DEPTH = 19
V_CROWD = 20
V_BEYOND = 21  # 0 sky over trees, 1 dark roof, 2 bright sky only
V_SKY = 22
V_BANNER_LOW = 25
V_BANNER_HIGH = 26
V_AMBIENT = 27
V_SEED = 30
V_FADE = 31
V_EDGE_ON = 32
V_EDGE_NX = 33
V_EDGE_NY = 34
V_EDGE_C = 35
V_TEXTURE = 36
V_SEAT = 37
V_FENCE = 40
V_HAZE = 41
V_SIZE = 48
MAP_CELL_M = 0.5
MAP_X_M = 20.0
MAP_Y_M = 32.0


def paint_map(lines: Array) -> NDArray[np.bool_]:
    """Where any of the lines (N, 5) lies within a cell of a cell, over (y, x) from (-32, -20)."""
    x = (np.arange(round(2 * MAP_X_M / MAP_CELL_M)) + 0.5) * MAP_CELL_M - MAP_X_M
    y = (np.arange(round(2 * MAP_Y_M / MAP_CELL_M)) + 0.5) * MAP_CELL_M - MAP_Y_M
    found = np.zeros((len(y), len(x)), dtype=np.bool_)
    reach = 1.5 * MAP_CELL_M
    for x0, x1, y0, y1, _ in lines:
        columns = (x > x0 - reach) & (x < x1 + reach)
        rows = (y > y0 - reach) & (y < y1 + reach)
        found |= rows[:, None] & columns[None, :]
    return found


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
def ray(cam, u, v):  # type: ignore[no-untyped-def]
    """Direction of the ray through an image point; unit depth along the viewing axis."""
    x = (u - cam[1]) / cam[0]
    y = (v - cam[2]) / cam[0]
    if cam[3] != 0.0:
        xd = x
        yd = y
        for _ in range(8):
            scale = 1.0 + cam[3] * (x * x + y * y)
            x = xd / scale
            y = yd / scale
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
def _ramp(x, width):  # type: ignore[no-untyped-def]
    return min(max(x / width + 0.5, 0.0), 1.0)


@njit(cache=True, fastmath=True, error_model="numpy", forceinline=True)
def edge_light(venue, x, y):  # type: ignore[no-untyped-def]
    """Share of sunlight at a ground point that is not cut off by the stands."""
    if venue[V_EDGE_ON] == 0.0:
        return 1.0
    return _ramp(venue[V_EDGE_NX] * x + venue[V_EDGE_NY] * y - venue[V_EDGE_C], 0.25)


@njit(cache=True, fastmath=True, error_model="numpy", forceinline=True)
def ground(  # type: ignore[no-untyped-def]
    venue, lines, paint, lights, tex0, tex1, tex2, x, y, ax, bx, ay, by
):
    """Light from a ground point; (ax, bx) and (ay, by) are the footprint's shadows in metres."""
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
    if foot < 0.2:
        k = max(foot - 0.05, 0.0) / 0.15
        g = bilinear(tex1, r / 0.2 - 0.5, c / 0.2 - 0.5) * k
        if k < 1.0:
            g += bilinear(tex0, r / 0.05 - 0.5, c / 0.05 - 0.5) * (1 - k)
    else:
        k = min((foot - 0.2) / 0.6, 1.0)
        g = bilinear(tex2, r / 0.8 - 0.5, c / 0.8 - 0.5) * k
        if k < 1.0:
            g += bilinear(tex1, r / 0.2 - 0.5, c / 0.2 - 0.5) * (1 - k)
    shade = 1.0 + venue[V_TEXTURE] * (g - 1.0)
    red = (venue[V_OUTER] + (venue[V_INNER] - venue[V_OUTER]) * inner) * shade
    green = (venue[V_OUTER + 1] + (venue[V_INNER + 1] - venue[V_OUTER + 1]) * inner) * shade
    blue = (venue[V_OUTER + 2] + (venue[V_INNER + 2] - venue[V_OUTER + 2]) * inner) * shade
    cover = 0.0
    # A coarse map tells where any paint is near; wide footprints look at every line.
    near = True
    if foot < MAP_CELL_M:
        i = int(c / MAP_CELL_M)
        j = int(r / MAP_CELL_M)
        if 0 <= i < paint.shape[1] and 0 <= j < paint.shape[0]:
            near = paint[j, i]
    if near:
        for n in range(lines.shape[0]):
            if x + ex < lines[n, 0] or x - ex > lines[n, 1]:
                continue
            if y + ey < lines[n, 2] or y - ey > lines[n, 3]:
                continue
            one = strip(x, lines[n, 0], lines[n, 1], ax, bx) * strip(
                y, lines[n, 2], lines[n, 3], ay, by
            )
            cover = max(cover, one * lines[n, 4])
    if cover > 0.0:
        # Dust and wear lie on the paint as they lie on the court.
        wear = min(max(1.0 - venue[V_FADE] * (1.0 + 4.0 * (1.0 - g)), 0.15), 1.0)
        k = cover * venue[V_LINE_OPACITY] * wear
        red += (venue[V_LINE] - red) * k
        green += (venue[V_LINE + 1] - green) * k
        blue += (venue[V_LINE + 2] - blue) * k
    sun = edge_light(venue, x, y)
    lr = venue[V_AMBIENT]
    lg = venue[V_AMBIENT + 1]
    lb = venue[V_AMBIENT + 2]
    for n in range(lights.shape[0]):
        k = max(lights[n, 2], 0.0) * sun
        lr += lights[n, 3] * k
        lg += lights[n, 4] * k
        lb += lights[n, 5] * k
    return red * lr, green * lg, blue * lb


@njit(cache=True, fastmath=True, error_model="numpy", forceinline=True)
def crowd(venue, across, up, foot, t_s):  # type: ignore[no-untyped-def]
    """Colour of a sloped stand at (across, up the slope): seats and people in rows."""
    seed = int(venue[V_SEED])
    row = floor(up / 0.85)
    fy = up / 0.85 - row
    a = across / 0.52 + 0.5 * (row & 1)
    seat = floor(a)
    fx = a - seat
    edge = max(foot / 0.5, 0.05)
    red = venue[V_SEAT] * 0.35
    green = venue[V_SEAT + 1] * 0.35
    blue = venue[V_SEAT + 2] * 0.35
    back = _ramp(0.55 - fy, edge) * _ramp(0.42 - abs(fx - 0.5), edge)
    red += venue[V_SEAT] * 0.6 * back
    green += venue[V_SEAT + 1] * 0.6 * back
    blue += venue[V_SEAT + 2] * 0.6 * back
    aisle = (floor(across / 0.52) % 23) == 0
    if not aisle and hash01(row, seat, seed) < venue[V_CROWD]:
        h1 = hash01(row, seat, seed + 1)
        h2 = hash01(row, seat, seed + 2)
        h3 = hash01(row, seat, seed + 3)
        cx = 0.5 + 0.16 * (h3 - 0.5)
        if h2 > 0.6:
            cx += 0.14 * sin(2 * pi * (t_s * (0.15 + 0.5 * h1) + h3))
        top = 0.46 + 0.12 * h1
        k = _ramp(top - fy, edge) * _ramp(0.4 - abs(fx - cx), edge)
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
        red += (cr - red) * k
        green += (cg - green) * k
        blue += (cb - blue) * k
        hy = (fy - top - 0.15) / 0.16
        hx = (fx - cx) / 0.19
        k = _ramp(1.0 - sqrt(hx * hx + hy * hy), edge * 5.0)
        tone = 0.12 + 0.45 * hash01(row, seat, seed + 4)
        hair = _ramp(hy - 0.15, edge * 6.0)
        cr = tone * 1.1 * (1 - hair) + 0.06 * hair
        cg = tone * 0.78 * (1 - hair) + 0.045 * hair
        cb = tone * 0.6 * (1 - hair) + 0.035 * hair
        red += (cr - red) * k
        green += (cg - green) * k
        blue += (cb - blue) * k
    fade = 0.55 + 0.45 * exp(-up / 14.0)
    return red * fade, green * fade, blue * fade


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
    cover = _ramp(z - low, max(foot, 0.01)) * _ramp(high - z, max(foot, 0.01))
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


@njit(parallel=True, fastmath=True, cache=True, error_model="numpy")
def background(  # type: ignore[no-untyped-def]
    cam, venue, lines, paint, lights, tex0, tex1, tex2, banner0, banner1, t_s, image
):
    """Fill ``image`` (H, W, 3) with everything that stands still."""
    height, width, _ = image.shape
    f = cam[0]
    cx, cy, cz = cam[4], cam[5], cam[6]
    wall_y, side_x, wall_h = venue[V_WALL_Y], venue[V_SIDE_X], venue[V_WALL_H]
    slope, depth = venue[V_SLOPE], venue[V_STAND_DEPTH]
    lr, lg, lb = venue[V_AMBIENT], venue[V_AMBIENT + 1], venue[V_AMBIENT + 2]
    for n in range(lights.shape[0]):
        k = 0.45
        lr += lights[n, 3] * k
        lg += lights[n, 4] * k
        lb += lights[n, 5] * k
    for v in prange(height):
        for u in range(width):
            dx, dy, dz = ray(cam, float(u), float(v))
            if dz < -1e-6:
                t = -cz / dz
                x = cx + t * dx
                y = cy + t * dy
                if abs(x) < side_x and y < wall_y:
                    k = cz / (dz * dz * f)
                    ax = abs(cam[7] * dz - dx * cam[9]) * k
                    ay = abs(cam[8] * dz - dy * cam[9]) * k
                    bx = abs(cam[10] * dz - dx * cam[12]) * k
                    by = abs(cam[11] * dz - dy * cam[12]) * k
                    r, g, b = ground(
                        venue, lines, paint, lights, tex0, tex1, tex2, x, y, ax, bx, ay, by
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
                r, g, b = beyond(venue, dx, dy, dz)
                image[v, u, 0] = r
                image[v, u, 1] = g
                image[v, u, 2] = b
                continue
            z = cz + t * dz
            foot = t / f
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
                    r, g, b = crowd(venue, across, up * sqrt(1 + slope * slope), t / f, t_s)
                    k = 0.8 if back else 0.65
                    r *= k * lr
                    g *= k * lg
                    b *= k * lb
                    done = True
            if not done:
                r, g, b = beyond(venue, dx, dy, dz)
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
            across = _ramp(net[11] - abs(x), foot)
            if across <= 0.0 or z > top + foot or z < -foot:
                continue
            band = _ramp(top - z, foot) - _ramp(top - net[10] - z, foot)
            mesh = _ramp(top - net[10] - z, foot) * _ramp(z - 0.02, foot)
            strap = mesh * (_ramp(0.025 - abs(x), foot))
            cell = 0.045
            open_mesh = net[3]
            if foot < 0.02:
                # Near enough to see the cords.
                mx = abs(x / cell - floor(x / cell + 0.5)) * cell
                mz = abs(z / cell - floor(z / cell + 0.5)) * cell
                cord = max(_ramp(0.002 - mx, foot), _ramp(0.002 - mz, foot))
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
