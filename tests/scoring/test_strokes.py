from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from rallymill import tableio, tables
from rallymill.scoring import strokes
from rallymill.scoring.rows import Share
from tests.scoring import by_hand


def test_no_strokes_and_no_points(make_clip) -> None:
    clip = make_clip(shots=tables.SHOTS.empty(), points=tables.POINTS.empty())
    assert strokes.rallies(clip) == Share(0, 1)
    assert strokes.answer(clip, "stroke") == Share(0, 0)
    assert len(strokes.number(clip, "speed_mps").values) == 0


def test_speed_error_is_relative(make_clip) -> None:
    sample = strokes.number(make_clip(shots=by_hand.shots(faster=1.1)), "speed_mps", relative=True)
    assert sample.values.tolist() == pytest.approx([0.1] * 3)


def test_missing_numbers_are_counted() -> None:
    found = pd.DataFrame({"contact_z_m": [1.0, np.nan, 1.5]})
    true = pd.DataFrame({"contact_z_m": [1.2, 1.0, np.nan]})
    sample = strokes.number_errors(found, true, "contact_z_m")
    assert sample.values.tolist() == pytest.approx([0.2]) and sample.n_missing == 1


def test_unknown_is_never_right_and_unknown_truth_does_not_count() -> None:
    found = pd.Series(["forehand", "unknown", None, "backhand", "forehand"])
    true = pd.Series(["forehand", "forehand", "backhand", "unknown", "backhand"])
    assert strokes.agreement(found, true) == Share(1, 4, 2)


def test_serves_and_other_strokes_apart(make_clip) -> None:
    clip = make_clip(shots=by_hand.shots(direction="wide"))
    assert strokes.answer(clip, "direction", serves=True) == Share(1, 1)
    assert strokes.answer(clip, "direction", serves=False) == Share(0, 2)


def test_whole_rally_right_and_each_way_to_be_wrong(make_clip) -> None:
    assert strokes.rallies(make_clip()) == Share(1, 1)
    table = by_hand.shots().to_pandas()
    one_less = tableio.from_pandas(tables.SHOTS, table.iloc[:2])
    assert strokes.rallies(make_clip(shots=one_less)) == Share(0, 1)
    other_hitter = table.assign(hitter=["far", "far", "near"])
    wrong = tableio.from_pandas(tables.SHOTS, other_hitter)
    assert strokes.rallies(make_clip(shots=wrong)) == Share(0, 1)
    # One left out at the start and one made up at the end keep the number, not the times.
    moved = tableio.from_pandas(tables.SHOTS, table.assign(t_contact_s=table["t_contact_s"] + 1))
    assert strokes.rallies(make_clip(shots=moved)) == Share(0, 1)


def test_a_rally_cut_in_two_is_not_right(make_clip) -> None:
    two = pd.concat(
        [
            by_hand.points(end_s=2.0).to_pandas(),
            by_hand.points(point_id=1, start_s=2.1, n_shots=0).to_pandas(),
        ]
    )
    clip = make_clip(points=tableio.from_pandas(tables.POINTS, two))
    assert strokes.rallies(clip) == Share(0, 1)


def test_rallies_with_unseen_strokes_do_not_count(make_clip) -> None:
    true = by_hand.truth()
    table = true["shots"].to_pandas()
    table.loc[2, "t_contact_s"] = 4.2
    true["shots"] = tableio.from_pandas(tables.SHOTS, table)
    assert strokes.rallies(make_clip(true=true)) == Share(0, 0)


def test_endings(make_clip) -> None:
    assert strokes.endings(make_clip()) == Share(1, 1)
    assert strokes.endings(make_clip(points=by_hand.points(ended_by="unknown"))) == Share(0, 1, 1)
