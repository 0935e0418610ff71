from __future__ import annotations

from pathlib import Path

import numpy as np

from rallymill.report import motion
from rallymill.report.scene import Scene
from rallymill.report.svg import Layout
from tests.report import by_hand


def test_without_tracks_nobody_moves(tmp_path: Path) -> None:
    ways = motion.Ways.read(tmp_path / "tracks.parquet")
    assert np.isnan(ways.within("near", 0.0, 1.0)).all()
    assert motion.in_drawing(Layout(Scene()), np.zeros((0, 2))) == []


def test_players_are_where_their_tracks_say(tmp_path: Path) -> None:
    rows = [
        row | {"x_m": row["t_s"], "y_m": -12.0} for row in by_hand.tracks()
        if row["role"] == "near" and not 1.5 < row["t_s"] < 2.9
    ]
    by_hand.write(tmp_path, tracks=rows)
    ways = motion.Ways.read(tmp_path / "matches" / by_hand.MATCH / "tracks.parquet")
    found = ways.within("near", 1.0, 3.4)
    times = 1.0 + motion.STEP_S * np.arange(len(found))
    known = np.isfinite(found[:, 0])
    # In the gap, longer than is bridged, nobody is shown.
    assert known.tolist() == [bool(t <= 1.5 or t >= 2.9) for t in np.round(times, 6)]
    assert np.allclose(found[known, 0], times[known], atol=1e-6)
    drawn = motion.in_drawing(Layout(Scene()), found)
    assert drawn[0] == round(Layout(Scene()).across(1.0), 1) and None in drawn
