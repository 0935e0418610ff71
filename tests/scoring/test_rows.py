from __future__ import annotations

import json

import numpy as np
import pytest

from rallymill.scoring import rows
from rallymill.scoring.rows import ALL_CLIPS, Errors, Goal, Row, Share, Tally


def test_empty_samples_have_no_value_and_say_why() -> None:
    for statistic, sample in (
        (rows.median, Errors()),
        (rows.percentile_95, Errors()),
        (rows.precision, Tally()),
        (rows.recall, Tally()),
        (rows.f1, Tally()),
        (rows.share, Share()),
    ):
        figure = statistic(sample)
        assert figure.value is None and figure.count == 0 and figure.note
    assert rows.text_table([]) == "nothing was scored"
    assert json.loads(rows.to_json([])) == []


def test_statistics_by_hand() -> None:
    tally = Tally(right=6, false=2, missed=4)
    assert rows.precision(tally).value == pytest.approx(0.75)
    assert rows.recall(tally).value == pytest.approx(0.6)
    assert rows.f1(tally).value == pytest.approx(2 * 0.75 * 0.6 / (0.75 + 0.6))
    assert rows.median(Errors(np.array([3.0, 1.0, 2.0]))).value == 2.0
    assert rows.percentile_95(Errors(np.arange(101.0))).value == 95.0
    assert rows.share(Share(3, 4, 1)) == rows.Figure(0.75, 4, "1 answered unknown")


def test_samples_add_by_number_not_by_clip() -> None:
    assert rows.share(Share(1, 1) + Share(0, 9)).value == pytest.approx(0.1)
    assert Tally(1, 2, 3) + Tally(10, 20, 30) == Tally(11, 22, 33)
    both = Errors(np.array([1.0]), 1) + Errors(np.array([2.0, 3.0]), 2)
    assert both.values.tolist() == [1, 2, 3] and both.n_missing == 3


def test_goals_include_their_bound() -> None:
    assert Goal("<=", 1.0).met(1.0) and not Goal("<=", 1.0).met(1.01)
    assert Goal(">=", 0.9).met(0.9) and not Goal(">=", 0.9).met(0.89)


def test_text_and_json_hold_every_row() -> None:
    given = [
        Row("hits", ALL_CLIPS, 0.5, "", 8, Goal(">=", 0.97), False, "a note"),
        Row("speed", ALL_CLIPS, None, "", 0, None, None, "no table"),
        Row("hits", "one", 0.25, "", 4, None, None),
    ]
    text = rows.text_table(given)
    assert "0.5000" in text and "≥ 0.97" in text and "a note" in text
    assert "not measured" in text and "no table" in text
    assert "0.2500" in text and "[1] one" in text
    back = json.loads(rows.to_json(given))
    assert [row["quantity"] for row in back] == ["hits", "speed", "hits"]
    assert back[0]["goal"] == {"relation": ">=", "value": 0.97} and back[1]["value"] is None
