"""Cameras given by hand, refined on the court's lines where there are any."""

import numpy as np

from rallymill import court
from rallymill.courtfit import given
from rallymill.courtfit.follow import ViewFollower
from rallymill.courtfit.lock import NotFound
from rallymill.courtfit.tracker import difference_px
from tests.courtfit.pictures import Scene, broadcast_camera, draw

CORNERS = np.array([p for p in court.named_points().values() if p[2] == 0])


def truth_and_picture():
    truth = broadcast_camera(np.random.default_rng(3), 640, 360)
    return truth, draw(truth, Scene("clay", noise=2.0, people=1, seed=1))


def roughly(truth, rng):
    """The camera that points set with an error of a pixel or two would make."""
    return truth.with_parameters(truth.parameters() * (1 + rng.normal(0, 4e-4, 7)))


def test_points_are_refined_on_the_lines():
    truth, image = truth_and_picture()
    rough = roughly(truth, np.random.default_rng(1))
    assert difference_px(rough, truth) > 0.6
    found = given.anchor(image, 0.0, rough, CORNERS, True)
    assert found.refined
    assert difference_px(found.fit.camera, truth) < 0.3


def test_without_lines_the_points_stand():
    truth, image = truth_and_picture()
    plain = np.full_like(image, 90)
    found = given.anchor(plain, 0.0, truth, CORNERS, True)
    assert not found.refined
    assert difference_px(found.fit.camera, truth) < 0.5


def test_lines_elsewhere_do_not_draw_the_points_away():
    truth, image = truth_and_picture()
    aside = truth.resized(640, 360)
    aside = aside.with_parameters(aside.parameters() + np.array([0, 0, 0.05, 0, 0, 0, 0]))
    found = given.anchor(image, 0.0, aside, CORNERS, True)
    assert not found.refined
    assert difference_px(found.fit.camera, aside) < 1.0


def test_following_starts_from_what_is_given_and_drops_what_disagrees():
    truth, image = truth_and_picture()
    anchor = given.anchor(image, 0.08, roughly(truth, np.random.default_rng(2)), CORNERS, True)
    calls = []

    def blind(picture):
        calls.append(picture)
        return NotFound("a search that never finds anything")

    follower = ViewFollower(find=blind, given=[anchor])
    for frame in range(5):
        follower.add(frame, frame / 25, image)
    done = follower.result()
    assert calls
    assert [one.status for one in done] == ["tracked", "tracked", "found", "tracked", "tracked"]
    assert all(difference_px(one.camera, truth) < 0.3 for one in done)
