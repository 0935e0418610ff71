"""The smoother against an independent library and published figures on the Nile series.

Durbin & Koopman, Time Series Analysis by State Space Methods, chapter 2: local level with
variances 15099 and 1469.1; the series comes with statsmodels. The literal figures were computed
with another state-space program for a start of mean 0 and variance 1e7.
"""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.datasets import nile
from statsmodels.tsa.statespace.structural import UnobservedComponents

from rallymill.smoothing import POSITION_2D, Smoothed, constant_velocity, smooth

LEVEL, NOISE = 1469.1, 15099.0


@pytest.fixture(scope="module")
def volume() -> np.ndarray:
    return nile.load_pandas().data["volume"].to_numpy(float)


def local_level(series: np.ndarray, start_variance: float = 1e7) -> Smoothed:
    n = len(series)
    one = np.ones((n, 1, 1))
    return smooth(
        one, one * LEVEL, np.array([[1.0]]), series[:, None], one * NOISE, np.zeros(1),
        np.array([[start_variance]]),
    )


def test_series_is_the_published_one(volume: np.ndarray) -> None:
    assert len(volume) == 100
    assert volume.mean() == pytest.approx(919.35)


def test_filter_and_smoother_give_the_published_figures(volume: np.ndarray) -> None:
    found = local_level(volume)
    at = [0, 1, 2, 49, 98, 99]
    filtered = [1118.3115, 1140.1084, 1072.3160, 849.0706, 819.6373, 798.3703]
    smoothed = [1111.2203, 1110.5293, 1105.0249, 834.7633, 804.0496, 798.3703]
    assert found.filtered_mean[at, 0] == pytest.approx(filtered, abs=2e-3)
    assert found.mean[at, 0] == pytest.approx(smoothed, abs=2e-3)
    variances = found.filtered_covariance[[0, 1, 2, 99], 0, 0]
    assert variances == pytest.approx([15076.236, 7894.558, 5779.497, 4032.1579], abs=0.05)
    assert found.covariance[[0, 49, 99], 0, 0] == pytest.approx(
        [4030.5328, 2326.7569, 4032.1579], abs=0.05
    )


def test_steady_state_follows_the_closed_form(volume: np.ndarray) -> None:
    """P = (Q + sqrt(Q^2 + 4 Q H)) / 2 for the predicted variance, gain P / (P + H)."""
    predicted = (LEVEL + np.sqrt(LEVEL**2 + 4 * LEVEL * NOISE)) / 2
    gain = predicted / (predicted + NOISE)
    assert gain == pytest.approx(0.267048, abs=1e-6)
    found = local_level(volume)
    assert found.filtered_covariance[-1, 0, 0] == pytest.approx(predicted * (1 - gain), rel=1e-8)


@pytest.mark.parametrize("missing", [(), tuple(range(20, 40)), (0, 1, 99)])
def test_agrees_with_statsmodels(volume: np.ndarray, missing: tuple[int, ...]) -> None:
    series = volume.copy()
    series[list(missing)] = np.nan
    model = UnobservedComponents(series, "llevel")
    model.ssm.initialize_known(np.zeros(1), np.array([[1e7]]))
    # Otherwise the first observation is left out of the likelihood.
    model.loglikelihood_burn = 0
    model.ssm.loglikelihood_burn = 0
    other = model.smooth([NOISE, LEVEL])
    found = local_level(series)
    assert found.mean[:, 0] == pytest.approx(other.smoothed_state[0], abs=1e-6)
    assert found.covariance[:, 0, 0] == pytest.approx(other.smoothed_state_cov[0, 0], rel=1e-8)
    assert found.filtered_mean[:, 0] == pytest.approx(other.filtered_state[0], abs=1e-6)
    assert found.log_likelihood == pytest.approx(other.llf_obs.sum(), abs=1e-6)


def test_log_likelihood_without_the_first_term(volume: np.ndarray) -> None:
    whole = local_level(volume).log_likelihood
    first = local_level(volume[:1]).log_likelihood
    assert whole - first == pytest.approx(-632.5442, abs=1e-3)


def test_innovations_are_consistent() -> None:
    """Mean NIS and NEES of a model on its own data (Bar-Shalom 2001, from memory)."""
    rng = np.random.default_rng(5)
    n, sd = 3000, 0.2
    steps = rng.uniform(0.015, 0.045, n)
    models = [constant_velocity(step, 3.0) for step in steps]
    state = np.array([0.0, 1.0, 2.0, -1.0])
    truth = np.empty((n, 4))
    for i, (transition, noise) in enumerate(models):
        if i:
            state = rng.multivariate_normal(transition @ state, noise)
        truth[i] = state
    measured = truth[:, [0, 2]] + rng.normal(0, sd, (n, 2))
    found = smooth(
        np.array([m[0] for m in models]), np.array([m[1] for m in models]), POSITION_2D, measured,
        np.tile(np.eye(2) * sd**2, (n, 1, 1)), truth[0], np.eye(4),
    )
    # chi2(2) / n has standard deviation 2 / sqrt(n) = 0.037; errors of states correlate in time.
    assert np.nanmean(found.nis) == pytest.approx(2.0, abs=0.15)
    error = truth - found.mean
    nees = np.einsum("ni,nij,nj->n", error, np.linalg.inv(found.covariance), error)
    assert nees[5:].mean() == pytest.approx(4.0, abs=0.6)
    assert np.mean((found.mean - truth)[:, [0, 2]] ** 2) < 0.25 * sd**2


def test_a_wild_measurement_pulls_little() -> None:
    n = 60
    models = [constant_velocity(0.04, 3.0)] * n
    measured = np.zeros((n, 2))
    measured[30] = [5.0, 5.0]
    arguments = (
        np.array([m[0] for m in models]), np.array([m[1] for m in models]), POSITION_2D, measured,
        np.tile(np.eye(2) * 0.01, (n, 1, 1)), np.zeros(4), np.eye(4),
    )
    plain = smooth(*arguments)
    robust = smooth(*arguments, wild_nis=9.0)
    assert robust.nis[30] > 100
    assert np.abs(robust.mean[30, 0]) < 0.25 * np.abs(plain.mean[30, 0])


def test_nothing_to_smooth() -> None:
    found = smooth(
        np.empty((0, 4, 4)), np.empty((0, 4, 4)), POSITION_2D, np.empty((0, 2)),
        np.empty((0, 2, 2)), np.zeros(4), np.eye(4),
    )
    assert found.mean.shape == (0, 4)
    assert found.nis.shape == (0,)
