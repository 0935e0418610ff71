"""Shadows of bodies and balls on the ground. Compiled by numba."""

from __future__ import annotations

from math import sqrt

import numpy as np
from numba import njit

from rallymill.arena.shade_body import nearest
from rallymill.arena.shade_light import edge_light
from rallymill.arena.shade_ray import ray, to_image


@njit(cache=True, fastmath=True, error_model="numpy")
def ground_shadow(cam, solids, count, light, penumbra, shade):  # type: ignore[no-untyped-def]
    """Mark in ``shade`` (H, W) the share of a light's beam that a body keeps from the ground."""
    height, width = shade.shape
    lx, ly, lz = light[0], light[1], light[2]
    if lz < 0.05:
        return
    corner = np.empty(23)
    for n in range(count):
        s = solids[n]
        if s[0] == 2.0:
            continue
        if s[0] == 1.0:
            # An ellipsoid's shadow: a capsule along its longest axis.
            for c in range(23):
                corner[c] = s[c]
            axis = 14
            best = 1e9
            for a in (14, 17, 20):
                m = s[a] ** 2 + s[a + 1] ** 2 + s[a + 2] ** 2
                if m < best:
                    best = m
                    axis = a
            half = 1.0 / sqrt(best)
            thin = 0.72 * half
            for c in range(3):
                d = s[axis + c] / best * (1.0 - thin / half)
                corner[1 + c] = s[1 + c] - d
                corner[5 + c] = s[1 + c] + d
            corner[4] = thin
            corner[8] = thin
            s = corner
        u0 = 1e9
        u1 = -1e9
        v0 = 1e9
        v1 = -1e9
        bad = False
        grow = max(s[4], s[8]) / lz + penumbra
        for e in range(2):
            k = 1 + 4 * e
            gx = s[k] - lx / lz * s[k + 2]
            gy = s[k + 1] - ly / lz * s[k + 2]
            for c in range(4):
                ex = gx + (grow if c & 1 else -grow)
                ey = gy + (grow if c & 2 else -grow)
                u, v, d = to_image(cam, ex, ey, 0.0)
                if d < 0.3:
                    bad = True
                u0 = min(u0, u)
                u1 = max(u1, u)
                v0 = min(v0, v)
                v1 = max(v1, v)
        if bad:
            continue
        for v in range(max(int(v0), 0), min(int(v1) + 2, height)):
            for u in range(max(int(u0), 0), min(int(u1) + 2, width)):
                if shade[v, u] >= 1.0:
                    continue
                dx, dy, dz = ray(cam, float(u), float(v))
                if dz > -1e-6:
                    continue
                t = -cam[6] / dz
                d2, r, back, _, _ = nearest(
                    cam[4] + dx * t, cam[5] + dy * t, 0.0, lx, ly, lz, s
                )
                soft = max(0.8 * t / cam[0], 0.004) + 0.012 * max(back, 0.0) + penumbra * 0.3
                k = (r - sqrt(d2)) / soft + 0.5
                if k > shade[v, u]:
                    shade[v, u] = min(k, 1.0)


@njit(cache=True, fastmath=True, error_model="numpy")
def darken(image, shade, ratio):  # type: ignore[no-untyped-def]
    """Take away the light that ``shade`` (H, W) keeps off; ``ratio`` (3,) is the light's share."""
    height, width = shade.shape
    for v in range(height):
        for u in range(width):
            k = shade[v, u]
            if k > 0.0:
                for c in range(3):
                    image[v, u, c] *= 1.0 - ratio[c] * k


@njit(cache=True, fastmath=True, error_model="numpy")
def blob(cam, venue, x, y, radius, strength, image):  # type: ignore[no-untyped-def]
    """Soft darkening of the ground round (x, y), under feet and in the shade of a diffuse sky."""
    height, width, _ = image.shape
    u0 = 1e9
    u1 = -1e9
    v0 = 1e9
    v1 = -1e9
    for c in range(4):
        u, v, d = to_image(
            cam, x + (radius if c & 1 else -radius), y + (radius if c & 2 else -radius), 0.0
        )
        if d < 0.3:
            return
        u0 = min(u0, u)
        u1 = max(u1, u)
        v0 = min(v0, v)
        v1 = max(v1, v)
    for v in range(max(int(v0), 0), min(int(v1) + 2, height)):
        for u in range(max(int(u0), 0), min(int(u1) + 2, width)):
            dx, dy, dz = ray(cam, float(u), float(v))
            if dz > -1e-6:
                continue
            t = -cam[6] / dz
            gx = (cam[4] + dx * t - x) / radius
            gy = (cam[5] + dy * t - y) / radius
            q = 1.0 - (gx * gx + gy * gy)
            if q > 0.0:
                k = 1.0 - strength * q * q
                for c in range(3):
                    image[v, u, c] *= k


@njit(cache=True, fastmath=True, error_model="numpy")
def ball_shadow(cam, points, radius, light, share, image):  # type: ignore[no-untyped-def]
    """Darken the ground where a ball that moves along ``points`` keeps a light off."""
    height, width, _ = image.shape
    n = points.shape[0]
    for i in range(n):
        z = points[i, 2]
        if z > 6.0 or light[2] < 0.08:
            continue
        gx = points[i, 0] - light[0] / light[2] * z
        gy = points[i, 1] - light[1] / light[2] * z
        long = radius / light[2]
        u, v, d = to_image(cam, gx, gy, 0.0)
        if d < 0.3:
            continue
        reach = cam[0] * long / d + 2.0
        # The sun is half a degree wide: a high ball's shadow fades.
        soft = 0.009 * z / light[2] + 0.7 * d / cam[0]
        weight = 1.0 / (1.0 + soft / (2 * radius))
        for pv in range(max(int(v - reach), 0), min(int(v + reach) + 2, height)):
            for pu in range(max(int(u - reach), 0), min(int(u + reach) + 2, width)):
                dx, dy, dz = ray(cam, float(pu), float(pv))
                if dz > -1e-6:
                    continue
                t = -cam[6] / dz
                wx = cam[4] + dx * t - points[i, 0]
                wy = cam[5] + dy * t - points[i, 1]
                wz = -z
                along = wx * light[0] + wy * light[1] + wz * light[2]
                d2 = wx * wx + wy * wy + wz * wz - along * along
                k = min(max((radius - sqrt(max(d2, 0.0))) / soft + 0.5, 0.0), 1.0)
                if k > 0.0:
                    for c in range(3):
                        image[pv, pu, c] *= 1.0 - share[c] * k * weight / n


@njit(cache=True)
def sun_at(venue, x, y):  # type: ignore[no-untyped-def]
    """Share of sunlight that reaches a ground point past the stands."""
    return edge_light(venue, x, y)
