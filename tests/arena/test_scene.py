"""Venues of the splits differ as they say, and what is added to a venue is where it should be."""

from __future__ import annotations

import colorsys
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from tests.support.still_world import StillWorld, high_camera, plain_venue, standing

from rallymill import court
from rallymill.arena import camera_work, looks, render_props, scene, scene_life, shade_light
from rallymill.arena.render import Renderer

FIRST = {"train": 3_000, "validation": 100_000, "test": 200_000}


def hue_and_saturation(colour):
    hue, saturation, _ = colorsys.rgb_to_hsv(*(c ** (1 / 2.2) for c in colour))
    return hue, saturation


def is_reserved(venue):
    hue, saturation = hue_and_saturation(venue.inner)
    if venue.surface == "clay":
        return hue > 0.2
    return venue.surface == "hard" and (saturation < 0.2 or 0.70 < hue < 0.93)


@pytest.mark.parametrize("split", FIRST)
def test_only_the_test_split_has_the_reserved_courts(split):
    seeds = range(FIRST[split], FIRST[split] + 150)
    assert {scene.split_of(seed) for seed in seeds} == {split}
    count = sum(is_reserved(scene.make(seed, "broadcast")) for seed in seeds)
    assert count == 0 if split != "test" else 15 < count < 75


def test_kits_of_the_splits_share_no_hue():
    rng = np.random.default_rng(2)
    found = {
        split: {looks.hue_sector(looks.draw_hue(rng, split)) for _ in range(300)}
        for split in FIRST
    }
    assert found["train"] | found["validation"] | found["test"] == set(range(12))
    assert sum(len(sectors) for sectors in found.values()) == 12


def test_tiers_get_harder():
    def share(tier, what):
        return np.mean([bool(what(scene.make(seed, tier))) for seed in range(120)])

    assert share("easy", lambda v: v.shadow_edge or v.bar or v.broken or v.passers) == 0
    assert share("hostile", lambda v: v.surface == "clay") > 0.5
    assert share("hostile", lambda v: v.broken) > share("broadcast", lambda v: v.broken)
    assert share("club", lambda v: v.other_lines) > 0.08
    assert share("broadcast", lambda v: v.logos) > 0.3
    assert share("hostile", lambda v: v.dapple) > 0.05


def test_nothing_lies_on_the_court():
    for seed in range(60):
        venue = replace(scene.make(seed, "hostile"), litter=15)
        for solids in render_props._litter(np.random.default_rng(seed), venue):
            x, y = np.abs(solids[0, 1]), np.abs(solids[0, 2])
            at_the_net = y < 0.3
            assert at_the_net or x > court.HALF_DOUBLES_M + 0.3 or y > court.HALF_LENGTH_M + 2.5
            assert y < venue.wall_y_m
            assert solids[:, 3].min() > 0


def test_a_bar_s_shadow_lies_where_it_is_said_to():
    venue = replace(plain_venue(), bar=(1.0, 0.0, 2.0, 0.3, 5.0)).vector()
    for x in (2.0, 7.0, -3.0):
        assert shade_light.edge_light(venue, x, 1.0) == 0.0
    for x in (0.0, 3.0, 4.5):
        assert shade_light.edge_light(venue, x, -7.0) == 1.0


def test_spots_of_sun_lie_in_the_shade_alone():
    venue = replace(plain_venue(), shadow_edge=(1.0, 0.0, 0.0), dapple=0.8).vector()
    grid = np.linspace(-9, 9, 60)
    shade = np.array([shade_light.edge_light(venue, -abs(x) - 1, y) for x in grid for y in grid])
    assert 0.05 < (shade > 0.4).mean() < 0.6
    assert shade.max() <= 0.8
    assert all(shade_light.edge_light(venue, 1 + abs(x), x) == 1.0 for x in grid)


def test_broken_paint_lets_the_ground_through_in_places():
    camera = high_camera()
    y = np.linspace(-10, -1, 60)
    line = camera.project(np.stack([np.full(60, -4.115), y, np.zeros(60)], 1))
    u, v = np.round(line).astype(int).T
    whole, broken = (
        Renderer(replace(plain_venue(), broken=share), StillWorld()).picture(camera, 0.0, 0.004)
        .light[v, u, 0]
        for share in (0.0, 0.9)
    )
    kept = broken / whole
    assert kept.max() > 0.97
    assert kept.min() < 0.5
    assert 0.2 < kept.mean() < 0.98


