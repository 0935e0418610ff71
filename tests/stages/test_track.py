"""The track stage on a ball whose flight is known."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from rallymill import flight, tableio, tables
from rallymill.camera import Camera
from rallymill.stages.base import MatchContext
from rallymill.stages.track import STAGE, TrackConfig

MATCH = MatchContext("m", Path("m.mp4"))
CAMERA = Camera.looking_at((0.3, -31, 9), (0, -1, 0), 2000, 1280, 720)
START = np.array([1.0, -11.5, 1.0, -3.0, 30.0, 5.0])
SPIN = np.array([150.0, 20.0])
RATE = 50.0
FIRST_S, LAST_S = 0.5, 1.3
MISSED = (30, 31, 45)


def frames(n: int = 100, lost: tuple[int, ...] = ()) -> list[dict[str, object]]:
    return [
        {"match_id": "m", "frame": i, "t_s": i / RATE, "view_id": 0, "k1": 0.0,
         "camera": None if i in lost else CAMERA.matrix.ravel().tolist(),
         "court_status": "lost" if i in lost else "found", "width_px": 1280, "height_px": 720}
        for i in range(n)
    ]


def box(frame: int, centre: np.ndarray, confidence: float = 0.8) -> dict[str, object]:
    u, v = centre
    return {"match_id": "m", "frame": frame, "t_s": frame / RATE, "label": "ball",
            "x1_px": u - 3, "y1_px": v - 3, "x2_px": u + 3, "y2_px": v + 3,
            "confidence": confidence}


def arc(**more: object) -> dict[str, object]:
    row: dict[str, object] = {
        "match_id": "m", "rally_id": 0, "arc_id": 0, "start_s": FIRST_S, "end_s": LAST_S,
        "start_kind": "hit", "end_kind": "bounce", "topspin_radps": SPIN[0],
        "sidespin_radps": SPIN[1], "confidence": 0.9,
    }
    for name, value in zip(("x_m", "y_m", "z_m", "vx_mps", "vy_mps", "vz_mps"), START, strict=True):
        row[name] = value
        row[f"{name}_sd"] = 0.05
    for name in ("end_x_m_sd", "end_y_m_sd", "end_z_m_sd"):
        row[name] = 0.10
    return row | more


def truth(frame: int) -> np.ndarray:
    return flight.states(START, SPIN, [frame / RATE - FIRST_S])[0]


def run(
    boxes: list[dict[str, object]], arcs: list[dict[str, object]] | None = None,
    lost: tuple[int, ...] = (), people: list[dict[str, object]] | None = None,
) -> pd.DataFrame:
    inputs = {
        "detections": tableio.from_rows(tables.DETECTIONS, boxes),
        "frames": tableio.from_rows(tables.FRAMES, frames(lost=lost)),
        "people": tableio.from_rows(tables.PEOPLE, people or []),
        "arcs": tableio.from_rows(tables.ARCS, [arc()] if arcs is None else arcs),
    }
    table = STAGE.run(MATCH, inputs, TrackConfig())
    tableio.check(tables.TRACKS, table)
    return table.to_pandas()


@pytest.fixture(scope="module")
def flown() -> pd.DataFrame:
    rng = np.random.default_rng(3)
    boxes = []
    for i in range(25, 66):
        if i not in MISSED:
            boxes.append(box(i, CAMERA.project(truth(i)[:3]) + rng.normal(0, 1, 2)))
        # A false box with more confidence, far from the flight.
        boxes.append(box(i, rng.uniform(0, 300, 2), 0.95))
    return run(boxes).set_index("frame")


def test_empty_tables_give_an_empty_table() -> None:
    inputs = {
        name: tables.ALL[name].empty() for name in ("detections", "frames", "people", "arcs")
    }
    found = STAGE.run(MATCH, inputs, TrackConfig())
    assert found.num_rows == 0
    assert found.schema.equals(tables.TRACKS.schema())


def test_the_ball_is_where_it_flew(flown: pd.DataFrame) -> None:
    ball = flown[flown["role"] == "ball"].loc[25:65]
    assert list(ball.index) == list(range(25, 66))
    expected = np.array([truth(i) for i in ball.index])
    columns = ["x_m", "y_m", "z_m", "vx_mps", "vy_mps", "vz_mps"]
    assert np.allclose(ball[columns].to_numpy(), expected, atol=1e-6)
    assert (ball["track_id"] == 0).all()


def test_rows_without_a_box_are_bridged(flown: pd.DataFrame) -> None:
    ball = flown[flown["role"] == "ball"].loc[25:65]
    assert set(ball.index[~ball["observed"]]) == set(MISSED)
    at = CAMERA.project(truth(30)[:3])
    assert np.allclose(ball.loc[30, ["u_px", "v_px"]].to_numpy(float), at, atol=1e-6)
    assert np.isnan(ball.loc[30, "x1_px"])
    assert ball.loc[30, "confidence"] < ball.loc[29, "confidence"]


def test_observed_rows_carry_the_box_and_not_the_false_one(flown: pd.DataFrame) -> None:
    seen = flown[(flown["role"] == "ball") & flown["observed"]].loc[25:65]
    away = seen[["u_px", "v_px"]].to_numpy() - CAMERA.project(
        np.array([truth(i)[:3] for i in seen.index])
    )
    assert np.linalg.norm(away, axis=1).max() < 6
    assert np.linalg.norm(away, axis=1).max() > 0.1, "the box's own centre, not the flight's"
    assert np.allclose(seen["x2_px"] - seen["x1_px"], 6, atol=1e-3)


def test_standard_deviation_goes_from_start_to_end(flown: pd.DataFrame) -> None:
    ball = flown[flown["role"] == "ball"].loc[25:65]
    assert ball["x_m_sd"].iloc[0] == pytest.approx(0.05)
    assert ball["x_m_sd"].iloc[-1] == pytest.approx(0.10, abs=0.002)
    assert ball["x_m_sd"].is_monotonic_increasing


def test_without_an_end_the_deviation_grows_by_velocity() -> None:
    ball = run([], [arc(end_x_m_sd=None, vx_mps_sd=0.5)]).set_index("frame")
    assert ball.loc[65, "x_m_sd"] == pytest.approx(np.hypot(0.05, 0.5 * 0.8), rel=1e-6)


def test_a_box_beyond_the_gate_does_not_support() -> None:
    off = [box(i, CAMERA.project(truth(i)[:3]) + np.array([30.0, 0])) for i in range(25, 66)]
    assert not run(off)["observed"].any()


def test_the_gate_grows_with_the_picture() -> None:
    double = Camera.looking_at((0.3, -31, 9), (0, -1, 0), 4000, 2560, 1440)
    rows = [
        row | {"camera": double.matrix.ravel().tolist(), "width_px": 2560, "height_px": 1440}
        for row in frames()
    ]
    exact = {f"{name}_sd": 0.0 for name in ("x_m", "y_m", "z_m", "end_x_m", "end_y_m", "end_z_m")}
    shift = np.array([12.0, 0.0])
    boxes = [box(i, double.project(truth(i)[:3]) + shift) for i in range(25, 66)]
    small = [box(i, CAMERA.project(truth(i)[:3]) + shift) for i in range(25, 66)]
    inputs = {
        "detections": tableio.from_rows(tables.DETECTIONS, boxes),
        "frames": tableio.from_rows(tables.FRAMES, rows),
        "people": tables.PEOPLE.empty(),
        "arcs": tableio.from_rows(tables.ARCS, [arc(**exact)]),
    }
    assert STAGE.run(MATCH, inputs, TrackConfig()).to_pandas()["observed"].all()
    assert not run(small, [arc(**exact)])["observed"].any()


def test_outside_arcs_the_best_box_has_no_metres() -> None:
    boxes = [box(i, np.array([100.0 + 9 * i, 300.0]), 0.6) for i in range(80, 90)]
    boxes += [box(i, np.array([700.0 - 7 * i, 100.0]), 0.55) for i in range(80, 90)]
    boxes += [box(95, np.array([50.0, 50.0]), 0.2)]
    ball = run(boxes, []).set_index("frame")
    assert list(ball.index) == list(range(80, 90))
    assert ball["observed"].all()
    assert np.allclose(ball["u_px"], 100 + 9 * ball.index, atol=1e-3)
    assert ball[["x_m", "z_m", "vx_mps", "x_m_sd"]].isna().all(axis=None)
    assert np.allclose(ball["confidence"], 0.6)


def test_a_ball_that_lies_about_is_not_the_ball() -> None:
    rng = np.random.default_rng(1)
    still = [box(i, np.array([400.0, 500.0]) + rng.normal(0, 0.5, 2), 0.9) for i in range(0, 100)]
    assert run(still, []).empty


def test_without_a_camera_only_metres_are_given() -> None:
    boxes = [box(i, CAMERA.project(truth(i)[:3])) for i in range(25, 66)]
    ball = run(boxes, lost=(40, 41)).set_index("frame")
    assert ball.loc[[40, 41], "x_m"].notna().all()
    assert ball.loc[[40, 41], "u_px"].isna().all()
    assert not ball.loc[[40, 41], "observed"].any()
    assert ball.loc[42, "observed"]


def test_people_pass_unchanged() -> None:
    person = {"match_id": "m", "frame": 26, "t_s": 0.52, "track_id": 3, "role": "far", "x_m": 1.0,
              "x_m_sd": 0.1, "y_m": 12.0, "y_m_sd": 0.2, "observed": True, "confidence": 0.7}
    found = run([], people=[person])
    far = found[found["role"] == "far"].iloc[0]
    assert {name: far[name] for name in person} == person
    assert (found["role"] == "ball").sum() == 41


def test_ball_keeps_one_row_a_frame_where_arcs_touch() -> None:
    end = truth(65)
    after, spin = flight.bounce(end, SPIN, flight.SURFACES["hard"])
    second = arc(arc_id=1, start_s=LAST_S, end_s=1.6, start_kind="bounce", end_kind="hit",
                 topspin_radps=spin[0], sidespin_radps=spin[1])
    names = ("x_m", "y_m", "z_m", "vx_mps", "vy_mps", "vz_mps")
    second |= dict(zip(names, after, strict=True))
    ball = run([], [arc(), second])
    assert list(ball["frame"]) == list(range(25, 81))
