"""Bones of a body's mesh: how their frames follow from joints and a few directions.

The same formula gives the frames at rest and in a pose, so a vertex moves from one to the other by
linear blend skinning: with rest frame (o, R) and posed frame (p, P), a point v goes to
p + P S R^T (v - o), where S stretches along the bone.
"""

from __future__ import annotations

from math import sqrt

import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[np.float64]

PELVIS, NECK, SKULL, FIRST_SIDE = 0, 1, 2, 3
"""Joints in the middle: between the hips, foot of the neck, foot of the skull."""
CLAVICLE, SHOULDER, ELBOW, WRIST, GRIP, HIP, KNEE, ANKLE, TOE = range(9)
"""Joints of a side; left ones start at FIRST_SIDE, right ones SIDE_JOINTS later."""
SIDE_JOINTS = 9
JOINTS = FIRST_SIDE + 2 * SIDE_JOINTS

BONE_NAMES = (
    "pelvis", "abdomen", "chest", "head", "clavicle_l", "clavicle_r", "upper_arm_l", "upper_arm_r",
    "forearm_l", "forearm_r", "wrist_l", "wrist_r", "hand_l", "hand_r", "thigh_l", "thigh_r",
    "shin_l", "shin_r", "foot_l", "foot_r", "toes_l", "toes_r",
)
BONES = len(BONE_NAMES)
PELVIS_UP, LEFT_PELVIS, LEFT_CHEST, HEAD_UP, HEAD_LEFT, CHEST_UP, FIRST_SIDE_DIRECTION = range(7)
"""Directions in the middle; each side then has SIDE_DIRECTIONS."""
ELBOW_POLE, HAND_ALONG, HAND_ACROSS, KNEE_POLE, FOOT_AHEAD, FOOT_UP, TOES_AHEAD, TOES_UP = range(8)
SIDE_DIRECTIONS = 8
DIRECTIONS = FIRST_SIDE_DIRECTION + 2 * SIDE_DIRECTIONS
FRAME_SIZE = 13
"""Origin (3), three axes (9) and the length of the bone, 0 where it has none."""


@njit(cache=True)
def frame(out, n, origin, first, second, length):  # type: ignore[no-untyped-def]
    """Write frame n: first axis along ``first``, second in the plane with ``second``."""
    a = first / max(sqrt(first @ first), 1e-9)
    b = second - a * (second @ a)
    size = sqrt(b @ b)
    if size < 1e-6:
        b = np.array([a[1], a[2], a[0]])
        b = b - a * (b @ a)
        size = sqrt(b @ b)
    b = b / size
    out[n, 0:3] = origin
    out[n, 3:6] = a
    out[n, 6:9] = b
    out[n, 9:12] = np.cross(a, b)
    out[n, 12] = length


@njit(cache=True)
def trunk(pelvis, pelvis_up, chest_up, length, out):  # type: ignore[no-untyped-def]
    """Origins of abdomen and chest (2, 3) above the pelvis, of a trunk of a length to the neck."""
    middle = pelvis_up + chest_up
    middle = middle / sqrt(middle @ middle)
    out[0] = pelvis + pelvis_up * (0.25 * length)
    out[1] = out[0] + middle * (0.25 * length)


@njit(cache=True)
def frames(joints, directions, length, carry, learn, out):  # type: ignore[no-untyped-def]
    """Frames (BONES, FRAME_SIZE) of joints (JOINTS, 3) and unit directions (DIRECTIONS, 3).

    ``length`` is that of the trunk, from the hips to the foot of the neck.
    ``carry`` (2, 3) is the hand's direction across at rest, in the frame of the forearm; it is
    written where ``learn`` is true and read where not, to share a turn of the hand with the wrist.
    """
    pelvis = joints[0]
    rise = directions[5]
    origins = np.empty((2, 3))
    trunk(pelvis, directions[0], rise, length, origins)
    frame(out, 0, pelvis, directions[0], directions[1], 0.0)
    frame(out, 1, origins[0], directions[0] + rise, directions[1] + directions[2], 0.0)
    frame(out, 2, origins[1], rise, directions[2], 0.0)
    frame(out, 3, joints[2], directions[3], directions[4], 0.0)
    for i in range(2):
        j = 3 + 9 * i
        d = 6 + 8 * i
        collar = joints[j + 1] - joints[j]
        frame(out, 4 + i, joints[j], collar, rise, sqrt(collar @ collar))
        upper = joints[j + 2] - joints[j + 1]
        frame(out, 6 + i, joints[j + 1], upper, directions[d], sqrt(upper @ upper))
        fore = joints[j + 3] - joints[j + 2]
        size = sqrt(fore @ fore)
        frame(out, 8 + i, joints[j + 2], fore, directions[d], size)
        across = directions[d + 2]
        if learn:
            for k in range(3):
                carry[i, k] = out[8 + i, 3 + 3 * k : 6 + 3 * k] @ across
        carried = (
            out[8 + i, 3:6] * carry[i, 0] + out[8 + i, 6:9] * carry[i, 1]
            + out[8 + i, 9:12] * carry[i, 2]
        )
        frame(out, 10 + i, joints[j + 2], fore, across + carried * 1.01, size)
        frame(out, 12 + i, joints[j + 3], directions[d + 1], across, 0.0)
        thigh = joints[j + 6] - joints[j + 5]
        frame(out, 14 + i, joints[j + 5], thigh, directions[d + 3], sqrt(thigh @ thigh))
        shin = joints[j + 7] - joints[j + 6]
        frame(out, 16 + i, joints[j + 6], shin, directions[d + 3], sqrt(shin @ shin))
        frame(out, 18 + i, joints[j + 7], directions[d + 4], directions[d + 5], 0.0)
        frame(out, 20 + i, joints[j + 8], directions[d + 6], directions[d + 7], 0.0)


