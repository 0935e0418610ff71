"""Cast rays at the solids of bodies and at the ball. Compiled by numba.

A solid is drawn over its own box only, into a small buffer of several samples a pixel; each sample
has its own place in the pixel and its own moment of the shutter, so edges are smooth and limbs
blur. A tapered capsule is met at the point of its axis nearest to the ray, which is exact for
cylinders and spheres and close for slender cones.
"""

from __future__ import annotations

from math import ceil, floor, sqrt

import numpy as np
from numba import njit
from numpy.typing import NDArray

from rallymill.arena.shade_mesh import fill, light_up
from rallymill.arena.shade_ray import hash01, ray, to_image

Array = NDArray[np.float64]


@njit(cache=True, fastmath=True, error_model="numpy", forceinline=True)
def nearest(ox, oy, oz, dx, dy, dz, s):  # type: ignore[no-untyped-def]
    """Squared distance of a ray and a capsule's axis, radius there, ray and axis parameters."""
    ax = s[5] - s[1]
    ay = s[6] - s[2]
    az = s[7] - s[3]
    wx = ox - s[1]
    wy = oy - s[2]
    wz = oz - s[3]
    a = dx * dx + dy * dy + dz * dz
    b = dx * ax + dy * ay + dz * az
    c = ax * ax + ay * ay + az * az
    d = dx * wx + dy * wy + dz * wz
    e = ax * wx + ay * wy + az * wz
    det = a * c - b * b
    k = 0.0
    if det > 1e-12 * a * max(c, 1e-9):
        k = (a * e - b * d) / det
    if k < 0.0:
        k = 0.0
    elif k > 1.0:
        k = 1.0
    t = (b * k - d) / a
    px = wx + dx * t - ax * k
    py = wy + dy * t - ay * k
    pz = wz + dz * t - az * k
    return px * px + py * py + pz * pz, s[4] + (s[8] - s[4]) * k, t, k, a


@njit(cache=True, fastmath=True, error_model="numpy", forceinline=True)
def _box(cam, s, width, height):  # type: ignore[no-untyped-def]
    """Box (x0, y0, x1, y1) of a solid in the picture, x1 and y1 left out; empty if behind."""
    u0, v0, d0 = to_image(cam, s[1], s[2], s[3])
    u1, v1, d1 = to_image(cam, s[5], s[6], s[7])
    if d0 < 0.2 or d1 < 0.2:
        return 0, 0, 0, 0
    r0 = 1.15 * cam[0] * s[4] / max(d0 - s[4], 0.2) + 1.5
    r1 = 1.15 * cam[0] * s[8] / max(d1 - s[8], 0.2) + 1.5
    x0 = max(floor(min(u0 - r0, u1 - r1)), 0)
    x1 = min(ceil(max(u0 + r0, u1 + r1)) + 1, width)
    y0 = max(floor(min(v0 - r0, v1 - r1)), 0)
    y1 = min(ceil(max(v0 + r0, v1 + r1)) + 1, height)
    return x0, y0, x1, y1


@njit(cache=True)
def body_box(cam, solids, counts, width, height):  # type: ignore[no-untyped-def]
    """Box around all solids (T, N, SOLID_SIZE) at all moments; all zero where out of view."""
    bx0, by0, bx1, by1 = width, height, 0, 0
    for m in range(solids.shape[0]):
        for n in range(counts[m]):
            x0, y0, x1, y1 = _box(cam, solids[m, n], width, height)
            if x1 > x0 and y1 > y0:
                bx0 = min(bx0, x0)
                by0 = min(by0, y0)
                bx1 = max(bx1, x1)
                by1 = max(by1, y1)
    if bx1 <= bx0 or by1 <= by0:
        return 0, 0, 0, 0
    return bx0, by0, bx1, by1


