"""What the truth says is where the pixels are, over 200 random cameras, balls and people."""

from __future__ import annotations

import numpy as np
import pytest
from tests.support.still_world import StillWorld, plain_venue, standing

from rallymill.arena import camera_moves, camera_work, scene
from rallymill.arena.render import BALL_COLOUR, Renderer

SCENES = 200
SIZE = (480, 270)
SHOWN = 0.9 * 0.8
"""Light on the side of a ball that is seen, under the even sky of the plain venue."""


def random_scene(seed: int):
    """Camera, ball's place and velocity, person's place, readout of a random scene."""
    rng = np.random.default_rng([seed, 5])
    tier = str(rng.choice(scene.TIERS))
    split = int(rng.choice([0, 100_000, 200_000]))
    still = StillWorld((standing(0, -12), standing(0, 12)), duration_s=0.1)
    work = camera_work.main_camera(still, split + seed, tier, 1280, 720)
    work = camera_moves.Scaled(work, *SIZE)
    if rng.random() < 0.5:
        work = camera_moves.unsteady(work, rng, 0.001, 0.004)
    place = np.array([rng.uniform(-4, 4), rng.uniform(-11, 11), rng.uniform(0.7, 3.0)])
    velocity = rng.uniform(-1, 1, 3) * [8.0, 45.0, 6.0]
    person = (float(rng.uniform(-4, 4)), float(rng.choice([-1, 1]) * rng.uniform(4, 12)))
    return work.at(0.05), place, velocity, person, float(rng.choice([0.0, 0.012]))


@pytest.fixture(scope="module")
def scenes():
    """For each scene its camera and what a picture with and one without the ball show."""
    venue, found = plain_venue(), []
    for seed in range(SCENES):
        camera, place, velocity, person, readout = random_scene(seed)
        somebody = (standing(*person),)
        with_ball, without = (
            Renderer(venue, StillWorld(somebody, places, tuple(velocity)))
            .picture(camera, 0.0, 0.003, readout)
            for places in ((tuple(place),), ())
        )
        found.append((camera, with_ball, without, person))
    return found


def cover(with_ball, without):
    """Share of each pixel that the ball covers, NaN where ball and ground look alike."""
    red, ground = with_ball.light[..., 0].astype(float), without.light[..., 0].astype(float)
    contrast = BALL_COLOUR[0] * SHOWN - ground
    return np.where(np.abs(contrast) > 0.12, (red - ground) / contrast, np.nan)


def test_balls_are_drawn_where_the_truth_says(scenes):
    misses = []
    for camera, with_ball, without, _ in scenes:
        ball = with_ball.balls[0]
        assert ball.centre_px == pytest.approx(tuple(camera.project(np.array(ball.position_m))))
        x1, y1, x2, y2 = (round(value) for value in ball.box_px)
        if ball.visible_share < 0.97 or x1 < 6 or y1 < 6 or x2 > SIZE[0] - 7 or y2 > SIZE[1] - 7:
            continue
        box = np.s_[y1 - 3 : y2 + 4, x1 - 3 : x2 + 4]
        share = cover(with_ball, without)[box]
        if np.isnan(share).any():
            continue
        v, u = np.mgrid[box]
        centre = np.array([(u * share).sum(), (v * share).sum()]) / share.sum()
        misses.append(np.abs(centre - ball.centre_px).max())
        # Nothing of the ball lies outside its box by more than the softness of its edge.
        outside = (u < ball.box_px[0] - 1) | (u > ball.box_px[2] + 1)
        outside |= (v < ball.box_px[1] - 1) | (v > ball.box_px[3] + 1)
        assert share[outside].max(initial=0.0) < 0.2
    assert len(misses) > SCENES / 2
    assert max(misses) < 0.5
    assert np.median(misses) < 0.15


def test_people_stand_where_the_truth_says(scenes):
    seen = 0
    for camera, _, without, person in scenes:
        found = [one for one in without.people if one.visible_share > 0.9]
        if not found:
            continue
        feet, box = found[0].feet_px, found[0].box_px
        assert feet == pytest.approx(tuple(camera.project(np.array([*person, 0.0]))), abs=1e-6)
        if not 0 < box[3] < SIZE[1] - 1:
            continue
        seen += 1
        tall = box[3] - box[1]
        assert box[0] < feet[0] < box[2]
        # The sole nearest to the camera reaches a little below the point between the feet.
        assert -0.5 < box[3] - feet[1] < 0.12 * tall + 1.0
    assert seen > SCENES / 2
