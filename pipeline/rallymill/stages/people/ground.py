"""From boxes to places on the ground, with their uncertainty.

A person stands where the bottom middle of the box meets the ground. That point is biased: the
bottom edge is the shoe nearest to the camera, while a body's middle is some 0.1 to 0.2 m behind it,
and a person in the air seems further away by h D / (H - h) for a foot at height h, a camera at
height H and a distance D.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rallymill.camera import Camera
from rallymill.stages.cameras import cameras_of, covariances_of
from rallymill.stages.people.config import PeopleConfig

logger = logging.getLogger(__name__)

Array = NDArray[np.float64]

HEIGHT_BOXES = 30
"""Boxes from which the usual height of people is told."""
HEIGHT_WITHIN_M = (8.0, 16.0)
"""Only people this near to the middle of the net count, across and along the court."""


@dataclass(frozen=True)
class View:
    """The frames of one main-camera span and the people's boxes in them.

    ``frames`` (F,), ``t_s`` (F,), ``cameras`` (F) with None while the court is lost,
    ``camera_sd_m`` (F,) the ground uncertainty that the camera brings, ``height_px`` of the
    picture. For each of B boxes: ``step`` (B,) the index of its frame, ``box_px`` (B, 4) as
    x1 y1 x2 y2, ``confidence`` (B,), ``foot_px`` (B, 2), ``ground_m`` (B, 2),
    ``covariance_m2`` (B, 2, 2), ``tall_m`` (B,) the height of the person in metres,
    ``cut`` (B,) whether the feet are below the picture and ``airborne`` (B,) how likely they are
    off the ground, NaN where nobody looked.
    """

    view_id: int
    frames: NDArray[np.int64]
    t_s: Array
    cameras: Sequence[Camera | None]
    camera_sd_m: Array
    camera_covariances: Sequence[Array | None]
    height_px: int
    step: NDArray[np.int64]
    box_px: Array
    confidence: Array
    foot_px: Array
    ground_m: Array
    covariance_m2: Array
    tall_m: Array
    cut: NDArray[np.bool_]
    airborne: Array


def believable(view: View, config: PeopleConfig) -> bool:
    """Whether people on a view's court are as tall as people are, as far as can be told."""
    tall_m = usual_height_m(view)
    if tall_m is None or config.shortest_m <= tall_m <= config.tallest_m:
        return True
    logger.warning(
        "view %d: people would be %.1f m tall, so its court is taken for wrong and nobody "
        "is placed on it", view.view_id, tall_m,
    )
    return False


def usual_height_m(view: View) -> float | None:
    """Median height of the people on and about the court; None where too few are seen whole.

    It tells a court that is found on wrong lines: half as large, everybody is half as tall.
    """
    near = (np.abs(view.ground_m) <= [HEIGHT_WITHIN_M[0], HEIGHT_WITHIN_M[1]]).all(axis=1)
    sure = near & ~view.cut & (view.confidence >= 0.4) & np.isfinite(view.tall_m)
    if sure.sum() < HEIGHT_BOXES:
        return None
    return float(np.median(view.tall_m[sure]))


def view_of(rows: pd.DataFrame, detections: pd.DataFrame, config: PeopleConfig) -> View:
    """A view with every usable box placed on the ground.

    ``rows`` are those of the view in the frames table, ``detections`` those of its frames, both in
    order of frames. Boxes in frames without a camera, above the horizon or outside the area are
    left out.
    """
    boxes = detections[
        (detections["label"] == "player") & (detections["confidence"] >= config.min_confidence)
    ]
    numbers = boxes["frame"].to_numpy(np.int64)
    edges = np.flatnonzero(np.diff(numbers, prepend=-1, append=-1))
    names = ["x1_px", "y1_px", "x2_px", "y2_px", "confidence", "airborne"]
    columns = boxes[names].to_numpy(float)
    by_frame = {int(numbers[a]): columns[a:b] for a, b in pairwise(edges)}
    cameras = cameras_of(rows)
    height_px = int(rows["height_px"].iloc[0] or 720)
    steps_s = np.diff(rows["t_s"].to_numpy(float))
    step_s = float(np.median(steps_s)) if len(steps_s) else 0.04
    parts: list[dict[str, Array]] = []
    for step, (frame, camera) in enumerate(zip(rows["frame"], cameras, strict=True)):
        group = by_frame.get(int(frame))
        if group is None or camera is None:
            continue
        box = group[:, :4]
        placed = place(camera, box, height_px, max(step_s, 1e-3), config)
        inside = (
            np.isfinite(placed["ground_m"]).all(1)
            & (np.abs(placed["ground_m"][:, 0]) <= config.half_width_m)
            & (np.abs(placed["ground_m"][:, 1]) <= config.half_length_m)
        )
        placed["box_px"] = box
        placed["confidence"] = group[:, 4]
        placed["airborne"] = group[:, 5]
        placed["step"] = np.full(len(box), step)
        parts.append({name: values[inside] for name, values in placed.items()})
    shapes: dict[str, tuple[int, ...]] = {
        "step": (0,), "box_px": (0, 4), "confidence": (0,), "foot_px": (0, 2), "ground_m": (0, 2),
        "covariance_m2": (0, 2, 2), "tall_m": (0,), "cut": (0,),
        "airborne": (0,),
    }
    merged = {
        name: np.concatenate([np.empty(shape), *(part[name] for part in parts)])
        for name, shape in shapes.items()
    }
    return View(
        view_id=int(rows["view_id"].iloc[0]),
        frames=rows["frame"].to_numpy(np.int64),
        t_s=rows["t_s"].to_numpy(float),
        cameras=cameras,
        camera_sd_m=rows["position_sd_m"].fillna(0.0).to_numpy(float),
        camera_covariances=covariances_of(rows),
        height_px=height_px,
        step=merged["step"].astype(np.int64),
        box_px=merged["box_px"],
        confidence=merged["confidence"],
        foot_px=merged["foot_px"],
        ground_m=merged["ground_m"],
        covariance_m2=merged["covariance_m2"],
        tall_m=merged["tall_m"],
        cut=merged["cut"].astype(bool),
        airborne=merged["airborne"],
    )


