"""Speeds near a bound: what is not sure is not said, and what a person corrected holds."""

from __future__ import annotations

import pytest

from rallymill.rules.base import Shot, runs, speed_of, velocity_sd_mps
from tests.rules.planted import look, play, shot
from tests.rules.test_recovery import wide


def test_a_place_less_sure_makes_a_speed_less_sure() -> None:
    near, far = Shot(shot(opponent_y_m_sd=0.05)), Shot(shot(opponent_y_m_sd=0.35))
    sd = velocity_sd_mps
    assert sd(near, "opponent", "y") < 0.33 < 0.6 < sd(far, "opponent", "y")
    assert sd(near, "hitter", "x") > sd(near, "opponent", "x")


def test_the_deviation_of_a_speed_is_that_along_the_run() -> None:
    unsure = {"hitter_x_m_sd": 0.05, "hitter_y_m_sd": 0.5}
    across = speed_of(Shot(shot(hitter_vx_mps=4.0, hitter_vy_mps=0.0, **unsure)), "hitter")
    along = speed_of(Shot(shot(hitter_vx_mps=0.0, hitter_vy_mps=4.0, **unsure)), "hitter")
    assert across[0] == along[0] == pytest.approx(4.0)
    assert along[1] > 1.5 * across[1]


@pytest.mark.parametrize(("speed", "state", "low", "high"), [
    (5.0, "on_the_run", 0.99, 1.0), (3.2, "on_the_run", 0.5, 0.9), (0.5, "set", 0.0, 0.01),
    (0.5, "on_the_run", 1.0, 1.0), (5.0, "set", 0.0, 0.0), (None, "on_the_run", 1.0, 1.0),
])
def test_on_the_run_by_speed_unless_the_word_says_otherwise(speed, state, low, high) -> None:
    row = Shot(shot(hitter_vx_mps=speed, hitter_state=state))
    assert low <= runs(row) <= high


def test_who_could_hardly_get_there_is_not_blamed_and_who_could_is() -> None:
    """The same distance left, with ever more time: silent, then unsure, then a fault."""
    said = []
    for time_s in (0.4, 0.95, 1.02, 1.1, 1.7):
        rows = wide(2.5, t_contact_s=10.0 + time_s)
        found, abstained = look("recovery", play(rows))
        said.append("fault" if found else "open" if abstained else "silent")
    assert said[0] == "silent" and said[-1] == "fault"
    order = {"silent": 0, "open": 1, "fault": 2}
    assert [order[word] for word in said] == sorted(order[word] for word in said)
