"""Errors of cameras whose difference from the true one is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from rallymill import court, tableio, tables
from rallymill.camera import Camera
from rallymill.camera_spread import pack
from rallymill.scoring import court_errors

TRUE = Camera.looking_at((0.5, -30, 9), (0, -1, 0), 1500, 1280, 720)

ASIDE = np.diag([0.0] * 4 + [0.5**2, 0.5**2, 0.0, 0.0])


def frames(*cameras: Camera | None) -> pd.DataFrame:
    rows = []
    for number, camera in enumerate(cameras):
        row = {"match_id": "m", "frame": number, "t_s": number / 25, "view_id": 0,
               "width_px": 1280, "height_px": 720,
               "court_status": "lost" if camera is None else "tracked"}
        if camera is not None:
            row |= {"camera": camera.matrix.ravel().tolist(), "k1": camera.k1,
                    "focal_px": camera.focal_px, "camera_covariance": pack(ASIDE)}
        rows.append(row)
    return tableio.from_rows(tables.FRAMES, rows).to_pandas()


def test_nothing_to_compare() -> None:
    empty = tables.FRAMES.empty().to_pandas()
    assert len(court_errors.court_errors(empty, frames(TRUE)).reprojection_px) == 0
    assert len(court_errors.court_errors(frames(None), frames(TRUE)).frame_px) == 0


def test_the_true_camera_has_no_error() -> None:
    found = court_errors.court_errors(frames(TRUE, None, TRUE), frames(TRUE, TRUE, TRUE))
    assert len(found.frame_px) == 2
    for values in (found.reprojection_px, found.near_m, found.far_m, found.height_m):
        assert len(values)
        assert np.abs(values).max() < 1e-6


def test_a_camera_moved_aside_moves_the_ground_as_far() -> None:
    aside = replace(TRUE, centre_m=TRUE.centre_m + [0.3, 0.0, 0.0])
    found = court_errors.court_errors(frames(aside), frames(TRUE))
    assert found.near_m == pytest.approx(0.3, abs=1e-6)
    assert found.far_m == pytest.approx(0.3, abs=1e-6)
    # Of the two parts of each error one is 0.3 m, the other nothing, in deviations of 0.5 m.
    assert sorted(np.abs(found.normalised))[-1] == pytest.approx(0.6, abs=1e-6)
    near_px = 0.3 * TRUE.pixels_per_metre([0, -court.HALF_LENGTH_M, 0])
    assert found.reprojection_px.max() == pytest.approx(float(near_px), rel=0.01)


def test_pixels_are_those_of_a_picture_720_high() -> None:
    large = replace(TRUE, focal_px=3000, width_px=2560, height_px=1440,
                    principal_px=(1279.5, 719.5))
    aside = replace(large, principal_px=(1283.5, 719.5))
    row = frames(large).assign(width_px=2560, height_px=1440)
    moved = frames(aside).assign(width_px=2560, height_px=1440)
    found = court_errors.court_errors(moved, row)
    assert found.reprojection_px == pytest.approx(2.0, abs=1e-6)


def test_a_camera_that_sees_higher_measures_higher() -> None:
    # The same camera, believed to stand 10 cm higher than it does with a ground 10 cm higher.
    lifted = replace(TRUE, centre_m=TRUE.centre_m + [0.0, 0.0, 0.1])
    found = court_errors.court_errors(frames(lifted), frames(TRUE))
    assert found.height_m == pytest.approx(0.1, abs=1e-6)


def test_boundaries_within_reach() -> None:
    views = pd.DataFrame({"first_frame": [0, 40, 90], "last_frame": [39, 89, 120],
                          "label": ["main", "replay", "main"]})
    cuts = court_errors.boundaries(views)
    assert cuts.tolist() == [40, 90]
    assert court_errors.near_one(cuts, np.array([43, 94]), 3) == 1
    assert court_errors.near_one(cuts, np.zeros(0, np.int64), 3) == 0


def test_a_replay_is_play_from_the_fourth_frame() -> None:
    true = pd.DataFrame({"first_frame": [0, 40, 90, 121], "last_frame": [39, 89, 120, 160],
                         "label": ["main", "replay", "main", "replay"]})
    found = pd.DataFrame({"first_frame": [0, 43, 86, 121], "last_frame": [42, 85, 120, 160],
                          "label": ["main", "replay", "main", "replay"]})
    assert court_errors.replays_as_play(found, true) == (1, 2)