def test_other_sports_lines_have_their_own_colour_and_lie_beneath():
    camera = high_camera()
    extra = (-3.0, 3.0, -9.05, -8.95, 1.0, 0.9, 0.1, 0.0)
    venue = replace(plain_venue(), other_lines=(extra,))
    light = Renderer(venue, StillWorld()).picture(camera, 0.0, 0.004).light
    u, v = np.round(camera.project(np.array([1.5, -9.0, 0.0]))).astype(int)
    red, green, blue = light[v, u]
    assert red > 0.6
    assert max(green, blue) < 0.3
    u, v = np.round(camera.project(np.array([1.5, -8.0, 0.0]))).astype(int)
    assert light[v, u] == pytest.approx(0.9 * np.array(venue.inner), abs=0.02)


def test_next_courts_show_the_match_at_another_time_beside_it():
    class Moving(StillWorld):
        def person(self, index, t_s):
            return replace(self.states[index], x_m=0.5 * t_s, contact_m=(0.5 * t_s, 1.0, 1.0))

    world = Moving(
        (standing(0, -12), standing(0, 12)), ((0, 0, 1.0),), (1.0, 0.0, 0.0), duration_s=10.0
    )
    around = scene_life.Peopled(world, (), ((18.3, 4.0),))
    assert around.roles == ("near", "far", "other", "other")
    assert len(around.looks) == 4
    assert around.looks[2].shirt == world.looks[0].shorts
    assert around.person(0, 2.0).x_m == pytest.approx(1.0)
    neighbour = around.person(2, 2.0)
    assert neighbour.x_m == pytest.approx(18.3 + 3.0)
    assert neighbour.contact_m[0] == pytest.approx(18.3 + 3.0)
    assert around.balls == 2
    assert around.ball(0, 2.0).live
    assert not around.ball(1, 2.0).live
    assert around.ball(1, 2.0).position_m[0] == pytest.approx(18.3 + 6.0)
    # Time wraps round at the end of the world.
    assert around.person(3, 9.0).x_m == pytest.approx(18.3 + 1.5)


def test_passers_stay_between_court_and_fence_and_walk_evenly():
    venue = replace(scene.make(12, "club"), passers=12)
    for passer in scene_life.draw_passers(np.random.default_rng(4), venue, "train"):
        states = [passer.at(t) for t in np.arange(0, 60, 0.5)]
        for state in states:
            assert abs(state.x_m) < venue.side_x_m
            assert abs(state.y_m) < venue.wall_y_m
            off_court = abs(state.x_m) > court.HALF_DOUBLES_M or abs(state.y_m) > 12.0
            assert off_court
        steps = [np.hypot(b.x_m - a.x_m, b.y_m - a.y_m)
                 for a, b in pairwise(states)]
        assert max(steps) <= passer.speed_mps * 0.5 + 1e-6


@pytest.mark.parametrize("split", FIRST)
def test_main_cameras_stand_where_their_tier_and_split_say(split):
    world = StillWorld((standing(0, -12), standing(0, 12)), duration_s=0.1)
    odd = 0
    for seed in range(FIRST[split], FIRST[split] + 40):
        camera = camera_work.main_camera(world, seed, "broadcast", 1280, 720).at(0.0)
        x, y, z = camera.centre_m
        behind = -y - court.HALF_LENGTH_M
        assert 6 <= z <= 25
        assert 15 <= behind <= 45
        odd += abs(x) > 2.1 or z / -y > camera_work.STEEP_SLOPE
        corners = camera.project([
            [s * court.HALF_DOUBLES_M, e * court.HALF_LENGTH_M, 0] for s in (-1, 1) for e in (-1, 1)
        ])
        assert ((corners > 0) & (corners < [1279, 719])).all()
        low = camera_work.main_camera(world, seed, "club", 1280, 720).at(0.0).centre_m[2]
        assert 2 <= low <= 5
    assert odd == 0 if split != "test" else 5 < odd < 25
