"""Cutting, offsetting and thinning of meshes for the bodies of :mod:`bake_bodies`.

A piece carries, for every vertex, its place on each body, its bone weights and its place on the
reference body, stacked to one row of numbers, so that cutting and thinning treat all alike.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import fast_simplification
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.spatial import cKDTree

Array = NDArray[np.float64]
Faces = NDArray[np.int64]


@dataclass(frozen=True)
class Piece:
    """Part of a body or a garment.

    ``places`` (V, K, 3) on K bodies, ``weights`` (V, B) to bones, ``reference`` (V, 3) on the
    reference body before any offset, ``faces`` (F, 3), ``material`` the number of what it is
    made of, ``facing`` (V, K, 3) outward normals, taken before the mesh is thinned.
    """

    places: Array
    weights: Array
    reference: Array
    faces: Faces
    material: int
    facing: Array | None = None

    def rows(self) -> Array:
        """All numbers of a vertex in one row (V, N)."""
        n = len(self.places)
        parts = [self.places.reshape(n, -1), self.weights, self.reference]
        if self.facing is not None:
            parts.append(self.facing.reshape(n, -1))
        return np.hstack(parts)

    def with_rows(self, rows: Array, faces: Faces) -> Piece:
        """The piece with other vertices, see :meth:`rows`."""
        k = self.places.shape[1] * 3
        b = self.weights.shape[1]
        n = len(rows)
        facing = rows[:, k + b + 3 :].reshape(n, -1, 3) if self.facing is not None else None
        return replace(
            self, places=rows[:, :k].reshape(n, -1, 3), weights=rows[:, k : k + b],
            reference=rows[:, k + b : k + b + 3], faces=faces, facing=facing,
        )


def used(piece: Piece, faces: Faces) -> Piece:
    """The piece with some of its faces and only the vertices that these need."""
    kept, inverse = np.unique(faces, return_inverse=True)
    return piece.with_rows(piece.rows()[kept], inverse.reshape(faces.shape))


def cut(piece: Piece, field: Array) -> Piece:
    """Keep where ``field`` (V,) is positive; faces across its zero are cut in a straight line."""
    rows = [piece.rows()]
    n = len(field)
    made: dict[tuple[int, int], int] = {}
    extra: list[Array] = []

    def crossing(i: int, j: int) -> int:
        key = (min(i, j), max(i, j))
        if key not in made:
            share = field[key[0]] / (field[key[0]] - field[key[1]])
            extra.append(rows[0][key[0]] * (1 - share) + rows[0][key[1]] * share)
            made[key] = n + len(extra) - 1
        return made[key]

    faces: list[tuple[int, int, int]] = []
    inside = field > 0
    for face in piece.faces:
        count = int(inside[face].sum())
        if count == 0:
            continue
        a, b, c = (int(v) for v in face)
        if count == 3:
            faces.append((a, b, c))
            continue
        lone = next(i for i in range(3) if inside[face[i]] == (count == 1))
        a, b, c = (int(face[(lone + k) % 3]) for k in range(3))
        ab, ca = crossing(a, b), crossing(c, a)
        if count == 1:
            faces.append((a, ab, ca))
        else:
            faces += [(ab, b, c), (ab, c, ca)]
    if extra:
        rows.append(np.array(extra))
    whole = piece.with_rows(np.vstack(rows), np.array(faces))
    return used(whole, whole.faces)


def normals(places: Array, faces: Faces) -> Array:
    """Outward normals (V, 3) of a mesh."""
    corner = places[faces]
    across = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    out = np.zeros_like(places)
    for i in range(3):
        np.add.at(out, faces[:, i], across)
    return np.asarray(out / np.maximum(np.linalg.norm(out, axis=1, keepdims=True), 1e-12))


def offset(piece: Piece, distance_m: Array) -> Piece:
    """Move every vertex outwards by its distance (V,) on every body."""
    places = piece.places.copy()
    for k in range(places.shape[1]):
        places[:, k] += normals(places[:, k], piece.faces) * distance_m[:, None]
    return replace(piece, places=places)


def smoothed(piece: Piece, rounds: int, keep_edge: bool = True) -> Piece:
    """Each vertex moved half-way to the mean of its neighbours, ``rounds`` times."""
    n = len(piece.places)
    i = np.concatenate([piece.faces[:, [0, 1, 2]].ravel(), piece.faces[:, [1, 2, 0]].ravel()])
    j = np.concatenate([piece.faces[:, [1, 2, 0]].ravel(), piece.faces[:, [0, 1, 2]].ravel()])
    link = coo_matrix((np.ones(len(i)), (i, j)), shape=(n, n)).tocsr()
    # An edge with one face only is met once in each direction, an inner one twice.
    border = np.zeros(n, dtype=bool)
    single = link.tocoo()
    border[single.row[single.data < 2]] = True
    link.data[:] = 1.0
    if keep_edge:
        # Along the rim, only neighbours on the rim pull.
        entries = link.tocoo()
        fine = ~border[entries.row] | border[entries.col]
        link = coo_matrix(
            (entries.data[fine], (entries.row[fine], entries.col[fine])), shape=(n, n)
        ).tocsr()
    count = np.maximum(np.asarray(link.sum(1)).ravel(), 1.0)
    flat = piece.places.reshape(n, -1).copy()
    for _ in range(rounds):
        flat += 0.5 * ((link @ flat) / count[:, None] - flat)
    return replace(piece, places=flat.reshape(piece.places.shape))


def thinned(piece: Piece, target: int, body: int) -> Piece:
    """About ``target`` faces, with vertices chosen from those that were there."""
    facing = np.stack(
        [normals(piece.places[:, k], piece.faces) for k in range(piece.places.shape[1])], 1
    )
    whole = replace(piece, facing=facing)
    if len(piece.faces) <= target:
        return whole
    shape = piece.places[:, body]
    points, faces = fast_simplification.simplify(
        shape.astype(np.float32), piece.faces.astype(np.int32), target_count=target,
        agg=4.0,
    )
    _, nearest = cKDTree(shape).query(points)
    faces = nearest[faces.astype(np.int64)]
    fine = (
        (faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])
    )
    return used(whole, faces[fine])


def tube(centres: Array, radii: Array, sides: int) -> tuple[Array, Faces]:
    """Closed tube (V, 3) along centres (N, 3)."""
    rings = []
    ahead = np.gradient(centres, axis=0)
    for centre, radius, along in zip(centres, radii, ahead, strict=True):
        along = along / np.linalg.norm(along)
        across = np.array([1.0, 0.0, 0.0])
        other = np.cross(along, across)
        angle = 2 * np.pi * np.arange(sides) / sides
        rings.append(
            centre + radius * (np.cos(angle)[:, None] * across + np.sin(angle)[:, None] * other)
        )
    faces = []
    for r in range(len(rings) - 1):
        for s in range(sides):
            a, b = r * sides + s, r * sides + (s + 1) % sides
            faces += [(a, b, b + sides), (a, b + sides, a + sides)]
    last = (len(rings) - 1) * sides
    faces += [(0, s + 1, s) for s in range(1, sides - 1)]
    faces += [(last, last + s, last + s + 1) for s in range(1, sides - 1)]
    return np.vstack(rings), np.array(faces)


def sky_seen(places: Array, facing: Array, faces: Faces) -> Array:
    """Share of the sky (V,) that a vertex sees past the ``faces``, by 40 rays each."""
    rng = np.random.default_rng(5)
    rays = rng.normal(size=(40, 3))
    rays /= np.linalg.norm(rays, axis=1, keepdims=True)
    a = places[faces[:, 0]]
    e1, e2 = places[faces[:, 1]] - a, places[faces[:, 2]] - a
    seen, total = np.zeros(len(places)), np.zeros(len(places))
    start = places + 0.012 * facing
    for ray in rays:
        p = np.cross(ray, e2)
        det = (e1 * p).sum(1)
        inverse = 1 / np.where(np.abs(det) < 1e-12, 1e-12, det)
        weight = np.maximum(facing @ ray, 0)
        for v in np.flatnonzero(weight > 0):
            s = start[v] - a
            u = (s * p).sum(1) * inverse
            q = np.cross(s, e1)
            w = (q @ ray) * inverse
            t = (e2 * q).sum(1) * inverse
            hit = (u >= 0) & (w >= 0) & (u + w <= 1) & (t > 1e-4) & (t < 0.5)
            seen[v] += 0.0 if hit.any() else weight[v]
        total += weight
    return np.asarray(seen / np.maximum(total, 1e-9))


def collar(piece: Piece) -> Array:
    """Height below the neckline (V,), which rises towards the back; reference body."""
    return np.asarray(0.686 + 0.5 * piece.reference[:, 1] - piece.reference[:, 2])


def hairline(piece: Piece) -> Array:
    """Height above the hairline (V,) on the reference body's head."""
    y = piece.reference[:, 1]
    line = np.interp(
        y, [-0.15, -0.115, -0.09, -0.068, -0.05, -0.012, 0.012, 0.06],
        [0.918, 0.912, 0.903, 0.868, 0.858, 0.864, 0.80, 0.775],
    )
    return np.asarray(piece.reference[:, 2] - line)
