"""Serve patterns and the interval of a share."""

import pytest
from statsmodels.stats.proportion import proportion_confint

from rallymill.rules.serving import wilson
from tests.rules.planted import look, play, point, shot


def serves(zones, half="deuce", **changes):
    rows = [
        shot(point_id=k, shot_number=1, stroke="serve", direction=zone, t_contact_s=30.0 * k)
        | changes
        for k, zone in enumerate(zones)
    ]
    return play(rows, [point(point_id=k, serve_side=half) for k in range(len(zones))])


@pytest.mark.parametrize(("count", "trials"), [(0, 5), (3, 7), (9, 10), (50, 100)])
def test_wilson_against_an_independent_library(count, trials):
    assert wilson(count, trials) == pytest.approx(
        proportion_confint(count, trials, method="wilson"), abs=1e-6)


def test_wilson_without_trials():
    assert wilson(0, 0) == (0.0, 1.0)


def test_no_shots():
    assert look("serve_pattern", play([])) == ([], [])


def test_always_to_the_t():
    found, _ = look("serve_pattern", serves(["t"] * 11 + ["wide"]))
    assert len(found) == 1 and found[0].kind == "note" and found[0].player == "MAR"
    assert "11 times of 12" in found[0].sentence and "to the T" in found[0].sentence
    low, high = wilson(11, 12)
    evidence = {e.name: e.value for e in found[0].evidence}
    assert evidence["share, lower end of 95 % interval"] == pytest.approx(low)
    assert f"{low:.0%} to {high:.0%}" in found[0].sentence


def test_mixed_serves_are_silent():
    assert look("serve_pattern", serves(["t", "wide", "body", "t", "wide", "t", "wide"])) == (
        [], [])


def test_few_serves_say_nothing():
    found, reasons = look("serve_pattern", serves(["t"] * 4))
    assert found == [] and "4 serves of MAR from the deuce half read, need 6" in reasons[0]


def test_unsure_zones_are_left_out():
    found, reasons = look("serve_pattern", serves(["t"] * 12, direction_confidence=0.4))
    assert found == [] and reasons[0].startswith("0 serves")


def test_halves_are_kept_apart():
    rows = [
        shot(point_id=k, shot_number=1, stroke="serve", direction="t" if k % 2 else "wide")
        for k in range(24)
    ]
    points = [point(point_id=k, serve_side="ad" if k % 2 else "deuce") for k in range(24)]
    found, _ = look("serve_pattern", play(rows, points))
    assert len(found) == 2
