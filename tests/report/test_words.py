from __future__ import annotations

import pytest

from rallymill.report import words


@pytest.mark.parametrize("missing", [None, float("nan")])
def test_what_is_missing_is_a_dash(missing: float | None) -> None:
    assert words.number(missing) == words.DASH
    assert words.measured(missing, 0.1) == words.DASH
    assert words.percent(missing) == words.DASH
    assert words.clock(missing) == words.DASH
    assert words.duration(missing) == words.DASH
    assert words.bounce({"bounce_y_m": missing, "depth": "deep", "in_court": True}) == "unknown"


def test_numbers_with_deviation_and_unit() -> None:
    assert words.measured(0.214, 0.031, 2, "m") == "0.21 ± 0.03 m"
    assert words.measured(0.214, None, 2, "m") == "0.21 m"
    assert words.measured(1.0, 0.001, 2) == "1.00 ± <0.01"
    assert words.speed(50.0, 0.8) == "180 ± 3 km/h"
    assert words.number(-1.25, 1) == "−1.2" and words.number(-0.001, 1) == "0.0"


@pytest.mark.parametrize(
    ("seconds", "want"), [(0, "0:00"), (59.99, "0:59"), (61.5, "1:01"), (3723.0, "1:02:03")]
)
def test_clock_cuts_off_seconds(seconds: float, want: str) -> None:
    assert words.clock(seconds) == want


def test_clock_with_tenths_carries_over() -> None:
    assert words.clock(59.96, tenths=True) == "1:00.0"
    assert words.clock(3601.2, tenths=True) == "1:00:01.2"


def test_durations() -> None:
    assert words.duration(8.44) == "8.4 s"
    assert words.duration(200) == "3 min 20 s"
    assert words.duration(7500) == "2 h 05 min"


def test_strokes_in_words() -> None:
    assert words.stroke({"stroke": "serve", "wing": "unknown"}) == "serve"
    assert words.stroke({"stroke": "groundstroke", "wing": "forehand"}) == "forehand"
    assert words.stroke({"stroke": "drop_shot", "wing": "backhand"}) == "drop shot, backhand"
    assert words.stroke({"stroke": "return", "wing": "unknown"}) == "return, wing unknown"
    assert words.stroke({"stroke": "unknown", "wing": "unknown"}) == "unknown"


@pytest.mark.parametrize(
    ("depth", "in_court", "want"),
    [("deep", True, "deep, in"), ("middle", False, "out"), ("unknown", True, "in"),
     ("short", None, "short, in or out unknown")],
)
def test_bounces_in_words(depth: str, in_court: bool | None, want: str) -> None:
    row = {"bounce_y_m": 5.0, "depth": depth, "in_court": in_court}
    assert words.bounce(row) == want


def test_evidence_in_words() -> None:
    given = {"name": "recovery_error", "value": 1.8, "unit": "m"}
    assert words.evidence(given) == "recovery error 1.80 m"
    assert words.evidence({"name": "gap_m", "value": -0.5, "unit": "m"}) == "gap −0.50 m"
    assert words.evidence({"name": "open_court", "value": 0.3, "unit": "share"}) == (
        "open court 30 %"
    )
    assert words.evidence({"name": "strokes", "value": 3.0, "unit": ""}) == "strokes 3"
    assert words.evidence({"name": "speed", "value": 30.0, "unit": "mps"}) == "speed 30 m/s"


def test_severity_words_cover_the_range() -> None:
    assert [words.severity(v) for v in (0.0, 0.34, 0.5, 0.67, 1.0)] == [
        "low", "medium", "medium", "high", "high"
    ]


def test_certainty_is_never_claimed() -> None:
    assert words.sure(1.0) == "over 99 % sure" and words.sure(0.9) == "90 % sure"


def test_counts() -> None:
    assert words.count(1, "stroke") == "1 stroke" and words.count(0, "stroke") == "0 strokes"
