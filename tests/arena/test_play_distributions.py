"""Counting simulated play: counts are right on invented rows, levels differ, figures are near.

The full comparison with published figures is ``rallymill bench play``; its table is in
``tests/benchmarks/play_distributions.md``.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from rallymill.arena import play_figures, play_table
from rallymill.arena.play_behaviours import BEHAVIOURS, rates
from rallymill.arena.play_figures import QUANTITIES, rally_lengths
from rallymill.arena.play_sample import PlaySample, gather, sample
from rallymill.cli.bench import bench

NAMED = {quantity.name: quantity for quantity in QUANTITIES}


@pytest.fixture(scope="module")
def tour() -> PlaySample:
    return sample(211_000, 25, "tour", False)


@pytest.fixture(scope="module")
def club() -> PlaySample:
    return sample(212_000, 28, "club")


def test_no_worlds_give_an_empty_sample() -> None:
    assert all(len(table) == 0 for table in vars(gather(iter(()))).values())


def _of_points(rows: list[tuple[str, int, int]]) -> PlaySample:
    empty = pd.DataFrame()
    points = pd.DataFrame(rows, columns=["ended_by", "n_shots", "serve_number"])
    return PlaySample(empty, points, empty, empty, empty)


def test_rally_lengths_count_balls_in_court() -> None:
    """The trap of the reports: a double fault is 0, an ace or a missed return is 1."""
    made = _of_points([
        ("double_fault", 1, 2), ("ace", 1, 1), ("error_net", 2, 1), ("winner", 3, 1),
        ("error_wide", 10, 1), ("fault", 1, 1), ("let", 1, 1),
    ])
    assert list(rally_lengths(made)) == [0, 1, 1, 3, 9]
    assert NAMED["points of 0 to 4 balls in court"].measure(made) == pytest.approx(80)
    assert NAMED["points of 9 balls or more"].measure(made) == pytest.approx(20)
    assert NAMED["aces of points"].measure(made) == pytest.approx(20)
    # Of the first serves that were no let, one was a fault.
    assert NAMED["first serves in"].measure(made) == pytest.approx(80)


def test_ranges_are_ranges_and_named_once() -> None:
    assert len(NAMED) == len(QUANTITIES) >= 12
    for quantity in QUANTITIES:
        assert quantity.men[0] < quantity.men[1] and quantity.women[0] < quantity.women[1]
        assert quantity.source


def test_a_small_sample_is_near_the_published_figures(tour: PlaySample) -> None:
    """What hardly varies between samples must be inside even on 25 points."""
    for name in (
        "serve speed, median", "serve contact over stature", "slice spin, mean",
        "backhand topspin, mean", "speed kept to the stroke behind the baseline",
        "split steps, time in the air, median", "peak speed in a point, 99 of 100",
    ):
        low, high = NAMED[name].men
        assert low <= NAMED[name].measure(tour) <= high, name
    assert 2.2 < NAMED["balls in court a point, mean"].measure(tour) < 6.0
    assert 45 < NAMED["first serves in"].measure(tour) < 80


def test_levels_differ_as_they_should(tour: PlaySample, club: PlaySample) -> None:
    for name in (
        "serve speed, median", "forehand speed, median", "aces of points",
        "peak speed in a point, 99 of 100",
    ):
        assert NAMED[name].measure(club) < NAMED[name].measure(tour), name
    # Slower balls rise higher over the net.
    name = "forehand net clearance, median"
    assert NAMED[name].measure(club) > NAMED[name].measure(tour)


def test_club_players_do_not_miss_mostly_wide(club: PlaySample) -> None:
    points = club.points
    missed = points[points.ended_by.str.startswith("error")].ended_by.value_counts(normalize=True)
    assert missed["error_net"] > missed["error_wide"] < 0.45


def test_hops_are_off_the_ground_and_noted(tour: PlaySample) -> None:
    hops = tour.splits[tour.splits.hop]
    assert (hops.height_m > 0).all() and hops.air_s.between(0.08, 0.25).all()
    noted = rates(tour)
    assert noted["split_good"] > noted["split_early"] > 0 and noted["split_none"] > 0
    good = hops[hops.landing_s.between(0.0, 0.25)]
    assert 0.5 < len(good) / len(hops) < 1.0


def test_every_behaviour_is_something_that_occurs(tour: PlaySample, club: PlaySample) -> None:
    """The rare ones need some hundred points: those are counted by the command."""
    rare = {"overhead", "half_volley", "toss_aborted", "net_cord", "serve_cord", "let", "lob"}
    for behaviour in BEHAVIOURS:
        if behaviour.kind not in rare:
            assert rates(tour)[behaviour.kind] + rates(club)[behaviour.kind] > 0, behaviour.kind
    known = {behaviour.kind for behaviour in BEHAVIOURS}
    assert set(tour.behaviours.kind) | set(club.behaviours.kind) <= known


def test_the_command_writes_its_table(tmp_path, monkeypatch) -> None:
    small = sample(211_000, 2, "tour", True)
    monkeypatch.setattr(
        play_table, "samples",
        lambda first_seed, points, surface: {group.name: small for group in play_table.GROUPS},
    )
    path = tmp_path / "table.md"
    # The number is what the command line takes for its exit code.
    result = CliRunner().invoke(bench, ["play", "--table", str(path)], standalone_mode=False)
    assert result.return_value == (1 if play_table.outside({"women, tour": small}) else 0)
    text = path.read_text(encoding="utf-8")
    assert text == result.output
    for quantity in QUANTITIES:
        assert f"| {quantity.name} |" in text
    woman = NAMED["serve speed, median"]
    value = woman.measure(small)
    assert f"{value:.1f}" in text and np.isfinite(value)


def test_forced_and_unforced_are_told_by_pressure() -> None:
    shots = pd.DataFrame({
        "ended_point": [True, True, True], "ended_by": ["error_net", "error_long", "winner"],
        "pressure": [play_figures.FORCED_FROM + 0.1, 0.1, 0.9],
    })
    made = _of_points([("error_net", 2, 1), ("error_long", 2, 1), ("winner", 3, 1),
                       ("double_fault", 1, 2)])
    made = PlaySample(shots, made.points, made.runs, made.splits, made.behaviours)
    assert NAMED["points ended by forced error"].measure(made) == pytest.approx(25)
    assert NAMED["points ended by unforced error"].measure(made) == pytest.approx(50)
