"""People as the renderer draws them: poses and meshes at the moments of an exposure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rallymill.arena import body, body_limbs, body_mesh, body_rig, shade_body, shade_mesh
from rallymill.arena.body_solids import RACKET_SOLIDS, cover
from rallymill.arena.shade_paint import pattern_of
from rallymill.arena.world import Look, PersonState

Array = NDArray[np.float64]
Box = tuple[int, int, int, int]


@dataclass(frozen=True)
class Posed:
    """A person at an exposure: meshes at T moments, solids for shadow and racket, box.

    ``middle`` is the state vector in the middle of the exposure, ``marks`` (MARKS, 3) as
    :mod:`body` writes them then, ``solids`` (N, SOLID_SIZE) the body's solids then; ``rackets``
    (T, RACKET_SOLIDS, SOLID_SIZE).
    """

    index: int
    middle: Array
    marks: Array
    solids: Array
    rackets: Array
    racket_counts: NDArray[np.int64]
    places: Array
    facing: Array
    image_places: Array
    box: Box


def body_moments(joints: list[Array], vector: Array) -> int:
    """Moments (1, 2 or all) that a body's blur needs, from its joints (JOINTS, 3) at each."""
    if len(joints) < 4:
        return 1
    # First and last of the exposure, whatever the order between.
    way = float(np.abs(joints[-1] - joints[0]).max())
    distance = float(np.linalg.norm(joints[0][0] - vector[4:7]))
    blur_px = 1.3 * way * vector[0] / max(distance, 0.5)
    return 1 if blur_px < 0.8 else (2 if blur_px < 3.0 else len(joints))


def surface(state: PersonState, look: Look) -> tuple[Array, Array, body.Pose]:
    """Vertices (V, 3) and normals (V, 3) of a person's mesh in a state, and the pose."""
    shape = body_mesh.mesh(look)
    pose = body.pose(body.state_vector(state), body.look_vector(look), shape)
    places, facing = np.empty_like(shape.places), np.empty_like(shape.places)
    body_rig.skin(
        shape.rest, pose.bones, shape.places, shape.facing, shape.bones, shape.weights,
        places, facing,
    )
    return places, facing, pose


class Scratch:
    """Sample buffers that are used again from one person to the next."""

    def __init__(self) -> None:
        self._size = 0
        self._whole: tuple[NDArray[Any], ...] = ()

    def buffers(self, height: int, width: int, samples: int) -> tuple[NDArray[Any], ...]:
        """Depth, colour, part, face and place in it for samples (h, w, S); content undefined."""
        size = height * width * samples
        if size > self._size:
            self._size = size
            self._whole = (
                np.empty(size, np.float32), np.empty(3 * size, np.float32),
                np.empty(size, np.uint8), np.empty(size, np.int32), np.empty(2 * size, np.float32),
            )
        shape = (height, width, samples)
        ends: tuple[tuple[int, ...], ...] = ((), (3,), (), (), (2,))
        return tuple(
            whole[: size * int(np.prod(end))].reshape((*shape, *end))
            for whole, end in zip(self._whole, ends, strict=True)
        )


SCRATCH = Scratch()


class Figure:
    """A person's look, ready to be posed and drawn."""

    def __init__(self, look: Look) -> None:
        self.look = body.look_vector(look)
        self.mesh = body_mesh.mesh(look)
        self.pattern = pattern_of(look)

    def posed(
        self, index: int, states: list[Array], middle: Array, vector: Array, width: int, height: int
    ) -> Posed:
        """Pose at states (of T moments), seen by a camera vector in a picture of a size.

        The racket is drawn at all moments, the body at as many as its blur needs, see
        :func:`body_moments`.
        """
        shape = self.mesh
        carries = bool(self.look[28] > 0)
        rackets = np.zeros((len(states), RACKET_SOLIDS, body_limbs.SOLID_SIZE))
        counts = np.full(len(states), RACKET_SOLIDS if carries else 0, dtype=np.int64)
        solids = np.zeros((body_limbs.MAX_SOLIDS, body_limbs.SOLID_SIZE))
        poses = [body.pose(state, self.look, shape) for state in states]
        for m, pose in enumerate(poses):
            if carries:
                cover(self.look, pose.joints, pose.directions, pose.marks, solids)
                rackets[m] = solids[:RACKET_SOLIDS]
        pose = poses[0] if len(states) == 1 else body.pose(middle, self.look, shape)
        n = cover(self.look, pose.joints, pose.directions, pose.marks, solids)
        count = body_moments([moment.joints for moment in poses], vector)
        if count == 1:
            poses = [pose]
        places = np.empty((len(poses), *shape.places.shape))
        facing = np.empty_like(places)
        for m, moment in enumerate(poses):
            body_rig.skin(
                shape.rest, moment.bones, shape.places, shape.facing, shape.bones, shape.weights,
                places[m], facing[m],
            )
        if count < len(poses):
            # Moments alternate between the halves of the exposure.
            places = (places[:2] + places[2:]) / 2
            facing = facing[2:]
        image_places = np.empty_like(places)
        box = shade_mesh.mesh_box(vector, places, image_places, width, height)
        if box[2] > box[0] and carries:
            held = shade_body.body_box(vector, rackets, counts, width, height)
            if held[2] > held[0]:
                box = (
                    min(box[0], held[0]), min(box[1], held[1]),
                    max(box[2], held[2]), max(box[3], held[3]),
                )
        return Posed(
            index, middle, pose.marks, solids[:n], rackets, counts, places, facing, image_places,
            box,
        )

    def draw(
        self, posed: Posed, vector: Array, offsets: Array, ambient: Array, lights: Array,
        sun: float, image: NDArray[np.float32], depth: NDArray[np.float32],
        owner: NDArray[np.uint8], number: int,
    ) -> int:
        """Draw into a picture; returns the pixels of the silhouette without the racket."""
        shape = self.mesh
        x0, y0, x1, y1 = posed.box
        buffers = SCRATCH.buffers(y1 - y0, x1 - x0, len(offsets))
        return int(
            shade_body.draw_person(
                vector, posed.rackets, posed.racket_counts, posed.places, posed.facing,
                posed.image_places, shape.reference, shape.sky, shape.faces, shape.material,
                shape.cover_m, shape.colours, self.pattern, offsets, ambient, lights, sun,
                posed.box, image, depth, owner, number, 1.0, *buffers,
            )
        )
