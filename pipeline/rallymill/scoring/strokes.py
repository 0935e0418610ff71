"""Measures of strokes and points."""

from __future__ import annotations

import numpy as np
import pandas as pd

from rallymill.scoring.clip import Clip, inside
from rallymill.scoring.contacts import hit_tolerance_s
from rallymill.scoring.pairing import by_overlap, by_time, overlap_s
from rallymill.scoring.rows import Errors, NotMeasured, Share

SAME_STROKE_S = 0.5
"""Less than half the usual time between two contacts (1.2 to 1.35 s, Carboch 2019)."""


def match_shots(
    found: pd.DataFrame, true: pd.DataFrame, tolerance_s: float
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Strokes of the same hitter at the same time, found and true in the same order."""
    pairs = by_time(
        found["t_contact_s"], true["t_contact_s"], tolerance_s, found["hitter"], true["hitter"]
    )
    return found.iloc[pairs[:, 0]], true.iloc[pairs[:, 1]]


def matched_strokes(clip: Clip) -> tuple[pd.DataFrame, pd.DataFrame] | str:
    """Strokes that were found and their true ones, in the same order, or why there are none."""
    tables = clip.frames_of("shots")
    if isinstance(tables, str):
        return tables
    found, true = tables
    true = true[inside(true["t_contact_s"].to_numpy(dtype=float), clip.main_spans())]
    return match_shots(found, true, hit_tolerance_s(clip.frame_s()))


def number_errors(
    found: pd.DataFrame, true: pd.DataFrame, column: str, relative: bool = False
) -> Errors:
    """Absolute errors of a measured column over rows in the same order, or relative to the truth.

    Rows without a true value do not count; rows without a found one are missing.
    """
    given = found[column].to_numpy(dtype=float)
    wanted = true[column].to_numpy(dtype=float)
    known = np.isfinite(wanted)
    apart = np.abs(given - wanted)[known]
    if relative:
        apart = apart / np.abs(wanted[known])
    measured = np.isfinite(apart)
    return Errors(apart[measured], int((~measured).sum()))


def agreement(found: pd.Series, true: pd.Series) -> Share:
    """Share of answers that are the true ones, over rows in the same order whose truth is known.

    ``unknown`` (or null) is never right; it is counted apart as well.
    """
    given, wanted = found.fillna("unknown").to_numpy(), true.fillna("unknown").to_numpy()
    known = wanted != "unknown"
    given, wanted = given[known], wanted[known]
    return Share(int((given == wanted).sum()), len(wanted), int((given == "unknown").sum()))


def number(clip: Clip, column: str, relative: bool = False) -> Errors | NotMeasured:
    """Errors of :func:`number_errors` over the strokes that were found."""
    matched = matched_strokes(clip)
    if isinstance(matched, str):
        return NotMeasured(matched)
    return number_errors(*matched, column, relative)


def answer(clip: Clip, column: str, serves: bool | None = None) -> Share | NotMeasured:
    """Agreement over the strokes that were found; ``serves`` picks true serves or all others."""
    matched = matched_strokes(clip)
    if isinstance(matched, str):
        return NotMeasured(matched)
    found, true = matched
    if serves is not None:
        here = ((true["stroke"] == "serve") == serves).to_numpy(dtype=bool)
        found, true = found[here], true[here]
    return agreement(found[column], true[column])


def _spans(points: pd.DataFrame) -> np.ndarray:
    return points[["start_s", "end_s"]].to_numpy(dtype=float).reshape(-1, 2)


def rally_right(found: pd.DataFrame, true: pd.DataFrame) -> bool:
    """Whether the strokes of a rally agree in number, order and hitter.

    Each stroke must also lie within half a second of its true one, so that a stroke left out and
    one made up do not cancel.
    """
    if len(found) != len(true):
        return False
    found, true = found.sort_values("t_contact_s"), true.sort_values("t_contact_s")
    apart = np.abs(found["t_contact_s"].to_numpy() - true["t_contact_s"].to_numpy())
    same_hitter = found["hitter"].to_numpy() == true["hitter"].to_numpy()
    return bool(same_hitter.all() and (apart <= SAME_STROKE_S).all())


def whole_rallies(
    found_points: pd.DataFrame,
    found_shots: pd.DataFrame,
    true_points: pd.DataFrame,
    true_shots: pd.DataFrame,
) -> Share:
    """Share of true rallies whose strokes are all right and lie in one point of their own.

    A rally that was cut in two, or joined with another, is not right.
    """
    shared = overlap_s(_spans(found_points), _spans(true_points)) > 0
    right = 0
    for column, point in enumerate(true_points["point_id"]):
        rows = np.flatnonzero(shared[:, column])
        if len(rows) != 1 or shared[rows[0]].sum() != 1:
            continue
        own = found_points["point_id"].iloc[rows[0]]
        right += rally_right(
            found_shots[found_shots["point_id"] == own], true_shots[true_shots["point_id"] == point]
        )
    return Share(right, len(true_points))


def _true_points(clip: Clip, points: pd.DataFrame) -> pd.DataFrame:
    """Points whose strokes are all in main-camera spans."""
    spans = clip.main_spans()
    starts = inside(points["start_s"].to_numpy(dtype=float), spans)
    if "shots" not in clip.truth:
        return points[starts]
    shots = clip.truth["shots"].to_pandas()
    unseen = ~inside(shots["t_contact_s"].to_numpy(dtype=float), spans)
    return points[starts & ~points["point_id"].isin(shots.loc[unseen, "point_id"]).to_numpy()]


def rallies(clip: Clip) -> Share | NotMeasured:
    """Share of :func:`whole_rallies` over the true points of a clip."""
    points, shots = clip.frames_of("points"), clip.frames_of("shots")
    if isinstance(points, str):
        return NotMeasured(points)
    if isinstance(shots, str):
        return NotMeasured(shots)
    true_points = _true_points(clip, points[1])
    return whole_rallies(points[0], shots[0], true_points, shots[1])


def endings(clip: Clip) -> Share | NotMeasured:
    """Agreement on how the points ended, over points paired by the time that they share."""
    points = clip.frames_of("points")
    if isinstance(points, str):
        return NotMeasured(points)
    found, true = points[0], _true_points(clip, points[1])
    pairs = by_overlap(_spans(found), _spans(true))
    return agreement(
        found["ended_by"].iloc[pairs[:, 0]].reset_index(drop=True),
        true["ended_by"].iloc[pairs[:, 1]].reset_index(drop=True),
    )
