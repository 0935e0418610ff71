"""Whether deviations that are too small or too large are seen as that."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from rallymill.scoring import deviations
from rallymill.scoring.clip import Clip


def rows(stated: float, n: int = 4000) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Found and true rows whose errors have a deviation of 0.1."""
    rng = np.random.default_rng(5)
    true = pd.DataFrame({"x_m": rng.uniform(-4, 4, n), "y_m": np.zeros(n)})
    found = true.assign(x_m=true["x_m"] + rng.normal(0, 0.1, n), x_m_sd=stated)
    return found, true


@pytest.mark.parametrize("stated", [0.05, 0.1, 0.2])
def test_mean_square_is_that_of_the_statement(stated):
    square = deviations.mean_square(deviations._of(*rows(stated), "hit")["hit x_m"])
    assert square == pytest.approx((0.1 / stated) ** 2, rel=0.08)


def test_columns_without_a_deviation_and_rows_without_truth_are_left_out():
    found, true = rows(0.1, 10)
    true.loc[3, "x_m"] = np.nan
    pulls = deviations._of(found, true, "hit")
    assert list(pulls) == ["hit x_m"] and len(pulls["hit x_m"]) == 9


def test_one_gross_mistake_does_not_drown_the_rest():
    values = np.append(np.ones(99), 1e6)
    assert deviations.mean_square(values) == pytest.approx((99 + deviations.MOST) / 100)


def test_what_is_out_of_bounds_is_bold(monkeypatch):
    pulls = {"good": np.tile([1.0, -1.0], 20), "wide": np.full(40, 0.2), "few": np.full(3, 9.0)}
    monkeypatch.setattr(deviations, "pulls", lambda clip: pulls)
    text = deviations.table({"club": [Clip("a", "a", {}, {}, {})]})
    lines = {line.split(" | ")[0].strip("| "): line for line in text.splitlines()}
    assert lines["wide"] == "| wide | **0.04** | 0.0% | 40 |"
    assert "**" not in lines["good"] and "**" not in lines["few"]
