"""Our tracks measured by py-motmetrics, and the measures on an example that is known."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

# The library asks NumPy for a function that NumPy 2 has dropped.
np.asfarray = lambda a: np.asarray(a, float)  # type: ignore[attr-defined]
import motmetrics  # noqa: E402

from rallymill.stages.base import MatchContext  # noqa: E402
from rallymill.stages.people import STAGE, PeopleConfig  # noqa: E402
from tests.support.people_scene import scene  # noqa: E402


def measures(accumulator: motmetrics.MOTAccumulator) -> dict[str, float]:
    host = motmetrics.metrics.create()
    names = ["mota", "motp", "idf1", "num_switches"]
    return host.compute(accumulator, metrics=names, name="all").loc["all"].to_dict()


def test_known_example() -> None:
    """One object over ten frames, boxes without error, another number from the middle on: MOTA by
    Bernardin & Stiefelhagen 2008 is 0.90, IDF1 by Ristani 2016 is 0.50."""
    accumulator = motmetrics.MOTAccumulator(auto_id=True)
    for frame in range(10):
        accumulator.update([1], [7 if frame < 5 else 8], [[0.0]])
    found = measures(accumulator)
    assert found["mota"] == pytest.approx(0.90)
    assert found["idf1"] == pytest.approx(0.50)
    assert found["num_switches"] == 1


def accumulate(
    truth: pd.DataFrame, found: pd.DataFrame, reach_m: float
) -> motmetrics.MOTAccumulator:
    accumulator = motmetrics.MOTAccumulator(auto_id=True)
    by_frame = dict(list(found.groupby("frame")))
    for frame, rows in truth.groupby("frame"):
        here = by_frame.get(frame, found.iloc[:0])
        distance = np.linalg.norm(
            rows[["x_m", "y_m"]].to_numpy()[:, None] - here[["x_m", "y_m"]].to_numpy()[None],
            axis=2,
        )
        distance[distance > reach_m] = np.nan
        accumulator.update(list(rows["track_id"]), list(here["track_id"]), distance)
    return accumulator


@pytest.mark.parametrize("rate", [25.0, 50.0])
def test_people_of_an_invented_rally(rate: float) -> None:
    made = scene(31, seconds=5.0, rate=rate)
    inputs = {"detections": made.detections, "frames": made.frames}
    found = STAGE.run(MatchContext("m", Path("m.mp4")), inputs, PeopleConfig()).to_pandas()
    players = found[found["role"] != "other"]
    truth = made.truth[made.truth["role"] != "other"]
    two = measures(accumulate(truth, players, 1.5))
    assert two["mota"] > 0.97
    assert two["idf1"] > 0.98
    assert two["motp"] < 0.15, "mean distance in metres"
    # All people: the umpire stands above the ground and has no truth, so he counts as false.
    everyone = made.truth
    near_truth = found[found["track_id"].isin(_standing(found, everyone))]
    all_of_them = measures(accumulate(everyone, near_truth, 1.5))
    assert all_of_them["mota"] > 0.95
    assert all_of_them["idf1"] > 0.97


def _standing(found: pd.DataFrame, truth: pd.DataFrame) -> set[int]:
    """Tracks that are not the umpire's: those that start within 2 m of somebody."""
    keep = set()
    for number, rows in found.groupby("track_id"):
        first = rows.iloc[0]
        here = truth[truth["frame"] == first["frame"]]
        away = np.hypot(here["x_m"] - first["x_m"], here["y_m"] - first["y_m"])
        if away.min() < 2.0:
            keep.add(int(number))
    return keep
