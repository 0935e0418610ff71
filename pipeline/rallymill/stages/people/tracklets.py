"""From places on the ground to tracklets: boxes that follow each other without doubt.

Every tracklet carries a FilterPy Kalman filter in court metres (constant velocity with manoeuvre
noise). In each frame the boxes are assigned to the tracklets by least total distance
(:func:`scipy.optimize.linear_sum_assignment`) within a gate.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from filterpy.kalman import KalmanFilter
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from rallymill.smoothing import POSITION_2D, constant_velocity, inverse, update
from rallymill.stages.people.config import PeopleConfig
from rallymill.stages.people.ground import View, hop_shift

Array = NDArray[np.float64]
FAR = 1e6


@dataclass
class Tracklet:
    """Boxes of one person: indices into the view's boxes, in time order."""

    boxes: list[int] = field(default_factory=list)


@dataclass
class _Live:
    kalman: KalmanFilter
    tracklet: Tracklet
    seen_s: float
    tall_px: float


def link(view: View, config: PeopleConfig) -> list[Tracklet]:
    """Tracklets of a view, at least ``min_track_s`` long, in order of their first box."""
    live: list[_Live] = []
    done: list[Tracklet] = []
    order = np.argsort(view.step, kind="stable")
    bounds = np.searchsorted(view.step[order], np.arange(len(view.t_s) + 1))
    for step, now in enumerate(view.t_s):
        boxes = order[bounds[step] : bounds[step + 1]]
        if step:
            gap = float(now - view.t_s[step - 1])
            transition, noise = constant_velocity(max(gap, 1e-6), config.manoeuvre_m2ps3)
            for item in live:
                item.kalman.predict(F=transition, Q=noise)
        kept = [item for item in live if now - item.seen_s <= config.bridge_s]
        done += [item.tracklet for item in live if now - item.seen_s > config.bridge_s]
        live = kept
        if not len(boxes):
            continue
        taken = _assign(view, step, boxes, live, config)
        for item, box in taken:
            update(item.kalman, view.ground_m[box], view.covariance_m2[box], config.wild_nis)
            item.tracklet.boxes.append(int(box))
            item.seen_s = float(now)
            item.tall_px += 0.2 * (_tall_px(view, box) - item.tall_px)
        used = {int(box) for _, box in taken}
        for box in boxes:
            if int(box) not in used and view.confidence[box] >= config.start_confidence:
                live.append(_start(view, int(box), float(now), config))
    done += [item.tracklet for item in live]
    long = [
        tracklet for tracklet in done
        if _span_s(view, tracklet) >= config.min_track_s and len(tracklet.boxes) >= 3
    ]
    return sorted(long, key=lambda tracklet: (view.step[tracklet.boxes[0]], tracklet.boxes[0]))


def _tall_px(view: View, box: int) -> float:
    return float(view.box_px[box, 3] - view.box_px[box, 1])


def _span_s(view: View, tracklet: Tracklet) -> float:
    first, last = view.step[tracklet.boxes[0]], view.step[tracklet.boxes[-1]]
    return float(view.t_s[last] - view.t_s[first])


def _start(view: View, box: int, now: float, config: PeopleConfig) -> _Live:
    kalman = KalmanFilter(dim_x=4, dim_z=2)
    kalman.H = POSITION_2D
    kalman.inv = inverse
    kalman.x, kalman.P = start_state(view.ground_m[box], view.covariance_m2[box], config)
    return _Live(kalman, Tracklet([box]), now, _tall_px(view, box))


def start_state(
    ground_m: Array, covariance_m2: Array, config: PeopleConfig
) -> tuple[Array, Array]:
    """State (4, 1) and covariance (4, 4) of a person first seen at a place."""
    mean = np.array([[ground_m[0]], [0.0], [ground_m[1]], [0.0]])
    covariance = np.diag([0.0, config.start_speed_sd_mps**2] * 2)
    covariance[np.ix_([0, 2], [0, 2])] = covariance_m2
    return mean, covariance


def _assign(
    view: View, step: int, boxes: NDArray, live: list[_Live], config: PeopleConfig
) -> list[tuple[_Live, int]]:
    camera = view.cameras[step]
    if not live or camera is None:
        return []
    place = np.array([item.kalman.x[[0, 2], 0] for item in live])
    spread = np.array([POSITION_2D @ item.kalman.P @ POSITION_2D.T for item in live])
    hop = hop_shift(camera, place, config.hop_m)
    spread += hop[:, :, None] * hop[:, None, :]
    total = spread[:, None] + view.covariance_m2[boxes][None]
    away = view.ground_m[boxes][None] - place[:, None]
    distance = np.einsum("tbi,tbij,tbj->tb", away, inverse(total), away)
    tall = view.box_px[boxes, 3] - view.box_px[boxes, 1]
    usual = np.array([item.tall_px for item in live])
    # A person's box changes its height by strokes and crouching, hardly by more than half.
    misfit = (np.log(np.maximum(tall, 1.0)[None] / usual[:, None]) / 0.35) ** 2
    unseen_s = float(view.t_s[step]) - np.array([item.seen_s for item in live])
    noise = np.sqrt(total[..., 0, 0] + total[..., 1, 1])
    reach = config.max_speed_mps * np.maximum(unseen_s, 1e-3)[:, None] + 3 * noise
    possible = (distance <= config.gate_nis) & (np.linalg.norm(away, axis=2) <= reach)
    # log det keeps a long lost tracklet, to which everything is near, from taking it all.
    log_det = np.log(total[..., 0, 0] * total[..., 1, 1] - total[..., 0, 1] * total[..., 1, 0])
    value = distance + misfit + log_det - 2 * view.confidence[boxes][None]
    cost = np.where(possible, value, FAR)
    rows, columns = linear_sum_assignment(cost)
    return [
        (live[i], int(boxes[j])) for i, j in zip(rows, columns, strict=True) if cost[i, j] < FAR
    ]
