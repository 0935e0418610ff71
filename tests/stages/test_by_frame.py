"""Stages hold a view or a chunk at a time, and none of it shows in their tables."""

from __future__ import annotations

import weakref
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rallymill import tableio, tables
from rallymill.stages import flight, people, track
from rallymill.stages.base import MatchContext
from rallymill.stages.by_frame import ByFrame, by_view, in_pieces
from rallymill.stages.cameras import CamerasByFrame, cameras_of, covariances_of
from rallymill.stages.people.ground import View
from tests.stages import test_track
from tests.support import synthetic
from tests.support.people_scene import Scene, scene

MATCH = MatchContext("m", Path("m.mp4"))
ROUNDS = 4


@settings(max_examples=50, deadline=None)
@given(frames=st.lists(st.integers(0, 30), max_size=40), span=st.tuples(
    st.integers(-2, 32), st.integers(-2, 32)))
def test_rows_of_a_span(frames: list[int], span: tuple[int, int]) -> None:
    table = pa.table({"frame": pa.array(frames, pa.int64()), "row": range(len(frames))})
    found = ByFrame(table).within(*span).to_pylist()
    inside = [row for row in table.to_pylist() if span[0] <= row["frame"] <= span[1]]
    assert found == sorted(inside, key=lambda row: row["frame"])


@settings(max_examples=50, deadline=None)
@given(seed=st.integers(0, 999), lengths=st.lists(st.integers(1, 6), max_size=6),
       shuffled=st.booleans())
def test_rows_of_views(seed: int, lengths: list[int], shuffled: bool) -> None:
    rng = np.random.default_rng(seed)
    ids = np.repeat(rng.permutation(len(lengths)), lengths).astype(np.int32)
    frames = np.cumsum(rng.integers(1, 4, len(ids)))
    table = pa.table({"frame": frames, "t_s": frames / 25, "view_id": ids})
    if shuffled:
        table = table.take(rng.permutation(len(ids)))
    parts = by_view(table)
    assert [part.num_rows for part in parts] == lengths
    assert np.concatenate([[], *(part["frame"].to_numpy() for part in parts)]).tolist() == (
        frames.tolist())
    assert all(len(set(part["view_id"].to_pylist())) == 1 for part in parts)


def still_view(balls: list[int], n: int = 4000, rate: float = 10.0) -> tuple[pa.Table, ByFrame]:
    """A view of a camera that never moves, and boxes of which some are sure balls."""
    frames = pa.table({"frame": np.arange(n) + 7, "t_s": np.arange(n) / rate,
                       "view_id": np.zeros(n, np.int32)})
    rows = [(7 + k, "ball", 0.9) for k in balls]
    rows += [(7 + k, "player", 0.9) for k in range(n)] + [(7 + k, "ball", 0.1) for k in range(n)]
    names = ("frame", "label", "confidence")
    return frames, ByFrame(pa.table(dict(zip(names, zip(*rows, strict=True), strict=True))))


@settings(max_examples=25, deadline=None)
@given(balls=st.lists(st.integers(0, 3999), max_size=60, unique=True),
       most_s=st.floats(5.0, 500.0))
def test_pieces_of_a_long_view_are_all_of_it(balls: list[int], most_s: float) -> None:
    frames, boxes = still_view(balls)
    pieces = in_pieces([frames], boxes, most_s)
    assert pa.concat_tables(pieces).equals(frames)
    spans = [part["t_s"].to_numpy()[[0, -1]] for part in pieces]
    assert all(part.num_rows for part in pieces)
    assert all(end - start <= most_s for start, end in spans)
    assert all(end - start >= most_s / 2 - 0.2 for start, end in spans[:-1])
    if frames["t_s"][-1].as_py() <= most_s:
        assert pieces == [frames]


