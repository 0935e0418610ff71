from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from rallymill import court, tableio, tables
from rallymill.scoring import picture
from rallymill.scoring.rows import Share, Tally, median, percentile_95
from tests.scoring import by_hand


def test_no_frames_give_no_errors() -> None:
    none = tables.FRAMES.empty().to_pandas()
    assert len(picture.reprojection_px(none, by_hand.frames().to_pandas()).values) == 0


def test_perfect_court_has_no_error(make_clip) -> None:
    sample = picture.court_error(make_clip())
    assert sample.values.max() == 0
    inside = sum(
        0 <= u <= 1279 and 0 <= v <= 719
        for u, v in (by_hand.CAMERA.project(p) for p in court.named_points().values() if p[2] == 0)
    )
    assert len(sample.values) == by_hand.N_MAIN * inside and inside > 8


def test_shifted_camera_gives_the_shift_scaled_to_720_lines(make_clip) -> None:
    moved = replace(by_hand.CAMERA, principal_px=(639.5 + 3.0, 359.5 + 4.0))
    sample = picture.court_error(make_clip(frames=by_hand.frames(moved)))
    assert np.allclose(sample.values, 5.0)
    tall = replace(by_hand.CAMERA, height_px=1440)
    tall_moved = replace(moved, height_px=1440)
    clip = make_clip(
        true=by_hand.truth() | {"frames": by_hand.frames(tall)}, frames=by_hand.frames(tall_moved)
    )
    assert median(picture.court_error(clip)).value == pytest.approx(2.5)


def test_distortion_is_part_of_the_camera(make_clip) -> None:
    bent = replace(by_hand.CAMERA, k1=-0.2)
    clip = make_clip(frames=by_hand.frames(bent))
    errors = picture.court_error(clip)
    points = np.array([p for p in court.named_points().values() if p[2] == 0])
    seen, placed = by_hand.CAMERA.project(points), bent.project(points)
    keep = ((seen >= 0) & (seen <= [1279, 719])).all(1)
    want = np.hypot(*(placed - seen)[keep].T)
    assert np.allclose(np.unique(errors.values.round(6)), np.unique(want.round(6)), atol=1e-4)
    assert percentile_95(errors).value > 1


def test_negated_matrix_is_the_same_camera(make_clip) -> None:
    table = by_hand.frames().to_pandas()
    table["camera"] = table["camera"].map(lambda m: -np.asarray(m))
    clip = make_clip(frames=tableio.from_pandas(tables.FRAMES, table))
    assert picture.court_error(clip).values.max() < 1e-9


def test_found_and_wrongly_found_shares(make_clip) -> None:
    table = by_hand.frames(n=by_hand.N_MAIN + 10).to_pandas()
    table.loc[:49, "court_status"] = "lost"
    clip = make_clip(frames=tableio.from_pandas(tables.FRAMES, table))
    found, false = picture.court_found(clip), picture.court_false(clip)
    assert (found.part, found.whole) == (150, 200)
    assert (false.part, false.whole) == (10, 50)


def _frames(n: int, scale: float = 1.0) -> pd.DataFrame:
    return pd.DataFrame({"frame": range(n), "in_play": True, "scale": scale})


def _balls(u: dict[int, float], visible: bool = True) -> pd.DataFrame:
    return pd.DataFrame(
        {"frame": list(u), "u_px": list(u.values()), "v_px": 100.0, "visible": visible}
    )


def test_ball_tally_by_hand() -> None:
    true = _balls({0: 10.0, 1: 20.0, 2: 30.0, 3: 40.0})
    # Right, at the gate, beyond the gate, none; frame 7 is outside of truth.
    found = _balls({0: 10.0, 1: 25.0, 2: 35.1, 7: 0.0})
    assert picture.match_ball(found, true, _frames(8)) == Tally(right=2, false=1, missed=2)
    # On a picture of 1440 lines the gate is 10 px.
    assert picture.match_ball(found, true, _frames(8, scale=0.5)) == Tally(3, 0, 1)


def test_hidden_ball_counts_nowhere_but_in_the_false_share(make_clip) -> None:
    true = by_hand.tracks().to_pandas()
    hidden = (true["role"] == "ball") & (true["frame"].isin([50, 51]))
    true.loc[hidden, "visible"] = False
    clip = make_clip(
        true=by_hand.truth() | {"tracks": tableio.from_pandas(tables.TRACKS, true)},
    )
    tally = picture.ball_seen(clip)
    in_play = sum(0.4 <= i / by_hand.RATE <= 3.2 for i in range(by_hand.N_MAIN))
    assert tally == Tally(right=in_play - 2)
    false = picture.ball_where_hidden(clip)
    assert (false.part, false.whole) == (2, 2)


def test_bridged_rows_are_no_predictions(make_clip) -> None:
    tally = picture.ball_seen(make_clip(tracks=by_hand.tracks(observed=False)))
    assert tally.right == tally.false == 0 and tally.missed > 0


@pytest.mark.parametrize(("role", "want"), [("near", 0.3), ("far", 0.3)])
def test_shifted_players(make_clip, role: str, want: float) -> None:
    sample = picture.player_place(make_clip(tracks=by_hand.tracks(shift_m=0.3)), role)
    assert np.allclose(sample.values, want) and len(sample.values) == by_hand.N_MAIN


def test_players_without_a_place_are_missing(make_clip) -> None:
    table = by_hand.tracks().to_pandas()
    table.loc[table["frame"] < 20, "x_m"] = np.nan
    sample = picture.player_place(
        make_clip(tracks=tableio.from_pandas(tables.TRACKS, table)), "near"
    )
    assert sample.n_missing == 20 and len(sample.values) == by_hand.N_MAIN - 20


def test_players_that_cannot_be_seen_do_not_count(make_clip) -> None:
    table = by_hand.tracks().to_pandas()
    table.loc[(table["role"] == "far") & (table["frame"] < 30), "visible"] = False
    true = by_hand.truth() | {"tracks": tableio.from_pandas(tables.TRACKS, table)}
    sample = picture.player_place(make_clip(true=true), "far")
    assert len(sample.values) == by_hand.N_MAIN - 30 and sample.n_missing == 0


def test_boxes_of_the_detector(make_clip) -> None:
    n = sum(0.4 <= i / by_hand.RATE <= 3.2 for i in range(by_hand.N_MAIN))
    assert picture.ball_boxes(make_clip()) == Tally(n, 0, 0)
    far = make_clip(detections=by_hand.detections(shift_px=6.0))
    assert picture.ball_boxes(far) == Tally(0, 0, n)
    none = make_clip(detections=tables.DETECTIONS.empty())
    assert picture.ball_boxes(none) == Tally(0, 0, n)


def test_main_frames_by_label(make_clip) -> None:
    assert picture.main_frames(make_clip()) == Share(250, 250)
    wrong = by_hand.views().to_pandas().assign(label=["main", "main"])
    clip = make_clip(views=tableio.from_pandas(tables.VIEWS, wrong))
    assert picture.main_frames(clip) == Share(200, 250)
    assert picture.main_frames(make_clip(views=tables.VIEWS.empty())) == Share(50, 250)
