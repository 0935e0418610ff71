"""Bodies: meshes follow their joints, stand on the ground, are as tall as asked and are drawn."""

from __future__ import annotations

import numpy as np
import pytest
from tests.support.still_world import high_camera

from rallymill.arena import body, body_limbs, body_mesh, body_rig, shade_ray
from rallymill.arena.body_mesh import MATERIALS
from rallymill.arena.render import OFFSETS
from rallymill.arena.render_people import Figure, surface
from rallymill.arena.world import ACTIONS, Look, PersonState

LOOKS = (
    Look(1.88), Look(1.72, woman=True, skirt=True), Look(1.95, build=1.25, cap=(1.0, 1.0, 1.0)),
    Look(1.5, racket=None), Look(1.48, woman=True, racket=None), Look(1.66, 0.85, woman=True),
)


def state(action="stand", phase=0.3, speed=0.0, contact=None, z=0.0, gait=0.37):
    return PersonState(
        0.3, -12.0, z, 0.3 * speed, speed, np.pi / 2, action, phase, gait, contact, 0.2
    )


def vertices_of(mesh, material):
    return np.unique(mesh.faces[mesh.material == MATERIALS.index(material)])


def on_bone(mesh, names, share=0.9):
    rows = [body_rig.BONE_NAMES.index(name) for name in names]
    return np.flatnonzero((mesh.weights * np.isin(mesh.bones, rows)).sum(1) > share)


@pytest.mark.parametrize("look", LOOKS)
def test_a_body_in_its_own_rest_frames_is_the_mesh_at_rest(look):
    mesh = body_mesh.mesh(look)
    out, facing = np.empty_like(mesh.places), np.empty_like(mesh.places)
    body_rig.skin(
        mesh.rest, mesh.rest, mesh.places, mesh.facing, mesh.bones, mesh.weights, out, facing
    )
    assert np.abs(out - mesh.places).max() < 1e-9
    length = np.linalg.norm(mesh.facing, axis=1, keepdims=True)
    assert np.abs(facing - mesh.facing / length).max() < 1e-6
    assert mesh.places[:, 2].min() == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("look", LOOKS)
def test_who_stands_is_as_tall_as_asked(look):
    mesh = body_mesh.mesh(look)
    places, _, _ = surface(state(), look)
    crown = places[vertices_of(mesh, "skin"), 2].max()
    assert crown == pytest.approx(look.height_m, abs=0.02)
    # The mesh's share of the body from sole to hip is that of people (0.50 to 0.56 of stature).
    hip = mesh.metrics[body_mesh.THIGH] + mesh.metrics[body_mesh.SHIN]
    hip += mesh.metrics[body_mesh.ANKLE_HEIGHT]
    assert 0.48 < hip / look.height_m < 0.57


@pytest.mark.parametrize("action", ACTIONS)
@pytest.mark.parametrize("height", [0.0, 0.2])
def test_the_lowest_part_of_a_body_is_at_the_height_of_the_state(action, height):
    for phase in (0.0, 0.3, 0.5, 0.8):
        for speed in (0.0, 2.5, 5.0):
            for look in LOOKS[:2]:
                where = state(action, phase, speed, z=height, gait=0.21 + phase)
                places, _, _ = surface(where, look)
                assert -0.005 < places[:, 2].min() - height < 0.01


@pytest.mark.parametrize(
    ("action", "phase", "contact"),
    [
        ("ready", 0.0, None), ("run", 0.4, None), ("forehand", 0.5, (0.95, -11.5, 0.9)),
        ("backhand", 0.45, (-0.4, -11.4, 0.9)), ("serve", 0.5, (0.4, -11.7, 2.75)),
    ],
)
def test_vertices_follow_their_joints(action, phase, contact):
    look = LOOKS[0]
    mesh = body_mesh.mesh(look)
    places, _, pose = surface(
        state(action, phase, 4.0 if action == "run" else 0.0, contact), look
    )
    side = {"l": body_rig.FIRST_SIDE, "r": body_rig.FIRST_SIDE + body_rig.SIDE_JOINTS}
    pairs = [
        ("hand_", body_rig.GRIP, 0.14), ("foot_", body_rig.ANKLE, 0.22),
        ("toes_", body_rig.TOE, 0.14),
    ]
    for end, first in side.items():
        for name, joint, reach in pairs:
            mine = places[on_bone(mesh, [name + end])]
            assert len(mine) > 5
            away = np.linalg.norm(mine - pose.joints[first + joint], axis=1)
            assert away.max() < reach
        # A limb lies about the line between its joints.
        for name, a, b in (
            ("forearm_", body_rig.ELBOW, body_rig.WRIST), ("shin_", body_rig.KNEE, body_rig.ANKLE),
            ("thigh_", body_rig.HIP, body_rig.KNEE),
        ):
            skin = np.intersect1d(vertices_of(mesh, "skin"), on_bone(mesh, [name + end], 0.97))
            start, way = pose.joints[first + a], pose.joints[first + b] - pose.joints[first + a]
            along = (places[skin] - start) @ way / (way @ way)
            across = places[skin] - start - along[:, None] * way
            assert np.linalg.norm(across, axis=1).max() < 0.14
            assert along.min() > -0.25
            assert along.max() < 1.25
    head = places[on_bone(mesh, ["head"], 0.97)]
    assert np.linalg.norm(head - pose.marks[3], axis=1).max() < 0.2


