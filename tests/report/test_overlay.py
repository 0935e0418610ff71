from __future__ import annotations

import numpy as np

from rallymill import court
from rallymill.report import overlay
from tests.report import by_hand


def _blank(factor: int = 1) -> np.ndarray:
    return np.full((360 * factor, 640 * factor, 3), 90, np.uint8)


def _changed(before: np.ndarray, after: np.ndarray, u: float, v: float, near: int = 2) -> bool:
    """Whether any pixel within ``near`` of an image point is another than before."""
    r, c = round(v), round(u)
    window = (slice(r - near, r + near + 1), slice(c - near, c + near + 1))
    return bool((before[window] != after[window]).any())


def test_no_court_and_no_rows_leave_the_frame_as_it_is() -> None:
    row = by_hand.frames()[0] | {"camera": None, "court_status": "lost"}
    image = _blank()
    drawn = overlay.draw(image, row, [])
    assert (drawn == image).all() and drawn is not image
    lost = by_hand.frames()[0] | {"court_status": "lost"}
    assert (overlay.draw(image, lost, []) == image).all()


def test_court_corners_lie_where_the_camera_puts_them() -> None:
    image = _blank()
    drawn = overlay.draw(image, by_hand.frames()[0], [])
    assert (image == 90).all()
    for name, point in court.named_points().items():
        if "centre_mark" in name or "service" in name or "net" in name:
            continue
        u, v = by_hand.CAMERA.project(point)
        assert _changed(image, drawn, u, v), name
    # Nothing is drawn in the middle of a service box.
    u, v = by_hand.CAMERA.project([2.0, -3.2, 0.0])
    assert not _changed(image, drawn, u, v)


def test_a_smaller_or_larger_picture_has_its_court_in_place() -> None:
    image = _blank(2)
    drawn = overlay.draw(image, by_hand.frames()[0], [])
    corner = by_hand.CAMERA.project([court.HALF_DOUBLES_M, -court.HALF_LENGTH_M, 0.0])
    u, v = 2 * (corner + 0.5) - 0.5
    assert _changed(image, drawn, u, v)


def test_ring_about_the_feet_and_trail_of_the_ball() -> None:
    row = by_hand.frames()[50] | {"camera": None}
    with_camera = by_hand.frames()[50]
    plain = overlay.draw(_blank(), with_camera, [])
    drawn = overlay.draw(_blank(), with_camera, by_hand.tracks())
    u, v = by_hand.CAMERA.project([0.5 + overlay.RING_M, -12.0, 0.0])
    assert _changed(plain, drawn, u, v)
    balls = [r for r in by_hand.tracks() if r["role"] == "ball"]
    assert _changed(plain, drawn, balls[50]["u_px"], balls[50]["v_px"], near=0)
    # 0.4 s before belongs to the trail; 1.2 s before and the future do not.
    only_ball = overlay.draw(_blank(), row, balls)
    for frame, seen in ((40, True), (20, False), (60, False)):
        u, v = balls[frame]["u_px"], balls[frame]["v_px"]
        assert _changed(_blank(), only_ball, u, v, near=0) == seen


def test_players_keep_their_colour_when_they_change_ends() -> None:
    rows = [r for r in by_hand.tracks() if r["role"] == "near"]
    first = overlay.draw(_blank(), by_hand.frames()[0], rows)
    other = overlay.draw(_blank(), by_hand.frames()[0], rows, {"near": "b", "far": "a"})
    assert (first == np.array(overlay.SLOTS["a"])).all(-1).any()
    assert (other == np.array(overlay.SLOTS["b"])).all(-1).any()
