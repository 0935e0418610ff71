"""A body as a list of simple solids, for its shadow, and the racket that it holds. By numba.

A solid is one row of ``SOLID_SIZE`` numbers, see :data:`body_limbs.SOLID_COLUMNS`: tapered capsules
(limbs), ellipsoids (head, chest, pelvis) and thin discs (racket strings). The racket comes first.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from rallymill.arena.body_limbs import capsule, ellipsoid, racket, unit

RACKET_SOLIDS = 17


@njit(cache=True)
def cover(look, joints, directions, marks, out):  # type: ignore[no-untyped-def]
    """Write the racket, if any, then the body to ``out``; return the number of solids."""
    h = look[0]
    fat = 0.6 + 0.4 * look[1]
    n = 0
    z_axis = np.array([0.0, 0.0, 1.0])
    pelvis_left = directions[1]
    forward = unit(np.cross(pelvis_left, z_axis))
    if look[28] > 0:
        n = racket(out, n, marks[4], marks[5], forward, z_axis, look[25:28])
    shirt = look[5:8]
    shorts = look[8:11]
    shoes = look[11:14]
    skin = look[14:17]
    hair = look[17:20]
    spine = directions[5]
    chest_left = directions[2]
    chest_forward = unit(np.cross(chest_left, spine))
    pelvis = joints[0]
    neck = joints[1]
    for i in range(2):
        j = 3 + 9 * i
        hip, knee, ankle = joints[j + 5], joints[j + 6], joints[j + 7]
        ahead, up = directions[6 + 8 * i + 4], directions[6 + 8 * i + 5]
        heel = ankle - up * (0.024 * h) - ahead * (0.015 * h)
        tip = joints[j + 8] + directions[6 + 8 * i + 6] * (0.03 * h)
        n = capsule(
            out, n, heel, 0.022 * h, tip, 0.018 * h, shoes[0], shoes[1], shoes[2],
        )
        n = capsule(
            out, n, knee, 0.032 * h * fat, ankle, 0.023 * h * fat, skin[0], skin[1], skin[2]
        )
        n = capsule(
            out, n, hip, 0.054 * h * fat, knee, 0.034 * h * fat, skin[0], skin[1], skin[2]
        )
        hem = hip * 0.45 + knee * 0.55
        n = capsule(
            out, n, hip, 0.058 * h * fat, hem, 0.056 * h * fat, shorts[0], shorts[1], shorts[2]
        )
        shoulder, elbow, wrist = joints[j + 1], joints[j + 2], joints[j + 3]
        n = capsule(
            out, n, shoulder, 0.033 * h * fat, elbow, 0.025 * h * fat, skin[0], skin[1], skin[2]
        )
        n = capsule(
            out, n, elbow, 0.025 * h * fat, wrist, 0.017 * h * fat, skin[0], skin[1], skin[2]
        )
        n = capsule(
            out, n, wrist, 0.020 * h, joints[j + 4], 0.024 * h, skin[0], skin[1], skin[2]
        )
    n = capsule(
        out, n, joints[4], 0.036 * h * fat, joints[13], 0.036 * h * fat,
        shirt[0], shirt[1], shirt[2],
    )
    n = ellipsoid(
        out, n, pelvis, pelvis_left, forward, directions[0], 0.098 * h * fat, 0.068 * h * fat,
        0.075 * h, shorts[0], shorts[1], shorts[2],
    )
    n = ellipsoid(
        out, n, pelvis * 0.45 + neck * 0.55, chest_left, chest_forward, spine, 0.092 * h * fat,
        0.066 * h * fat, 0.17 * h, shirt[0], shirt[1], shirt[2],
    )
    head_up = directions[3]
    face = unit(np.cross(directions[4], head_up))
    n = capsule(
        out, n, neck, 0.034 * h, marks[3] - head_up * (0.03 * h), 0.030 * h,
        skin[0], skin[1], skin[2],
    )
    n = ellipsoid(
        out, n, marks[3] + head_up * (0.01 * h), directions[4], face, head_up, 0.045 * h,
        0.056 * h, 0.068 * h, hair[0], hair[1], hair[2],
    )
    return n
