"""What is drawn lies where the camera's geometry says, and what is hidden counts as hidden."""

from __future__ import annotations

import os
from dataclasses import replace

import numpy as np
import pytest
from tests.support.still_world import StillWorld, high_camera, plain_venue, standing

from rallymill import court
from rallymill.arena import (
    body,
    body_limbs,
    camera_moves,
    camera_work,
    render_rows,
    shade_cache,
    shade_ray,
)
from rallymill.arena.render import Renderer
from rallymill.arena.render_develop import Processing, develop
from rallymill.arena.render_people import surface
from rallymill.arena.world import ACTIONS, BallState, Look, PersonState

EMPTY = StillWorld()


def picture(world, camera, shutter_s=0.004):
    return Renderer(plain_venue(), world).picture(camera, 0.0, shutter_s)


@pytest.fixture(scope="module")
def bare():
    """The empty court as seen by a plain and by a barrel-shaped lens."""
    return {k1: picture(EMPTY, high_camera(k1)).light for k1 in (0.0, -0.08)}


def limbs_of(solids):
    capsules = solids[:, 0] == body_limbs.CAPSULE
    return solids[capsules & (solids[:, 12] == body_limbs.PART_BODY)]


def line_centre_px(light, point, along):
    """Sub-pixel middle of a bright line near ``point``, searched across its direction."""
    across = np.array([-along[1], along[0]]) / np.linalg.norm(along)
    offsets = np.arange(-6, 6.01, 0.1)
    places = point + offsets[:, None] * across
    i, j = np.floor(places[:, 1]).astype(int), np.floor(places[:, 0]).astype(int)
    fv, fu = places[:, 1] - i, places[:, 0] - j
    green = light[..., 1].astype(float)
    values = (
        green[i, j] * (1 - fv) * (1 - fu) + green[i, j + 1] * (1 - fv) * fu
        + green[i + 1, j] * fv * (1 - fu) + green[i + 1, j + 1] * fv * fu
    )
    weight = np.clip(values - np.maximum(values[0], values[-1]), 0, None)
    return float((weight * offsets).sum() / weight.sum())


@pytest.mark.parametrize("k1", [0.0, -0.08])
@pytest.mark.parametrize(
    "name", ["near_service", "left_singles", "right_singles", "centre_service"]
)
def test_painted_lines_lie_where_the_camera_projects_them(bare, k1, name):
    camera = high_camera(k1)
    line = next(line for line in court.lines() if line.name == name)
    start, end = line.ends()
    misses = []
    for share in (0.12, 0.22, 0.31, 0.37):
        place = start + (end - start) * share
        point, ahead = camera.project(np.array([place, place + (end - start) * 0.01]))
        misses.append(line_centre_px(bare[k1], point, ahead - point))
    assert np.abs(misses).max() < 0.3


def test_a_wide_baseline_is_as_wide_as_it_was_painted(bare):
    camera = high_camera()
    y = -court.HALF_LENGTH_M + court.BASELINE_WIDTH_M / 2
    point = camera.project(np.array([2.0, y, 0.0]))
    edges = camera.project(
        np.array([[2.0, -court.HALF_LENGTH_M, 0], [2.0, y + court.BASELINE_WIDTH_M / 2, 0]])
    )
    column = bare[0.0][:, round(point[0]), 1].astype(float)
    low, high = round(point[1]) - 8, round(point[1]) + 9
    # The court beyond and the surround before differ in colour: take each edge by its own step.
    inner, outer, white = column[low], column[high - 1], 0.8 * 0.9
    middle = round(point[1])
    above = ((column[low:middle] - inner) / (white - inner)).sum()
    below = ((column[middle:high] - outer) / (white - outer)).sum()
    assert above + below == pytest.approx(edges[0, 1] - edges[1, 1], abs=0.15)


@pytest.mark.parametrize("speed_mps", [0.0, 20.0, 45.0])
def test_the_middle_of_a_ball_s_streak_is_the_ball_at_mid_exposure(bare, speed_mps):
    camera = high_camera()
    direction = np.array([0.25, 0.95, 0.1])
    velocity = tuple(float(v) for v in speed_mps * direction / np.linalg.norm(direction))
    world = StillWorld(places=((1.3, -4.0, 1.6),), velocity_mps=velocity)
    drawn = picture(world, camera, 0.004)
    changed = np.abs(drawn.light - bare[0.0])[..., 0].astype(float)
    seen = drawn.balls[0]
    x1, y1, x2, y2 = (round(value) for value in seen.box_px)
    box = changed[y1 - 3 : y2 + 4, x1 - 3 : x2 + 4]
    v, u = np.mgrid[y1 - 3 : y2 + 4, x1 - 3 : x2 + 4]
    # Over an even ground the change is in proportion to coverage.
    centre = np.array([(u * box).sum(), (v * box).sum()]) / box.sum()
    assert np.abs(centre - camera.project(np.array([1.3, -4.0, 1.6]))).max() < 0.25
    assert seen.centre_px == pytest.approx(tuple(camera.project(np.array([1.3, -4.0, 1.6]))))
    assert seen.visible_share == pytest.approx(1.0, abs=0.05)
    assert seen.visible


