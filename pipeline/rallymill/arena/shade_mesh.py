"""Draw meshes of bodies with a depth buffer, several samples a pixel. Compiled by numba.

Triangles are filled sample by sample; each sample keeps the nearest triangle and where in it the
sample lies. Light and paint are worked out afterwards, once for every sample that shows something.
"""

from __future__ import annotations

from math import ceil, floor

import numpy as np
from numba import njit

from rallymill.arena.shade_paint import paint
from rallymill.arena.shade_ray import to_image

BOTH_SIDES = 2
LAST_BOTH_SIDES = 6
"""Materials from BOTH_SIDES to LAST_BOTH_SIDES are cloth, seen from within as well."""


@njit(cache=True, fastmath=True, error_model="numpy")
def mesh_box(cam, places, image_places, width, height):  # type: ignore[no-untyped-def]
    """Project vertices (T, V, 3) to ``image_places`` (u, v, depth); box of all of them.

    The box is (x0, y0, x1, y1), x1 and y1 left out; all zero where out of view or too near.
    """
    u0, v0, u1, v1 = 1e9, 1e9, -1e9, -1e9
    for m in range(places.shape[0]):
        for n in range(places.shape[1]):
            u, v, d = to_image(cam, places[m, n, 0], places[m, n, 1], places[m, n, 2])
            if d < 0.2:
                return 0, 0, 0, 0
            image_places[m, n, 0] = u
            image_places[m, n, 1] = v
            image_places[m, n, 2] = d
            u0 = min(u0, u)
            u1 = max(u1, u)
            v0 = min(v0, v)
            v1 = max(v1, v)
    x0 = max(floor(u0), 0)
    y0 = max(floor(v0), 0)
    x1 = min(ceil(u1) + 1, width)
    y1 = min(ceil(v1) + 1, height)
    if x1 <= x0 or y1 <= y0:
        return 0, 0, 0, 0
    return x0, y0, x1, y1


@njit(cache=True, fastmath=True, error_model="numpy")
def fill(  # type: ignore[no-untyped-def]
    points, moment, faces, material, cover_m, offsets, moments, x0, y0, zbuf, face_of, share_of
):
    """Fill triangles of one moment into buffers (h, w, S); ``points`` (V, 3) from mesh_box."""
    h, w, samples = zbuf.shape
    shift = np.empty((samples, 2))
    for f in range(faces.shape[0]):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        ua, va = points[a, 0] - x0, points[a, 1] - y0
        ub, vb = points[b, 0] - x0, points[b, 1] - y0
        uc, vc = points[c, 0] - x0, points[c, 1] - y0
        area = (ub - ua) * (vc - va) - (uc - ua) * (vb - va)
        kind = material[f]
        if area >= 0.0 and not (BOTH_SIDES <= kind <= LAST_BOTH_SIDES):
            continue
        if abs(area) < 1e-9:
            continue
        inverse = 1.0 / area
        left = max(floor(min(ua, min(ub, uc)) + 0.5), 0)
        right = min(floor(max(ua, max(ub, uc)) + 0.5), w - 1)
        top = max(floor(min(va, min(vb, vc)) + 0.5), 0)
        bottom = min(floor(max(va, max(vb, vc)) + 0.5), h - 1)
        # Shares of b and c are linear in the picture.
        bu, bv = (vc - va) * inverse, -(uc - ua) * inverse
        cu, cv = -(vb - va) * inverse, (ub - ua) * inverse
        nearer = cover_m[kind]
        depth_a = points[a, 2] - nearer
        depth_b = points[b, 2] - nearer
        depth_c = points[c, 2] - nearer
        # How far the shares can be from those at the pixel's centre.
        spread_b = 0.5 * (abs(bu) + abs(bv))
        spread_c = 0.5 * (abs(cu) + abs(cv))
        spread_a = 0.5 * (abs(bu + cu) + abs(bv + cv))
        for k in range(moment, samples, moments):
            shift[k, 0] = offsets[k, 0] * bu + offsets[k, 1] * bv
            shift[k, 1] = offsets[k, 0] * cu + offsets[k, 1] * cv
        slope_b = depth_b - depth_a
        slope_c = depth_c - depth_a
        for i in range(top, bottom + 1):
            row_b = (i - va) * bv - ua * bu
            row_c = (i - va) * cv - ua * cu
            for j in range(left, right + 1):
                mid_b = row_b + j * bu
                mid_c = row_c + j * cu
                if (
                    mid_b < -spread_b or mid_c < -spread_c
                    or mid_b + mid_c > 1.0 + spread_a
                ):
                    continue
                for k in range(moment, samples, moments):
                    sb = mid_b + shift[k, 0]
                    sc = mid_c + shift[k, 1]
                    if sb < 0.0 or sc < 0.0 or sb + sc > 1.0:
                        continue
                    t = depth_a + slope_b * sb + slope_c * sc
                    if t < zbuf[i, j, k]:
                        zbuf[i, j, k] = t
                        face_of[i, j, k] = f
                        share_of[i, j, k, 0] = sb
                        share_of[i, j, k, 1] = sc


