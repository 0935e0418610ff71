"""From a person's state to the joints of a body. Compiled by numba.

Legs and arms are placed by inverse kinematics of two bones: feet and hands have targets, knees and
elbows follow. Lengths of bones come from the body's mesh (:mod:`body_mesh`).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import atan2, cos, pi, sin, sqrt

import numpy as np
from numba import njit
from numpy.typing import NDArray

from rallymill.arena import body_rig
from rallymill.arena.body_keys import KEYS, OFF_KEYS
from rallymill.arena.body_limbs import (
    BACKHAND,
    BOUNCE_BALL,
    FOREHAND,
    GRIP_TO_CENTRE_M,
    MAX_SOLIDS,
    OVERHEAD,
    READY,
    RECOVER,
    RUN,
    SERVE,
    SIDESTEP,
    SIT,
    SOLID_SIZE,
    SPLIT,
    STAND,
    VOLLEY,
    WALK,
    joint,
    key_values,
    place_feet,
    smooth,
    unit,
)
from rallymill.arena.body_mesh import BodyMesh, mesh
from rallymill.arena.body_solids import cover
from rallymill.arena.world import ACTIONS, Look, PersonState

Array = NDArray[np.float64]

MARKS = 6
"""Rows of marks: soles, middle of strings, middle of head, grip, direction of the racket."""
FIST_LEAN = 0.5
"""How far the handle leans along the forearm in the fist, 0 for square across; own judgement."""


def state_vector(state: PersonState) -> Array:
    """A person's state as 14 numbers."""
    contact = state.contact_m if state.contact_m is not None else (0.0, 0.0, 0.0)
    action = SIT if state.action == "sit" else ACTIONS.index(state.action)
    return np.array(
        [
            state.x_m, state.y_m, state.z_m, state.vx_mps, state.vy_mps, state.facing_rad,
            action, state.phase, state.gait, *contact,
            0.0 if state.contact_m is None else 1.0, state.stretch,
        ],
        dtype=float,
    )


def look_vector(look: Look) -> Array:
    """A person's look as 29 numbers."""
    return np.array(
        [
            look.height_m, look.build, look.right_handed, look.two_handed_backhand, look.woman,
            *look.shirt, *look.shorts, *look.shoes, *look.skin, *look.hair,
            *(look.cap or (0.0, 0.0, 0.0)), look.cap is not None, look.skirt,
            *(look.racket or (0.0, 0.0, 0.0)), look.racket is not None,
        ],
        dtype=float,
    )


@njit(cache=True)
def _turned(left, forward, angle):  # type: ignore[no-untyped-def]
    """Left and forward after a turn to the left about the upright."""
    c, s = cos(angle), sin(angle)
    return left * c - forward * s, left * s + forward * c


@njit(cache=True)
def _foot(joints, marks, directions, i, metrics, toe, pitch, heel, ball_stands):  # type: ignore[no-untyped-def]
    """Turn foot ``i`` toes down by ``pitch``, or heel up by ``heel`` with the ball where it is.

    ``joints`` holds the ankle of the flat foot; the lowest point of the sole keeps its height.
    """
    j = 3 + 9 * i
    up = np.array([0.0, 0.0, 1.0])
    height = metrics[19]
    ball = metrics[20]
    ankle = joints[j + 7]
    if ball_stands:
        fall = metrics[24]
        reach = sqrt(ball * ball + fall * fall)
        pitch = np.arcsin(min((fall + heel) / reach, 0.97)) - atan2(fall, ball)
        pitch = max(pitch, 0.0)
        ankle += toe * (ball - ball * cos(pitch) + fall * sin(pitch))
        ankle[2] += ball * sin(pitch) + fall * cos(pitch) - fall
    else:
        ankle[2] += max(metrics[21] * sin(pitch) + height * cos(pitch) - height, 0.0)
    d = 6 + 8 * i
    directions[d + 4] = toe * cos(pitch) - up * sin(pitch)
    directions[d + 5] = toe * sin(pitch) + up * cos(pitch)
    directions[d + 6] = toe if ball_stands else directions[d + 4]
    directions[d + 7] = up if ball_stands else directions[d + 5]
    joints[j + 8] = ankle + directions[d + 4] * ball - directions[d + 5] * metrics[24]


@njit(cache=True)
def _grip(joints, directions, i, target, aim, metrics, pole):  # type: ignore[no-untyped-def]
    """Close hand ``i`` about a handle at ``target`` along ``aim``: wrist and hand directions."""
    j = 3 + 9 * i
    d = 6 + 8 * i
    fore = unit(target - joints[j + 1])
    across = fore - aim * (fore @ aim)
    bias = pole - aim * (pole @ aim)
    across = unit(across - bias * 0.25)
    along = unit(across + aim * FIST_LEAN)
    directions[d + 1] = along
    directions[d + 2] = unit(aim - along * (aim @ along))
    joints[j + 3] = target - along * metrics[4]
    joints[j + 4] = target