@njit(cache=True, fastmath=True, error_model="numpy")
def _cast(  # type: ignore[no-untyped-def]
    cam, solids, counts, offsets, ambient, lights, sun, box, width, height, strength,
    zbuf, colour, part
):
    """Cast rays at solids (T, N, SOLID_SIZE) into sample buffers (h, w, S) over a box."""
    bx0, by0, _, _ = box
    h, w, samples = zbuf.shape
    moments = solids.shape[0]
    for m in range(moments):
        for n in range(counts[m]):
            s = solids[m, n]
            x0, y0, x1, y1 = _box(cam, s, width, height)
            kind = s[0]
            for v in range(y0, y1):
                for u in range(x0, x1):
                    for k in range(m, samples, moments):
                        dx, dy, dz = ray(cam, u + offsets[k, 0], v + offsets[k, 1])
                        nx = 0.0
                        ny = 0.0
                        nz = 1.0
                        t = 0.0
                        if kind == 0.0:
                            d2, r, t, _, a = nearest(cam[4], cam[5], cam[6], dx, dy, dz, s)
                            chance = s[13]
                            # Too thin to be met by samples: widen it and thin it out.
                            least = 0.45 * t / cam[0]
                            if r < least:
                                chance *= r / least
                                r = least
                            if d2 >= r * r:
                                continue
                            if chance < 1.0 and hash01(u, v, k + 7 * m) > chance:
                                continue
                            t -= sqrt((r * r - d2) / a)
                            px = cam[4] + dx * t - s[1]
                            py = cam[5] + dy * t - s[2]
                            pz = cam[6] + dz * t - s[3]
                            ax = s[5] - s[1]
                            ay = s[6] - s[2]
                            az = s[7] - s[3]
                            c = ax * ax + ay * ay + az * az
                            q = 0.0
                            if c > 1e-9:
                                q = min(max((px * ax + py * ay + pz * az) / c, 0.0), 1.0)
                            nx = px - ax * q
                            ny = py - ay * q
                            nz = pz - az * q
                        elif kind == 1.0:
                            wx = cam[4] - s[1]
                            wy = cam[5] - s[2]
                            wz = cam[6] - s[3]
                            o0 = s[14] * wx + s[15] * wy + s[16] * wz
                            o1 = s[17] * wx + s[18] * wy + s[19] * wz
                            o2 = s[20] * wx + s[21] * wy + s[22] * wz
                            d0 = s[14] * dx + s[15] * dy + s[16] * dz
                            d1 = s[17] * dx + s[18] * dy + s[19] * dz
                            e2 = s[20] * dx + s[21] * dy + s[22] * dz
                            aa = d0 * d0 + d1 * d1 + e2 * e2
                            bb = o0 * d0 + o1 * d1 + o2 * e2
                            cc = o0 * o0 + o1 * o1 + o2 * o2 - 1.0
                            disc = bb * bb - aa * cc
                            if disc <= 0.0:
                                continue
                            t = (-bb - sqrt(disc)) / aa
                            q0 = o0 + d0 * t
                            q1 = o1 + d1 * t
                            q2 = o2 + e2 * t
                            nx = s[14] * q0 + s[17] * q1 + s[20] * q2
                            ny = s[15] * q0 + s[18] * q1 + s[21] * q2
                            nz = s[16] * q0 + s[19] * q1 + s[22] * q2
                        else:
                            facing = s[20] * dx + s[21] * dy + s[22] * dz
                            if abs(facing) < 1e-6:
                                continue
                            wx = s[1] - cam[4]
                            wy = s[2] - cam[5]
                            wz = s[3] - cam[6]
                            t = (s[20] * wx + s[21] * wy + s[22] * wz) / facing
                            px = dx * t - wx
                            py = dy * t - wy
                            pz = dz * t - wz
                            q0 = s[14] * px + s[15] * py + s[16] * pz
                            q1 = s[17] * px + s[18] * py + s[19] * pz
                            if q0 * q0 + q1 * q1 > 1.0:
                                continue
                            # Strings let most of the light through, evenly over the samples.
                            if (3 * u + 5 * v + k) % 8 != 0:
                                continue
                        i = v - by0
                        j = u - bx0
                        if i < 0 or j < 0 or i >= h or j >= w:
                            continue
                        if t >= zbuf[i, j, k] or t < 0.1:
                            continue
                        length = sqrt(nx * nx + ny * ny + nz * nz)
                        nx /= max(length, 1e-9)
                        ny /= max(length, 1e-9)
                        nz /= max(length, 1e-9)
                        # Sky from above, a little from the ground, lights with soft shoulders.
                        lr = ambient[0] * (0.66 + 0.34 * nz)
                        lg = ambient[1] * (0.66 + 0.34 * nz)
                        lb = ambient[2] * (0.66 + 0.34 * nz)
                        for q in range(lights.shape[0]):
                            dot = nx * lights[q, 0] + ny * lights[q, 1] + nz * lights[q, 2]
                            if dot > 0.0:
                                dot *= sun
                                lr += lights[q, 3] * dot
                                lg += lights[q, 4] * dot
                                lb += lights[q, 5] * dot
                        zbuf[i, j, k] = t
                        colour[i, j, k, 0] = s[9] * lr * strength
                        colour[i, j, k, 1] = s[10] * lg * strength
                        colour[i, j, k, 2] = s[11] * lb * strength
                        part[i, j, k] = 1 if s[12] == 0.0 else 2