@njit(cache=True, fastmath=True, error_model="numpy", forceinline=True)
def turned_away(places, m, a, b, c, eye):  # type: ignore[no-untyped-def]
    """Positive where the triangle of vertices a, b, c at moment m shows its inner side."""
    px, py, pz = places[m, a, 0], places[m, a, 1], places[m, a, 2]
    bx, by, bz = places[m, b, 0] - px, places[m, b, 1] - py, places[m, b, 2] - pz
    cx, cy, cz = places[m, c, 0] - px, places[m, c, 1] - py, places[m, c, 2] - pz
    return (
        (by * cz - bz * cy) * (px - eye[0]) + (bz * cx - bx * cz) * (py - eye[1])
        + (bx * cy - by * cx) * (pz - eye[2])
    )


@njit(cache=True, fastmath=True, error_model="numpy")
def light_up(  # type: ignore[no-untyped-def]
    eye, places, facing, reference, sky, faces, material, colours, pattern, fine, lights, ambient,
    sun, strength, moments, face_of, share_of, colour, part
):
    """Colour the samples (h, w, S) that show a triangle, see :func:`fill`.

    Samples of one pixel that show the same triangle share their colour.
    """
    h, w, samples = face_of.shape
    rgb = np.empty(3)
    for i in range(h):
        for j in range(w):
            before = -1
            red, green, blue = 0.0, 0.0, 0.0
            for k in range(samples):
                f = face_of[i, j, k]
                if f < 0:
                    continue
                part[i, j, k] = 1
                if f != before:
                    before = f
                    m = k % moments
                    a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
                    sb = share_of[i, j, k, 0]
                    sc = share_of[i, j, k, 1]
                    sa = 1.0 - sb - sc
                    nx = facing[m, a, 0] * sa + facing[m, b, 0] * sb + facing[m, c, 0] * sc
                    ny = facing[m, a, 1] * sa + facing[m, b, 1] * sb + facing[m, c, 1] * sc
                    nz = facing[m, a, 2] * sa + facing[m, b, 2] * sb + facing[m, c, 2] * sc
                    kind = material[f]
                    if BOTH_SIDES <= kind <= LAST_BOTH_SIDES:
                        away = (
                            nx * (places[m, a, 0] - eye[0]) + ny * (places[m, a, 1] - eye[1])
                            + nz * (places[m, a, 2] - eye[2])
                        )
                        if away > 0.0 and turned_away(places, m, a, b, c, eye) > 0.0:
                            nx, ny, nz = -nx, -ny, -nz
                    x = reference[a, 0] * sa + reference[b, 0] * sb + reference[c, 0] * sc
                    y = reference[a, 1] * sa + reference[b, 1] * sb + reference[c, 1] * sc
                    z = reference[a, 2] * sa + reference[b, 2] * sb + reference[c, 2] * sc
                    relief = paint(kind, x, y, z, colours, pattern, fine, rgb)
                    length = 1.0 / max((nx * nx + ny * ny + nz * nz) ** 0.5, 1e-9)
                    nx, ny, nz = nx * length, ny * length, nz * length
                    open_sky = (sky[a] * sa + sky[b] * sb + sky[c] * sc) * relief
                    # Sky from above, a little from the ground, lights with soft shoulders.
                    up = (0.66 + 0.34 * nz) * (0.35 + 0.65 * open_sky)
                    lr, lg, lb = ambient[0] * up, ambient[1] * up, ambient[2] * up
                    for q in range(lights.shape[0]):
                        dot = nx * lights[q, 0] + ny * lights[q, 1] + nz * lights[q, 2]
                        if dot > 0.0:
                            dot *= sun * (0.55 + 0.45 * open_sky)
                            lr += lights[q, 3] * dot
                            lg += lights[q, 4] * dot
                            lb += lights[q, 5] * dot
                    red = rgb[0] * lr * strength
                    green = rgb[1] * lg * strength
                    blue = rgb[2] * lb * strength
                colour[i, j, k, 0] = red
                colour[i, j, k, 1] = green
                colour[i, j, k, 2] = blue
