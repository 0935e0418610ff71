"""Draw a moment of a world as a camera sees it: linear light, and what of it can be seen.

Painter's order: ground and surroundings, shadows, what lies beyond the net from far to near, the
net, what lies before it. Depth and owner of every pixel are kept for bodies, so that the ball hides
behind them and visibility is counted in pixels, not guessed.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from rallymill import court
from rallymill.arena import (
    body,
    body_limbs,
    render_props,
    render_rows,
    shade,
    shade_body,
    shade_ray,
    shade_shadow,
    shade_surround,
)
from rallymill.arena.render_people import Figure, Posed
from rallymill.arena.render_seen import BallSeen, PersonSeen, Picture
from rallymill.arena.scene import Venue
from rallymill.arena.shade_venue import V_TIME
from rallymill.arena.world import World
from rallymill.camera import Camera

Array = NDArray[np.float64]
Image = NDArray[np.float32]

BALL_COLOUR = np.array([0.62, 0.78, 0.10])
BALL_RADIUS_M = court.BALL_RADIUS_M
MIN_BALL_DEPTH_M = 0.3
SEAT_FEET_M = 1.3
"""Height of the umpire's feet on the chair's step."""


def _sample_offsets(samples: int) -> Array:
    """Places of samples within a pixel, about its centre, shape (samples, 2)."""
    order = np.arange(samples)
    stride = {4: 2, 8: 3, 16: 7}.get(samples, 1)
    rows = (order * stride + samples // 3) % samples
    return np.stack([(order + 0.5) / samples - 0.5, (rows + 0.5) / samples - 0.5], 1)


OFFSETS = {n: _sample_offsets(n) for n in (4, 8, 16)}


@lru_cache(maxsize=4)
def _panorama(venue: bytes) -> Image:
    """What lies far away round a venue, given by the bytes of its vector."""
    out = np.empty((*shade_surround.PANORAMA_SIZE, 3), dtype=np.float32)
    shade_surround.panorama(np.frombuffer(venue).copy(), out)
    return out


class Renderer:
    """Draws pictures of one world at one venue."""

    def __init__(self, venue: Venue, world: World) -> None:
        self.venue = venue
        self.world = world
        self._vector = venue.vector()
        self._lines = venue.line_rows()
        self._paint = shade.paint_map(self._lines)
        self._lights = venue.light_rows()
        self._textures = venue.textures()
        self._banners = venue.banners()
        self._panorama = _panorama(self._vector.tobytes())
        self._net = venue.net_row()
        self._ambient = np.asarray(venue.ambient, dtype=float)
        umpire = self._umpire()
        self._umpire_index = umpire
        chair = None if umpire is None else world.person(umpire, 0.0).x_m
        self._prop_solids = render_props.props(venue, chair)
        self._figures = [Figure(look) for look in world.looks]
        self._still: tuple[bytes, Image] | None = None

    def _umpire(self) -> int | None:
        """Who sits on the chair: somebody whose feet are above the ground at rest."""
        for index, role in enumerate(self.world.roles):
            if role == "other" and self.world.person(index, 0.0).z_m > 1.0:
                return index
        return None

    def _background(self, camera: Camera, vector: Array, t_s: float) -> Image:
        """Picture of what stands still; kept while the camera and the crowd keep still."""
        if self.venue.dapple > 0.0:
            self._vector[V_TIME] = t_s
        key = vector.tobytes()
        if self._still is not None and self._still[0] == key and self.venue.slope == 0.0:
            return self._still[1].copy()
        image = np.empty((camera.height_px, camera.width_px, 3), dtype=np.float32)
        shade.background(
            vector, self._vector, self._lines, self._paint, self._lights, *self._textures,
            *self._banners, self._panorama, t_s, image,
        )
        if self.venue.slope == 0.0 and self.venue.dapple == 0.0:
            self._still = (key, image.copy())
        return image

    def _moments(self, index: int, t_s: float, shutter_s: float) -> tuple[list[Array], Array]:
        """State vectors of a person during the shutter and the state in its middle."""
        middle = body.state_vector(self.world.person(index, t_s))
        if index == self._umpire_index:
            middle[2], middle[6] = SEAT_FEET_M, body_limbs.SIT
            return [middle], middle
        fast = np.hypot(middle[3], middle[4]) * shutter_s > 0.01
        swings = body_limbs.SERVE <= middle[6] <= body_limbs.OVERHEAD
        if not (fast or swings):
            return [middle], middle
        offsets = (-0.375, 0.125, -0.125, 0.375)
        states = [
            body.state_vector(self.world.person(index, t_s + shutter_s * o)) for o in offsets
        ]
        return states, middle

    def picture(
        self, camera: Camera, t_s: float, shutter_s: float, readout_s: float = 0.0
    ) -> Picture:
        """Picture with the shutter open for ``shutter_s`` about ``t_s``.

        With a rolling shutter the rows are read one after the other within ``readout_s``, the
        middle one at ``t_s``: every person and ball is drawn as it is, and reported where it is, at
        the moment its own middle row is read. Within a body, and for the camera, the moment is
        one: a pan does not lean what stands still.
        """
        vector = shade_ray.camera_vector(camera)
        image = self._background(camera, vector, t_s)
        height, width = image.shape[:2]
        people: list[Posed] = []
        n_people = len(self.world.looks)
        for index in range(n_people):
            moment = t_s
            if readout_s > 0.0:
                moment = render_rows.person_moment(
                    self.world, vector, index, t_s, readout_s, height
                )
            states, middle = self._moments(index, moment, shutter_s)
            people.append(
                self._figures[index].posed(index, states, middle, vector, width, height)
            )
        balls = self._ball_paths(t_s, shutter_s, vector, readout_s, height)
        self._shadows(vector, image, people, balls)
        depth = np.full((height, width), 1e9, dtype=np.float32)
        owner = np.zeros((height, width), dtype=np.uint8)
        silhouettes = np.zeros(n_people, dtype=np.int64)
        beyond = 1.0 if camera.centre_m[1] < 0 else -1.0
        order = sorted(
            [(float(camera.depth_m(row.middle[:3])), 0, i) for i, row in enumerate(people)]
            + [
                (float(camera.depth_m(solids[0, 1:4])), 1, i)
                for i, solids in enumerate(self._prop_solids)
            ],
            reverse=True,
        )
        net_alpha = np.zeros((height, width), dtype=np.float32)
        near_cover = np.ones((height, width), dtype=np.float32)

        def draw(kind: int, i: int) -> None:
            if kind == 0:
                if people[i].box[2] > people[i].box[0]:
                    silhouettes[people[i].index] = self._draw_person(
                        vector, people[i], image, depth, owner
                    )
            else:
                solids = self._prop_solids[i][None]
                counts = np.array([solids.shape[1]])
                box = shade_body.body_box(vector, solids, counts, width, height)
                if box[2] > box[0]:
                    shade_body.draw_body(
                        vector, solids, counts, OFFSETS[4], self._ambient, self._lights,
                        self._sun(float(solids[0, 0, 1]), float(solids[0, 0, 2])), box, image,
                        depth, owner, 255, 1.0,
                    )

        def place(kind: int, i: int) -> float:
            if kind == 0:
                return float(people[i].middle[1])
            return float(self._prop_solids[i][0, 2])

        far = [(k, i) for _, k, i in order if place(k, i) * beyond > 0]
        near = [(k, i) for _, k, i in order if place(k, i) * beyond <= 0]
        for kind, i in far:
            draw(kind, i)
        sums = np.zeros((len(balls), 2))
        for b, (_, points, _) in enumerate(balls):
            sums[b] = shade_body.draw_ball(
                vector, points, BALL_RADIUS_M, BALL_COLOUR * self._ball_light(points), depth,
                beyond, image, near_cover,
            )
        self._draw_net(vector, image, net_alpha, width, height)
        far_owner = owner.copy()
        for kind, i in near:
            draw(kind, i)
        for b, (_, points, _) in enumerate(balls):
            if sums[b, 1] > 0.0:
                # What was drawn beyond the net is thinned by the net and by bodies before it.
                sums[b, 1] *= self._see_through(
                    vector, points, beyond, net_alpha, owner, far_owner, depth
                )
            whole, shown = shade_body.draw_ball(
                vector, points, BALL_RADIUS_M, BALL_COLOUR * self._ball_light(points), depth,
                -beyond, image, near_cover,
            )
            sums[b, 0] = whole
            sums[b, 1] += shown
        seen = tuple(
            self._person_seen(camera, row, owner, int(silhouettes[row.index])) for row in people
            if silhouettes[row.index] > 0
        )
        balls_seen = tuple(
            self._ball_seen(camera, index, state, points, sums[b])
            for b, (index, points, state) in enumerate(balls)
        )
        return Picture(image, seen, tuple(ball for ball in balls_seen if ball is not None))

    def _draw_person(self, vector, posed, image, depth, owner):  # type: ignore[no-untyped-def]
        tall = posed.box[3] - posed.box[1]
        samples = 16 if tall < 40 else (8 if tall < 160 else 4)
        return self._figures[posed.index].draw(
            posed, vector, OFFSETS[samples], self._ambient, self._lights,
            self._sun(posed.middle[0], posed.middle[1]), image, depth, owner, posed.index + 1,
        )

    def _sun(self, x_m: float, y_m: float) -> float:
        return float(shade_shadow.sun_at(self._vector, x_m, y_m))

    def _ball_light(self, points: Array) -> Array:
        """Brightness of a ball's side as it is seen, in red, green, blue."""
        total = self._ambient * 0.8
        sun = self._sun(points[0, 0], points[0, 1])
        for row in self._lights:
            total = total + row[3:6] * (0.55 * sun)
        return np.asarray(total)

    def _ball_paths(  # type: ignore[no-untyped-def]
        self, middle_s: float, shutter_s: float, vector: Array, readout_s: float, height: int
    ):
        """Balls that exist: number, places during the shutter (N, 3), state in the middle."""
        found = []
        for index in range(self.world.balls):
            t_s = middle_s
            if readout_s > 0.0:
                t_s = render_rows.ball_moment(
                    self.world, vector, index, middle_s, readout_s, height
                )
            state = self.world.ball(index, t_s)
            if state is None:
                continue
            speed = float(np.linalg.norm(state.velocity_mps))
            distance = float(np.linalg.norm(state.position_m - vector[4:7]))
            streak = speed * shutter_s * vector[0] / max(distance, 1.0)
            n = int(min(max(np.ceil(streak * 3), 1), 60))
            offsets = (np.arange(n) + 0.5) / n - 0.5
            if shade_ray.to_image(vector, *state.position_m)[2] < MIN_BALL_DEPTH_M:
                continue
            points = []
            for offset in offsets:
                moment = self.world.ball(index, t_s + shutter_s * offset) if n > 1 else state
                if moment is not None:
                    points.append(moment.position_m)
            if points:
                found.append((index, np.array(points, dtype=float), state))
        return found

    def _shadows(self, vector, image, people, balls) -> None:  # type: ignore[no-untyped-def]
        total = self._ambient.copy()
        for row in self._lights:
            total += row[3:6] * max(row[2], 0.0)
        shade_map = np.zeros(image.shape[:2], dtype=np.float32)
        for number, row in enumerate(self._lights):
            penumbra = self.venue.lights[number].penumbra_m
            if penumbra > 0.3:
                continue
            ratio = row[3:6] * max(row[2], 0.0) / total
            shade_map[:] = 0
            for person in people:
                if self._sun(person.middle[0], person.middle[1]) < 0.5:
                    continue
                shade_shadow.ground_shadow(
                    vector, person.solids, len(person.solids), row, penumbra, shade_map
                )
            for solids in self._prop_solids:
                if self._sun(solids[0, 1], solids[0, 2]) >= 0.5:
                    shade_shadow.ground_shadow(
                        vector, solids, len(solids), row, penumbra, shade_map
                    )
            shade_shadow.darken(image, shade_map, ratio)
            for _, points, _ in balls:
                if self._sun(points[0, 0], points[0, 1]) >= 0.5:
                    shade_shadow.ball_shadow(vector, points, BALL_RADIUS_M, row, ratio, image)
        diffuse = float(np.mean(self._ambient / total))
        for person in people:
            middle, marks = person.middle, person.marks
            for i in range(2):
                shade_shadow.blob(
                    vector, self._vector, marks[i, 0], marks[i, 1], 0.32,
                    0.45 * diffuse / (1 + 3 * marks[i, 2]), image,
                )
            shade_shadow.blob(
                vector, self._vector, middle[0], middle[1], 0.85, 0.3 * diffuse, image
            )
        for _, points, _ in balls:
            height = max(points[len(points) // 2, 2], 0.0)
            if height < 0.5:
                p = points[len(points) // 2]
                shade_shadow.blob(
                    vector, self._vector, p[0], p[1], 0.05 + 0.2 * height,
                    0.5 * diffuse / (1 + 12 * height), image,
                )

    def _draw_net(self, vector, image, alpha, width, height) -> None:  # type: ignore[no-untyped-def]
        corners = []
        for x in (-self._net[11], 0.0, self._net[11]):
            for z in (0.0, self._net[2]):
                corners.append(shade_ray.to_image(vector, x, 0.0, z))
        points = np.array([c for c in corners if c[2] > 0.2])
        if len(points) < len(corners):
            x0, x1, y0, y1 = 0, width, 0, height
        else:
            x0 = int(np.clip(points[:, 0].min() - 3, 0, width))
            x1 = int(np.clip(points[:, 0].max() + 4, 0, width))
            y0 = int(np.clip(points[:, 1].min() - 3, 0, height))
            y1 = int(np.clip(points[:, 1].max() + 4, 0, height))
        light = self._ambient * 0.85
        facing = -1.0 if vector[5] < 0 else 1.0
        for row in self._lights:
            light = light + row[3:6] * max(facing * row[1] * 0.7 + 0.3 * row[2], 0.05)
        shade.net_layer(vector, self._net, light, image, alpha, x0, y0, x1, y1)

    def _see_through(self, vector, points, side, net_alpha, owner, far_owner, depth) -> float:  # type: ignore[no-untyped-def]
        """Share of a ball beyond the net that net and nearer bodies let through."""
        height, width = net_alpha.shape
        total, through = 0.0, 0.0
        for p in points:
            if side * p[1] < 0:
                continue
            u, v, d = shade_ray.to_image(vector, p[0], p[1], p[2])
            r = vector[0] * BALL_RADIUS_M / d
            for dv in (-0.6, 0.0, 0.6):
                for du in (-0.6, 0.0, 0.6):
                    i, j = round(v + dv * r), round(u + du * r)
                    if not (0 <= i < height and 0 <= j < width):
                        continue
                    total += 1
                    hidden = owner[i, j] != far_owner[i, j] and depth[i, j] < d
                    through += 0.0 if hidden else 1.0 - float(net_alpha[i, j])
        return through / total if total else 0.0

    def _person_seen(  # type: ignore[no-untyped-def]
        self, camera: Camera, row: Posed, owner, silhouette: int
    ) -> PersonSeen:
        index, middle, box = row.index, row.middle, row.box
        x0, y0, x1, y1, count = shade_body.owned_box(owner, index + 1, box)
        # The ground point under the middle of the body, between the feet.
        feet = (float(middle[0]), float(middle[1]), float(middle[2]))
        pixel = camera.project(np.array([feet[0], feet[1], 0.0]))
        role = self.world.roles[index]
        return PersonSeen(
            index, role, (x0 - 0.5, y0 - 0.5, x1 + 0.5, y1 + 0.5), feet,
            (float(pixel[0]), float(pixel[1])), count / max(silhouette, 1),
        )

    def _ball_seen(self, camera: Camera, index: int, state, points, sums) -> BallSeen | None:  # type: ignore[no-untyped-def]
        pixels = camera.project(points)
        centre = camera.project(np.asarray(state.position_m))
        if not np.isfinite(pixels).all() or not np.isfinite(centre).all():
            return None
        radius = camera.focal_px * BALL_RADIUS_M / float(camera.depth_m(state.position_m))
        low = pixels.min(0) - radius
        high = pixels.max(0) + radius
        share = float(sums[1] / max(sums[0], 1e-9))
        position = tuple(float(c) for c in state.position_m)
        velocity = tuple(float(c) for c in state.velocity_mps)
        return BallSeen(
            index, position, velocity, (float(centre[0]), float(centre[1])),  # type: ignore[arg-type]
            (float(low[0]), float(low[1]), float(high[0]), float(high[1])), min(share, 1.0),
            bool(state.live),
        )
