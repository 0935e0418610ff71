"""From what deviations say to how often flags are right: a monotone map of confidences.

A rule's own confidence comes from deviations and from how surely stroke and labels were read. What
no deviation knows of, a stroke that is misread altogether, the map adds: it was fitted to flags on
measured tables of simulated films for validation, each right where the same rules say the same on
exact truth. ``rallymill bench flags --fit --films 14 --seconds 45 --first-seed 100700`` fits it
anew (42 films, all levels of play).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

KNOTS = (0.0, 0.7, 0.8, 0.9, 0.95, 1.0)
"""A rule's own confidences between which the map is straight."""
SHARES = (0.0, 0.822, 0.913, 0.944, 0.976, 0.984)
"""How often flags are right there: ascending."""
PRIOR_COUNT = 10.0
"""So many flags that are right as often as they say are added to each knot of a fit."""
MOST = 0.98
"""No flags are right more often, whatever the deviations say: a stroke can be misread."""
LEAST_STEP = 0.002
"""Two knots differ by no less, so that a confidence can be taken back to a rule's own."""


def calibrated(confidence: float) -> float:
    """How often a flag of a rule's own confidence is right."""
    return float(np.interp(confidence, KNOTS, SHARES))


def own(confidence: float) -> float:
    """A rule's own confidence of a calibrated one."""
    return float(np.interp(confidence, SHARES, KNOTS))


def fit(judged: Sequence[tuple[float, bool]]) -> tuple[float, ...]:
    """Shares at the knots from flags' own confidences and whether each was right.

    A flag counts for the two knots beside it in proportion; neighbours that would descend are
    pooled (Ayer and others 1955).
    """
    given = np.array([confidence for confidence, _ in judged], dtype=float)
    right = np.array([ok for _, ok in judged], dtype=float)
    knots = np.array(KNOTS)
    # Row of the identity interpolated: what each flag weighs at each knot.
    weight = np.array([np.interp(given, knots, row) for row in np.eye(len(knots))])
    count = weight.sum(axis=1) + PRIOR_COUNT
    share = (weight @ right + PRIOR_COUNT * knots) / count
    share[0] = 0.0
    rising = _pooled(share[1:], count[1:])
    steps = LEAST_STEP * np.arange(len(rising))
    spread = np.minimum(rising, MOST) + steps - steps.mean()
    return (0.0, *(round(float(value), 3) for value in spread))


def _pooled(values: Array, weights: Array) -> Array:
    """Ascending values (N,) nearest to given ones by weighted squares."""
    blocks: list[tuple[float, float, int]] = []
    for value, weight in zip(values.tolist(), weights.tolist(), strict=True):
        block = (value, weight, 1)
        while blocks and blocks[-1][0] >= block[0]:
            before = blocks.pop()
            total = before[1] + block[1]
            mean = (before[0] * before[1] + block[0] * block[1]) / total
            block = (mean, total, before[2] + block[2])
        blocks.append(block)
    return np.array([value for value, _, n in blocks for _ in range(n)])
