"""From the boxes of one person to a smooth path on the ground, frame by frame."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rallymill.smoothing import POSITION_2D, constant_velocity, smooth
from rallymill.stages.people.config import PeopleConfig
from rallymill.stages.people.ground import View
from rallymill.stages.people.tracklets import start_state

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Path:
    """A person's path over K frames of a view without a long gap.

    ``step`` (K,) indexes the view's frames, ``box`` (K,) its boxes with -1 where bridged,
    ``mean`` (K, 4) is (x, vx, y, vy), ``covariance`` (K, 4, 4), ``gap_s`` (K,) the time to the
    nearest observation.
    """

    step: NDArray[np.int64]
    box: NDArray[np.int64]
    mean: Array
    covariance: Array
    gap_s: Array


def paths(view: View, boxes: list[int], config: PeopleConfig) -> list[Path]:
    """Paths of a person whose boxes are given in time order; gaps above ``bridge_s`` cut them."""
    if not boxes:
        return []
    indices = np.array(boxes, dtype=np.int64)
    times = view.t_s[view.step[indices]]
    cuts = np.flatnonzero(np.diff(times) > config.bridge_s) + 1
    return [_path(view, part, config) for part in np.split(indices, cuts) if len(part)]


def _path(view: View, boxes: NDArray[np.int64], config: PeopleConfig) -> Path:
    step = np.arange(view.step[boxes[0]], view.step[boxes[-1]] + 1)
    box = np.full(len(step), -1, dtype=np.int64)
    box[view.step[boxes] - step[0]] = boxes
    seen = box >= 0
    measured = np.full((len(step), 2), np.nan)
    measured[seen] = view.ground_m[box[seen]]
    spread = np.tile(np.eye(2), (len(step), 1, 1))
    spread[seen] = view.covariance_m2[box[seen]]
    times = view.t_s[step]
    models = [
        constant_velocity(max(float(gap), 1e-6), config.manoeuvre_m2ps3)
        for gap in np.diff(times, prepend=times[0])
    ]
    start_mean, start_covariance = start_state(measured[0], spread[0], config)
    # The first measurement is used below, so it must not be in the prior as well.
    start_covariance[np.ix_([0, 2], [0, 2])] = np.eye(2) * 100.0
    found = smooth(
        np.array([model[0] for model in models]), np.array([model[1] for model in models]),
        POSITION_2D, measured, spread, start_mean[:, 0], start_covariance, config.wild_nis,
    )
    seen_s = times[seen]
    after = np.clip(np.searchsorted(seen_s, times), 0, len(seen_s) - 1)
    before = np.maximum(after - 1, 0)
    gap_s = np.minimum(np.abs(seen_s[after] - times), np.abs(times - seen_s[before]))
    return Path(step, box, found.mean, found.covariance, gap_s)
