"""The ball is looked for where it must be by the frames before and after."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rallymill import motion_picture
from rallymill.camera import Camera
from rallymill.stages.detect_along import SURE, Follower, Spot, places
from rallymill.stages.detect_boxes import Box
from rallymill.stages.detect_stream import Looked, Seen

SIZE = (8.0, 6.0)
LEAST = 0.01


def spot(t: float, x: float, y: float) -> Spot:
    return Spot(t, np.array([x, y]), SIZE)


@settings(max_examples=40)
@given(
    st.floats(0, 1280), st.floats(0, 720), st.floats(-90, 90), st.floats(-90, 90),
    st.sets(st.sampled_from([-3, -2, -1, 1, 2, 3]), min_size=2),
)
def test_a_ball_that_flies_straight_is_asked_for_where_it_is(x, y, right, down, times) -> None:
    seen = [spot(t, x + t * right, y + t * down) for t in sorted(times, key=abs)]
    before, after = [s for s in seen if s.t < 0], [s for s in seen if s.t > 0]
    found = places(before, after, 160.0)
    assert found
    for one in found:
        assert one.place_px == pytest.approx([x, y], abs=1e-6)
        assert one.size_px == SIZE


def test_a_curved_way_gives_the_line_between_and_those_carried_on() -> None:
    found = places(
        [spot(-1, 0, 0), spot(-2, -10, 0)], [spot(1, 20, 20), spot(2, 30, 60)], 160.0
    )
    assert [one.place_px.tolist() for one in found] == [[10, 10], [10, 0], [10, -20]]


def test_one_ball_alone_and_a_way_too_fast_say_nothing() -> None:
    assert places([spot(-1, 50, 50)], [], 160.0) == []
    assert places([spot(-1, 0, 0)], [spot(1, 400, 0)], 160.0) == []
    assert places([], [], 160.0) == []


def seen_at(frame: int, camera: Camera | None = None, size: tuple[int, int] = (200, 400)) -> Seen:
    shades = motion_picture.Moment(np.zeros(size, np.uint8), np.zeros(size, np.uint8))
    one = Looked(frame, frame / 25, 1.0, shades, camera, None)
    return Seen([one] * 5, [None] * 5, 3)


def ball(x: float, y: float, confidence: float) -> Box:
    return Box("ball", x - 3.5, y - 2.5, x + 4.5, y + 3.5, confidence)


class Eyes:
    """Sees a ball wherever it is asked, and remembers where that was."""

    def __init__(self, sure: float) -> None:
        self.sure, self.places = sure, []

    def asked(
        self, moments: object, matrices: object, places_px: np.ndarray, sizes_px: Sequence
    ) -> list[Box]:
        self.places.append(places_px.tolist())
        return [ball(x, y, self.sure) for x, y in places_px]


def through(follower: Follower, given: dict[int, list[Box]], ends: Sequence[int] = ()) -> dict:
    done = []
    for frame, boxes in given.items():
        if frame in ends:
            done += follower.rest()
        done += follower.give(seen_at(frame), boxes)
    done += follower.rest()
    assert [seen.at.frame for seen, _ in done] == list(given)
    return {seen.at.frame: boxes for seen, boxes in done}


def flight(*missing: int, n: int = 9) -> dict[int, list[Box]]:
    """A ball that flies 12 pixels a frame, unseen in some of them; a player in all."""
    player = Box("player", 10, 10, 40, 90, 0.9)
    return {
        f: [player] + ([] if f in missing else [ball(20 + 12 * f, 100, 0.9)]) for f in range(n)
    }


def test_gaps_are_filled_and_nothing_else_is_asked() -> None:
    eyes = Eyes(0.7)
    found = through(Follower(eyes, 1, LEAST), flight(3, 4, 7))  # type: ignore[arg-type]
    assert len(eyes.places) == 3
    for frame, boxes in found.items():
        assert boxes[0].label == "player"
        assert len(boxes) == 2
        middle = (boxes[1].x1_px + boxes[1].x2_px - 1) / 2
        assert middle == pytest.approx(20 + 12 * frame, abs=0.01)


def test_what_was_found_carries_on_beyond_the_reach_of_what_was_seen_before() -> None:
    given = flight(*range(3, 12), n=12)
    alone = through(Follower(Eyes(0.001), 1, LEAST), given)  # type: ignore[arg-type]
    assert all(len(boxes) == 1 for frame, boxes in alone.items() if frame > 2)
    found = through(Follower(Eyes(SURE), 1, LEAST), given)  # type: ignore[arg-type]
    assert all(len(boxes) == 2 for boxes in found.values())


def test_a_proposal_that_has_been_looked_at_is_not_asked_again_and_stays() -> None:
    given = flight(4)
    unsure = ball(20 + 12 * 4 + 2, 100, 0.1)
    given[4].append(unsure)
    eyes = Eyes(0.9)
    found = through(Follower(eyes, 1, LEAST), given)  # type: ignore[arg-type]
    assert eyes.places == [] and unsure in found[4]


def test_places_outside_the_picture_are_not_asked() -> None:
    eyes = Eyes(0.9)
    given = {f: [ball(340 + 25 * f, 100, 0.9)] if f < 3 else [] for f in range(5)}
    through(Follower(eyes, 1, LEAST), given)  # type: ignore[arg-type]
    assert eyes.places == []


def test_stretches_know_nothing_of_each_other() -> None:
    whole = Eyes(0.7)
    through(Follower(whole, 1, LEAST), flight(4, n=8), ends=[4])  # type: ignore[arg-type]
    # By the frames after it alone: from 5 and 6, not from 3.
    assert whole.places == [[[pytest.approx(68), pytest.approx(100)]]]
    cut = Eyes(0.7)
    through(Follower(cut, 1, LEAST), flight(4, n=8), ends=[4, 5])  # type: ignore[arg-type]
    assert cut.places == []


def test_places_go_with_the_camera() -> None:
    """A ball that stands still in the world is asked for where it stands in the picture."""
    def camera(frame: int) -> Camera:
        # Turns by 0.4 degrees a frame.
        return Camera.looking_at(
            np.array([0.0, -28.0, 9.0]), np.array([np.tan(0.007 * frame) * 40, 12.0, 0.0]),
            900.0, 400, 200,
        )

    world = np.array([[0.5, 2.0, 0.0]])
    middle = {f: camera(f).project(world)[0] for f in range(5)}
    assert abs(middle[1][0] - middle[2][0]) > 3
    eyes = Eyes(0.7)
    follower = Follower(eyes, 1, LEAST)  # type: ignore[arg-type]
    for frame in range(5):
        boxes = [] if frame == 2 else [ball(*middle[frame], 0.9)]
        follower.give(seen_at(frame, camera(frame)), boxes)
    follower.rest()
    assert eyes.places == [[pytest.approx(middle[2].tolist(), abs=0.05)]]
