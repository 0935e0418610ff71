"""The people stage on invented rallies with known truth."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from rallymill import tableio, tables
from rallymill.stages.base import MatchContext
from rallymill.stages.people import STAGE, PeopleConfig
from tests.support.people_scene import Scene, scene

MATCH = MatchContext("m", Path("m.mp4"))


def run(made: Scene) -> pd.DataFrame:
    inputs = {"detections": made.detections, "frames": made.frames}
    table = STAGE.run(MATCH, inputs, PeopleConfig())
    tableio.check(tables.PEOPLE, table)
    return table.to_pandas()


def matched(made: Scene, found: pd.DataFrame, role: str) -> pd.DataFrame:
    """Truth rows of a player with the found row of the same role and frame."""
    truth = made.truth[made.truth["role"] == role]
    return truth.merge(found[found["role"] == role], on="frame", how="left", suffixes=("_true", ""))


def error_m(pairs: pd.DataFrame) -> np.ndarray:
    seen = pairs.dropna(subset=["x_m"])
    return np.hypot(seen["x_m"] - seen["x_m_true"], seen["y_m"] - seen["y_m_true"]).to_numpy()


@pytest.fixture(scope="module")
def rally() -> tuple[Scene, pd.DataFrame]:
    made = scene(11, seconds=6.0, rate=30.0)
    return made, run(made)


def test_empty_tables_give_an_empty_table() -> None:
    empty = {"detections": tables.DETECTIONS.empty(), "frames": tables.FRAMES.empty()}
    found = STAGE.run(MATCH, empty, PeopleConfig())
    assert found.num_rows == 0
    assert found.schema.equals(tables.PEOPLE.schema())


def test_frames_without_boxes_give_an_empty_table() -> None:
    made = scene(1, seconds=1.0, rate=25.0)
    inputs = {"detections": tables.DETECTIONS.empty(), "frames": made.frames}
    assert STAGE.run(MATCH, inputs, PeopleConfig()).num_rows == 0


@pytest.mark.parametrize(("role", "median_m"), [("near", 0.10), ("far", 0.20)])
def test_players_stand_where_they_stood(rally, role: str, median_m: float) -> None:
    pairs = matched(*rally, role)
    assert pairs["x_m"].notna().mean() > 0.98
    assert np.median(error_m(pairs)) < median_m
    assert (error_m(pairs) < 1.5).mean() > 0.99


@pytest.mark.parametrize("role", ["near", "far"])
def test_standard_deviations_are_honest(rally, role: str) -> None:
    pairs = matched(*rally, role).dropna(subset=["x_m"])
    for name in ("x_m", "y_m"):
        score = ((pairs[name] - pairs[f"{name}_true"]) / pairs[f"{name}_sd"]).to_numpy()
        assert np.mean(np.abs(score) < 2) > 0.85


@pytest.mark.parametrize("role", ["near", "far"])
def test_velocity_follows_the_run(rally, role: str) -> None:
    pairs = matched(*rally, role).dropna(subset=["x_m"])
    off = np.hypot(pairs["vx_mps"] - pairs["vx_mps_true"], pairs["vy_mps"] - pairs["vy_mps_true"])
    assert np.median(off) < 0.6
    assert np.hypot(pairs["vx_mps"], pairs["vy_mps"]).max() < 8.0


def test_at_most_one_player_on_each_side(rally) -> None:
    _, found = rally
    players = found[found["role"] != "other"]
    assert not players.duplicated(["frame", "role"]).any()
    assert (found["role"] == "other").any()


def test_a_hidden_player_is_bridged_and_marked(rally) -> None:
    made, found = rally
    far = found[found["role"] == "far"].set_index("frame")
    boxes = made.detections.to_pandas()
    assert not far["observed"].all()
    bridged = far[~far["observed"]]
    assert bridged[["x1_px", "y2_px"]].isna().all(axis=None)
    assert bridged["u_px"].notna().all()
    # The longest gap is the least certain.
    gap = (~far["observed"]).groupby(far["observed"].cumsum()).sum().idxmax()
    inside = far[(far["observed"].cumsum() == gap) & ~far["observed"]]
    shared = PeopleConfig().posture_along_sd_m  # the same in every frame, seen or not
    grown = np.sqrt(far["y_m_sd"] ** 2 - shared**2)
    assert grown[inside.index].max() > 1.3 * grown[far["observed"]].median()
    assert inside["confidence"].min() < 0.8 * far.loc[far["observed"], "confidence"].median()
    assert len(boxes) > 0


def test_a_long_gap_is_not_bridged() -> None:
    made = scene(5, seconds=6.0, rate=25.0)
    boxes = made.detections.to_pandas()
    kept = boxes[(boxes["t_s"] < 2.0) | (boxes["t_s"] > 4.0)]
    made = Scene(tableio.from_pandas(tables.DETECTIONS, kept), made.frames, made.truth)
    found = run(made)
    assert found[(found["t_s"] > 2.1) & (found["t_s"] < 3.9)].empty
    near = found[found["role"] == "near"]
    assert near["track_id"].nunique() == 1, "the number lives over the gap"


def test_frames_without_camera_are_bridged_in_metres() -> None:
    made = scene(6, seconds=4.0, rate=25.0)
    frames = made.frames.to_pandas()
    lost = frames["frame"].between(40, 50)
    frames["camera"] = frames["camera"].where(~lost, None)
    frames.loc[lost, "court_status"] = "lost"
    made = Scene(
        made.detections,
        tableio.from_rows(tables.FRAMES, frames.to_dict("records")),
        made.truth,
    )
    near = run(made).query("role == 'near' and 40 <= frame <= 50")
    assert len(near) == 11
    assert not near["observed"].any()
    assert near["u_px"].isna().all()
    assert near["x_m"].notna().all()


def test_numbers_change_after_a_long_cut_only() -> None:
    short = run(scene(7, seconds=3.0, rate=25.0, n_views=2, cut_s=2.0))
    long = run(scene(7, seconds=3.0, rate=25.0, n_views=2, cut_s=40.0))
    for role in ("near", "far"):
        assert short[short["role"] == role]["track_id"].nunique() == 1
        assert long[long["role"] == role]["track_id"].nunique() == 2


def test_uneven_time_steps() -> None:
    made = scene(8, seconds=6.0, rate=60.0)
    keep = np.random.default_rng(0).random(360) < 0.5
    frames = made.frames.filter(pa.array(keep))
    numbers = set(frames["frame"].to_pylist())
    boxes = made.detections.to_pandas()
    boxes = tableio.from_pandas(tables.DETECTIONS, boxes[boxes["frame"].isin(numbers)])
    made = Scene(boxes, frames, made.truth[made.truth["frame"].isin(numbers)])
    found = run(made)
    for role, median_m in (("near", 0.12), ("far", 0.25)):
        assert np.median(error_m(matched(made, found, role))) < median_m


@pytest.mark.parametrize("seed", range(20, 24))
def test_players_are_found_among_officials(seed: int) -> None:
    made = scene(seed, seconds=3.0, rate=25.0, width=1920, height=1080)
    found = run(made)
    for role in ("near", "far"):
        pairs = matched(made, found, role)
        assert pairs["x_m"].notna().mean() > 0.9
        assert (error_m(pairs) < 1.5).mean() > 0.95


def test_an_empty_court_has_no_players() -> None:
    made = scene(9, seconds=3.0, rate=25.0)
    boxes = made.detections.to_pandas()
    truth = made.truth[made.truth["role"] != "other"]
    # Take the players' boxes away: those whose bottom middle comes near a player's place.
    frames = made.frames.to_pandas().set_index("frame")
    from rallymill.camera import from_matrix

    cam = from_matrix(frames["camera"].iloc[0], 1280, 720)
    foot = np.column_stack([(boxes["x1_px"] + boxes["x2_px"]) / 2, boxes["y2_px"]])
    ground = cam.ground(foot)[:, :2]
    drop = np.zeros(len(boxes), bool)
    for _, rows in truth.groupby("role"):
        here = rows.set_index("frame").loc[boxes["frame"], ["x_m", "y_m"]].to_numpy()
        drop |= np.linalg.norm(ground - here, axis=1) < 2.5
    kept = tableio.from_pandas(tables.DETECTIONS, boxes[~drop])
    found = run(Scene(kept, made.frames, made.truth))
    assert (found["role"] == "other").all()
    assert len(found) > 0


def test_nobody_is_placed_on_a_court_on_which_all_would_be_dwarfs(
    caplog: pytest.LogCaptureFixture,
) -> None:
    made = scene(3, seconds=2.0, rate=25.0)
    frames = made.frames.to_pandas()
    # A court found on lines that are half as far apart as they should be.
    smaller = np.diag([2.0, 2.0, 2.0, 1.0])
    frames["camera"] = [
        (np.reshape(matrix, (3, 4)) @ smaller).ravel() for matrix in frames["camera"]
    ]
    wrong = tableio.from_pandas(tables.FRAMES, frames)
    found = STAGE.run(MATCH, {"detections": made.detections, "frames": wrong}, PeopleConfig())
    assert found.num_rows == 0
    assert "court is taken for wrong" in caplog.text
