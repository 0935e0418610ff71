"""Measures per frame: the court, the ball and the players.

Pixels are scaled by 720 / picture height throughout, so that a figure means the same at any size.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rallymill import court
from rallymill.camera import from_matrix
from rallymill.scoring.clip import Clip, inside
from rallymill.scoring.rows import Errors, NotMeasured, Share, Tally

Array = NDArray[np.float64]

BALL_GATE_PX = 5.0
REFERENCE_HEIGHT_PX = 720


def project(matrix: Array, k1: float, width_px: int, height_px: int, points_m: Array) -> Array:
    """Image points (N, 2) of court points (N, 3) by a projection matrix (12 numbers).

    Points behind the camera, and all points of a matrix that is no camera's, come back as NaN.
    """
    if k1:
        try:
            return from_matrix(matrix, width_px, height_px, k1).project(points_m)
        except ValueError:
            return np.full((len(points_m), 2), np.nan)
    local = np.column_stack([points_m, np.ones(len(points_m))]) @ matrix.reshape(3, 4).T
    # The sign of P is free; the middle of the court lies in front of the camera.
    if matrix[11] < 0:
        local = -local
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(local[:, 2:] > 1e-9, local[:, :2] / local[:, 2:], np.nan)


def reprojection_px(found: pd.DataFrame, true: pd.DataFrame) -> Errors:
    """Distance between the named ground points of the court as both cameras see them.

    Takes rows of ``frames`` with the same frame number; only points that the true camera sees
    within the picture count. A point that the found camera cannot see has an infinite error.
    """
    ground = np.array([p for p in court.named_points().values() if p[2] == 0])
    both = found.merge(true, on="frame", suffixes=("", "_true"))
    errors = [np.zeros(0)]
    for row in both.to_dict("records"):
        if row["camera"] is None or row["camera_true"] is None:
            continue
        if row["court_status"] == "lost":
            continue
        width, height = int(row["width_px_true"]), int(row["height_px_true"])
        seen = project(
            np.asarray(row["camera_true"], dtype=float),
            _or_zero(row["k1_true"]),
            width,
            height,
            ground,
        )
        inner = (
            (seen[:, 0] >= 0)
            & (seen[:, 0] <= width - 1)
            & (seen[:, 1] >= 0)
            & (seen[:, 1] <= height - 1)
        )
        placed = project(
            np.asarray(row["camera"], dtype=float), _or_zero(row["k1"]), width, height, ground
        )
        apart = np.hypot(*(placed - seen)[inner].T) * REFERENCE_HEIGHT_PX / height
        errors.append(np.where(np.isfinite(apart), apart, np.inf))
    return Errors(np.concatenate(errors))


def _or_zero(value: float | None) -> float:
    return 0.0 if value is None or not np.isfinite(value) else float(value)


def court_error(clip: Clip) -> Errors | NotMeasured:
    """Reprojection error of the ground points in view, over frames whose court was found."""
    tables = clip.frames_of("frames")
    if isinstance(tables, str):
        return NotMeasured(tables)
    return reprojection_px(*tables)


def _found_frames(found: pd.DataFrame) -> set[int]:
    placed = found[(found["court_status"] != "lost") & found["camera"].notna()]
    return set(placed["frame"])


def court_found(clip: Clip) -> Share | NotMeasured:
    """Share of true main-camera frames in which a court was found."""
    tables = clip.frames_of("frames")
    if isinstance(tables, str):
        return NotMeasured(tables)
    found, true = tables
    return Share(len(_found_frames(found) & set(true["frame"])), len(true))


def court_false(clip: Clip) -> Share | NotMeasured:
    """Share of frames of other views (other, replay, graphic) in which a court was found."""
    tables = clip.frames_of("frames")
    if isinstance(tables, str):
        return NotMeasured(tables)
    if "views" not in clip.truth:
        return NotMeasured(clip.missing.get("truth views", "no truth table views"))
    found, true = tables
    views = clip.truth["views"].to_pandas()
    other = _frame_set(views[~views["label"].isin(["main", "unreadable"])]) - set(true["frame"])
    return Share(len(_found_frames(found) & other), len(other))


def _ball(clip: Clip) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame] | str:
    """Observed found balls, true balls, and true main frames with ``in_play`` and ``scale``."""
    tables = clip.frames_of("tracks")
    if isinstance(tables, str):
        return tables
    if "frames" not in clip.truth:
        return clip.missing.get("truth frames", "no truth table frames")
    found, true = (table[table["role"] == "ball"] for table in tables)
    found = found[found["observed"] & found["u_px"].notna() & found["v_px"].notna()]
    frames = clip.truth["frames"].to_pandas()[["frame", "t_s", "height_px"]].copy()
    if "points" in clip.truth:
        spans = clip.truth["points"].to_pandas()[["start_s", "end_s"]].to_numpy(dtype=float)
        frames["in_play"] = inside(frames["t_s"].to_numpy(dtype=float), spans)
    else:
        frames["in_play"] = True
    frames["scale"] = REFERENCE_HEIGHT_PX / frames["height_px"].fillna(REFERENCE_HEIGHT_PX)
    return found, true, frames


def _visible(true: pd.DataFrame) -> pd.DataFrame:
    """True rows that can be seen; truth that says nothing of visibility is taken as visible."""
    return true[true["visible"].map(lambda seen: seen is None or bool(seen)).astype(bool)]


def match_ball(
    found: pd.DataFrame, true: pd.DataFrame, frames: pd.DataFrame, gate_px: float = BALL_GATE_PX
) -> Tally:
    """Tally of observed ball rows on frames in which the ball is visible and in play.

    A found ball within ``gate_px`` (times picture height / 720) of the true one is right. Farther
    away it is false, and the true one is missed as well. Bridged rows claim no sight of the ball:
    they are no predictions, and a visible ball with nothing but a bridged row is missed.
    """
    visible = _visible(true)[["frame", "u_px", "v_px"]]
    visible = visible.merge(frames[frames["in_play"]][["frame", "scale"]], on="frame")
    pairs = visible.merge(found[["frame", "u_px", "v_px"]], on="frame", suffixes=("", "_found"))
    apart = np.hypot(pairs["u_px"] - pairs["u_px_found"], pairs["v_px"] - pairs["v_px_found"])
    right = pairs.loc[apart * pairs["scale"] <= gate_px, "frame"].nunique()
    return Tally(right, len(pairs) - right, len(visible) - right)


def ball_seen(clip: Clip) -> Tally | NotMeasured:
    """Tally of :func:`match_ball` for a clip."""
    found = _ball(clip)
    return NotMeasured(found) if isinstance(found, str) else match_ball(*found)


def ball_boxes(clip: Clip) -> Tally | NotMeasured:
    """Visible balls in play with a ball box of the detector whose middle is within the gate.

    Tells what the tracker had to work with; ``false`` stays 0, since many boxes may stand in a
    frame and the tracker chooses.
    """
    parts = _ball(clip)
    if isinstance(parts, str):
        return NotMeasured(parts)
    if "detections" not in clip.predicted:
        return NotMeasured(clip.missing.get("predicted detections", "no predicted detections"))
    _, true, frames = parts
    boxes = clip.predicted["detections"].to_pandas()
    boxes = boxes[boxes["label"] == "ball"]
    middles = pd.DataFrame({
        "frame": boxes["frame"], "u_px": (boxes["x1_px"] + boxes["x2_px"]) / 2,
        "v_px": (boxes["y1_px"] + boxes["y2_px"]) / 2,
    })
    tally = match_ball(middles, true, frames)
    return Tally(tally.right, 0, tally.missed)


def main_frames(clip: Clip) -> Share | NotMeasured:
    """Share of frames that are rightly called main view or not; an unlabelled frame is not main."""
    tables = clip.frames_of("views")
    if isinstance(tables, str):
        return NotMeasured(tables)
    found, true = tables
    main = [_frame_set(table[table["label"] == "main"]) for table in (found, true)]
    known = _frame_set(true)
    return Share(len(known) - len(known & (main[0] ^ main[1])), len(known))


def _frame_set(views: pd.DataFrame) -> set[int]:
    frames: set[int] = set()
    for first, last in views[["first_frame", "last_frame"]].to_numpy(dtype=int):
        frames.update(range(first, last + 1))
    return frames


def ball_where_hidden(clip: Clip) -> Share | NotMeasured:
    """Share of main-camera frames without a visible ball in which one is said to be observed."""
    parts = _ball(clip)
    if isinstance(parts, str):
        return NotMeasured(parts)
    found, true, frames = parts
    hidden = set(frames["frame"]) - set(_visible(true)["frame"])
    return Share(len(hidden & set(found["frame"])), len(hidden))


def ground_errors_m(found: pd.DataFrame, true: pd.DataFrame, role: str) -> Errors:
    """Distance on the ground between a player's found and true place in the same frames.

    Frames in which truth says that the player cannot be seen do not count.
    """
    columns = ["frame", "x_m", "y_m"]
    wanted = _visible(true[(true["role"] == role) & true["x_m"].notna()])[columns]
    given = found[(found["role"] == role) & found["x_m"].notna() & found["y_m"].notna()][columns]
    pairs = wanted.merge(given.drop_duplicates("frame"), on="frame", suffixes=("", "_found"))
    step = pairs[["x_m", "y_m"]].to_numpy(dtype=float)
    step = step - pairs[["x_m_found", "y_m_found"]].to_numpy(dtype=float)
    return Errors(np.hypot(step[:, 0], step[:, 1]), len(wanted) - len(pairs))


def player_place(clip: Clip, role: str) -> Errors | NotMeasured:
    """Errors of :func:`ground_errors_m` in the true main-camera frames of a clip."""
    tables = clip.frames_of("tracks")
    if isinstance(tables, str):
        return NotMeasured(tables)
    found, true = tables
    if "frames" in clip.truth:
        true = true[true["frame"].isin(clip.truth["frames"].to_pandas()["frame"])]
    return ground_errors_m(found, true, role)
