"""The second look at balls: what is seen of a place, and what becomes of a candidate."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rallymill import motion_picture
from rallymill.stages import detect_balls
from rallymill.stages.detect_boxes import Box


def dotted(x: float, y: float, size: tuple[int, int] = (240, 320)) -> motion_picture.Moment:
    """A dark picture with one light spot at a place, yellow as well."""
    across, down = np.meshgrid(np.arange(size[1]), np.arange(size[0]))
    light = 40 + 180 * np.exp(-((across - x) ** 2 + (down - y) ** 2) / 8)
    picture = light.astype(np.uint8)
    return motion_picture.Moment(picture, picture)


def spot(seen: np.ndarray) -> np.ndarray:
    """Middle of the light in what is seen, from the middle of the look, in its pixels."""
    weight = np.clip(seen.astype(float) - 60, 0, None)
    down, across = np.indices(seen.shape)
    middle = (detect_balls.SIDE - 1) / 2
    return np.array([
        (weight * across).sum() / weight.sum() - middle,
        (weight * down).sum() / weight.sum() - middle,
    ])


@settings(max_examples=25, deadline=None)
@given(st.floats(90, 230), st.floats(90, 150), st.floats(-9, 9), st.floats(-9, 9))
def test_a_ball_is_seen_where_it_lies_from_near_and_far(x, y, right, down) -> None:
    # As wide as a whole number of pixels from farther off.
    moments = [dotted(x, y, (240, 321))] * 5
    seen = detect_balls.looks(moments, [None] * 5, np.array([[x - right, y - down]]))
    assert seen.shape == (1, detect_balls.CHANNELS, 48, 48)
    for k in (0, 2, 4, 10):
        assert spot(seen[0, k]) == pytest.approx([right, down], abs=0.6)
    for k in (5, 9):
        assert spot(seen[0, k]) == pytest.approx(
            [right / detect_balls.FAR, down / detect_balls.FAR], abs=0.5
        )


@settings(max_examples=25, deadline=None)
@given(st.floats(-30, 30), st.floats(-20, 20), st.floats(0.98, 1.02))
def test_what_stands_still_stays_while_the_camera_moves(across, down, zoom) -> None:
    place = np.array([160.0, 120.0])
    # Pixels of the other moments to those of the frame looked at.
    matrix = np.array([[zoom, 0, across], [0, zoom, down], [0, 0, 1.0]])
    there = (place - [across, down]) / zoom
    moments = [dotted(*there), dotted(*there), dotted(*place), dotted(*there), dotted(*there)]
    matrices = [matrix, matrix, None, matrix, matrix]
    seen = detect_balls.looks(moments, matrices, place[None])
    for k in range(5):
        assert spot(seen[0, k]) == pytest.approx([0, 0], abs=0.6)


def test_a_place_at_the_edge_is_looked_at_too() -> None:
    seen = detect_balls.looks([dotted(0, 0)] * 5, [None] * 5, np.array([[0.0, 0.0], [319, 239]]))
    assert spot(seen[0, 2])[0] < 0  # The last pixels go on beyond the edge.
    assert (seen[1, 2] == 40).all()


def test_a_candidate_moves_to_what_was_seen_and_keeps_its_size() -> None:
    def run(seen: np.ndarray, said: np.ndarray) -> np.ndarray:
        assert (seen.dtype, said.dtype) == (np.uint8, np.float32)
        light = seen[:, 2].max(axis=(1, 2))
        odds = np.where(light > 150, 3.0, -3.0)
        return np.column_stack([odds, np.full(len(seen), 1.5), np.full(len(seen), -0.5)])

    far_off = [Box("ball", 10 + 2 * k, 200, 20 + 2 * k, 210, 0.9) for k in range(70)]
    boxes = [Box("ball", 10, 10, 20, 20, 0.9), *far_off, Box("ball", 100, 100, 112, 108, 0.01)]
    moments = [dotted(105.5, 103.5)] * 5
    around = [(moments, [None] * 5)]
    [found] = detect_balls.BallLook(run).looked_together(around, [boxes])
    # Surest first; of those beside each other every other one is left.
    assert len(found) == 37
    assert found[0].x1_px == 101.5 and found[0].y1_px == 99.5
    assert found[0].x2_px - found[0].x1_px == 12 and found[0].y2_px - found[0].y1_px == 8
    assert found[0].confidence == pytest.approx(1 / (1 + np.exp(-3)))
    assert all(box.confidence == pytest.approx(1 / (1 + np.exp(3))) for box in found[1:])


@settings(max_examples=50)
@given(st.lists(st.tuples(st.integers(0, 30), st.integers(0, 30), st.floats(0, 1)), max_size=12))
def test_of_places_around_one_middle_the_surest_stays(rows) -> None:
    boxes = [Box("ball", x, y, x + 6, y + 6, sure) for x, y, sure in rows]
    kept = detect_balls.once(boxes)
    places = detect_balls.middles(kept)
    for k, place in enumerate(places):
        assert all(np.hypot(*(place - other)) >= detect_balls.SAME_PX for other in places[:k])
    assert [b.confidence for b in kept] == sorted((b.confidence for b in kept), reverse=True)
    for box in boxes:
        middle = detect_balls.middles([box])[0]
        near = np.hypot(*(places - middle).T) < detect_balls.SAME_PX
        assert any(
            one.confidence >= box.confidence for one, is_near in zip(kept, near, strict=True)
            if is_near
        )


def test_features_tell_what_the_detector_said() -> None:
    said = detect_balls.features([Box("ball", 0, 0, 16, 8, 0.5), Box("ball", 0, 0, 8, 8, 0.0)])
    assert said[0].tolist() == [1.0, 0.0, 1.0, 0.5]
    assert np.isfinite(said).all() and said[1, 1] < -2
    middles = detect_balls.middles([Box("ball", 0, 0, 16, 8, 0.5)])
    assert middles.tolist() == [[7.5, 3.5]]


def test_frames_looked_at_together_are_told_apart() -> None:
    """Each place gets the answer that was given to it, however many places other frames have."""
    rng = np.random.default_rng(11)
    def answers(seen: np.ndarray, said: np.ndarray) -> np.ndarray:
        level = seen[:, motion_picture.MIDDLE].astype(np.float32).mean((1, 2))
        return np.column_stack([level / 64 - 2, level / 200, said[:, 2]]).astype(np.float32)

    look = detect_balls.BallLook(answers)
    around, boxes = [], []
    for count in (3, 0, 1, 5):
        shades = motion_picture.Moment(
            rng.integers(0, 256, (120, 160)).astype(np.uint8), np.zeros((120, 160), np.uint8)
        )
        around.append(([shades] * 5, [None] * 5))
        places = rng.uniform(20, 100, (count, 2)).tolist()
        boxes.append([Box("ball", x, y, x + 5, y + 4, rng.uniform(0.1, 0.9)) for x, y in places])
    together = look.looked_together(around, boxes)
    alone = [
        look.looked_together([one], [those])[0]
        for one, those in zip(around, boxes, strict=True)
    ]
    assert together == alone
    assert [len(one) for one in together] == [3, 0, 1, 5]