@njit(cache=True, fastmath=True, error_model="numpy")
def skin(rest, posed, places, facing, bones, weights, out, out_facing):  # type: ignore[no-untyped-def]
    """Blend vertices (V, 3) and normals (V, 3) from rest frames to posed frames.

    ``bones`` (V, 4) and ``weights`` (V, 4) are each vertex's bones and their shares.
    """
    matrices = np.empty((rest.shape[0], 12))
    for b in range(rest.shape[0]):
        stretch = 1.0
        if rest[b, 12] > 1e-6:
            stretch = posed[b, 12] / rest[b, 12]
        for r in range(3):
            for c in range(3):
                matrices[b, 3 * r + c] = (
                    posed[b, 3 + r] * rest[b, 3 + c] * stretch
                    + posed[b, 6 + r] * rest[b, 6 + c]
                    + posed[b, 9 + r] * rest[b, 9 + c]
                )
        for r in range(3):
            matrices[b, 9 + r] = posed[b, r] - (
                matrices[b, 3 * r] * rest[b, 0] + matrices[b, 3 * r + 1] * rest[b, 1]
                + matrices[b, 3 * r + 2] * rest[b, 2]
            )
    for v in range(places.shape[0]):
        for r in range(3):
            out[v, r] = 0.0
            out_facing[v, r] = 0.0
        for k in range(bones.shape[1]):
            share = weights[v, k]
            if share == 0.0:
                continue
            m = matrices[bones[v, k]]
            for r in range(3):
                out[v, r] += share * (
                    m[3 * r] * places[v, 0] + m[3 * r + 1] * places[v, 1]
                    + m[3 * r + 2] * places[v, 2] + m[9 + r]
                )
                out_facing[v, r] += share * (
                    m[3 * r] * facing[v, 0] + m[3 * r + 1] * facing[v, 1]
                    + m[3 * r + 2] * facing[v, 2]
                )
        size = 1.0 / max(
            sqrt(out_facing[v, 0] ** 2 + out_facing[v, 1] ** 2 + out_facing[v, 2] ** 2), 1e-9
        )
        for r in range(3):
            out_facing[v, r] *= size


def rest_directions(joints: Array, across: Array) -> Array:
    """Directions (DIRECTIONS, 3) of a body at rest that faces -y, with hands' ``across`` (2, 3)."""
    out = np.zeros((DIRECTIONS, 3))
    out[PELVIS_UP] = out[CHEST_UP] = out[HEAD_UP] = (0.0, 0.0, 1.0)
    out[LEFT_PELVIS] = out[LEFT_CHEST] = out[HEAD_LEFT] = (1.0, 0.0, 0.0)
    for i in range(2):
        j, d = FIRST_SIDE + SIDE_JOINTS * i, FIRST_SIDE_DIRECTION + SIDE_DIRECTIONS * i
        shoulder, elbow, wrist = joints[j + SHOULDER], joints[j + ELBOW], joints[j + WRIST]
        line = wrist - shoulder
        bend = elbow - shoulder
        out[d + ELBOW_POLE] = bend - line * (bend @ line) / (line @ line)
        out[d + HAND_ALONG] = joints[j + GRIP] - wrist
        out[d + HAND_ACROSS] = across[i]
        out[d + KNEE_POLE] = (0.0, -1.0, 0.0)
        ahead = joints[j + TOE] - joints[j + ANKLE]
        out[d + FOOT_AHEAD] = out[d + TOES_AHEAD] = (ahead[0], ahead[1], 0.0)
        out[d + FOOT_UP] = out[d + TOES_UP] = (0.0, 0.0, 1.0)
    return out