def test_the_fist_closes_about_the_grip_of_the_racket():
    for right in (True, False):
        look = Look(1.85, right_handed=right)
        mesh = body_mesh.mesh(look)
        for action in ("ready", "serve", "forehand", "backhand"):
            places, _, pose = surface(state(action, 0.3), look)
            hand = places[on_bone(mesh, ["hand_r" if right else "hand_l"])]
            assert np.linalg.norm(hand.mean(0) - pose.marks[4]) < 0.05


@pytest.mark.parametrize("action", ["stand", "ready", "run", "forehand", "serve"])
@pytest.mark.parametrize("look", [LOOKS[0], LOOKS[1], LOOKS[3]])
def test_the_silhouette_covers_the_joints(action, look):
    camera = high_camera()
    vector = shade_ray.camera_vector(camera)
    where = body.state_vector(state(action, 0.3, 4.0 if action == "run" else 0.0))
    figure = Figure(look)
    height, width = camera.height_px, camera.width_px
    posed = figure.posed(0, [where], where, vector, width, height)
    image = np.zeros((height, width, 3), np.float32)
    depth = np.full((height, width), 1e9, np.float32)
    owner = np.zeros((height, width), np.uint8)
    count = figure.draw(
        posed, vector, OFFSETS[8], np.ones(3), np.zeros((0, 6)), 1.0, image, depth, owner, 7
    )
    assert count == (owner == 7).sum() > 300
    pose = body.pose(where, figure.look, figure.mesh)
    grips = [body_rig.FIRST_SIDE + body_rig.SIDE_JOINTS * i + body_rig.GRIP for i in range(2)]
    # A grip is the middle of the hole in a loose fist.
    joints = np.delete(pose.joints, grips, axis=0)
    pixels = np.round(camera.project(joints)).astype(int)
    assert (owner[pixels[:, 1], pixels[:, 0]] == 7).all()
    # Depth is that of the near side of the body.
    gap = camera.depth_m(joints) - depth[pixels[:, 1], pixels[:, 0]]
    assert gap.min() > -0.02
    assert gap.max() < 0.75
    # The box of what is drawn is the box of the mesh.
    v, u = np.nonzero(owner)
    mesh_px = camera.project(posed.places[0])
    assert [u.min(), v.min(), u.max(), v.max()] == pytest.approx(
        [*mesh_px.min(0), *mesh_px.max(0)], abs=1.6
    )


def test_what_is_worn_goes_by_the_look():
    def drawn(look):
        return {MATERIALS[i] for i in np.unique(body_mesh.mesh(look).material)}

    assert "cap" in drawn(LOOKS[2])
    assert "cap" not in drawn(LOOKS[0])
    assert {"skirt", "shorts"} <= drawn(LOOKS[1])
    assert "shorts_leg" in drawn(LOOKS[0])
    assert "tail" not in drawn(LOOKS[0])
    for look in LOOKS:
        assert 1_000 < len(body_mesh.mesh(look).faces) < 4_000
    colours = body_mesh.colours(Look(1.8, shirt=(0.1, 0.2, 0.3)))
    assert tuple(colours[body_mesh.SHIRT]) == (0.1, 0.2, 0.3)


