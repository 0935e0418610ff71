"""Frames made of two fields: what they show, and that the truth says so."""

from __future__ import annotations

import numpy as np
import pytest
from tests.support.still_world import StillWorld, high_camera, plain_venue, standing

from rallymill.arena import camera_work, film_shoot, render_fields
from rallymill.arena.render import Renderer
from rallymill.arena.render_develop import Processing


def test_fields_of_what_stands_still_are_the_picture_itself():
    ramp = np.repeat(np.arange(0, 240, 4, dtype=np.uint8)[:, None], 40, 1)[..., None].repeat(3, 2)
    for parity in (0, 1):
        assert np.abs(render_fields.bob(ramp, parity)[1:-1].astype(int) - ramp[1:-1]).max() <= 1
    for fields in ("blend", "weave", "comb"):
        joined = render_fields.join(fields, ramp, ramp)
        assert np.abs(joined[1:-1].astype(int) - ramp[1:-1]).max() <= 1
    with pytest.raises(ValueError, match="progressive"):
        render_fields.join("progressive", ramp, ramp)


def test_fields_of_what_moves_show_both_moments():
    first, second = np.zeros((20, 30, 3), np.uint8), np.zeros((20, 30, 3), np.uint8)
    first[:, 5:8], second[:, 15:18] = 200, 200
    woven = render_fields.weave(first, second)
    assert woven[::2, 6].min() == 200
    assert woven[1::2, 6].max() == 0
    assert woven[1::2, 16].min() == 200
    assert render_fields.blend(first, second)[10, [6, 16], 0].tolist() == [100, 100]
    # A strong motion is filled in from the first field, a weak one is left combed.
    assert render_fields.comb(first, second)[1:-1, 6].min() == 200
    weak = render_fields.comb(first // 8, second // 8)
    assert weak[10, 6, 0] != weak[11, 6, 0]


def test_a_frame_of_two_fields_is_true_at_its_own_time():
    camera = high_camera()
    world = StillWorld((standing(-2.0, -9.0),), ((1.3, -4.0, 1.6),), (8.0, 20.0, 1.0))
    renderer = Renderer(plain_venue(), world)
    moments = (-0.01, 0.01)
    first, second = (renderer.picture(camera, t, 0.002) for t in moments)
    seen = render_fields.seen_between(world, camera, 0.0, first, second)
    ball = seen.balls[0]
    assert ball.centre_px == pytest.approx(tuple(camera.project(np.array([1.3, -4.0, 1.6]))))
    boxes = [picture.balls[0].box_px for picture in (first, second)]
    assert ball.box_px[0] == pytest.approx(min(box[0] for box in boxes))
    assert ball.box_px[2] == pytest.approx(max(box[2] for box in boxes))
    assert ball.box_px[2] - ball.box_px[0] > boxes[0][2] - boxes[0][0] + 5
    assert [person.role for person in seen.people] == ["near"]


@pytest.mark.parametrize("fields", ["comb", "weave", "blend"])
def test_a_ball_is_true_where_the_fields_show_it(fields):
    camera, rate = high_camera(), 25.0
    world = StillWorld(places=((1.3, -4.0, 1.6),), velocity_mps=(20.0, 0.0, 0.0))
    renderer = Renderer(plain_venue(), world)
    still = Renderer(plain_venue(), StillWorld())
    exposure, how = film_shoot.Exposure(0.001, rate, fields), Processing(noise=0.0)
    (image, seen), (bare_image, _) = (
        film_shoot.shoot(one, camera_work.Fixed(camera), 0.0, exposure, how, (1,))
        for one in (renderer, still)
    )
    x1, y1, x2, y2 = (round(value) for value in seen.balls[0].box_px)
    changed = np.abs(image.astype(float) - bare_image)[y1 - 4 : y2 + 5, x1 - 30 : x2 + 31].sum(-1)
    changed[changed < 60] = 0.0
    shown = (np.arange(x1 - 30, x2 + 31) * changed.sum(0)).sum() / changed.sum()
    # The fields show the ball some 15 px apart, on every other row each.
    assert seen.balls[0].centre_px[0] == pytest.approx(shown, abs=1.5)
