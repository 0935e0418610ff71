"""Intervals of shares, and how sure something lies beyond a bound. Pure, and quick to import."""

from __future__ import annotations

from math import erf, sqrt
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[Any]

Z_95 = 1.959964
"""Standard deviations either side of the mean that hold 95 % of a normal distribution."""


def wilson(successes: ArrayLike, trials: ArrayLike) -> tuple[Array, Array]:
    """Wilson's 95 % interval of shares (N,) (Wilson 1927); 0 to 1 without trials."""
    k, n = np.asarray(successes, float), np.asarray(trials, float)
    square = Z_95 * Z_95
    centre = (k + square / 2) / (n + square)
    half = Z_95 * np.sqrt(k * (n - k) / np.maximum(n, 1.0) + square / 4) / (n + square)
    return np.clip(centre - half, 0.0, 1.0), np.clip(centre + half, 0.0, 1.0)


def exceeds(share: float, successes: int, trials: int) -> float:
    """Probability that a true share is above a bound: Beta posterior with a flat prior."""
    from scipy.special import betainc  # slow to import, and few need it

    return 1.0 - float(betainc(successes + 1, trials - successes + 1, share))


def above(value: float, bound: float, deviation: float) -> float:
    """Probability that a normal quantity measured as ``value`` exceeds a bound.

    0.5 if it was not measured (NaN); without a deviation (0 or NaN) it is as measured.
    """
    if value != value:
        return 0.5
    if not deviation > 0:
        return 1.0 if value > bound else 0.0
    return 0.5 * (1 + erf((value - bound) / (deviation * sqrt(2))))