def test_builds_differ_and_children_have_larger_heads_for_their_height():
    lean, heavy = (body_mesh.mesh(Look(1.85, build=b)) for b in (0.86, 1.25))

    def girth(mesh):
        shirt = mesh.places[vertices_of(mesh, "shirt")]
        waist = shirt[np.abs(shirt[:, 2] - 1.12) < 0.06]
        return np.ptp(waist[:, 0]) + np.ptp(waist[:, 1])

    assert girth(heavy) > 1.06 * girth(lean)
    child, adult = body_mesh.mesh(LOOKS[3]), body_mesh.mesh(LOOKS[0])
    share = [m.metrics[body_mesh.CROWN] / h for m, h in ((child, 1.5), (adult, 1.88))]
    assert share[0] > 1.03 * share[1]


def test_the_archive_is_small_and_every_vertex_has_whole_weights():
    assert body_mesh.ARCHIVE.stat().st_size < 1_500_000
    for look in LOOKS:
        mesh = body_mesh.mesh(look)
        assert mesh.weights.sum(1) == pytest.approx(1.0)
        assert mesh.bones.max() < body_rig.BONES
        assert mesh.faces.max() == len(mesh.places) - 1


@pytest.mark.parametrize(
    ("action", "speed", "facing"),
    [("run", 5.0, 0.0), ("run", 3.2, 0.4), ("walk", 1.3, 0.0), ("sidestep", 2.2, np.pi / 2)],
)
def test_a_foot_that_stands_stays_where_it_is(action, speed, facing):
    look = LOOKS[0]
    mesh = body_mesh.mesh(look)
    step_s = 0.01
    rate = speed / body_limbs.gait_cycle_m(speed)
    toe = body_rig.FIRST_SIDE + body_rig.TOE
    places = []
    for k in range(int(2 / rate / step_s)):
        where = PersonState(
            speed * k * step_s, 0.0, 0.0, speed, 0.0, facing, action, 0.0, (rate * k * step_s) % 1
        )
        pose = body.pose(body.state_vector(where), body.look_vector(look), mesh)
        places.append(pose.joints[toe])
    track = np.array(places)
    slide = np.linalg.norm(np.diff(track[:, :2], axis=0), axis=1) / step_s
    stands = track[:, 2] < track[:, 2].min() + 0.004
    stands = stands[1:] & stands[:-1]
    # The foot stands for a good part of each cycle, and mostly without sliding.
    assert stands.mean() > 0.25
    assert np.median(slide[stands]) < 0.05 * speed
    assert slide.max() > 1.2 * speed


def test_in_a_hop_the_legs_hang_down_and_both_feet_leave_the_ground():
    rest, _, _ = surface(state("split_step", 0.1), LOOKS[0])
    air, _, pose = surface(state("split_step", 0.45, z=0.1), LOOKS[0])
    mesh = body_mesh.mesh(LOOKS[0])
    for end in ("l", "r"):
        sole = air[on_bone(mesh, ["foot_" + end, "toes_" + end])]
        assert sole[:, 2].min() > 0.095
    crown = vertices_of(mesh, "skin")
    assert air[crown, 2].max() > rest[crown, 2].max() + 0.08
    # Toes point down.
    for i in range(2):
        ahead = pose.directions[
            body_rig.FIRST_SIDE_DIRECTION + body_rig.SIDE_DIRECTIONS * i + body_rig.FOOT_AHEAD
        ]
        assert ahead[2] < -0.3


def test_arms_keep_their_length_in_strokes_within_reach():
    look = LOOKS[0]
    mesh = body_mesh.mesh(look)
    vector = body.look_vector(look)
    for action, contact in (
        ("forehand", (1.0, -11.4, 0.9)), ("backhand", (-0.4, -11.4, 0.9)),
        ("volley", (0.9, -11.4, 1.3)), ("serve", (0.45, -11.6, 2.75)),
    ):
        z = 0.08 if action == "serve" else 0.0
        for phase in np.linspace(0, 1, 41):
            pose = body.pose(body.state_vector(state(action, phase, 0, contact, z)), vector, mesh)
            for i in range(2):
                first = body_rig.FIRST_SIDE + body_rig.SIDE_JOINTS * i
                a, b, c = (pose.joints[first + k] for k in (1, 2, 3))
                assert np.linalg.norm(b - a) < 1.1 * mesh.metrics[body_mesh.UPPER]
                assert np.linalg.norm(c - b) < 1.1 * mesh.metrics[body_mesh.FORE]
