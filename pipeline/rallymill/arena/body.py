"""From a person's state to a body of simple solids. Compiled by numba.

A body is a list of solids, one row of ``SOLID_SIZE`` numbers each, see :data:`SOLID_COLUMNS`:
tapered capsules (limbs), ellipsoids (head, chest, pelvis) and thin discs (racket strings). Limbs
are placed by inverse kinematics of two bones: feet and hands have targets, knees and elbows follow.
Proportions are shares of standing height (common practice, no source).
"""

from __future__ import annotations

from math import cos, pi, sin, sqrt

import numpy as np
from numba import njit
from numpy.typing import NDArray

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
    capsule,
    ellipsoid,
    joint,
    key_values,
    place_feet,
    racket,
    smooth,
    unit,
)
from rallymill.arena.world import ACTIONS, Look, PersonState

Array = NDArray[np.float64]


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
def pose(state, look, keys, off_keys, out, joints):  # type: ignore[no-untyped-def]
    """Write the solids of a body to ``out`` (MAX_SOLIDS, SOLID_SIZE); return their number.

    ``joints`` (4, 3) takes the two soles, the middle of the strings and the middle of the head.
    """
    h = look[0]
    build = look[1]
    action = int(state[6])
    phase = state[7]
    hand = 1.0 if look[2] > 0 else -1.0
    forward = np.array([cos(state[5]), sin(state[5]), 0.0])
    left = np.array([-forward[1], forward[0], 0.0])
    z_axis = np.array([0.0, 0.0, 1.0])
    speed = sqrt(state[3] * state[3] + state[4] * state[4])
    feet = np.empty((2, 3))
    heel = np.zeros(2)
    drop, gait = place_feet(state, h, forward, left, feet, heel)
    root = np.array([state[0], state[1], 0.0])
    thigh = 0.245 * h
    shin = 0.246 * h
    hip_height = state[2] + 0.525 * h - drop
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
    if has_contact:
        near = max(0.0, 1 - abs(phase - 0.5) / 0.35)
        away = contact - root
        away[2] = 0.0
        distance = sqrt(away[0] * away[0] + away[1] * away[1])
        arm = 0.34 * h + GRIP_TO_CENTRE_M
        excess = max(0.0, distance - 0.85 * arm)
        if distance > 1e-6:
            lean = lean + away / distance * (0.25 * state[13] + 0.45 * min(excess, 0.6)) * near
            shift = away / distance * min(excess, 0.35) * 0.5 * near
        low = max(0.0, 0.35 * h - contact[2])
        hip_height -= 0.35 * min(low, 0.3) * near
        if action in (SERVE, OVERHEAD):
            lean = away / max(distance, 0.3) * 0.22 * near - forward * 0.12 * max(
                0.0, 1 - abs(phase - 0.4) / 0.12
            )
    pelvis = root + shift
    legs = thigh + shin
    low_foot = min(feet[0, 2], feet[1, 2])
    for i in range(2):
        joints[i] = feet[i]
        joints[i, 2] = feet[i, 2] - 0.045 * h
        feet[i, 2] += heel[i]
        if feet[i, 2] > low_foot + 0.05 and heel[i] == 0.0:
            # A foot in the air follows the hips, not the hips the foot.
            continue
        level2 = (pelvis[0] - feet[i, 0]) ** 2 + (pelvis[1] - feet[i, 1]) ** 2
        top = feet[i, 2] + sqrt(max((0.985 * legs) ** 2 - level2, 0.01))
        hip_height = min(hip_height, top + 0.02)
    pelvis[2] = hip_height
    spine = unit(z_axis + lean)
    # Turn of the shoulders against the hips.
    hands = key_values(keys[action], phase, 1, 7)
    twist = hands[6] * hand
    if action in (RUN, RECOVER, WALK):
        twist = 0.25 * min(speed / 3, 1.0) * sin(2 * pi * state[8]) * -1.0
    c, s = cos(twist), sin(twist)
    chest_left = left * c - forward * s
    chest_forward = left * s + forward * c
    chest_left = unit(chest_left - spine * (chest_left @ spine))
    chest_forward = unit(np.cross(chest_left, spine))
    neck = pelvis + spine * (0.30 * h)
    wide = (0.108 if look[4] > 0 else 0.120) * h * (0.5 + 0.5 * build)
    shoulders = np.empty((2, 3))
    shoulders[0] = neck + chest_left * wide - spine * 0.015 * h
    shoulders[1] = neck - chest_left * wide - spine * 0.015 * h
    racket_arm = 1 if hand > 0 else 0
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
    upper = 0.172 * h
    fore = 0.165 * h
    if has_contact:
        weight = max(0.0, 1 - abs(phase - 0.5) / 0.10)
        weight = smooth(weight)
        shoulder = shoulders[racket_arm]
        line = contact - shoulder
        length = max(sqrt(line @ line), 1e-6)
        line = line / length
        pole = -z_axis * 0.9 - forward * 0.5
        if action in (SERVE, OVERHEAD):
            pole = across * 0.5 - forward * 0.4
        wrist = joint(shoulder, contact, (upper + fore) * 0.94, GRIP_TO_CENTRE_M, pole)
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
    if two_handed > 0.0 and look[28] > 0:
        off_target = off_target * (1 - two_handed) + (target + aim * 0.09) * two_handed
    # Solids.
    n = 0
    shirt = look[5:8]
    shorts = look[8:11]
    shoes = look[11:14]
    skin = look[14:17]
    hair = look[17:20]
    fat = 0.6 + 0.4 * build
    hip_wide = (0.053 if look[4] == 0 else 0.056) * h
    hips = np.empty((2, 3))
    hips[0] = pelvis + left * hip_wide - spine * 0.01 * h
    hips[1] = pelvis - left * hip_wide - spine * 0.01 * h
    move = np.array([state[3], state[4], 0.0])
    for i in range(2):
        sign = 1.0 if i == 0 else -1.0
        ankle = feet[i]
        knee_pole = forward + left * (0.18 * sign)
        if gait > 0.5 and speed > 2.0 and action != SIDESTEP:
            knee_pole = knee_pole * 0.5 + move / speed
        knee = joint(hips[i], ankle, thigh, shin, knee_pole)
        toe = forward + left * (0.25 * sign)
        if gait > 0.5 and speed > 2.0 and action != SIDESTEP:
            toe = forward * 0.4 + move / speed
        toe = unit(toe)
        raised = ankle[2] - 0.045 * h - state[2]
        pitch = min(max(raised * 2.2, 0.0), 0.9)
        if state[2] > 0.02:
            pitch = 0.5
        toe[2] = -pitch
        sole = ankle - z_axis * 0.022 * h
        tip = sole + unit(toe) * 0.095 * h
        floor_z = 0.020 * h
        tip[2] = max(tip[2], floor_z)
        if heel[i] > 0.0:
            # The ball of the foot stays where it stands while the heel comes up.
            level = sqrt(toe[0] * toe[0] + toe[1] * toe[1])
            tip = joints[i] + toe * (0.095 * h / max(level, 1e-6))
            tip[2] = joints[i, 2] + floor_z
        back = sole - unit(toe) * 0.028 * h
        back[2] = max(back[2], floor_z)
        n = capsule(out, n, back, 0.021 * h, tip, 0.017 * h, shoes[0], shoes[1], shoes[2])
        n = capsule(
            out, n, ankle, 0.024 * h * fat, ankle + z_axis * 0.035 * h, 0.024 * h * fat,
            0.85, 0.85, 0.85,
        )
        mid = knee * 0.62 + ankle * 0.38
        n = capsule(
            out, n, knee, 0.031 * h * fat, mid, 0.034 * h * fat, skin[0], skin[1], skin[2]
        )
        n = capsule(
            out, n, mid, 0.034 * h * fat, ankle, 0.021 * h * fat, skin[0], skin[1], skin[2]
        )
        n = capsule(
            out, n, hips[i], 0.052 * h * fat, knee, 0.032 * h * fat, skin[0], skin[1], skin[2]
        )
        share = 0.45 if look[24] > 0 else 0.66
        hem = hips[i] * (1 - share) + knee * share
        flare = 0.056 if look[24] > 0 else 0.050
        if look[24] > 0:
            hem = hem + left * (sign * 0.012 * h)
        n = capsule(
            out, n, hips[i], 0.058 * h * fat, hem, flare * h * fat,
            shorts[0], shorts[1], shorts[2],
        )
    n = ellipsoid(
        out, n, pelvis + spine * 0.01 * h, left, forward, spine,
        0.098 * h * fat, 0.068 * h * fat, 0.075 * h, shorts[0], shorts[1], shorts[2],
    )
    waist = pelvis + spine * 0.11 * h
    slim = 0.9 if look[4] > 0 else 1.0
    n = ellipsoid(
        out, n, waist, unit(chest_left + left), unit(chest_forward + forward), spine,
        0.083 * h * fat * slim, 0.062 * h * fat, 0.12 * h, shirt[0], shirt[1], shirt[2],
    )
    n = ellipsoid(
        out, n, pelvis + spine * 0.205 * h, chest_left, chest_forward, spine,
        0.100 * h * fat * slim, 0.070 * h * fat, 0.105 * h, shirt[0], shirt[1], shirt[2],
    )
    n = capsule(
        out, n, shoulders[0], 0.036 * h * fat, shoulders[1], 0.036 * h * fat,
        shirt[0], shirt[1], shirt[2],
    )
    face = chest_forward
    if has_contact and abs(phase - 0.5) < 0.3:
        face = unit(contact - neck)
    elif action in (RUN, READY, SPLIT, SIDESTEP):
        face = forward
    face = unit(face - z_axis * (face[2] * 0.6))
    head = neck + spine * 0.025 * h + z_axis * 0.083 * h + face * 0.012 * h
    head_left = unit(np.cross(z_axis, face))
    head_up = unit(np.cross(face, head_left))
    n = capsule(
        out, n, neck - spine * 0.01 * h, 0.034 * h, head - z_axis * 0.03 * h, 0.030 * h,
        skin[0], skin[1], skin[2],
    )
    n = ellipsoid(
        out, n, head, head_left, face, head_up, 0.043 * h, 0.053 * h, 0.066 * h,
        skin[0], skin[1], skin[2],
    )
    n = ellipsoid(
        out, n, head - face * 0.012 * h + head_up * 0.014 * h, head_left, face, head_up,
        0.047 * h, 0.052 * h, 0.060 * h, hair[0], hair[1], hair[2],
    )
    if look[4] > 0:
        tail = head - face * 0.06 * h
        n = capsule(
            out, n, tail, 0.018 * h, tail - z_axis * 0.10 * h - face * 0.02 * h, 0.010 * h,
            hair[0], hair[1], hair[2],
        )
    if look[23] > 0:
        n = ellipsoid(
            out, n, head + head_up * 0.030 * h, head_left, face, head_up,
            0.050 * h, 0.058 * h, 0.042 * h, look[20], look[21], look[22],
        )
        n = capsule(
            out, n, head + head_up * 0.028 * h + face * 0.04 * h, 0.022 * h,
            head + head_up * 0.022 * h + face * 0.085 * h, 0.018 * h,
            look[20], look[21], look[22],
        )
    for i in range(2):
        goal = target if i == racket_arm else off_target
        sign = 1.0 if i == 0 else -1.0
        elbow_pole = -z_axis + left * (0.5 * sign) - forward * 0.3
        if (action in (SERVE, OVERHEAD)) and i == racket_arm and phase < 0.48:
            elbow_pole = left * sign - z_axis * 0.2
        elbow = joint(shoulders[i], goal, upper, fore, elbow_pole)
        reach = goal - shoulders[i]
        length = sqrt(reach @ reach)
        wrist = goal
        if length > (upper + fore) * 1.12 and not (has_contact and i == racket_arm):
            wrist = shoulders[i] + reach / length * (upper + fore) * 1.12
        middle = shoulders[i] * 0.45 + elbow * 0.55
        n = capsule(
            out, n, shoulders[i], 0.032 * h * fat, elbow, 0.023 * h * fat,
            skin[0], skin[1], skin[2],
        )
        n = capsule(
            out, n, shoulders[i], 0.037 * h * fat, middle, 0.034 * h * fat,
            shirt[0], shirt[1], shirt[2],
        )
        n = capsule(
            out, n, elbow, 0.024 * h * fat, wrist, 0.017 * h * fat, skin[0], skin[1], skin[2]
        )
        n = capsule(
            out, n, wrist, 0.021 * h, wrist + (wrist - elbow) * 0.12, 0.020 * h,
            skin[0], skin[1], skin[2],
        )
    joints[3] = head
    joints[2] = target + aim * GRIP_TO_CENTRE_M
    if look[28] > 0:
        n = racket(out, n, target, aim, forward, z_axis, look[25:28])
    return n


def solids(state: PersonState, look: Look) -> tuple[Array, Array]:
    """Solids (N, SOLID_SIZE) of a person and joints (4, 3): soles, strings' middle, head."""
    out = np.zeros((MAX_SOLIDS, SOLID_SIZE))
    joints = np.zeros((4, 3))
    n = pose(state_vector(state), look_vector(look), KEYS, OFF_KEYS, out, joints)
    return out[:n], joints
