"""The court benchmark: how films are counted and tabled."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from rallymill import benchmark_court as bench
from rallymill import tables
from rallymill.scoring.court_errors import CourtErrors


def test_seeds_of_training_are_refused() -> None:
    with pytest.raises(ValueError, match="200000 to 209999"):
        bench.run(100, 1, 1.0, 1, bench.Path("nowhere"), True, print)


def views(*rows: tuple[int, int, str]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=["first_frame", "last_frame", "label"])


def test_counts_of_spans_and_frames() -> None:
    true = views((0, 49, "main"), (50, 79, "other"), (80, 99, "replay"))
    found = views((0, 51, "main"), (52, 70, "other"), (71, 99, "main"))
    frames = pd.DataFrame({
        "frame": range(52), "court_status": ["lost"] * 2 + ["tracked"] * 50, "camera": None,
        "k1": 0.0, "width_px": 1280, "height_px": 720, "position_sd_m": 0.1,
    })
    truth = frames.head(50).assign(court_status="found")
    counts = bench.compare(found, frames, true, truth).counts
    assert counts["found"] == (48, 50)
    assert counts["false"] == (2, 50)
    assert counts["false, no replay"] == (2, 30)
    assert counts["cuts"] == (1, 2)
    assert counts["false cuts"] == (1, 2)
    assert counts["replays"] == (1, 1)
    assert counts["main frames"] == (50, 50)


def test_no_frames_no_figures() -> None:
    empty = tables.FRAMES.empty().to_pandas()
    none = tables.VIEWS.empty().to_pandas()
    counts = bench.compare(none, empty, none, empty).counts
    assert all(part == 0 and whole == 0 for part, whole in counts.values())
    assert "| reprojection, median |" in bench.table({"club": bench.FilmResult()}, 1)


def test_table_adds_tiers_and_marks_what_is_missed() -> None:
    def result(px: float, found: int) -> bench.FilmResult:
        one = np.array([px])
        return bench.FilmResult(CourtErrors(one, one, one, one, one, one), {"found": (found, 100)})

    text = bench.table({"broadcast": result(0.5, 100), "club": result(3.5, 90)}, 2)
    row = {line.split("|")[1].strip(): line for line in text.splitlines() if line.startswith("|")}
    assert "0.5 px (1) | **3.5 px (1)** | **2 px (2)** | ≤ 1" in row["reprojection, median"]
    assert "| 1 (100) |  |  |" in row["found in main-camera frames, broadcast"]
    assert "|  | **0.9 (100)** |  |" in row["found in main-camera frames, club"]