def test_a_ball_covers_its_projected_area(bare):
    camera = high_camera()
    place = np.array([1.3, -4.0, 0.9])
    drawn = picture(StillWorld(places=(tuple(place),)), camera)
    colour = drawn.light - bare[0.0]
    radius = camera.focal_px * court.BALL_RADIUS_M / camera.depth_m(place)
    u, v = (round(value) for value in drawn.balls[0].centre_px)
    near = colour[v - 8 : v + 9, u - 8 : u + 9, 0]
    covered = near[near > 0].sum() / float(near.max())
    assert covered == pytest.approx(np.pi * radius**2, rel=0.2)


def test_a_ball_behind_a_player_is_not_visible():
    camera = high_camera()
    eye = camera.centre_m
    chest = np.array([0.5, -10.0, 1.25])
    behind = eye + (chest - eye) * (1 + 1.5 / np.linalg.norm(chest - eye))
    before = eye + (chest - eye) * (1 - 1.5 / np.linalg.norm(chest - eye))
    player = (standing(0.5, -10.0),)
    hidden = picture(StillWorld(player, (tuple(behind),)), camera).balls[0]
    shown = picture(StillWorld(player, (tuple(before),)), camera).balls[0]
    assert not hidden.visible
    assert hidden.visible_share < 0.05
    assert shown.visible


def test_the_band_hides_a_ball_and_the_mesh_does_not():
    camera = high_camera()

    def seen(height_m: float) -> float:
        at_net = np.array([2.0, 0.0, height_m])
        beyond = camera.centre_m + (at_net - camera.centre_m) * 1.02
        return picture(StillWorld(places=(tuple(beyond),)), camera).balls[0].visible_share

    top = float(court.net_height_m(2.0))
    assert seen(top - 0.035) < 0.4
    assert seen(top - 0.3) > 0.4
    assert seen(top + 0.1) > 0.95


def test_a_ball_out_of_the_frame_is_not_visible():
    drawn = picture(StillWorld(places=((0.0, -4.0, 30.0),)), high_camera())
    assert [ball.visible for ball in drawn.balls] == [False]


def test_a_person_behind_another_is_partly_seen():
    camera = high_camera()
    front = standing(0.0, -11.0)
    toward = np.array([0.0, -11.0]) - camera.centre_m[:2]
    x, y = np.array([0.0, -11.0]) + 0.8 * toward / np.linalg.norm(toward)
    near, far = picture(StillWorld((front, standing(float(x), float(y)))), camera).people
    assert near.visible_share > 0.99
    assert 0.02 < far.visible_share < 0.7


def test_a_box_holds_the_body_and_feet_stand_on_the_ground(bare):
    camera = high_camera()
    drawn = picture(StillWorld((standing(-2.0, -9.0),)), camera)
    person = drawn.people[0]
    changed = np.abs(drawn.light - bare[0.0]).max(-1) > 0.02
    x1, y1, x2, y2 = person.box_px
    top = np.flatnonzero(changed[: round(y2)].any(1))[0]
    assert y1 == pytest.approx(top - 0.5, abs=1.01)
    sole = camera.project(np.array([-2.0, -9.0, 0.0]))
    assert person.feet_px == pytest.approx(tuple(sole))
    # The soles reach a little below the point between them, towards the camera.
    assert sole[1] - 1 < y2 < sole[1] + 9
    assert x1 < sole[0] < x2
    head = camera.project(np.array([-2.0, -9.0, 1.85]))
    assert y1 == pytest.approx(head[1], abs=4)


@pytest.mark.parametrize("action", ACTIONS)
@pytest.mark.parametrize("phase", [0.0, 0.3, 0.5, 0.8])
def test_the_lower_foot_stands_at_the_height_of_the_state(action, phase):
    for height in (0.0, 0.25):
        state = PersonState(1.0, -12.0, height, 2.5, 0.5, 1.4, action, phase, 0.37 + phase)
        solids, joints = body.solids(state, Look(1.8))
        assert joints[:2, 2].min() == pytest.approx(height, abs=0.001)
        places, _, _ = surface(state, Look(1.8))
        assert places[:, 2].min() == pytest.approx(height, abs=0.01)
        # What casts the shadow stands on the ground as well.
        limbs = limbs_of(solids)
        lowest = min(
            (limbs[:, 3] - limbs[:, 4]).min(), (limbs[:, 7] - limbs[:, 8]).min()
        )
        assert -0.02 < lowest - height < 0.05


