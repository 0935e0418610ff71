"""Bake the bodies that the arena draws: ``python -m rallymill.arena.bake_bodies OUT.npz``.

Needs the package ``anny`` (code Apache-2.0, its MakeHuman data CC0) with torch, roma, trimesh and
safetensors, and ``fast-simplification``; the arena itself needs none of them. Bodies of several
builds share their vertices: what is cut and thinned once fits all of them. Garments are cut from
the suit and the skirt that the data carry round every body.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import anny
import numpy as np
import torch
from anny.utils.obj_utils import load_obj_file
from numpy.typing import NDArray

from rallymill.arena import body_rig as rig
from rallymill.arena.bake_garments import (
    Piece,
    collar,
    cut,
    hairline,
    normals,
    offset,
    sky_seen,
    smoothed,
    thinned,
    tube,
    used,
)
from rallymill.arena.body_mesh import MATERIALS

Array = NDArray[np.float64]

COMMON = {
    "gender": 0.0, "age": 0.667, "muscle": 0.65, "weight": 0.5, "height": 0.5, "proportions": 0.6,
    "cupsize": 0.4, "firmness": 0.6, "african": 0.33, "asian": 0.33, "caucasian": 0.34,
}
BODIES: dict[str, dict[str, float]] = {
    "man_lean": {"muscle": 0.7, "weight": 0.32},
    "man_mid": {"muscle": 0.75, "weight": 0.5},
    "man_heavy": {"age": 0.75, "muscle": 0.5, "weight": 0.95},
    "woman_lean": {"gender": 1.0, "weight": 0.32},
    "woman_mid": {"gender": 1.0},
    "woman_heavy": {"gender": 1.0, "age": 0.75, "muscle": 0.45, "weight": 0.92},
    "boy": {"age": 0.45, "muscle": 0.5, "weight": 0.45},
    "girl": {"gender": 1.0, "age": 0.45, "muscle": 0.5, "weight": 0.45},
}
REFERENCE = list(BODIES).index("woman_mid")
FINGER_BENDS = ((0.9, 1.2, 0.7), (0.35, 0.35, 0.4))
SOLE_M = 0.022


def _bone(name: str) -> dict[str, float]:
    """Bones of the rig and their shares of a bone of the data."""
    stem, _, side = name.partition(".")
    tail = "_" + side.lower()
    if stem.startswith(("upperleg",)):
        return {"thigh" + tail: 1.0}
    if stem.startswith("lowerleg"):
        return {"shin" + tail: 1.0}
    if stem == "foot":
        return {"foot" + tail: 1.0}
    if stem.startswith("toe"):
        return {"toes" + tail: 1.0}
    if stem.startswith(("clavicle", "shoulder")):
        return {"clavicle" + tail: 1.0}
    if stem.startswith("upperarm"):
        return {"upper_arm" + tail: 1.0}
    if stem == "lowerarm01":
        return {"forearm" + tail: 1.0}
    if stem == "lowerarm02":
        return {"wrist" + tail: 1.0}
    if stem.startswith(("wrist", "finger", "metacarpal")):
        return {"hand" + tail: 1.0}
    if stem in ("root", "pelvis"):
        return {"pelvis": 1.0}
    middle = {
        "spine05": {"pelvis": 0.7, "abdomen": 0.3}, "spine04": {"abdomen": 1.0},
        "spine03": {"abdomen": 0.6, "chest": 0.4}, "spine02": {"chest": 1.0},
        "spine01": {"chest": 1.0}, "breast": {"chest": 1.0},
        "neck01": {"chest": 0.75, "head": 0.25}, "neck02": {"chest": 0.5, "head": 0.5},
        "neck03": {"chest": 0.2, "head": 0.8},
    }
    return middle.get(stem, {"head": 1.0})


class Source:
    """Vertices of all bodies with bones and faces by group, hands closed."""

    def __init__(self) -> None:
        model = anny.Anny(rig="makehuman", topology="makehuman-full", phenotypes="all")
        self.names = list(model.bone_labels)
        identity = torch.eye(4)[None, None].repeat(1, len(self.names), 1, 1)
        places, heads, tails = [], [], []
        for values in BODIES.values():
            shape = {k: torch.tensor([v]) for k, v in {**COMMON, **values}.items()}
            with torch.no_grad():
                out = model(pose_parameters=identity, phenotype_kwargs=shape)
            places.append(out["rest_vertices"][0].numpy().astype(float))
            heads.append(out["rest_bone_heads"][0].numpy().astype(float))
            tails.append(out["rest_bone_tails"][0].numpy().astype(float))
        self.places = np.stack(places, 1)
        self.heads, self.tails = np.stack(heads), np.stack(tails)
        indices = model.vertex_bone_indices.numpy()
        shares = model.vertex_bone_weights.numpy().astype(float)
        full = np.zeros((len(indices), len(self.names)))
        np.add.at(full, (np.arange(len(indices))[:, None], indices), shares)
        mapping = np.zeros((len(self.names), rig.BONES))
        for row, name in enumerate(self.names):
            for bone, share in _bone(name).items():
                mapping[row, rig.BONE_NAMES.index(bone)] = share
        self.weights = full @ mapping
        self.across = np.zeros((len(BODIES), 2, 3))
        self.grips = np.zeros((len(BODIES), 2, 3))
        for body in range(len(BODIES)):
            for side in range(2):
                self._close_hand(full, body, side)
        base = Path(anny.__file__).parent / "data" / "mpfb2" / "3dobjs" / "base.obj"
        _, _, groups = load_obj_file(str(base), dtype=torch.float32)
        self.groups = {
            name: self._triangles(group["face_vertex_indices"].numpy())
            for name, group in groups.items()
        }

    @staticmethod
    def _triangles(quads: NDArray[np.int64]) -> NDArray[np.int64]:
        faces = np.vstack([quads[:, :3], quads[:, [0, 2, 3]]]).astype(np.int64)
        fine = (faces[:, 0] != faces[:, 2]) & (faces[:, 1] != faces[:, 2])
        return faces[fine]

    def head_of(self, body: int, name: str) -> Array:
        """Where a bone of the data starts on a body."""
        return np.asarray(self.heads[body, self.names.index(name)])

    def _close_hand(self, full: Array, body: int, side: int) -> None:
        end = ".L" if side == 0 else ".R"
        bases = [self.head_of(body, f"finger{k}-1{end}") for k in range(2, 6)]
        wrist = self.head_of(body, "wrist" + end)
        across = bases[0] - bases[3]
        across /= np.linalg.norm(across)
        along = np.mean(bases, 0) - wrist
        palm = np.cross(along, across)
        palm /= np.linalg.norm(palm)
        tip = self.tails[body, self.names.index(f"finger3-3{end}")]
        first = self.head_of(body, f"finger3-2{end}") - bases[1]
        if (tip - bases[1] - first * ((tip - bases[1]) @ first) / (first @ first)) @ palm < 0:
            palm = -palm
        self.across[body, side] = across
        self.grips[body, side] = np.mean(bases, 0) + 0.022 * palm - 0.01 * along / np.linalg.norm(
            along
        )
        moved = self.places[:, body].copy()
        still = np.ones(len(moved))
        total = np.zeros_like(moved)
        for finger in range(1, 6):
            turn = np.eye(3)
            shift = np.zeros(3)
            for joint in range(3):
                name = f"finger{finger}-{joint + 1}{end}"
                head = self.head_of(body, name)
                bone = self.tails[body, self.names.index(name)] - head
                axis = np.cross(bone, palm)
                axis /= np.linalg.norm(axis)
                angle = FINGER_BENDS[1 if finger == 1 else 0][joint]
                k = np.array(
                    [[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]]
                )
                bend = np.eye(3) + np.sin(angle) * k + (1 - np.cos(angle)) * (k @ k)
                shift = turn @ (head - bend @ head) + shift
                turn = turn @ bend
                share = full[:, self.names.index(name)]
                total += share[:, None] * (moved @ turn.T + shift)
                still = still - share
        self.places[:, body] = total + still[:, None] * moved

    def joints(self, body: int) -> Array:
        """Joints (JOINTS, 3) of a body at rest."""
        out = np.zeros((rig.JOINTS, 3))
        data = {
            rig.CLAVICLE: "clavicle", rig.SHOULDER: "upperarm01", rig.ELBOW: "lowerarm01",
            rig.WRIST: "wrist", rig.HIP: "upperleg01", rig.KNEE: "lowerleg01", rig.ANKLE: "foot",
            rig.TOE: "toe3-1",
        }
        for side in range(2):
            first = rig.FIRST_SIDE + rig.SIDE_JOINTS * side
            for joint, name in data.items():
                out[first + joint] = self.head_of(body, name + (".L" if side == 0 else ".R"))
            out[first + rig.GRIP] = self.grips[body, side]
        out[rig.PELVIS] = (
            out[rig.FIRST_SIDE + rig.HIP] + out[rig.FIRST_SIDE + rig.SIDE_JOINTS + rig.HIP]
        ) / 2
        out[rig.NECK] = self.head_of(body, "neck01")
        out[rig.SKULL] = self.head_of(body, "head")
        return out

    def piece(self, group: str, material: str) -> Piece:
        """A group of the data as a piece."""
        whole = Piece(
            self.places, self.weights, self.places[:, REFERENCE].copy(), self.groups[group],
            MATERIALS.index(material),
        )
        return used(whole, whole.faces)


def _arm(piece: Piece, joints: Array) -> Array:
    """Place along the upper arm (V,), 0 at the shoulder, 1 at the elbow, -1 off the arms."""
    names = rig.BONE_NAMES
    rows = [i for i, name in enumerate(names) if name.startswith(("upper_arm", "forearm"))]
    on = piece.weights[:, rows].sum(1) > 0.35
    far = piece.weights[:, [i for i, n in enumerate(names) if n.startswith(("hand", "wrist"))]]
    out = np.full(len(piece.reference), -1.0)
    for side, sign in enumerate((1.0, -1.0)):
        first = rig.FIRST_SIDE + rig.SIDE_JOINTS * side
        start = joints[first + rig.SHOULDER]
        way = joints[first + rig.ELBOW] - start
        along = (piece.reference - start) @ way / (way @ way)
        mine = on & (piece.reference[:, 0] * sign > 0)
        out[mine] = along[mine]
    out[far.sum(1) > 0.3] = 2.0
    return out


def _leg(piece: Piece, joints: Array) -> Array:
    """Place along the thigh (V,), 0 at the height of the hip, 1 at the knee."""
    hip, knee = joints[rig.FIRST_SIDE + rig.HIP, 2], joints[rig.FIRST_SIDE + rig.KNEE, 2]
    return np.asarray((hip - piece.reference[:, 2]) / (hip - knee))


def _skin(source: Source, joints: Array) -> list[Piece]:
    body = source.piece("body", "skin")
    arm, leg, z = _arm(body, joints), _leg(body, joints), body.reference[:, 2]
    head = cut(body, np.where(arm > -0.5, -1.0, np.minimum(z - 0.60, 0.02 - collar(body) + 0.03)))
    out = [thinned(head, 760, REFERENCE)]
    for sign in (1.0, -1.0):
        side = np.where(body.reference[:, 0] * sign > 0, 1.0, -1.0)
        limb = cut(body, np.minimum(side, arm + 0.15))
        out.append(thinned(limb, 260, REFERENCE))
        limb = cut(body, np.minimum(side, np.minimum(leg - 0.33, z + 0.70)))
        out.append(thinned(limb, 150, REFERENCE))
    for group in ("helper-l-eye", "helper-r-eye"):
        eye = source.piece(group, "eye")
        out.append(thinned(cut(eye, -0.112 - eye.reference[:, 1]), 24, REFERENCE))
    return out


def _clothes(source: Source, joints: Array) -> list[Piece]:
    """Garments: shaped and thinned with a margin, then cut, so that hems come out clean."""
    suit = source.piece("helper-tights", "shirt")
    arm, leg, z = _arm(suit, joints), _leg(suit, joints), suit.reference[:, 2]
    out = []
    end = 0.52
    shirt = cut(suit, np.minimum(np.minimum(collar(suit) + 0.03, end + 0.2 - arm), 0.16 - leg))
    arm = _arm(shirt, joints)
    low = np.clip((0.45 - shirt.reference[:, 2]) / 0.3, 0, 1)
    loose = np.where(arm > 0, 0.010 + 0.014 * np.clip(arm / end, 0, 1), 0.006 + 0.012 * low)
    shirt = thinned(smoothed(offset(smoothed(shirt, 3), loose), 4), 640, REFERENCE)
    trunk = cut(shirt, 0.06 - _arm(shirt, joints))
    out.append(cut(trunk, np.minimum(collar(trunk), 0.05 - _leg(trunk, joints))))
    sleeves = cut(shirt, _arm(shirt, joints) - 0.06)
    out.append(_as(cut(sleeves, end - _arm(sleeves, joints)), "sleeve"))
    for hem, material in ((0.34, "shorts"), (0.68, "shorts_leg")):
        trunks = cut(suit, np.minimum(leg + 0.26, hem + 0.12 - leg))
        place = np.clip(_leg(trunks, joints), 0, 1)
        trunks = smoothed(offset(smoothed(trunks, 2), 0.004 + 0.024 * place), 3)
        trunks = thinned(trunks, 320, REFERENCE)
        out.append(_as(cut(trunks, hem - _leg(trunks, joints)), material))
    skirt = source.piece("helper-skirt", "skirt")
    skirt = cut(skirt, 0.62 - _leg(skirt, joints))
    place = np.clip(_leg(skirt, joints) + 0.25, 0, 1)
    skirt = thinned(offset(skirt, 0.006 + 0.055 * place**1.5), 260, REFERENCE)
    out.append(cut(skirt, 0.50 - _leg(skirt, joints)))
    ankle = joints[rig.FIRST_SIDE + rig.ANKLE, 2]
    for sign in (1.0, -1.0):
        side = np.where(suit.reference[:, 0] * sign > 0, 1.0, -1.0)
        sock = cut(suit, np.minimum(side, np.minimum(z - ankle + 0.01, ankle + 0.16 - z)))
        sock = thinned(offset(sock, np.full(len(sock.reference), 0.004)), 64, REFERENCE)
        out.append(_as(cut(sock, ankle + 0.12 - sock.reference[:, 2]), "sock"))
        out.append(_shoe(_as(cut(suit, np.minimum(side, ankle + 0.05 - z)), "shoe"), ankle))
    return out


def _as(piece: Piece, material: str) -> Piece:
    return replace(piece, material=MATERIALS.index(material))


def _shoe(foot: Piece, ankle_z: float) -> Piece:
    shoe = smoothed(offset(smoothed(foot, 6), np.full(len(foot.reference), 0.010)), 2)
    floor = foot.reference[:, 2].min()
    height = foot.reference[:, 2] - floor
    places = shoe.places.copy()
    for k in range(places.shape[1]):
        out = normals(places[:, k], shoe.faces)
        low = np.clip((0.028 - height) / 0.012, 0, 1)
        ground = places[:, k, 2].min()
        # A sole that is flat and a little wider than the upper, lower by its thickness.
        places[:, k, :2] += out[:, :2] * (0.004 * low)[:, None]
        flat = np.clip((0.020 - height) / 0.008, 0, 1)
        goal = ground - SOLE_M + 0.010
        places[:, k, 2] = places[:, k, 2] * (1 - flat) + goal * flat
    shoe = thinned(replace(shoe, places=places), 170, REFERENCE)
    return cut(shoe, ankle_z + 0.022 - shoe.reference[:, 2])


def _head_wear(source: Source, joints: Array) -> list[Piece]:
    body = source.piece("body", "hair")
    names = rig.BONE_NAMES
    on_head = body.weights[:, names.index("head")] - 0.55
    line = hairline(body)
    scalp = cut(body, np.minimum(on_head, line + 0.012))
    rise = np.clip(hairline(scalp) / 0.03, 0.12, 1.0)
    hair = thinned(smoothed(offset(scalp, 0.015 * rise), 3), 260, REFERENCE)
    out = [cut(hair, hairline(hair))]
    brow = body.reference[:, 2] - 0.888 - 0.12 * body.reference[:, 1]
    crown = cut(body, np.minimum(on_head, brow + 0.02))
    crown = smoothed(offset(crown, np.full(len(crown.reference), 0.021)), 6)
    crown = thinned(_as(crown, "cap"), 170, REFERENCE)
    brow = crown.reference[:, 2] - 0.888 - 0.12 * crown.reference[:, 1]
    out.append(cut(crown, brow))
    u, v = np.meshgrid(np.linspace(-1, 1, 9), np.linspace(0, 1, 4))
    reach = np.sqrt(np.maximum(1 - 0.8 * u**2, 0))
    front = -0.085 - 0.075 * np.sqrt(np.maximum(1 - u**2, 0))
    peak = np.stack(
        [0.078 * u * (1 - 0.06 * v), front - 0.075 * v * reach,
         0.903 - 0.016 * u**2 - 0.02 * v - 0.01 * v * u**2], -1,
    ).reshape(-1, 3)
    faces = []
    for r in range(3):
        for c in range(8):
            a = r * 9 + c
            faces += [(a, a + 1, a + 10), (a, a + 10, a + 9)]
    under = [(a + len(peak), c + len(peak), b + len(peak)) for a, b, c in faces]
    peak = np.vstack([peak, peak - [0.0, 0.0, 0.003]])
    out.append(_on_head(source, peak, np.array(faces + under), "cap"))
    tail, faces_of_tail = tube(
        np.array([[0, 0.055, 0.875], [0, 0.095, 0.885], [0, 0.125, 0.85], [0, 0.13, 0.79],
                  [0, 0.118, 0.72], [0, 0.10, 0.665]]),
        np.array([0.012, 0.017, 0.025, 0.026, 0.020, 0.005]), 8,
    )
    out.append(_on_head(source, tail, faces_of_tail, "tail"))
    return out


def _on_head(source: Source, points: Array, faces: NDArray[np.int64], material: str) -> Piece:
    """A piece made on the reference body's head, fitted to the heads of all bodies."""
    body = source.piece("body", material)
    head = body.weights[:, rig.BONE_NAMES.index("head")] > 0.9
    marks = body.places[head]
    low, high = marks.min(0), marks.max(0)
    share = (points - low[REFERENCE]) / (high[REFERENCE] - low[REFERENCE])
    places = low + share[:, None, :] * (high - low)
    weights = np.zeros((len(points), rig.BONES))
    weights[:, rig.BONE_NAMES.index("head")] = 1.0
    made = Piece(places, weights, points.copy(), faces, MATERIALS.index(material))
    return thinned(made, len(faces), REFERENCE)