def test_a_long_view_is_cut_where_the_ball_is_gone_for_longest() -> None:
    # The ball is there but for two stretches; the longer one comes too early to be chosen.
    balls = [*range(0, 100), *range(700, 1500, 3), *range(1700, 4000, 5)]
    frames, boxes = still_view(balls)
    sizes = [part.num_rows for part in in_pieces([frames, frames], boxes, 200.0)]
    assert sizes[0] == pytest.approx(1600, abs=2)
    assert sizes[: len(sizes) // 2] == sizes[len(sizes) // 2 :]


def shorter(most_s: float, cut: list[int]) -> Any:
    def pieces(views: list[pa.Table], boxes: ByFrame) -> list[pa.Table]:
        found = in_pieces(views, boxes, most_s)
        cut.append(len(found))
        return found

    return pieces


def test_people_are_followed_over_the_cuts_of_a_long_view(monkeypatch: pytest.MonkeyPatch) -> None:
    made = scene(7, seconds=14.0, rate=20.0)
    inputs = inputs_of(made)
    config, cut = people.STAGE.config_class(), list[int]()
    whole = people.STAGE.run(MATCH, inputs, config).to_pandas()
    monkeypatch.setattr(people, "in_pieces", shorter(6.5, cut))
    found = people.STAGE.run(MATCH, inputs, config).to_pandas()
    assert cut == [3]
    both = whole.merge(found, on=["frame", "track_id"], how="outer", indicator=True)
    assert (both["_merge"] == "both").mean() > 0.99
    players = both[both["role_x"].isin(["near", "far"]) & (both["_merge"] == "both")]
    assert (players["role_x"] == players["role_y"]).all()
    away = np.hypot(players["x_m_x"] - players["x_m_y"], players["y_m_x"] - players["y_m_y"])
    assert away.median() < 0.01 and away.max() < 0.5


def test_flights_are_the_same_where_a_long_view_is_cut_between_points(
    monkeypatch: pytest.MonkeyPatch
) -> None:
    point = synthetic.film(synthetic.SmallWorld(3, n_shots=2), 3)
    inputs = laid_out(point, 2, one_view=True)
    config, cut = flight.STAGE.config_class(), list[int]()
    whole = flight.STAGE.run(MATCH, inputs, config).to_pandas()
    length_s = point["frames"]["t_s"][-1].as_py()
    monkeypatch.setattr(flight, "in_pieces", shorter(40.0 + length_s / 2, cut))
    found = flight.STAGE.run(MATCH, inputs, config).to_pandas()
    assert cut == [2]
    assert len(whole) >= 6
    same = ["rally_id", "arc_id", "start_kind", "start_side", "end_kind", "n_points"]
    pd.testing.assert_frame_equal(found[same], whole[same])
    # A fit begins where that of all points of the view did, and ends a little elsewhere.
    near = ["start_s", "end_s", "x_m", "y_m", "z_m", "end_x_m", "end_y_m", "end_z_m"]
    pd.testing.assert_frame_equal(found[near], whole[near], atol=0.01, rtol=0)


def test_cameras_are_those_of_the_table() -> None:
    made = scene(5, seconds=1.0, rate=10.0).frames.to_pandas()
    made.loc[3, "camera"] = None
    made.at[6, "camera"] = np.ones(12)  # of no camera
    made["k1"] = 0.01 * np.arange(len(made))
    packed = np.arange(36, dtype=np.float32)
    made["camera_covariance"] = [packed + k if k % 2 else None for k in range(len(made))]
    cameras, covariances = cameras_of(made), covariances_of(made)
    assert [k for k, camera in enumerate(cameras) if camera is None] == [3, 6]
    for k, camera in enumerate(cameras):
        if camera is not None:
            scaled = camera.matrix / camera.matrix[2, 3] * made["camera"][k].reshape(3, 4)[2, 3]
            assert np.allclose(scaled.ravel(), made["camera"][k])
            assert (camera.k1, camera.width_px, camera.height_px) == (0.01 * k, 1280, 720)
    assert [k for k, spread in enumerate(covariances) if spread is None] == [0, 2, 4, 6, 8]
    assert covariances[1][0, 0] == 1.0 and covariances[3][7, 7] == 38.0
    assert len(cameras[2:5]) == 3 and cameras[2:5][1] is None


@settings(max_examples=20, deadline=None)
@given(skipped=st.integers(0, 6), chunk=st.integers(1, 12), shuffled=st.booleans())
def test_cameras_by_frame_are_made_when_asked_for(
    skipped: int, chunk: int, shuffled: bool
) -> None:
    rows = scene(5, seconds=1.0, rate=10.0).frames.to_pylist()
    for k, row in enumerate(rows):
        row["frame"], row["k1"] = 3 * k + 2, (None if k < 5 else 0.01)
    rows[3]["camera"], rows[7]["camera"] = None, [1.0] * 12  # of no camera
    rows[9]["camera"] = rows[8]["camera"]
    table = tableio.from_rows(tables.FRAMES, rows)
    wanted = dict(zip(table["frame"].to_pylist(), cameras_of(table.to_pandas()), strict=True))
    if shuffled:
        table = table.take(np.random.default_rng(chunk).permutation(len(rows)))
    kept = ["frame", "camera", "k1", "width_px", "height_px"]
    parts = [table.slice(first, chunk) for first in range(0, len(rows), chunk)]
    cameras = CamerasByFrame(pa.concat_tables(parts).slice(skipped).select(kept))
    assert len(cameras) == len(rows) - skipped
    assert set(cameras) == set(table["frame"].to_pylist()[skipped:])
    for frame in cameras:
        found, true = cameras[frame], wanted[frame]
        assert (found is None) == (true is None)
        if found is not None and true is not None:
            assert np.array_equal(found.matrix, true.matrix) and found.k1 == true.k1
            assert (found.width_px, found.height_px) == (true.width_px, true.height_px)
    assert cameras.get(1) is None and 1 not in cameras
    if {26, 29} <= set(cameras):
        assert cameras[26] is cameras[29]  # it stood still


def test_no_frames_have_no_cameras() -> None:
    cameras = CamerasByFrame(tables.FRAMES.empty())
    assert not len(cameras) and cameras.get(0) is None


def test_borders_of_chunks_change_no_row(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(4)
    boxes = []
    for i in range(100):
        if 25 <= i < 66:
            boxes.append(test_track.box(i, test_track.CAMERA.project(test_track.truth(i)[:3])))
        # One that lies still for a while, and one that comes and goes: neither alone in a chunk.
        boxes.append(test_track.box(i, np.array([200.0, 500.0 if 20 < i < 80 else 9.0 * i]), 0.9))
        boxes.append(test_track.box(i, rng.uniform(600, 680, 2), 0.7))
    people = [
        {"match_id": "m", "frame": i, "t_s": i / test_track.RATE, "track_id": 1, "role": "near",
         "x_m": 0.1 * i, "y_m": -12.0, "observed": True, "confidence": 1.0} for i in range(90)
    ]
    whole = test_track.run(boxes, people=people)
    assert len(whole) > 150
    for most in (7, 31, 99):
        monkeypatch.setattr(track, "CHUNK_FRAMES", most)
        pd.testing.assert_frame_equal(test_track.run(boxes, people=people), whole)


def laid_out(
    made: Mapping[str, pa.Table], rounds: int, one_view: bool = False
) -> dict[str, pa.Table]:
    """Tables of a scene as the views of a match, or as a single one, 40 seconds apart."""
    parts: dict[str, list[pa.Table]] = {name: [] for name in made}
    for number in range(rounds):
        steps = {"frame": 1000 * number, "t_s": 40.0 * number,
                 "view_id": 0 if one_view else number}
        for name, rows in parts.items():
            part = made[name]
            for column in set(steps) & set(part.column_names):
                at = part.column_names.index(column)
                later = pc.add(part[column], pa.scalar(steps[column], part.schema.field(at).type))
                part = part.set_column(at, part.schema.field(at), later)
            rows.append(part)
    return {name: pa.concat_tables(rows) for name, rows in parts.items()}


def inputs_of(made: Scene) -> dict[str, pa.Table]:
    return {"frames": made.frames, "detections": made.detections}


def test_people_are_not_held_of_all_views_at_a_time(monkeypatch: pytest.MonkeyPatch) -> None:
    made = scene(7, seconds=2.0, rate=20.0)
    held: list[weakref.ref[View]] = []
    most = 0

    def view_of(*rows: Any) -> View:
        nonlocal most
        view = real(*rows)
        held.append(weakref.ref(view))
        most = max(most, sum(one() is not None for one in held))
        return view

    real = people.view_of
    monkeypatch.setattr(people, "view_of", view_of)
    table = people.STAGE.run(MATCH, laid_out(inputs_of(made), ROUNDS), people.STAGE.config_class())
    assert table.num_rows > 100 * ROUNDS
    assert len(held) >= ROUNDS
    assert most <= 2  # the one before goes when the next has come


def test_flights_and_tracks_are_given_a_part_of_the_match(monkeypatch: pytest.MonkeyPatch) -> None:
    made = scene(7, seconds=2.0, rate=20.0)
    inputs = laid_out(inputs_of(made), ROUNDS)
    inputs |= {name: tables.ALL[name].empty() for name in ("people", "arcs")}
    of_a_view, of_a_chunk = [], []

    def solve_view(frames: pd.DataFrame, boxes: pd.DataFrame, *rest: object) -> list[object]:
        of_a_view.append((len(frames), len(boxes)))
        return []

    def ball_rows(name: str, boxes: pd.DataFrame, frames: pd.DataFrame, *rest: object):
        of_a_chunk.append(len(frames))
        return made_rows(name, boxes, frames, *rest)

    made_rows = track.ball_rows
    monkeypatch.setattr(flight, "solve_view", solve_view)
    monkeypatch.setattr(track, "ball_rows", ball_rows)
    monkeypatch.setattr(track, "CHUNK_FRAMES", 25)
    for stage in (flight.STAGE, track.STAGE):
        stage.run(MATCH, inputs, stage.config_class())
    assert of_a_view == [(made.frames.num_rows, made.detections.num_rows)] * ROUNDS
    assert sum(of_a_chunk) >= ROUNDS * made.frames.num_rows
    assert max(of_a_chunk) <= 25 + 2 * 20  # a second more on either side