@pytest.mark.parametrize(
    "action", ["serve", "forehand", "backhand", "slice", "volley", "overhead"]
)
@pytest.mark.parametrize("right_handed", [True, False])
def test_the_strings_meet_the_ball_in_the_middle_of_a_stroke(action, right_handed):
    hand = 1.0 if right_handed else -1.0
    side = -0.7 if action in ("backhand", "slice") else 0.7
    high = action in ("serve", "overhead")
    contact = (0.3 if high else side * hand, -11.6, 2.7 if high else 0.95)
    state = PersonState(0.0, -12.0, 0.0, 0, 0, np.pi / 2, action, 0.5, 0.0, contact, 0.2)
    _, joints = body.solids(state, Look(1.85, right_handed=right_handed))
    assert joints[2] == pytest.approx(contact, abs=1e-6)


def test_a_runner_keeps_upright_and_bones_keep_their_length():
    for phase in np.linspace(0, 1, 11):
        state = PersonState(0, -12, 0, 4.0, 0, np.pi / 2, "run", phase, phase)
        solids, joints = body.solids(state, Look(1.8))
        hips_to_head = np.linalg.norm(joints[3] - joints[:2].mean(0))
        assert 1.3 < hips_to_head < 1.75
        capsules = limbs_of(solids)
        lengths = np.linalg.norm(capsules[:, 5:8] - capsules[:, 1:4], axis=1)
        assert lengths.max() < 0.26 * 1.8


def test_the_same_moment_is_the_same_picture():
    world = StillWorld((standing(0, -12),), ((1.0, -3.0, 1.0),), (5.0, 20.0, 1.0))
    pictures = [picture(world, high_camera()) for _ in range(2)]
    how = Processing()
    first, second = (develop(p.light, how, (1, 2)) for p in pictures)
    assert np.array_equal(first, second)
    other = develop(pictures[0].light, how, (1, 3))
    assert not np.array_equal(first, other)


def test_a_compiled_ray_agrees_with_the_camera():
    camera = high_camera(-0.08)
    vector = shade_ray.camera_vector(camera)
    for point in ([10.0, 20.0], [640.0, 360.0], [1250.0, 700.0]):
        ray = np.array(shade_ray.ray(vector, *point))
        assert ray / np.linalg.norm(ray) == pytest.approx(camera.rays(point), abs=1e-6)
    place = np.array([3.0, -8.0, 1.0])
    assert shade_ray.to_image(vector, *place)[:2] == pytest.approx(tuple(camera.project(place)))


def test_a_barrel_lens_does_not_fold_what_is_behind_its_edge_into_the_picture():
    camera = high_camera(-0.15)
    vector = shade_ray.camera_vector(camera)
    under_the_camera = camera.centre_m + np.array([0.3, 1.0, -9.0])
    assert shade_ray.to_image(vector, *under_the_camera)[2] < 0


def test_coverage_of_a_strip_is_the_area_of_the_footprint_in_it():
    rng = np.random.default_rng(4)
    for _ in range(20):
        a, b, x = rng.uniform(0.01, 0.3), rng.uniform(0.01, 0.3), rng.uniform(-0.2, 0.2)
        s, t = rng.uniform(-0.5, 0.5, (2, 200_000))
        inside = np.abs(x + a * s + b * t) < 0.05
        assert shade_ray.strip(x, -0.05, 0.05, a, b) == pytest.approx(inside.mean(), abs=0.005)


def test_noise_is_as_strong_as_asked():
    grey = np.full((300, 400, 3), 0.2, np.float32)
    how = Processing(vignette=0.0, sharpening=0.0, noise=3.0)
    out = develop(grey, how, (1,)).astype(float)
    assert 2.0 < out.std() < 4.5
    assert out.mean() == pytest.approx(255 * 0.2 ** (1 / 2.2), abs=1.5)


def test_a_rolling_shutter_shows_a_ball_when_its_row_is_read(bare):
    camera, readout = high_camera(), 0.02
    velocity = np.array([25.0, 15.0, 0.0])
    for start in ((-6.0, -9.0, 1.0), (-4.2, -4.0, 2.5)):
        world = StillWorld(places=(start,), velocity_mps=tuple(velocity))
        drawn = Renderer(plain_venue(), world).picture(camera, 0.0, 0.0005, readout)
        ball = drawn.balls[0]
        when = (np.array(ball.position_m) - start) @ velocity / (velocity @ velocity)
        row = ball.centre_px[1]
        assert when == pytest.approx(readout * ((row + 0.5) / camera.height_px - 0.5), abs=1e-6)
        assert ball.centre_px == pytest.approx(tuple(camera.project(np.array(ball.position_m))))
        changed = np.abs(drawn.light - bare[0.0])[..., 0].astype(float)
        x1, y1, x2, y2 = (round(value) for value in ball.box_px)
        box = changed[y1 - 3 : y2 + 4, x1 - 3 : x2 + 4]
        v, u = np.mgrid[y1 - 3 : y2 + 4, x1 - 3 : x2 + 4]
        centre = np.array([(u * box).sum(), (v * box).sum()]) / box.sum()
        assert np.abs(centre - ball.centre_px).max() < 0.25


