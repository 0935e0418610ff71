"""Meshes of bodies: which vertices, colours and bones a person's look asks for.

The archive ``bodies.npz`` holds several bodies that share vertices and bones (made by
:mod:`rallymill.arena.bake_bodies`); a person's body lies between two of them, by build, and is
scaled to stature. Garments are sets of faces that are worn or left out.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from rallymill.arena import body_rig as rig
from rallymill.arena.world import Look

Array = NDArray[np.float64]

ARCHIVE = Path(__file__).with_name("bodies.npz")
PLACES_PER_M = 1e4
MATERIALS = (
    "skin", "eye", "shirt", "sleeve", "shorts", "shorts_leg", "skirt", "sock", "shoe", "hair",
    "tail", "cap",
)
SKIN, EYE, SHIRT, SLEEVE, SHORTS, SHORTS_LEG, SKIRT, SOCK, SHOE, HAIR, TAIL, CAP = range(12)
COVER_M = (0.0, 0.0, 0.03, 0.03, 0.015, 0.01, 0.022, 0.006, 0.008, 0.0, 0.0, 0.012)
"""How far each material is drawn before what lies under it, so that skin does not poke through."""
TUCKED_M = 0.004
"""The same for a shirt worn in a skirt."""
CHILD_M = 1.56
"""People shorter than this have a child's proportions."""

THIGH, SHIN, UPPER, FORE, PALM, HIP_WIDE = range(6)
SHOULDER_AT, CLAVICLE_AT, NECK_AT, SKULL_AT = 6, 9, 12, 15
"""Places in the chest's frame (up, left, forward) from the chest's origin."""
TRUNK, ANKLE_HEIGHT, BALL, TIP, HEAD_MIDDLE, CROWN, BALL_DROP = 18, 19, 20, 21, 22, 23, 24
METRICS = 25


@dataclass(frozen=True)
class BodyMesh:
    """A person's mesh at rest, facing -y, soles at z = 0.

    ``places``, ``facing`` and ``reference`` (V, 3): vertices, normals, and places on the body that
    patterns are painted on. ``bones`` and ``weights`` (V, 4); ``sky`` (V,) share of the sky that a
    vertex sees past the body; ``faces`` (F, 3) with ``material`` (F,); ``rest`` frames of bones,
    ``carry`` (2, 3) as :func:`body_rig.frames` uses it; ``metrics`` lengths in metres;
    ``colours`` (12, 3) by material, ``cover_m`` (12,).
    """

    places: Array
    facing: Array
    reference: Array
    bones: NDArray[np.int64]
    weights: Array
    sky: Array
    faces: NDArray[np.int64]
    material: NDArray[np.int64]
    rest: Array
    carry: Array
    metrics: Array
    colours: Array
    cover_m: Array


@lru_cache(maxsize=1)
def archive() -> dict[str, NDArray[np.float64]]:
    """All that the archive of bodies holds, as it was stored."""
    with np.load(ARCHIVE) as stored:
        return {name: stored[name] for name in stored.files}


def _shares(look: Look, names: list[str]) -> Array:
    """Share of each stored body (K,) in a person's body."""
    out = np.zeros(len(names))
    if look.height_m < CHILD_M:
        out[names.index("girl" if look.woman else "boy")] = 1.0
        return out
    kind = "woman" if look.woman else "man"
    heavy = float(np.clip((look.build - 0.88) / 0.36, 0.0, 1.0))
    if heavy < 0.5:
        out[names.index(kind + "_lean")] = 1 - 2 * heavy
        out[names.index(kind + "_mid")] = 2 * heavy
    else:
        out[names.index(kind + "_mid")] = 2 - 2 * heavy
        out[names.index(kind + "_heavy")] = 2 * heavy - 1
    return out


def worn(look: Look) -> NDArray[np.bool_]:
    """Which materials (12,) a person wears or shows."""
    out = np.ones(len(MATERIALS), dtype=bool)
    # Those who play show a different cut of sleeve and hair from one to the next.
    pick = round(1e4 * (look.shirt[0] + look.skin[1] + look.height_m))
    out[SLEEVE] = not look.woman or pick % 2 == 0 or look.racket is None
    out[SHORTS_LEG] = not look.skirt and (not look.woman or look.racket is None)
    out[SHORTS] = not out[SHORTS_LEG]
    out[SKIRT] = look.skirt
    out[TAIL] = look.woman and pick % 5 != 0
    out[CAP] = look.cap is not None
    return out


def colours(look: Look) -> Array:
    """Colour of each material (12, 3)."""
    sock = (0.82, 0.82, 0.8)
    return np.array(
        [
            look.skin, (0.7, 0.68, 0.66), look.shirt, look.shirt, look.shorts, look.shorts,
            look.shorts, sock, look.shoes, look.hair, look.hair, look.cap or look.shirt,
        ]
    )


