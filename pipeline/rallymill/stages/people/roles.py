"""Who plays: the near and the far player among all people in sight.

Each tracklet gets a score a second for each half of the court: how often it is where players are,
how much it moves, whether it stands upright, and whether somebody stands still at the same place
in the match's other views, as line judges, ball kids and the umpire do. The player of a half is
the sequence of tracklets with the highest total, of which no two overlap in time and each can be
reached from the one before (weighted interval scheduling).

Places and weights are common practice, no source: players live within a few metres of the
baseline's middle, officials stand 4 m and more behind it or beside the net posts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rallymill.court import HALF_LENGTH_M
from rallymill.stages.people.config import PeopleConfig
from rallymill.stages.people.ground import View
from rallymill.stages.people.tracklets import Tracklet

Array = NDArray[np.float64]
STILL_M = 0.45
"""People whose place spreads less than this over a view stand still."""
SAME_PLACE_M = 0.7
STEP_S = 0.4
"""Displacements are taken over this time, so that the noise of a frame is not taken for motion."""


@dataclass(frozen=True)
class Habit:
    """What a tracklet does: its middle (x, y), spread, mean speed, height and duration."""

    middle_m: tuple[float, float]
    spread_m: float
    speed_mps: float
    tall_m: float
    duration_s: float

    @property
    def still(self) -> bool:
        """Whether the person stood still."""
        return self.spread_m < STILL_M


def habit(view: View, tracklet: Tracklet) -> Habit:
    """Habit of a tracklet, from medians so that single wild boxes do not count."""
    boxes = np.array(tracklet.boxes)
    ground = view.ground_m[boxes]
    times = view.t_s[view.step[boxes]]
    middle = np.median(ground, 0)
    spread = float(np.quantile(np.linalg.norm(ground - middle, axis=1), 0.9))
    noise = float(np.sqrt(np.median(np.trace(view.covariance_m2[boxes], axis1=1, axis2=2))))
    return Habit(
        (float(middle[0]), float(middle[1])),
        float(np.sqrt(max(spread**2 - 2 * noise**2, 0.0))),
        _speed(times, ground),
        float(np.median(view.tall_m[boxes])),
        float(times[-1] - times[0]),
    )


def _speed(times: Array, ground: Array) -> float:
    """Mean speed between means over windows of ``STEP_S``."""
    slot = np.floor((times - times[0]) / STEP_S).astype(int)
    slots = np.unique(slot)
    if len(slots) < 2:
        return 0.0
    means = np.array([np.r_[times[slot == s].mean(), ground[slot == s].mean(0)] for s in slots])
    lengths = np.linalg.norm(np.diff(means[:, 1:], axis=0), axis=1)
    return float(lengths.sum() / max(means[-1, 0] - means[0, 0], 1e-6))


def place_score(x_m: Array, depth_m: Array) -> Array:
    """How much a place (N,) speaks for a player: 1 where they live, falling to -4 away from it.

    ``depth_m`` is the distance from the net on the half in question, negative beyond the net.
    """
    aside = np.maximum(np.abs(x_m) - 4.5, 0.0) / 1.5
    behind = np.maximum(depth_m - (HALF_LENGTH_M + 2.5), 0.0) / 1.5
    beyond = np.maximum(0.3 - depth_m, 0.0) / 0.4
    at_post = np.maximum(np.abs(x_m) - 5.2, 0.0) * np.maximum(2.5 - depth_m, 0.0)
    return 1.0 - np.minimum(aside**2 / 2 + behind**2 / 2 + beyond**2 / 2 + at_post, 5.0)


def score(view: View, tracklet: Tracklet, found: Habit, sign: float, haunted: float) -> float:
    """Score a second of a tracklet for the half with y of this ``sign``.

    ``haunted`` is the share of the match's other views with somebody standing still at its place.
    """
    ground = view.ground_m[np.array(tracklet.boxes)]
    where = float(place_score(ground[:, 0], sign * ground[:, 1]).mean())
    # A shorter look says less about motion than the place does.
    moving = min(found.speed_mps / 0.8, 1.5) - (0.6 if found.still else 0.0)
    crouched = max(1.35 - found.tall_m, 0.0) + max(found.tall_m - 2.6, 0.0)
    return where + moving - 2.0 * crouched - (2.0 * haunted if found.still else 0.0)


def haunted_shares(habits: list[list[Habit]]) -> list[list[float]]:
    """For each tracklet of each view: share of other views with a still person at its place."""
    still = [(i, h.middle_m) for i, view in enumerate(habits) for h in view if h.still]
    owner = np.array([i for i, _ in still], dtype=np.int64)
    places = np.array([place for _, place in still], dtype=float).reshape(-1, 2)
    with_somebody = set(owner.tolist())
    shares = []
    for i, view in enumerate(habits):
        n_others = len(with_somebody) - (i in with_somebody)
        row = []
        for found in view:
            away = places - np.array(found.middle_m)
            near = owner[np.sqrt((away**2).sum(axis=1)) < SAME_PLACE_M]
            hits = len(set(near.tolist()) - {i})
            # Two views by chance are no habit yet.
            row.append(hits / (n_others + 2))
        shares.append(row)
    return shares


def choose(
    view: View, tracklets: list[Tracklet], scores: list[float], config: PeopleConfig
) -> list[int]:
    """Indices of the tracklets that together make the player of a half, in time order."""
    usable = [i for i, value in enumerate(scores) if value > config.min_role_score]
    first = {i: int(view.step[tracklets[i].boxes[0]]) for i in usable}
    last = {i: int(view.step[tracklets[i].boxes[-1]]) for i in usable}
    usable.sort(key=lambda i: last[i])
    best: dict[int, float] = {}
    before: dict[int, int | None] = {}
    for i in usable:
        own = scores[i] * (float(view.t_s[last[i]] - view.t_s[first[i]]) + 0.1)
        best[i], before[i] = own, None
        for j in usable:
            if j not in best or j == i or last[j] >= first[i]:
                continue
            if best[j] + own > best[i] and _reachable(view, tracklets[j], tracklets[i], config):
                best[i], before[i] = best[j] + own, j
    if not best:
        return []
    chosen: list[int] = []
    current: int | None = max(best, key=lambda i: best[i])
    while current is not None:
        chosen.append(current)
        current = before[current]
    return chosen[::-1]


def _reachable(view: View, earlier: Tracklet, later: Tracklet, config: PeopleConfig) -> bool:
    a, b = earlier.boxes[-1], later.boxes[0]
    gap = float(view.t_s[view.step[b]] - view.t_s[view.step[a]])
    away = float(np.linalg.norm(view.ground_m[b] - view.ground_m[a]))
    noise = float(np.sqrt(np.trace(view.covariance_m2[a]) + np.trace(view.covariance_m2[b])))
    return away - 3 * noise <= config.max_speed_mps * gap
