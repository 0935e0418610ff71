"""Which candidates belong to fitted flights."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rallymill import flight
from rallymill.flightfit import rally
from rallymill.stages.flight import trust
from rallymill.stages.flight.candidates import Candidates, Picture

Array = NDArray[np.float64]


def take_up(
    fit: rally.RallyFit, everything: Candidates, view: Picture, gate_px: float, floor_px: float,
    streak: float,
) -> tuple[Candidates, Array]:
    """Candidates nearest to the fitted flights, at most one a frame, and their deviations.

    Fitted flights tell better than the image path alone which candidate is the ball.
    """
    chosen: list[int] = []
    sigma: list[float] = []
    for i in range(len(fit.velocity)):
        low = np.searchsorted(everything.t_s, fit.time_s[i])
        high = np.searchsorted(everything.t_s, fit.time_s[i + 1])
        if high <= low:
            continue
        times, where = np.unique(everything.t_s[low:high], return_inverse=True)
        start = np.concatenate([fit.place[i], fit.velocity[i]])
        path = flight.states(start, fit.spin[i], times - fit.time_s[i])
        matrix = view.matrix[everything.slot[low:high]]
        state = path[where]
        h = np.einsum("nij,nj->ni", matrix[:, :, :3], state[:, :3]) + matrix[:, :, 3]
        ahead = h + np.einsum("nij,nj->ni", matrix[:, :, :3], state[:, 3:]) * view.period_s
        image = h[:, :2] / h[:, 2:]
        step = np.linalg.norm(ahead[:, :2] / ahead[:, 2:] - image, axis=1)
        off = np.linalg.norm(everything.image_px[low:high] - image, axis=1)
        spread = np.hypot(floor_px, streak * step)
        # Of two that lie near, the one that is more likely the ball; a faint one must lie nearer.
        odd = 0.5 * (off / spread) ** 2 - trust.log_odds(everything.confidence[low:high])
        loose = trust.looseness(everything.confidence[low:high])
        gate = np.hypot(gate_px, 3 * spread) / loose
        odd[off > gate] = np.inf
        for frame in range(len(times)):
            rows = np.flatnonzero(where == frame)
            best = rows[np.argmin(odd[rows])]
            if off[best] <= gate[best]:
                chosen.append(int(low + best))
                sigma.append(float(spread[best] * loose[best]))
    order = np.argsort(chosen, kind="stable")
    return everything.take(np.array(chosen, dtype=np.int64)[order]), np.array(sigma)[order]


def with_tail(
    points: Candidates, sigma: Array, path: Candidates, path_sigma: Array
) -> tuple[Candidates, Array]:
    """Points taken up, and the path's own points after them."""
    if not len(points):
        return points, sigma
    tail = path.t_s > points.t_s[-1] + 1e-6
    joined = Candidates(*(
        np.concatenate([getattr(points, name), getattr(path, name)[tail]])
        for name in ("slot", "t_s", "image_px", "steady_px", "confidence", "box_px")
    ))
    return joined, np.concatenate([sigma, path_sigma[tail]])