def _metrics(joints: Array, floor: float, tip: float, crown: float) -> Array:
    out = np.zeros(METRICS)
    side = joints[rig.FIRST_SIDE : rig.FIRST_SIDE + rig.SIDE_JOINTS]

    def length(a: int, b: int) -> float:
        return float(np.linalg.norm(side[a] - side[b]))

    out[THIGH], out[SHIN] = length(rig.HIP, rig.KNEE), length(rig.KNEE, rig.ANKLE)
    out[UPPER], out[FORE] = length(rig.SHOULDER, rig.ELBOW), length(rig.ELBOW, rig.WRIST)
    out[PALM] = length(rig.WRIST, rig.GRIP)
    out[HIP_WIDE] = side[rig.HIP, 0]
    pelvis = joints[rig.PELVIS]
    out[TRUNK] = joints[rig.NECK, 2] - pelvis[2]
    chest = pelvis + np.array([0.0, 0.0, 0.5 * out[TRUNK]])
    for first, place in (
        (SHOULDER_AT, side[rig.SHOULDER]), (CLAVICLE_AT, side[rig.CLAVICLE]),
        (NECK_AT, joints[rig.NECK]), (SKULL_AT, joints[rig.SKULL]),
    ):
        from_chest = place - chest
        out[first : first + 3] = (from_chest[2], from_chest[0], -from_chest[1])
    out[ANKLE_HEIGHT] = side[rig.ANKLE, 2] - floor
    out[BALL] = float(np.hypot(*(side[rig.TOE] - side[rig.ANKLE])[:2]))
    out[BALL_DROP] = side[rig.ANKLE, 2] - side[rig.TOE, 2]
    out[TIP] = tip
    out[CROWN] = crown - joints[rig.SKULL, 2]
    out[HEAD_MIDDLE] = 0.45 * out[CROWN]
    return out


@lru_cache(maxsize=64)
def mesh(look: Look) -> BodyMesh:
    """Mesh of a person."""
    data = archive()
    names = [str(name) for name in data["names"]]
    share = _shares(look, names)
    places = np.einsum("vkc,k->vc", data["places"] / PLACES_PER_M, share)
    facing = np.einsum("vkc,k->vc", data["facing"] / 127.0, share)
    joints = np.einsum("kjc,k->jc", data["joints"].astype(float), share)
    across = np.einsum("ksc,k->sc", data["across"].astype(float), share)
    material = data["material"].astype(np.int64)
    faces = data["faces"].astype(np.int64)
    floor = float(places[faces[material == SHOE], 2].min())
    crown = float(places[faces[material == SKIN], 2].max())
    scale = look.height_m / (crown - floor)
    lift = np.array([0.0, 0.0, floor])
    places, joints = (places - lift) * scale, (joints - lift) * scale
    shoe = places[faces[material == SHOE]].reshape(-1, 3)
    ankle = joints[rig.FIRST_SIDE + rig.ANKLE]
    mine = shoe[shoe[:, 0] > 0, :2] - ankle[:2]
    ahead = joints[rig.FIRST_SIDE + rig.TOE, :2] - ankle[:2]
    tip = float((mine @ ahead / np.linalg.norm(ahead)).max())
    kept = worn(look)[material]
    used, inverse = np.unique(faces[kept], return_inverse=True)
    rest = np.zeros((rig.BONES, rig.FRAME_SIZE))
    carry = np.zeros((2, 3))
    metrics = _metrics(joints, 0.0, tip, look.height_m)
    rig.frames(joints, rig.rest_directions(joints, across), metrics[TRUNK], carry, True, rest)
    weights = data["shares"][used] / 255.0
    reference = data["reference"] / PLACES_PER_M
    cloth = np.unique(faces[np.isin(material, (SHIRT, SLEEVE, SHORTS, SHORTS_LEG, SKIRT))])
    # Patterns run straight over cloth as it hangs on this body, at the reference body's size.
    bottom = float(reference[faces[material == SHOE], 2].min())
    top = float(reference[faces[material == SKIN], 2].max())
    reference[cloth] = places[cloth] * (top - bottom) / look.height_m + (0.0, 0.0, bottom)
    cover = np.array(COVER_M)
    if look.skirt:
        cover[SHIRT] = TUCKED_M
    return BodyMesh(
        places[used], facing[used], reference[used],
        data["bones"][used].astype(np.int64), weights / weights.sum(1, keepdims=True),
        data["sky"][used] / 255.0, np.ascontiguousarray(inverse.reshape(-1, 3)), material[kept],
        rest, carry, metrics, colours(look), cover,
    )