@njit(cache=True)
def skeleton(state, look, metrics, keys, off_keys, joints, directions, marks):  # type: ignore[no-untyped-def]
    """Write joints (JOINTS, 3), directions (DIRECTIONS, 3) and marks (MARKS, 3) of a body."""
    h = look[0]
    action = int(state[6])
    phase = state[7]
    hand = 1.0 if look[2] > 0 else -1.0
    forward = np.array([cos(state[5]), sin(state[5]), 0.0])
    left = np.array([-forward[1], forward[0], 0.0])
    z_axis = np.array([0.0, 0.0, 1.0])
    speed = sqrt(state[3] * state[3] + state[4] * state[4])
    ankle_height = metrics[19]
    feet = np.empty((2, 3))
    heel = np.zeros(2)
    drop, gait = place_feet(state, h, ankle_height, forward, left, feet, heel)
    root = np.array([state[0], state[1], 0.0])
    legs = metrics[0] + metrics[1]
    hip_height = state[2] + ankle_height + legs - drop
    if action == SIT:
        hip_height = state[2] + 0.30 * h
        for i in range(2):
            feet[i] += forward * 0.30
    contact = state[9:12].copy()
    has_contact = state[12] > 0.0
    # Lean: into the run, forwards when ready, to the ball when stretched.
    lean = forward * 0.06
    if action in (READY, SPLIT, SIDESTEP):
        lean = forward * 0.28
    if action in (RUN, RECOVER):
        lean = forward * 0.12 + np.array([state[3], state[4], 0.0]) * 0.025
    if FOREHAND <= action <= VOLLEY:
        lean = forward * 0.15
    if action in (STAND, WALK, BOUNCE_BALL, SIT):
        lean = forward * 0.03
    shift = np.zeros(3)
    tilt = np.zeros(3)
    if has_contact:
        near = max(0.0, 1 - abs(phase - 0.5) / 0.35)
        away = contact - root
        away[2] = 0.0
        distance = sqrt(away[0] * away[0] + away[1] * away[1])
        arm = metrics[2] + metrics[3] + GRIP_TO_CENTRE_M
        excess = max(0.0, distance - 0.85 * arm)
        if distance > 1e-6:
            lean = lean + away / distance * (0.25 * state[13] + 0.45 * min(excess, 0.6)) * near
            shift = away / distance * min(excess, 0.35) * 0.5 * near
        low = max(0.0, 0.35 * h - contact[2])
        hip_height -= 0.35 * min(low, 0.3) * near
        if action in (SERVE, OVERHEAD):
            lean = away / max(distance, 0.3) * 0.34 * near - forward * 0.12 * max(
                0.0, 1 - abs(phase - 0.4) / 0.12
            )
            # The shoulders tilt to bring the hitting one up.
            tilt = left * (hand * 0.35 * smooth(near))
            shift = away * (0.3 * near)
    pelvis = root + shift
    # Turn of the shoulders; the hips go part of the way.
    hands = key_values(keys[action], phase, 1, 7)
    twist = hands[6] * hand
    if action in (RUN, RECOVER, WALK):
        twist = 0.25 * min(speed / 3, 1.0) * sin(2 * pi * state[8]) * -1.0
    hip_turn = 0.4 * twist
    if action in (RUN, RECOVER, WALK):
        hip_turn = -0.5 * twist
    hip_left, hip_forward = _turned(left, forward, -hip_turn)
    # Feet.
    low_foot = min(feet[0, 2], feet[1, 2])
    for i in range(2):
        j = 3 + 9 * i
        sign = 1.0 if i == 0 else -1.0
        marks[i] = feet[i]
        marks[i, 2] = feet[i, 2] - ankle_height
        joints[j + 7] = feet[i]
        toe = hip_forward + hip_left * (0.25 * sign)
        if gait > 0.5 and speed > 2.0 and action != SIDESTEP:
            toe = forward * 0.4 + np.array([state[3], state[4], 0.0]) / speed
        toe[2] = 0.0
        toe = unit(toe)
        raised = marks[i, 2] - state[2]
        pitch = min(max(raised * 2.2, 0.0), 0.9)
        if state[2] > 0.02:
            pitch = max(pitch, 0.6 * smooth(state[2] / 0.08))
        _foot(joints, marks, directions, i, metrics, toe, pitch, heel[i], heel[i] > 0.0)
    if state[2] > 0.02:
        # In the air the legs hang down to toes that point down.
        hip_height += min(joints[10, 2] - feet[0, 2], joints[19, 2] - feet[1, 2])
    for i in range(2):
        if feet[i, 2] > low_foot + 0.05 and heel[i] == 0.0:
            # A foot in the air follows the hips, not the hips the foot.
            continue
        ankle = joints[3 + 9 * i + 7]
        level2 = (pelvis[0] - ankle[0]) ** 2 + (pelvis[1] - ankle[1]) ** 2
        top = ankle[2] + sqrt(max((0.992 * legs) ** 2 - level2, 0.01))
        hip_height = min(hip_height, top + 0.01)
    pelvis[2] = hip_height
    joints[0] = pelvis
    # Trunk: the hips lean less than the chest.
    pelvis_up = unit(z_axis + lean * 0.7 + tilt * 0.2)
    spine = unit(z_axis + lean * 1.2 + tilt)
    hip_left = unit(hip_left - pelvis_up * (hip_left @ pelvis_up))
    chest_left, chest_forward = _turned(left, forward, -twist)
    chest_left = unit(chest_left - spine * (chest_left @ spine))
    chest_forward = unit(np.cross(chest_left, spine))
    directions[0] = pelvis_up
    directions[1] = hip_left
    directions[2] = chest_left
    directions[5] = spine
    origins = np.empty((2, 3))
    body_rig.trunk(pelvis, pelvis_up, spine, metrics[18], origins)
    chest = origins[1]
    joints[1] = chest + spine * metrics[12] + chest_forward * metrics[14]
    neck = chest + spine * (0.30 * h - 0.5 * metrics[18])
    racket_arm = 1 if hand > 0 else 0
    shoulders = np.empty((2, 3))
    for i in range(2):
        sign = 1.0 if i == 0 else -1.0
        shoulders[i] = (
            chest + spine * metrics[6] + chest_left * (sign * metrics[7])
            + chest_forward * metrics[8]
        )
        joints[3 + 9 * i] = (
            chest + spine * metrics[9] + chest_left * (sign * metrics[10])
            + chest_forward * metrics[11]
        )
    # Hand targets, in the frame of the hips about the base of the neck.
    across = -left * hand
    target = neck + (across * hands[0] + forward * hands[1] + z_axis * hands[2]) * h
    aim = unit(across * hands[3] + forward * hands[4] + z_axis * hands[5])
    off = key_values(off_keys[action], phase, 1, 4)
    off_target = neck + (across * off[0] + forward * off[1] + z_axis * off[2]) * h
    if action in (RUN, RECOVER, WALK):
        swing = min(speed / 4.0, 1.0) * sin(2 * pi * state[8]) * 0.13
        target = target + forward * (swing * h * hand) + z_axis * abs(swing) * 0.4 * h
        off_target = off_target - forward * (swing * h * hand) + z_axis * abs(swing) * 0.4 * h
    reach = metrics[2] + metrics[3] + 0.8 * metrics[4]
    # The shoulder goes with an arm that is raised.
    for i in range(2):
        goal = target if i == racket_arm else off_target
        if has_contact and i == racket_arm:
            near = smooth(max(0.0, 1 - abs(phase - 0.5) / 0.15))
            goal = goal * (1 - near) + contact * near
        rise = max(unit(goal - shoulders[i]) @ spine, 0.0)
        sign = 1.0 if i == 0 else -1.0
        shoulders[i] += spine * (0.035 * h * rise) - chest_left * (sign * 0.014 * h * rise)
        joints[3 + 9 * i + 1] = shoulders[i]
    shoulder = shoulders[racket_arm]
    way = target - shoulder
    length = sqrt(way @ way)
    if length > 0.98 * reach:
        target = shoulder + way * (0.98 * reach / length)
    if has_contact:
        weight = max(0.0, 1 - abs(phase - 0.5) / 0.10)
        weight = smooth(weight)
        pole = -z_axis * 0.9 - forward * 0.5
        if action in (SERVE, OVERHEAD):
            pole = across * 0.5 - forward * 0.4
        wrist = joint(shoulder, contact, reach * 0.97, GRIP_TO_CENTRE_M, pole)
        at_aim = unit(contact - wrist)
        at_hand = contact - at_aim * GRIP_TO_CENTRE_M
        aim = unit(aim * (1 - weight) + at_aim * weight)
        centre = (target + aim * GRIP_TO_CENTRE_M) * (1 - weight) + contact * weight
        target = target * (1 - weight) + at_hand * weight
        aim = unit(centre - target)
    two_handed = off[3]
    if action == BACKHAND and look[3] == 0.0:
        two_handed = 0.0
        if phase > 0.42:
            open_arm = smooth((phase - 0.42) * 8)
            back = neck + (-across * 0.20 - forward * 0.14 - z_axis * 0.10) * h
            off_target = off_target * (1 - open_arm) + back * open_arm
    if look[28] == 0.0:
        two_handed = 0.0
    if two_handed > 0.0:
        off_target = off_target * (1 - two_handed) + (target + aim * 0.09) * two_handed
    # Arms.
    for i in range(2):
        j = 3 + 9 * i
        d = 6 + 8 * i
        sign = 1.0 if i == 0 else -1.0
        goal = target if i == racket_arm else off_target
        way = goal - shoulders[i]
        length = sqrt(way @ way)
        if i != racket_arm and length > 0.98 * reach:
            goal = shoulders[i] + way * (0.98 * reach / length)
        pole = -z_axis + left * (0.5 * sign) - forward * 0.3
        if (action in (SERVE, OVERHEAD)) and i == racket_arm and phase < 0.48:
            pole = left * sign - z_axis * 0.2
        holds = look[28] > 0 and (i == racket_arm or two_handed > 0.5)
        fore = unit(way)
        if holds:
            _grip(joints, directions, i, goal, aim, metrics, pole)
        else:
            joints[j + 3] = goal - fore * metrics[4]
        joints[j + 2] = joint(joints[j + 1], joints[j + 3], metrics[2], metrics[3], pole)
        line = unit(joints[j + 3] - joints[j + 1])
        directions[d] = unit(pole - line * (pole @ line))
        if not holds:
            directions[d + 1] = unit(joints[j + 3] - joints[j + 2])
            joints[j + 4] = joints[j + 3] + directions[d + 1] * metrics[4]
            # Thumb ahead, palm to the body.
            directions[d + 2] = unit(forward - directions[d] * 0.5 + z_axis * 0.2)
    # Legs.
    for i in range(2):
        j = 3 + 9 * i
        sign = 1.0 if i == 0 else -1.0
        joints[j + 5] = pelvis + hip_left * (sign * metrics[5])
        pole = hip_forward + hip_left * (0.18 * sign)
        if gait > 0.5 and speed > 2.0 and action != SIDESTEP:
            pole = pole * 0.5 + np.array([state[3], state[4], 0.0]) / speed
        ankle = joints[j + 7]
        way = ankle - joints[j + 5]
        length = sqrt(way @ way)
        if length > 0.999 * legs:
            joints[j + 7] = joints[j + 5] + way * (0.999 * legs / length)
        joints[j + 6] = joint(joints[j + 5], joints[j + 7], metrics[0], metrics[1], pole)
        line = unit(joints[j + 7] - joints[j + 5])
        directions[6 + 8 * i + 3] = unit(pole - line * (pole @ line))
    # Head.
    face = chest_forward
    if has_contact and abs(phase - 0.5) < 0.3:
        face = unit(contact - neck)
    elif action in (RUN, READY, SPLIT, SIDESTEP):
        face = forward
    face = unit(face - z_axis * (face[2] * 0.6))
    head_left = unit(np.cross(z_axis, face))
    head_up = unit(np.cross(face, head_left))
    joints[2] = chest + spine * metrics[15] + chest_forward * metrics[17]
    directions[3] = head_up
    directions[4] = head_left
    marks[3] = joints[2] + head_up * metrics[22]
    marks[2] = target + aim * GRIP_TO_CENTRE_M
    marks[4] = target
    marks[5] = aim


