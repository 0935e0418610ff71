"""The ball's path in the picture: the best chain of candidates over a whole view.

Dynamic programming over pairs of successive candidates, so that the cost of the next one depends on
speed as well as place: a chain pays for departing from uniform motion up to what gravity and drag
can do, a fixed price for a kink (a contact), and for every moment without a candidate. It earns by
confidence. Chains may end and start anew. This is a Viterbi search with second-order states; it is
global, so that a false candidate that fits for a moment does not take the ball away.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from rallymill.stages.flight.candidates import Candidates

Array = NDArray[np.float64]
Indices = NDArray[np.int64]


@dataclass(frozen=True)
class PathCosts:
    """Prices of a chain; lengths in pixels of a picture 1280 wide."""

    kink: float = 5.0
    restart: float = 5.0
    missing_per_s: float = 6.0
    gap_s: float = 0.40
    speed_pxps: float = 3500.0
    acceleration_pxps2: float = 1200.0
    sigma_px: float = 1.2


@njit(cache=True)
def _search(slot, t, xy, earn, first, last, frame_t, n_back, speed, accel, sigma, kink, restart,  # type: ignore[no-untyped-def]
            missing):
    n = slot.shape[0]
    m = frame_t.shape[0]
    width = 1
    ring = 1
    for f in range(m):
        lo = first[max(f - n_back, 0)]
        width = max(width, first[f] - lo)
        ring = max(ring, last[f] - lo)
    # Scores are looked up as far back as a gap may be long, so a ring of rows holds them. What goes
    # before a pair is kept by its place in the window; -1 for a chain's start, -2 for no pair.
    score = np.full((ring, width), -1e18)
    back = np.full((n, width), -2, np.int32)
    single = np.full(n, -1e18)
    before = np.full(n, -1, np.int64)
    # done[f]: best total of chains finished at or before frame f, and its last pair.
    done = np.zeros(m + 1)
    done_j = np.full(m + 1, -1, np.int64)
    done_k = np.full(m + 1, -1, np.int64)
    at = 0
    for f in range(m):
        done[f + 1] = done[f]
        done_j[f + 1] = done_j[f]
        done_k[f + 1] = done_k[f]
        for j in range(first[f], last[f]):
            score[j % ring, :] = -1e18
            single[j] = done[f] + earn[j] - restart
            before[j] = f
            low = first[max(f - n_back, 0)]
            for i in range(low, first[f]):
                dt = t[j] - t[i]
                dx = xy[j, 0] - xy[i, 0]
                dy = xy[j, 1] - xy[i, 1]
                dist = np.sqrt(dx * dx + dy * dy)
                if dist > speed * dt + 3 * sigma:
                    continue
                skipped = f - slot[i] - 1
                step = earn[j] - missing * skipped
                best = single[i] + step
                arg = -1
                low_i = first[max(slot[i] - n_back, 0)]
                for h in range(low_i, first[slot[i]]):
                    k = h - low_i
                    if score[i % ring, k] < -1e17:
                        continue
                    old = t[i] - t[h]
                    ratio = dt / old
                    rx = dx - (xy[i, 0] - xy[h, 0]) * ratio
                    ry = dy - (xy[i, 1] - xy[h, 1]) * ratio
                    bend = 0.5 * accel * dt * (dt + old)
                    noise = sigma * sigma * (1 + (1 + ratio) ** 2 + ratio * ratio)
                    # Fast flights are streaks, and perspective brakes them: allow a share.
                    noise += 0.03 * dist * dist
                    cost = 0.5 * (rx * rx + ry * ry) / (noise + bend * bend)
                    if cost > kink:
                        cost = kink
                    value = score[i % ring, k] + step - cost
                    if value > best:
                        best = value
                        arg = k
                score[j % ring, i - low] = best
                back[j, i - low] = arg
                if best > done[f + 1]:
                    done[f + 1] = best
                    done_j[f + 1] = j
                    done_k[f + 1] = i
            at = max(at, j)
    # Trace back.
    chain = np.full(n, -1, np.int64)
    label = 0
    f = m
    while done_j[f] >= 0:
        j = done_j[f]
        i = done_k[f]
        while True:
            chain[j] = label
            low = first[max(slot[j] - n_back, 0)]
            k = back[j, i - low]
            if k < 0:
                chain[i] = label
                f = before[i]
                break
            j, i = i, first[max(slot[i] - n_back, 0)] + k
        label += 1
    return chain


def best_path(
    found: Candidates, frame_t_s: Array, earn: Array, costs: PathCosts, scale: float = 1.0
) -> tuple[Indices, Indices]:
    """Indices of the candidates on the best path, in time order, and the chain each belongs to.

    ``earn`` (N,) is what each candidate adds; ``frame_t_s`` (M,) are the times of all frames of the
    view; ``scale`` is the picture's width over 1280.
    """
    if len(found) < 2:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    m = len(frame_t_s)
    period = float(np.median(np.diff(frame_t_s)))
    first = np.searchsorted(found.slot, np.arange(m), side="left").astype(np.int64)
    last = np.searchsorted(found.slot, np.arange(m), side="right").astype(np.int64)
    n_back = max(3, round(costs.gap_s / period))
    chain = _search(
        found.slot, found.t_s, found.steady_px, np.asarray(earn, dtype=float), first, last,
        frame_t_s, n_back, costs.speed_pxps * scale, costs.acceleration_pxps2 * scale,
        costs.sigma_px * scale, costs.kink, costs.restart, costs.missing_per_s * period,
    )
    chosen = np.flatnonzero(chain >= 0)
    return chosen, chain[chosen]


def most_confident(found: Candidates) -> tuple[Indices, Indices]:
    """Indices of the most confident candidate of each frame, all in one chain; no path is sought.

    What the search over the whole view is measured against.
    """
    order = np.lexsort((-found.confidence, found.slot))
    first = np.ones(len(order), dtype=bool)
    first[1:] = np.diff(found.slot[order]) > 0
    chosen = np.sort(order[first]).astype(np.int64)
    return chosen, np.zeros(len(chosen), dtype=np.int64)