def test_an_upright_window_is_a_cut_out_of_the_wide_picture():
    world = StillWorld((standing(3.0, -12.0), standing(-2.0, 12.0)), ((1.0, -3.0, 1.5),))
    wide = camera_work.Fixed(high_camera())
    camera = camera_moves.Window(wide, world, 404).at(0.4)
    left = wide.camera.principal_px[0] - camera.principal_px[0]
    assert 0 <= left <= 1280 - 404
    point = np.array([[1.0, -3.0, 1.5], [3.0, -12.0, 0.0]])
    assert camera.project(point) + [left, 0] == pytest.approx(wide.camera.project(point))
    whole = round(left)
    exact = replace(camera, principal_px=(camera.principal_px[0] + left - whole,
                                          camera.principal_px[1]))
    cut_out, all_of_it = (
        Renderer(plain_venue(), world).picture(view, 0.0, 0.004) for view in (exact, wide.camera)
    )
    apart = np.abs(cut_out.light - all_of_it.light[:, whole : whole + 404]).max(-1)
    # Rounding decides some samples on the edges of bodies.
    assert (apart > 2e-3).sum() < 60


def test_another_size_shows_the_same():
    camera = high_camera(-0.05)
    for size in ((640, 360), (854, 480), (1920, 1080)):
        small = camera_moves.scaled(camera, *size)
        points = np.array([[1.0, -3.0, 1.5], [-4.0, 11.0, 0.0]])
        share = (camera.project(points) + 0.5) / [1280, 720]
        assert (small.project(points) + 0.5) / size == pytest.approx(share, abs=1e-3)


def test_a_trembling_camera_stays_a_camera():
    base = camera_work.Fixed(high_camera())
    work = camera_moves.unsteady(base, np.random.default_rng(1), 0.001, 0.004)
    points = np.array([[1.0, -3.0, 1.5], [-4.0, 11.0, 0.0]])
    still = base.camera.project(points)
    ways = np.array([np.abs(work.at(t).project(points) - still).max() for t in np.linspace(0, 9)])
    assert 0.3 < ways.max() < 9.0
    for t in (0.3, 2.2):
        rotation = work.at(t).rotation
        assert rotation @ rotation.T == pytest.approx(np.eye(3), abs=1e-9)
        assert abs(work.at(t).focal_px / base.camera.focal_px - 1) <= 0.004


def test_exposure_drifts_slowly_and_a_wrong_range_lifts_the_dark():
    grey = np.full((60, 80, 3), 0.2, np.float32)
    plain = Processing(vignette=0.0, sharpening=0.0, noise=0.0)
    drift = replace(plain, drift=0.1, drift_s=10.0)
    means = [develop(grey, drift, (1,), t).mean() for t in np.linspace(0, 10, 21)]
    assert max(means) - min(means) > 6
    assert np.abs(np.diff(means)).max() < 6
    black = develop(grey * 0, replace(plain, black=0.06), (1,))
    assert black.mean() == pytest.approx(255 * 0.06, abs=1)


def test_compiled_code_older_than_its_sources_is_dropped(tmp_path):
    (tmp_path / "__pycache__").mkdir()

    def written(name, age_s):
        path = tmp_path / name
        path.write_text("")
        os.utime(path, (1e9 - age_s, 1e9 - age_s))
        return path

    assert shade_cache.drop_stale(tmp_path) == 0
    written("shade_a.py", 10)
    written("shade_b.py", 50)
    written("body.py", 30)
    written("body_limbs.py", 15)
    stale = written("__pycache__/shade_b.f-1.py311.nbi", 20)
    fresh = written("__pycache__/shade_b.g-1.py311.nbi", 5)
    inlined = written("__pycache__/body.f-1.py311.nbi", 20)
    newer = written("__pycache__/body.g-1.py311.nbi", 12)
    other = written("__pycache__/flight.f-1.py311.nbi", 900)
    assert shade_cache.drop_stale(tmp_path) == 2
    kept = [path.exists() for path in (stale, fresh, inlined, newer, other)]
    assert kept == [False, True, False, True, True]


def test_a_row_that_cannot_be_told_is_read_in_the_middle(monkeypatch):
    class Still:
        def ball(self, index, t_s):
            return BallState(np.full(3, np.nan), np.zeros(3), True)

    moment = render_rows.ball_moment(Still(), np.ones(16), 0, 2.5, 0.01, 720)
    assert moment == 2.5
