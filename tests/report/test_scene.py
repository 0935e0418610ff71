from __future__ import annotations

import numpy as np
import pytest

from rallymill import court, flight
from rallymill.report import scene
from tests.report import by_hand

SLOTS = {"near": "a", "far": "b", "MAR": "a", "ORR": "b"}


def _rows() -> list[dict[str, object]]:
    return by_hand.table("shots", by_hand.SHOTS).to_pylist()[:3]


def _arcs() -> list[dict[str, object]]:
    return by_hand.table("arcs", by_hand.arcs()).to_pylist()


def _scene(**replaced: object) -> scene.Scene:
    flags = by_hand.table("flags", by_hand.FLAGS).to_pylist()
    given = {"shots": _rows(), "flags": flags, "arcs": _arcs(), "slot_of": SLOTS, "end_s": 3.9}
    return scene.build(**(given | replaced))  # type: ignore[arg-type]


def test_a_point_without_strokes_is_an_empty_court() -> None:
    empty = scene.build([], [], [], SLOTS, 0.0)
    assert empty.paths == empty.contacts == empty.bounces == empty.feet == empty.marks == ()
    assert empty.half_width_m > court.HALF_DOUBLES_M and empty.far_m > court.HALF_LENGTH_M


def test_numbers_are_those_of_the_table() -> None:
    drawn = _scene()
    for contact, shot in zip(drawn.contacts, by_hand.SHOTS, strict=False):
        assert (contact.x_m, contact.y_m, contact.z_m) == (
            shot["contact_x_m"], shot["contact_y_m"], shot["contact_z_m"]
        )
        assert contact.number == shot["shot_number"]
    assert [(b.x_m, b.y_m, b.in_court) for b in drawn.bounces] == [
        (-3.5, 5.2, True), (2.0, -10.0, None), (-4.6, 7.0, False)
    ]
    # The third stroke's opponent was not measured: five stands, not six.
    assert [(f.number, f.hitter, f.slot) for f in drawn.feet] == [
        (1, True, "a"), (1, False, "b"), (2, True, "b"), (2, False, "a"), (3, True, "a")
    ]


def test_fitted_flight_is_followed_and_the_rest_is_straight() -> None:
    drawn = _scene()
    serve = [path for path in drawn.paths if path.shot_id == 0]
    assert len(serve) == 1 and serve[0].fitted and not serve[0].after_bounce
    _, state = flight.fall_to(by_hand.SERVE_STATE, (100.0, 20.0))
    assert serve[0].points_m[0] == pytest.approx(by_hand.SERVE_STATE[:3])
    assert serve[0].points_m[-1] == pytest.approx(state[:3], abs=1e-3)
    back = [path for path in drawn.paths if path.shot_id == 1]
    assert [path.after_bounce for path in back] == [False, True]
    assert not back[0].fitted and np.isnan(back[0].points_m[:, 2]).all()
    assert back[0].points_m[:, :2].tolist() == [[-4.5, 12.2], [2.0, -10.0]]
    assert back[1].points_m[:, :2].tolist() == [[2.0, -10.0], [2.4, -12.3]]


def test_an_arc_without_a_start_is_not_drawn() -> None:
    arc = _arcs()[0]
    assert scene.arc_points(arc | {"vz_mps": None}) is None
    assert scene.arc_points(arc | {"end_s": arc["start_s"]}) is None


def test_flags_stand_by_the_player_concerned() -> None:
    drawn = _scene(flags=[by_hand.FLAGS[0]])
    # The flag is the near player's, at the far player's stroke: it stands by the waiting feet.
    (mark,) = drawn.marks
    assert np.hypot(mark.x_m - 0.2, mark.y_m + 12.6) < 2.5
    assert mark.letter == "a" and mark.kind == "fault"


def test_tags_and_marks_keep_apart_where_there_is_room() -> None:
    drawn = _scene()
    circles = [(c.tag_x_m, c.tag_y_m, scene.TAG_M) for c in drawn.contacts]
    circles += [(m.x_m, m.y_m, scene.MARK_M) for m in drawn.marks]
    for i, (x1, y1, r1) in enumerate(circles):
        for x2, y2, r2 in circles[i + 1 :]:
            assert np.hypot(x1 - x2, y1 - y2) > 0.9 * (r1 + r2)


def test_the_extent_holds_everything_within_reason() -> None:
    far = _rows()
    far[2] = far[2] | {"bounce_y_m": 17.5, "hitter_x_m": 60.0}
    drawn = _scene(shots=far)
    assert drawn.far_m > 17.5 and drawn.half_width_m <= scene.GREATEST_X_M


def test_letters_go_on_after_z() -> None:
    assert scene.letters(28)[24:] == ["y", "z", "a2", "b2"] and scene.letters(0) == []
