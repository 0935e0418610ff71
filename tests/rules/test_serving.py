"""Serve patterns and the interval of a share."""

import pytest
from statsmodels.stats.proportion import proportion_confint

from rallymill.intervals import wilson
from rallymill.rules.base import TOO_NEAR
from rallymill.rules.calibration import own
from rallymill.rules.serving import is_big
from tests.rules.planted import clear, look, play, point, shot


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
    mixed = serves(["t", "wide", "body", "t", "wide", "t", "wide"] * 6)
    assert look("serve_pattern", mixed) == ([], []) and clear("serve_pattern", mixed) == 1


def test_a_few_mixed_serves_cannot_be_told():
    mixed = serves(["t", "wide", "body", "t", "wide", "t", "wide"])
    assert look("serve_pattern", mixed) == ([], [TOO_NEAR])


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


def test_by_the_score():
    zones = ["t"] * 9 + ["wide", "t", "wide"] * 4
    scores = ["0-0, 30-40"] * 9 + ["0-0, 15-0"] * 12
    rows = [shot(point_id=k, shot_number=1, stroke="serve", direction=zone)
            for k, zone in enumerate(zones)]
    points = [point(point_id=k, score=score) for k, score in enumerate(scores)]
    found, _ = look("serve_big_points", play(rows, points))
    assert len(found) == 1 and "on big points go to the T 9 times of 9" in found[0].sentence
    assert look("serve_big_points", play(rows, [p | {"score": None} for p in points])) == (
        [], ["the score is not known"])
    assert look("serve_big_points", play(rows[9:], points[9:])) == ([], [])
    assert "3 serves of MAR on big points read" in look(
        "serve_big_points", play(rows[:3], points[:3]))[1][0]


@pytest.mark.parametrize(("score", "big"), [
    ("0-0, 0-0", False), ("3-2, 40-30", False), ("3-2, 30-40", True), ("5-4, 40-40", True),
    ("5-4, AD-40", True), ("5-4, 40-AD", True), ("6-6, 5-5", False), ("6-6, 5-6", True),
    ("6-6, 6-2", True), ("0-0, 0-40", True),
])
def test_big_points(score, big):
    assert is_big(score) == big


def test_body_serve_left_out():
    found, _ = look("body_serve", serves(["t", "wide"] * 20))
    assert len(found) == 1 and "0 of 40" in found[0].sentence
    assert look("body_serve", serves(["t", "wide", "body"] * 14)) == ([], [])
    assert clear("body_serve", serves(["t", "wide", "body"] * 14)) == 1
    assert "10 serves of MAR read, need 20" in look("body_serve", serves(["t"] * 10))[1][0]


def test_twenty_serves_without_one_into_the_body_say_little():
    """With a true share of 0.08, nothing in 20 serves happens in 19 % of matches, in 40 in 4 %."""
    assert look("body_serve", serves(["t", "wide"] * 10)) == ([], [TOO_NEAR])
    found, _ = look("body_serve", serves(["t", "wide"] * 20))
    assert own(found[0].confidence) == pytest.approx(1 - 0.92**41, abs=1e-9)


def second(bounce_y_m, **changes):
    rows = [shot(shot_number=1, stroke="serve", bounce_y_m=bounce_y_m) | changes]
    return play(rows, [point(serve_number=2)])


def test_short_second_serve():
    found, _ = look("second_serve_depth", second(3.2))
    assert [f.kind for f in found] == ["fault"] and "3.2 m in front" in found[0].sentence


def test_deep_second_or_first_serve_is_silent():
    assert look("second_serve_depth", second(5.8)) == ([], [])
    assert clear("second_serve_depth", second(5.8)) == 1
    first = play([shot(point_id=0, shot_number=1, stroke="serve", bounce_y_m=3.0)])
    assert look("second_serve_depth", first) == ([], []) and clear("second_serve_depth", first) == 0


def test_second_serve_abstains():
    assert look("second_serve_depth", second(None)) == ([], ["not measured: bounce_y_m"])
    assert look("second_serve_depth", second(3.8, bounce_y_m_sd=0.5)) == ([], [TOO_NEAR])