@dataclass(frozen=True)
class Pose:
    """A body in a pose: ``joints``, ``directions``, ``marks`` and ``bones`` (frames of bones)."""

    joints: Array
    directions: Array
    marks: Array
    bones: Array


def pose(state: Array, look: Array, shape: BodyMesh) -> Pose:
    """Pose of a person from the vectors of state and look."""
    joints = np.zeros((body_rig.JOINTS, 3))
    directions = np.zeros((body_rig.DIRECTIONS, 3))
    marks = np.zeros((MARKS, 3))
    skeleton(state, look, shape.metrics, KEYS, OFF_KEYS, joints, directions, marks)
    bones = np.zeros((body_rig.BONES, body_rig.FRAME_SIZE))
    body_rig.frames(joints, directions, shape.metrics[18], shape.carry, False, bones)
    return Pose(joints, directions, marks, bones)


def solids(state: PersonState, look: Look) -> tuple[Array, Array]:
    """Solids (N, SOLID_SIZE) of a person and joints (4, 3): soles, strings' middle, head."""
    vector = look_vector(look)
    posed = pose(state_vector(state), vector, mesh(look))
    out = np.zeros((MAX_SOLIDS, SOLID_SIZE))
    n = cover(vector, posed.joints, posed.directions, posed.marks, out)
    return out[:n], posed.marks[:4]
