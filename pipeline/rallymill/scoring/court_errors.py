"""How far found cameras are from the true ones, in the picture and in metres on the court.

Everything is measured at points whose true image lies within the picture, in frames in which both
a found and a true camera stand. Pixels are scaled to a picture 720 high.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rallymill import court
from rallymill.camera import Camera, from_matrix
from rallymill.camera_spread import ground_covariance, unpack

Array = NDArray[np.float64]

REFERENCE_HEIGHT_PX = 720
BASELINE_X_M = (-court.HALF_DOUBLES_M, -court.HALF_SINGLES_M, 0.0, court.HALF_SINGLES_M,
                court.HALF_DOUBLES_M)
HEIGHT_M = 1.0
WRONG_PX = 20.0
"""A camera whose court points are further off than this, in the median, is a wrong one."""


def _none() -> Array:
    return np.zeros(0)


@dataclass(frozen=True)
class CourtErrors:
    """Errors of the cameras of one recording or of several.

    ``reprojection_px`` of the named ground points, ``near_m`` and ``far_m`` on the ground at the
    baselines, ``height_m`` of a point 1 m above the baselines, ``normalised`` ground errors divided
    by their stated deviations; ``frame_px`` is each frame's median reprojection error.
    """

    reprojection_px: Array
    near_m: Array
    far_m: Array
    height_m: Array
    normalised: Array
    frame_px: Array

    @staticmethod
    def none() -> CourtErrors:
        """No errors, since nothing was compared."""
        return CourtErrors(*(_none() for _ in fields(CourtErrors)))

    def __add__(self, other: CourtErrors) -> CourtErrors:
        """Errors of both."""
        return CourtErrors(*(
            np.concatenate([getattr(self, one.name), getattr(other, one.name)])
            for one in fields(CourtErrors)
        ))


def camera_of(row: Mapping[Any, Any], suffix: str = "") -> Camera | None:
    """Camera of a row of the frames table, None where there is none."""
    matrix = row["camera" + suffix]
    if matrix is None:
        return None
    k1 = row["k1" + suffix]
    try:
        return from_matrix(
            np.asarray(matrix, dtype=float), int(row["width_px" + suffix]),
            int(row["height_px" + suffix]),
            0.0 if k1 is None or not np.isfinite(k1) else float(k1),
        )
    except ValueError:
        return None


def seen_points(true: Camera, points_m: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Images (N, 2) of points (N, 3) and whether they lie within the picture."""
    image = true.project(points_m)
    with np.errstate(invalid="ignore"):
        inside = (image >= 0).all(1) & (image <= [true.width_px - 1, true.height_px - 1]).all(1)
    return image, np.asarray(inside)


def whitened(off_m: Array, covariance: Array) -> Array:
    """Errors (N, 2) in deviations of their covariances (N, 2, 2), shape (2 N,).

    Their mean square is 1 where the covariances are true.
    """
    sure = np.isfinite(off_m).all(1) & np.isfinite(covariance).all((1, 2))
    root = np.linalg.cholesky(covariance[sure] + 1e-12 * np.eye(2))
    return np.asarray(np.linalg.solve(root, off_m[sure][:, :, None]).ravel())


def _baseline(sign: float) -> Array:
    return np.array([[x, sign * court.HALF_LENGTH_M, 0.0] for x in BASELINE_X_M])


def frame_errors(found: Camera, true: Camera, covariance: Array | None) -> CourtErrors:
    """Errors of one frame's camera, whose unknowns have a stated ``covariance`` (8, 8)."""
    ground = np.array([p for p in court.named_points().values() if p[2] == 0])
    image, inside = seen_points(true, ground)
    apart = np.linalg.norm(found.project(ground) - image, axis=1)[inside]
    apart = np.where(np.isfinite(apart), apart, np.inf) * REFERENCE_HEIGHT_PX / true.height_px
    parts = {}
    heights = []
    normalised = [_none()]
    for name, sign in (("near", -1.0), ("far", 1.0)):
        points = _baseline(sign)
        image, inside = seen_points(true, points)
        placed = found.ground(image[inside])
        off = (placed - points[inside])[:, :2]
        distance = np.linalg.norm(off, axis=1)
        parts[name] = np.where(np.isfinite(distance), distance, np.inf)
        if covariance is not None:
            normalised.append(whitened(off, ground_covariance(found, covariance, points[inside])))
        above, both = seen_points(true, points + [0, 0, HEIGHT_M])
        both &= inside
        rise = np.abs(found.height_above(points[both], above[both]) - HEIGHT_M)
        heights.append(np.where(np.isfinite(rise), rise, np.inf))
    middle = np.array([np.median(apart)]) if len(apart) else _none()
    return CourtErrors(
        apart, parts["near"], parts["far"], np.concatenate(heights), np.concatenate(normalised),
        middle,
    )


def court_errors(found: pd.DataFrame, true: pd.DataFrame) -> CourtErrors:
    """Errors over all frames that both frames tables have a camera for."""
    total = [CourtErrors.none()]
    both = found[found["court_status"] != "lost"].merge(true, on="frame", suffixes=("", "_true"))
    for row in both.to_dict("records"):
        one, two = camera_of(row), camera_of(row, "_true")
        if one is None or two is None:
            continue
        stated = row.get("camera_covariance")
        total.append(frame_errors(one, two, None if stated is None else unpack(stated)))
    return CourtErrors(*(
        np.concatenate([getattr(one, part.name) for one in total]) for part in fields(CourtErrors)
    ))


def boundaries(views: pd.DataFrame) -> NDArray[np.int64]:
    """First frames of all spans but the first, in order."""
    return np.sort(views["first_frame"].to_numpy(np.int64))[1:]


def near_one(wanted: NDArray[np.int64], given: NDArray[np.int64], reach: int) -> int:
    """How many of the wanted frames have a given one at most ``reach`` frames away."""
    if not len(given):
        return 0
    return int(sum(np.abs(given - frame).min() <= reach for frame in wanted))


def labelled(views: pd.DataFrame, *labels: str) -> set[int]:
    """Frames of the spans with one of these labels."""
    rows = views[views["label"].isin(labels)]
    frames: set[int] = set()
    for first, last in rows[["first_frame", "last_frame"]].to_numpy(dtype=int):
        frames.update(range(first, last + 1))
    return frames


def replays_as_play(found: pd.DataFrame, true: pd.DataFrame, reach: int = 3) -> tuple[int, int]:
    """True replays of which more than ``reach`` frames are called main, and all true replays."""
    main = labelled(found, "main")
    replays = true[true["label"] == "replay"][["first_frame", "last_frame"]].to_numpy(dtype=int)
    taken = sum(
        len(main & set(range(first, last + 1))) > reach for first, last in replays
    )
    return int(taken), len(replays)
