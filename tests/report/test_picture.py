from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from rallymill.errors import InputError
from rallymill.report import picture, raster, scene
from rallymill.report.svg import FOOT_PX, HEAD_PX, Layout
from tests.report import by_hand

SLOTS = {"near": "a", "far": "b"}


def test_an_empty_scene_is_a_court() -> None:
    image = raster.draw(scene.Scene(), 700)
    layout = Layout(scene.Scene())
    factor = 700 / (HEAD_PX + layout.height + FOOT_PX)
    assert image.shape == (700, round(layout.width * factor), 3)
    # A place in the service box, one behind the baseline.
    for x, y, colour in ((2.0, 3.0, raster.GROUND), (0.0, 14.0, raster.SURROUND)):
        u, v = layout.across(x) * factor, (layout.along(y) + HEAD_PX) * factor
        assert tuple(image[round(v), round(u)]) == colour


def test_bounce_and_feet_are_drawn_where_the_numbers_say() -> None:
    bounce = scene.Bounce(0, 1, "a", -2.0, 4.0, True)
    feet = scene.Feet(0, 1, "b", True, 3.0, -9.0)
    drawn = scene.Scene(bounces=(bounce,), feet=(feet,))
    image = raster.draw(drawn, 900)
    layout = Layout(drawn)
    factor = 900 / (HEAD_PX + layout.height + FOOT_PX)
    for thing, colour in ((bounce, raster.SLOTS["a"]), (feet, raster.SLOTS["b"])):
        u = layout.across(thing.x_m) * factor
        v = (layout.along(thing.y_m) + HEAD_PX) * factor
        assert tuple(image[round(v), round(u)]) == colour


def test_no_point_and_no_frame_are_errors(tmp_path: Path) -> None:
    by_hand.write(tmp_path, frames=[])
    with pytest.raises(InputError, match=r"no point 7 .*points there: 0, 1"):
        picture.build(tmp_path, by_hand.MATCH, 7, tmp_path / "no.mp4", tmp_path / "x.png")
    with pytest.raises(InputError, match="no frame of point 0"):
        picture.build(tmp_path, by_hand.MATCH, 0, tmp_path / "no.mp4", tmp_path / "x.png")


def test_picture_of_a_point(tmp_path: Path) -> None:
    by_hand.write(tmp_path)
    film = by_hand.film(tmp_path / "a.mp4")
    path = picture.build(tmp_path, by_hand.MATCH, 0, film, tmp_path / "docs" / "point.png")
    image = cv2.imread(str(path))
    assert image is not None and image.shape[0] > picture.HEIGHT_PX
    assert image.shape[1] > 1280
    # The film is grey all over; what is drawn on it is not.
    frame = image[64 : 64 + 720, 20 : 20 + 1280].astype(int)
    coloured = np.ptp(frame, axis=2) > 60
    assert 0.002 < coloured.mean() < 0.2


def test_a_finding_about_the_bisector_is_shown_at_its_moment(tmp_path: Path) -> None:
    flag = by_hand.FLAGS[0] | {"rule": "recovery", "shot_id": 0}
    by_hand.write(tmp_path, flags=[flag])
    match = picture.content.load(tmp_path, by_hand.MATCH)
    remark = picture.remark_of(match, 0)
    assert remark is not None and remark.at_s == by_hand.SHOTS[1]["t_contact_s"]
    assert remark.moment is not None
    shots = match.shots_of(0)
    drawn = scene.build(shots, [], match.arcs, match.slot_of, 3.9)
    layout = Layout(drawn)
    factor = 900 / (HEAD_PX + layout.height + FOOT_PX)
    image = raster.draw(drawn, 900, remark.moment)
    x = layout.across((remark.moment.best[0] + remark.moment.waits[0]) / 2) * factor
    y = (layout.along(remark.moment.waits[1]) + HEAD_PX) * factor
    assert tuple(image[round(y), round(x)]) == raster.KINDS["fault"]
    assert picture.remark_of(match, 1) is None


def test_the_frame_with_most_to_see_is_taken() -> None:
    rows = by_hand.frames()
    lost = [row | {"court_status": "lost"} for row in rows[:50]] + rows[50:]
    shots = by_hand.table("shots", by_hand.SHOTS).to_pylist()[:1]
    chosen = picture.best_frame(lost, by_hand.tracks(), shots)
    assert chosen is not None and chosen["court_status"] == "found"
    assert picture.best_frame([], [], []) is None


def test_a_side_is_coloured_by_who_plays_there(tmp_path: Path) -> None:
    changed = [
        by_hand.SHOTS[0],
        by_hand.SHOTS[1] | {"point_id": 1, "shot_id": 9, "hitter": "far", "player": "MAR",
                            "opponent": "ORR"},
    ]
    by_hand.write(tmp_path, shots=changed)
    match = picture.content.load(tmp_path, by_hand.MATCH)
    assert picture.slots_at(match, 0) == {"near": "a", "far": "b"}
    assert picture.slots_at(match, 1) == {"near": "b", "far": "a"}
