"""One-to-one pairing of what was found with what is true."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import linear_sum_assignment

Pairs = NDArray[np.int64]


def by_time(
    found_s: ArrayLike,
    true_s: ArrayLike,
    tolerance_s: float,
    found_label: ArrayLike | None = None,
    true_label: ArrayLike | None = None,
) -> Pairs:
    """Pairs (found, true), shape (N, 2), as many as possible and then as close as possible.

    A pair must lie within the tolerance and, where labels are given, carry the same label. Each
    index stands in one pair at most.
    """
    found, true = np.asarray(found_s, dtype=float), np.asarray(true_s, dtype=float)
    if not len(found) or not len(true):
        return np.zeros((0, 2), dtype=np.int64)
    apart = np.abs(found[:, None] - true[None, :])
    allowed = apart <= tolerance_s + 1e-6
    if found_label is not None and true_label is not None:
        allowed &= np.asarray(found_label)[:, None] == np.asarray(true_label)[None, :]
    return _assign(np.where(allowed, apart / max(tolerance_s, 1e-9), np.inf))


def by_overlap(found_spans: ArrayLike, true_spans: ArrayLike) -> Pairs:
    """Pairs (found, true), shape (N, 2), of spans (M, 2) that overlap, by the greatest overlap."""
    found = np.asarray(found_spans, dtype=float).reshape(-1, 2)
    true = np.asarray(true_spans, dtype=float).reshape(-1, 2)
    if not len(found) or not len(true):
        return np.zeros((0, 2), dtype=np.int64)
    shared = overlap_s(found, true)
    # The most shared time wins, whatever the number of pairs: costs are below the price of none.
    return _assign(np.where(shared >= 0, -shared, np.inf), price_of_none=0.0)


def overlap_s(found: NDArray[np.float64], true: NDArray[np.float64]) -> NDArray[np.float64]:
    """Shared seconds (N, M) of spans (N, 2) and (M, 2); negative: the gap between them."""
    start = np.maximum(found[:, None, 0], true[None, :, 0])
    return np.minimum(found[:, None, 1], true[None, :, 1]) - start


def _assign(cost: NDArray[np.float64], price_of_none: float = 1e4) -> Pairs:
    """Cheapest assignment over the finite costs; a pair that is not allowed is never returned."""
    filled = np.where(np.isfinite(cost), cost, price_of_none)
    rows, columns = linear_sum_assignment(filled)
    keep = np.isfinite(cost[rows, columns])
    return np.column_stack([rows[keep], columns[keep]]).astype(np.int64)