@njit(cache=True, fastmath=True, error_model="numpy")
def _resolve(box, zbuf, colour, part, image, depth, owner, number):  # type: ignore[no-untyped-def]
    """Lay samples over the picture; returns the pixels of the body's silhouette."""
    bx0, by0, _, _ = box
    h, w, samples = zbuf.shape
    silhouette = 0
    for i in range(h):
        for j in range(w):
            count = 0
            body = 0
            r = 0.0
            g = 0.0
            b = 0.0
            near = 1e9
            for k in range(samples):
                if part[i, j, k] > 0:
                    count += 1
                    r += colour[i, j, k, 0]
                    g += colour[i, j, k, 1]
                    b += colour[i, j, k, 2]
                    if part[i, j, k] == 1:
                        body += 1
                        near = min(near, zbuf[i, j, k])
            if count == 0:
                continue
            rest = 1.0 - count / samples
            v = i + by0
            u = j + bx0
            image[v, u, 0] = image[v, u, 0] * rest + r / samples
            image[v, u, 1] = image[v, u, 1] * rest + g / samples
            image[v, u, 2] = image[v, u, 2] * rest + b / samples
            if 3 * body >= samples:
                silhouette += 1
                owner[v, u] = number
                depth[v, u] = near
    return silhouette


@njit(cache=True, fastmath=True, error_model="numpy")
def draw_body(  # type: ignore[no-untyped-def]
    cam, solids, counts, offsets, ambient, lights, sun, box, image, depth, owner, number, strength
):
    """Draw solids (T, N, SOLID_SIZE); returns pixels of their silhouette without rackets.

    ``offsets`` (S, 2) are the samples' places; sample k shows moment k mod T. ``depth`` (H, W)
    takes the nearest depth, ``owner`` (H, W) the body's ``number`` where it covers a third of the
    pixel or more. ``strength`` lights the body up or down.
    """
    bx0, by0, bx1, by1 = box
    samples = offsets.shape[0]
    zbuf = np.full((by1 - by0, bx1 - bx0, samples), 1e9, dtype=np.float32)
    colour = np.zeros((by1 - by0, bx1 - bx0, samples, 3), dtype=np.float32)
    part = np.zeros((by1 - by0, bx1 - bx0, samples), dtype=np.uint8)
    height, width = depth.shape
    _cast(
        cam, solids, counts, offsets, ambient, lights, sun, box, width, height, strength,
        zbuf, colour, part,
    )
    return _resolve(box, zbuf, colour, part, image, depth, owner, number)


@njit(cache=True, fastmath=True, error_model="numpy")
def draw_person(  # type: ignore[no-untyped-def]
    cam, solids, counts, places, facing, image_places, reference, sky, faces, material, cover_m,
    colours, pattern, offsets, ambient, lights, sun, box, image, depth, owner, number, strength,
    zbuf, colour, part, face_of, share_of
):
    """Draw a mesh in T moments (T, V, 3) and the solids (racket) that it carries.

    See :func:`draw_body` for the rest, :class:`body_mesh.BodyMesh` for the mesh. The last five are
    buffers (h, w, S, ...) whose content does not matter: fresh memory is slow to touch.
    """
    bx0, by0, _, by1 = box
    moments = places.shape[0]
    height, width = depth.shape
    zbuf[:] = 1e9
    part[:] = 0
    face_of[:] = -1
    _cast(
        cam, solids, counts, offsets, ambient, lights, sun, box, width, height, strength,
        zbuf, colour, part,
    )
    for m in range(moments):
        fill(
            image_places[m], m, faces, material, cover_m, offsets, moments, bx0, by0, zbuf,
            face_of, share_of,
        )
    fine = min(max((by1 - by0 - 90) / 250.0, 0.0), 1.0)
    light_up(
        cam[4:7], places, facing, reference, sky, faces, material, colours, pattern, fine, lights,
        ambient, sun, strength, moments, face_of, share_of, colour, part,
    )
    return _resolve(box, zbuf, colour, part, image, depth, owner, number)


