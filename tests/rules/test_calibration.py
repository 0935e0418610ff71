"""The map from a rule's own confidence to how often its flags are right."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from rallymill.cli.bench_flags import flags
from rallymill.rules.base import Shot, finding
from rallymill.rules.calibration import KNOTS, SHARES, calibrated, fit, own
from tests.rules.planted import shot


def drawn(truth, n: int, seed: int = 3) -> list[tuple[float, bool]]:
    """Flags of own confidences 0.7 to 1, right with the probability that ``truth`` gives."""
    rng = np.random.default_rng(seed)
    given_ = rng.uniform(0.7, 1.0, n)
    return list(zip(given_.tolist(), (rng.random(n) < truth(given_)).tolist(), strict=True))


@given(st.floats(0, 1), st.floats(0, 1))
def test_more_sure_is_never_less_often_right(one, other):
    low, high = sorted((one, other))
    assert 0 <= calibrated(low) <= calibrated(high) < 1 + 1e-9
    assert own(calibrated(one)) == pytest.approx(one, abs=1e-6)


def test_shares_ascend_and_nothing_is_certain():
    assert len(SHARES) == len(KNOTS)
    assert all(b > a for a, b in pairwise(SHARES))
    assert SHARES[-1] < 0.99, "a stroke can be misread whatever the deviations say"


@pytest.mark.parametrize("truth", [
    lambda c: c, lambda c: np.minimum(c, 0.9), lambda c: 0.5 + (c - 0.7), lambda c: 0.6 + 0 * c,
])
def test_fit_finds_how_often_flags_are_right(truth):
    found = np.interp(np.linspace(0.7, 1, 7), KNOTS, fit(drawn(truth, 20_000)))
    assert found == pytest.approx(truth(np.linspace(0.7, 1, 7)), abs=0.03)


def test_fit_to_little_or_nothing_stays_with_what_rules_say():
    assert fit([]) == pytest.approx(KNOTS, abs=0.021)
    assert np.allclose(fit([(0.8, False)]), KNOTS, atol=0.08)


@given(st.lists(st.tuples(st.floats(0.5, 1), st.booleans()), max_size=30))
def test_a_fit_ascends_whatever_it_is_given(judged):
    shares = fit(judged)
    assert all(b > a for a, b in pairwise(shares))
    assert shares[0] == 0 and shares[-1] <= 1


def test_findings_carry_the_calibrated_confidence():
    made = finding(
        "a", "fault", Shot(shot()), severity=0.5, confidence=0.9, evidence=[], sentence="")
    assert made.confidence == pytest.approx(calibrated(0.9))


def test_films_for_tests_are_not_fitted_to():
    said = CliRunner().invoke(flags, ["--fit", "--first-seed", "200700"])
    assert said.exit_code == 2 and "validation" in said.output
