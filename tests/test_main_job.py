"""The main job on the pictures of a sample clip, with no truth file anywhere near it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from rallymill import config as configuration
from rallymill import tables
from rallymill.runner.night import Night
from rallymill.runner.registry import load_stages
from rallymill.video import cut

SAMPLES = Path(__file__).parents[1] / "sample_clips"
CLIP, END_S = "broadcast", 10.0


@pytest.fixture(scope="module")
def read(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Output folder of a run over the first seconds of a sample clip, alone."""
    films = tmp_path_factory.mktemp("films")
    cut(SAMPLES / f"{CLIP}.mp4", 0.0, END_S, films / f"{CLIP}.mp4")
    assert [path.name for path in films.iterdir()] == [f"{CLIP}.mp4"]
    out = tmp_path_factory.mktemp("out")
    result = Night(films, out, configuration.load(None, load_stages())).run()
    assert not result.unread
    (found,) = (out / "matches").iterdir()
    return found


def _truth(table: str) -> pd.DataFrame:
    frame = pd.read_parquet(SAMPLES / f"{CLIP}.truth.{table}.parquet")
    return frame[frame.t_s < END_S - 0.2] if "t_s" in frame else frame


def test_every_table_is_written(read: Path) -> None:
    for name in tables.ALL:
        if name != "matches":
            assert (read / f"{name}.parquet").is_file(), name
    assert (read / "page" / "index.html").is_file()


def test_hits_are_found_when_and_where_they_were(read: Path) -> None:
    truth = _truth("events")
    truth = truth[truth.kind == "hit"]
    found = pd.read_parquet(read / "events.parquet")
    found = found[found.kind == "hit"]
    assert len(truth) >= 2
    near = [
        found[(abs(found.t_s - row.t_s) < 0.09) & (found.side == row.side)]
        for row in truth.itertuples()
    ]
    assert sum(len(rows) == 1 for rows in near) >= len(truth) - 1
    off_m = [
        float(np.hypot(rows.x_m.iloc[0] - row.x_m, rows.y_m.iloc[0] - row.y_m))
        for rows, row in zip(near, truth.itertuples(), strict=True)
        if len(rows) == 1
    ]
    assert np.median(off_m) < 0.6


def test_players_stand_where_they_stood(read: Path) -> None:
    truth = _truth("tracks")
    found = pd.read_parquet(read / "tracks.parquet")
    for role, bound_m in (("near", 0.20), ("far", 0.40)):
        both = truth[truth.role == role].merge(found[found.role == role], on="frame")
        assert len(both) > 0.8 * (truth.role == role).sum()
        assert np.hypot(both.x_m_x - both.x_m_y, both.y_m_x - both.y_m_y).median() < bound_m


def test_camera_is_that_of_the_film(read: Path) -> None:
    truth = _truth("frames").set_index("frame")
    found = pd.read_parquet(read / "frames.parquet").set_index("frame")
    points = np.array([[x, y, 0, 1] for x in (-4.115, 4.115) for y in (-11.885, 11.885)])
    both = found.camera.dropna().index.intersection(truth.index)
    assert len(both) > 0.9 * len(truth)
    errors = []
    for frame in both[::10]:
        left, right = (
            points @ np.reshape(table.camera[frame], (3, 4)).T for table in (found, truth)
        )
        errors.append(np.abs(left[:, :2] / left[:, 2:] - right[:, :2] / right[:, 2:]).max())
    assert np.median(errors) < 3.0