@njit(cache=True)
def owned_box(owner, number, box):  # type: ignore[no-untyped-def]
    """Box and number of pixels that a body owns within a box; zeros where none."""
    x0, y0, x1, y1 = box
    count = 0
    bx0, by0, bx1, by1 = x1, y1, x0 - 1, y0 - 1
    for v in range(y0, y1):
        for u in range(x0, x1):
            if owner[v, u] == number:
                count += 1
                bx0 = min(bx0, u)
                bx1 = max(bx1, u)
                by0 = min(by0, v)
                by1 = max(by1, v)
    return bx0, by0, bx1, by1, count


@njit(cache=True, fastmath=True, error_model="numpy")
def draw_ball(cam, points, radius, colour, depth, side, image, near_cover):  # type: ignore[no-untyped-def]
    """Draw a ball that moves along ``points`` (N, 3) during the shutter; only those on one side.

    ``side`` is 0 for all points or the sign of y of those to draw. Coverage is spread so that
    each moment's disc has its exact area. Returns whole, shown and in-frame coverage in pixels.
    """
    height, width, _ = image.shape
    n = points.shape[0]
    whole = 0.0
    shown = 0.0
    u0 = 1e9
    u1 = -1e9
    v0 = 1e9
    v1 = -1e9
    for i in range(n):
        u, v, d = to_image(cam, points[i, 0], points[i, 1], points[i, 2])
        if d < 0.3:
            return 0.0, 0.0
        r = cam[0] * radius / d
        whole += 3.14159265 * r * r / n
        if side * points[i, 1] < 0.0:
            continue
        u0 = min(u0, u - r - 2)
        u1 = max(u1, u + r + 2)
        v0 = min(v0, v - r - 2)
        v1 = max(v1, v + r + 2)
    x0 = max(floor(u0), 0) if u0 < 1e8 else 0
    x1 = min(ceil(u1) + 1, width) if u0 < 1e8 else 0
    y0 = max(floor(v0), 0) if u0 < 1e8 else 0
    y1 = min(ceil(v1) + 1, height) if u0 < 1e8 else 0
    if x1 <= x0 or y1 <= y0:
        return whole, 0.0
    cover = np.zeros((y1 - y0, x1 - x0))
    light = np.zeros((y1 - y0, x1 - x0))
    for i in range(n):
        if side * points[i, 1] < 0.0:
            continue
        u, v, d = to_image(cam, points[i, 0], points[i, 1], points[i, 2])
        r = cam[0] * radius / d
        area = 3.14159265 * r * r
        reach = max(r, 0.5) + 0.5
        total = 0.0
        for pv in range(floor(v - reach), ceil(v + reach) + 1):
            for pu in range(floor(u - reach), ceil(u + reach) + 1):
                total += min(max(reach - sqrt((pu - u) ** 2 + (pv - v) ** 2), 0.0), 1.0)
        if total <= 0.0:
            continue
        scale = area / total / n
        for pv in range(max(floor(v - reach), y0), min(ceil(v + reach) + 1, y1)):
            for pu in range(max(floor(u - reach), x0), min(ceil(u + reach) + 1, x1)):
                k = min(max(reach - sqrt((pu - u) ** 2 + (pv - v) ** 2), 0.0), 1.0) * scale
                if k <= 0.0 or depth[pv, pu] < d - radius:
                    continue
                cover[pv - y0, pu - x0] += k
                light[pv - y0, pu - x0] += k * (0.86 + 0.26 * (v - pv) / max(r, 1.0))
    for i in range(y1 - y0):
        for j in range(x1 - x0):
            k = min(cover[i, j], 1.0)
            if k <= 0.0:
                continue
            shown += k * near_cover[i + y0, j + x0]
            bright = light[i, j] / cover[i, j]
            for c in range(3):
                image[i + y0, j + x0, c] = (
                    image[i + y0, j + x0, c] * (1 - k) + colour[c] * bright * k
                )
    return whole, shown
