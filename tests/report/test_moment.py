from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rallymill import court, tactics
from rallymill.report import moment, momentsvg
from rallymill.report.scene import Scene
from rallymill.report.svg import Layout

NEAR_Y = st.floats(-15.0, -6.0)
ACROSS = st.floats(-6.0, 6.0)


def _shot(**values: object) -> dict[str, object]:
    return {
        "shot_id": 4, "stroke": "groundstroke", "contact_x_m": 3.0, "contact_y_m": -11.5,
        "contact_z_m": 1.0, "opponent_x_m": -3.5, "opponent_y_m": 12.3, "opponent_vx_mps": 0.0,
        "opponent_vy_mps": 0.0, "speed_mps": 28.0, "bounce_x_m": 3.0, "bounce_y_m": 9.0,
        "flight_time_s": 0.85,
    } | values


def test_without_a_place_there_is_no_moment() -> None:
    assert moment.build(_shot(contact_x_m=None)) is None
    assert moment.build(_shot(opponent_y_m=float("nan"))) is None
    assert moment.build(_shot(opponent_y_m=-9.0)) is None, "both on one side: a misreading"


@settings(max_examples=60, deadline=None)
@given(ACROSS, NEAR_Y, ACROSS, st.floats(1.0, 15.0), st.sampled_from([1.0, -1.0]))
def test_the_bisector_halves_the_angle_of_the_passing_lines(
    x: float, y: float, waits_x: float, waits_y: float, turn: float
) -> None:
    found = moment.build(_shot(
        contact_x_m=turn * x, contact_y_m=turn * y, opponent_x_m=turn * waits_x,
        opponent_y_m=turn * waits_y, speed_mps=None, bounce_x_m=None,
    ))
    assert found is not None and found.open_m is None and found.spare_s is None
    ways = [np.subtract(end, start) for start, end in (*found.passing, found.bisector)]
    left, right, middle = (way / np.hypot(*way) for way in ways)
    assert np.dot(left, middle) == pytest.approx(np.dot(right, middle), abs=1e-9)
    assert found.off_m == pytest.approx(turn * waits_x - found.best[0])
    for start, end in found.passing:
        assert start == (turn * x, turn * y) and abs(end[1]) >= court.HALF_LENGTH_M


def test_a_serve_is_bounded_by_its_box() -> None:
    # From the deuce half of the near side the box lies to the left: x from -4.115 to 0.
    found = moment.build(_shot(stroke="serve", contact_x_m=0.8, contact_y_m=-11.8))
    assert found is not None
    for (start, end), corner in zip(found.passing, (-court.HALF_SINGLES_M, 0.0), strict=True):
        share = (court.SERVICE_LINE_M - start[1]) / (end[1] - start[1])
        assert start[0] + share * (end[0] - start[0]) == pytest.approx(corner)
    assert found.open_m is None, "how a returner reads a serve is not in the model of the run"


@pytest.mark.parametrize("turn", [1.0, -1.0])
def test_the_open_space_is_where_there_is_no_time_left(turn: float) -> None:
    shot = _shot(
        contact_x_m=turn * 3.0, contact_y_m=turn * -11.5, opponent_x_m=turn * -3.5,
        opponent_y_m=turn * 12.3, bounce_x_m=turn * 3.0, bounce_y_m=turn * 9.0,
    )
    found = moment.build(shot)
    threat = moment.threat_of(shot)
    assert found is not None and threat is not None and found.open_m
    rng = np.random.default_rng(7)
    depth = rng.uniform(tactics.least_depth_m(threat), court.HALF_LENGTH_M, 4000)
    places = np.column_stack([
        rng.uniform(-court.HALF_SINGLES_M, court.HALF_SINGLES_M, 4000), turn * depth,
    ])
    late = tactics.spare_time_s(threat, places, moment.MOVER) < 0
    outlines = [corners.astype(np.float32) for corners in found.open_m]
    inside = np.array([
        any(cv2.pointPolygonTest(corners, tuple(map(float, place)), False) >= 0
            for corners in outlines)
        for place in places
    ])
    assert 0.1 < late.mean() < 0.9
    assert (inside == late).mean() > 0.96
    assert found.open_share == pytest.approx(late.mean(), abs=0.04)
    assert found.spare_s is not None and found.spare_s < 0
    assert any("out of reach" in words for words in moment.words_of(found))


def test_words_say_side_and_distance() -> None:
    found = moment.build(_shot())
    assert found is not None and found.off_m < -0.25
    assert f"{-found.off_m:.1f} m to the left of the bisector" in moment.words_of(found)[0]
    at_best = moment.build(_shot(opponent_x_m=found.best[0]))
    assert at_best is not None and "on the bisector" in moment.words_of(at_best)[0]


def test_the_drawing_measures_what_the_words_say() -> None:
    found = moment.build(_shot())
    assert found is not None
    drawn = momentsvg.draw(Layout(Scene()), found)
    assert f">{-found.off_m:.1f} m</text>" in drawn and 'data-shot="4"' in drawn
    assert drawn.count('class="passing"') == 2 and drawn.count('class="reach"') == 1
    still = moment.build(_shot(opponent_x_m=found.best[0]))
    assert still is not None and "measure" not in momentsvg.draw(Layout(Scene()), still)