def place(
    camera: Camera, box_px: Array, height_px: int, step_s: float, config: PeopleConfig
) -> dict[str, NDArray]:
    """Foot points, ground points, covariances and heights of boxes (B, 4).

    The covariance of the ground point is J diag(sd^2) J', J being the derivative of the ground
    point by the image point. A box wider than a body holds a racket or an arm on a side that
    cannot be told, so its middle is worth less; and since it stays so for longer than the time
    ``step_s`` between frames, its variance is raised to that of white noise of the same weight.
    The ground point is moved away from the camera by ``near_foot_m`` or ``far_foot_m``: players
    face the net.
    """
    foot = np.column_stack([(box_px[:, 0] + box_px[:, 2]) / 2, box_px[:, 3]])
    tall_px = box_px[:, 3] - box_px[:, 1]
    cut = box_px[:, 3] >= height_px * (1 - config.cut_share) - 1
    sd = config.foot_sd_px * height_px / 720 + config.foot_sd_share * tall_px
    down_sd = np.where(cut, sd + 0.15 * tall_px, sd)  # where the head tells no better
    body_px = config.body_width_m * camera.pixels_per_metre(camera.ground(foot))
    spare_px = box_px[:, 2] - box_px[:, 0] - body_px
    lasting = np.sqrt(max(1.0, 2 * config.reach_s / step_s))
    across_sd = np.hypot(sd, 0.4 * np.maximum(spare_px, 0.0) * lasting)
    # Where the picture's side cuts the box, the other side tells where the body is.
    left = (box_px[:, 0] < 1.0) & (spare_px < 0)
    right = (box_px[:, 2] > camera.width_px - 2.0) & (spare_px < 0)
    foot[left, 0] = (box_px[:, 2] - body_px / 2)[left]
    foot[right, 0] = (box_px[:, 0] + body_px / 2)[right]
    across_sd = np.where(left | right, np.hypot(across_sd, 0.25 * body_px), across_sd)
    corners = foot + np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])[:, None]
    ground = camera.ground(corners)[..., :2]
    jacobian = np.stack([ground[1] - ground[0], ground[2] - ground[0]], axis=-1)
    scaled = jacobian * np.stack([across_sd, down_sd], axis=-1)[:, None, :]
    away = ground[0] - camera.centre_m[:2]
    away = away / np.maximum(np.linalg.norm(away, axis=1, keepdims=True), 1e-9)
    forward = np.where(ground[0][:, 1] < 0, config.near_foot_m, config.far_foot_m)
    head = np.column_stack([foot[:, 0], box_px[:, 1]])
    place_m = ground[0] + forward[:, None] * away
    covariance = scaled @ scaled.transpose(0, 2, 1)
    if cut.any():
        _stand_below(camera, head, across_sd, cut, place_m, covariance, config)
        foot[cut] = camera.project(np.column_stack([place_m[cut], np.zeros(cut.sum())]))
    return {
        "foot_px": foot,
        "ground_m": place_m,
        "covariance_m2": covariance,
        "tall_m": camera.height_above(ground[0], head),
        "cut": cut,
    }


def _stand_below(
    camera: Camera, head_px: Array, across_sd: Array, cut: NDArray[np.bool_], place_m: Array,
    covariance_m2: Array, config: PeopleConfig,
) -> None:
    """Place people whose feet are below the picture by their heads, in place.

    The height of the head is ``head_m`` with ``head_sd_m``. Feet below the picture are nearer to
    the camera than its lower edge shows; where the head says otherwise, or the camera is no higher
    than the head, the place stays that of the edge.
    """
    ground = camera.ground(head_px, config.head_m)[:, :2]
    higher = camera.ground(head_px, config.head_m + config.head_sd_m)[:, :2]
    beside = camera.ground(head_px + np.array([1.0, 0.0]), config.head_m)[:, :2]
    known = cut & np.isfinite(ground).all(1) & np.isfinite(higher).all(1)
    along = (higher - ground)[known]
    across = ((beside - ground) * across_sd[:, None])[known]
    nearer = known & (
        np.linalg.norm(ground - camera.centre_m[:2], axis=1)
        < np.linalg.norm(place_m - camera.centre_m[:2], axis=1)
    )
    place_m[nearer] = ground[nearer]
    covariance_m2[known] = (
        along[:, :, None] * along[:, None, :] + across[:, :, None] * across[:, None, :]
    )


def hop_shift(camera: Camera, ground_m: Array, hop_m: float) -> Array:
    """How far ground points (N, 2) seem to move when the feet are ``hop_m`` off the ground."""
    lifted = np.column_stack([ground_m, np.full(len(ground_m), hop_m)])
    return camera.ground(camera.project(lifted))[:, :2] - ground_m
