"""The people stage on simulated play, with officials, seen from a stand and from a tripod."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from rallymill.arena.play import simulate
from rallymill.stages.base import MatchContext
from rallymill.stages.people import STAGE, PeopleConfig
from tests.support.people_world import filmed


@pytest.mark.parametrize(
    ("seed", "tier", "rate"), [(200_000, "broadcast", 25.0), (200_001, "club", 30.0)]
)
def test_players_of_a_point(seed: int, tier: str, rate: float) -> None:
    made = filmed(simulate(seed, 1), seed, tier, rate, 0.0, 9.0)
    inputs = {"detections": made.detections, "frames": made.frames}
    found = STAGE.run(MatchContext("m", Path("m.mp4")), inputs, PeopleConfig()).to_pandas()
    for role, median_m in (("near", 0.20), ("far", 0.40)):
        truth = made.truth[made.truth["role"] == role]
        pairs = truth.merge(
            found[found["role"] == role], on="frame", how="left", suffixes=("_true", "")
        )
        assert pairs["x_m"].notna().mean() > 0.95
        # Somebody of whom a side of the picture leaves an arm has no place across to be measured.
        pairs = pairs[~(pairs["x1_px"].ffill() <= 0)].dropna(subset=["x_m"])
        assert len(pairs) > 150
        away = np.hypot(pairs["x_m"] - pairs["x_m_true"], pairs["y_m"] - pairs["y_m_true"])
        # Well under the bar, because no detector's own faults are in these boxes.
        assert np.median(away) < 0.7 * median_m
        assert (away < 1.5).mean() > 0.99
        for name in ("x_m", "y_m"):
            score = (pairs[name] - pairs[f"{name}_true"]) / pairs[f"{name}_sd"]
            assert np.sqrt(np.mean(score**2)) < 2.0, "the stated deviation is too small"
            assert np.sqrt(np.mean(score**2)) > 0.3, "the stated deviation is too large"