def bake(path: Path) -> None:
    """Write the bodies to a compressed archive."""
    source = Source()
    joints = np.stack([source.joints(k) for k in range(len(BODIES))])
    reference = joints[REFERENCE]
    pieces = _skin(source, reference) + _clothes(source, reference)
    pieces += _head_wear(source, reference)
    first = np.cumsum([0] + [len(p.places) for p in pieces])
    faces = np.vstack([p.faces + n for p, n in zip(pieces, first, strict=False)])
    material = np.concatenate([np.full(len(p.faces), p.material) for p in pieces])
    places = np.vstack([p.places for p in pieces])
    weights = np.vstack([p.weights for p in pieces])
    order = np.argsort(-weights, axis=1)[:, :4]
    shares = np.take_along_axis(weights, order, 1)
    shares /= shares.sum(1, keepdims=True)
    facing = np.vstack([p.facing for p in pieces if p.facing is not None])
    hides = ~np.isin(material, [MATERIALS.index(name) for name in ("tail", "skirt")])
    sky = sky_seen(places[:, REFERENCE], facing[:, REFERENCE], faces[hides])
    np.savez_compressed(
        path, names=np.array(list(BODIES)), places=np.round(places * 1e4).astype(np.int16),
        reference=np.round(np.vstack([p.reference for p in pieces]) * 1e4).astype(np.int16),
        facing=np.round(facing * 127).astype(np.int8), faces=faces.astype(np.uint16),
        material=material.astype(np.uint8),
        bones=order.astype(np.uint8), shares=np.round(shares * 255).astype(np.uint8),
        sky=np.round(sky * 255).astype(np.uint8), joints=joints.astype(np.float32),
        across=source.across.astype(np.float32),
    )


if __name__ == "__main__":
    bake(Path(sys.argv[1]))
