"""Measures of contacts: hits and bounces in time and place, and the landing of the split step."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rallymill import court
from rallymill.scoring.clip import Clip, inside
from rallymill.scoring.pairing import by_time
from rallymill.scoring.rows import Errors, NotMeasured, Share, Tally

Array = NDArray[np.float64]

HIT_TOLERANCE_S = 2 / 25
"""Two frames at 25 frames a second; a slower clip has two of its own frames."""
AIRBORNE_M = 0.02
SPLIT_WINDOW_S = (-0.40, 0.50)
"""Around the opponent's contact, the landing of a split step is looked for (Navia 2022: +0.13)."""


def hit_tolerance_s(frame_s: float) -> float:
    """Greatest distance in time between a found and a true hit."""
    return max(2 * frame_s, HIT_TOLERANCE_S)


def covered(clip: Clip) -> tuple[pd.DataFrame, pd.DataFrame] | str:
    """Found events where truth knows what is shown, and true events in main-camera spans.

    Or why there are none.
    """
    tables = clip.frames_of("events")
    if isinstance(tables, str):
        return tables
    found, true = tables
    if not len(clip.main_spans()):
        return clip.missing.get("truth frames", "truth has no main-camera frames")
    found = found[inside(found["t_s"].to_numpy(dtype=float), clip.known_spans())]
    true = true[inside(true["t_s"].to_numpy(dtype=float), clip.main_spans())]
    return found.reset_index(drop=True), true.reset_index(drop=True)


def match_events(
    found: pd.DataFrame, true: pd.DataFrame, kind: str, tolerance_s: float
) -> tuple[pd.DataFrame, pd.DataFrame, Tally]:
    """Matched rows, found and true in the same order, and the tally of events of a kind.

    Hits must be on the same side as well.
    """
    found, true = found[found["kind"] == kind], true[true["kind"] == kind]
    labels = (found["side"], true["side"]) if kind == "hit" else (None, None)
    pairs = by_time(found["t_s"], true["t_s"], tolerance_s, *labels)
    tally = Tally(len(pairs), len(found) - len(pairs), len(true) - len(pairs))
    return found.iloc[pairs[:, 0]], true.iloc[pairs[:, 1]], tally


def hits(clip: Clip) -> Tally | NotMeasured:
    """Hits in time, on the right side."""
    tables = covered(clip)
    if isinstance(tables, str):
        return NotMeasured(tables)
    return match_events(*tables, "hit", hit_tolerance_s(clip.frame_s()))[2]


def bounces(clip: Clip) -> Tally | NotMeasured:
    """Bounces within one frame of the clip, up to the one that ends the point.

    What a dead ball does on its way to the fence is no part of play: bounces after a true point's
    end and before the next one count neither way.
    """
    tables = covered(clip)
    if isinstance(tables, str):
        return NotMeasured(tables)
    found, true = (table[~_dead(clip, table)] for table in tables)
    return match_events(found, true, "bounce", clip.frame_s())[2]


def _dead(clip: Clip, events: pd.DataFrame) -> NDArray[np.bool_]:
    """Which events lie between the end of a true point and the next one, on the main camera."""
    dead = np.zeros(len(events), dtype=bool)
    if "points" not in clip.truth or not clip.truth["points"].num_rows:
        return dead
    points = clip.truth["points"].to_pandas().sort_values("start_s")
    ends = points["end_s"].to_numpy(dtype=float) + 1.5 * clip.frame_s()
    starts = np.append(points["start_s"].to_numpy(dtype=float)[1:], np.inf)
    times = events["t_s"].to_numpy(dtype=float)
    for end, start in zip(ends, starts, strict=True):
        dead |= (times > end) & (times < start)
    return np.asarray(dead & inside(times, clip.main_spans()))


def bounce_place(clip: Clip, side: str) -> Errors | NotMeasured:
    """Distance on the ground between found and true bounces on a side.

    Bounces are paired within the tolerance of hits, so that a bounce that is found too early or
    late keeps its error of place in the figure.
    """
    tables = covered(clip)
    if isinstance(tables, str):
        return NotMeasured(tables)
    found, true, _ = match_events(*tables, "bounce", hit_tolerance_s(clip.frame_s()))
    here = true["y_m"].map(lambda y: pd.notna(y) and court.side_of(y) == side).to_numpy(dtype=bool)
    return place_errors_m(found[here], true[here])


def place_errors_m(found: pd.DataFrame, true: pd.DataFrame) -> Errors:
    """Distance on the ground of rows in the same order; found rows without a place are missing."""
    apart = np.hypot(
        found["x_m"].to_numpy(dtype=float) - true["x_m"].to_numpy(dtype=float),
        found["y_m"].to_numpy(dtype=float) - true["y_m"].to_numpy(dtype=float),
    )
    known = np.isfinite(apart)
    return Errors(apart[known], int((~known).sum()))


def landings_s(times_s: Array, heights_m: Array) -> Array:
    """Times at which someone comes down, shape (N,): the first frame on the ground after a flight.

    ``times_s`` and ``heights_m`` (M,) are a player's frames in order; gaps of height (NaN) end a
    flight without a landing.
    """
    up = heights_m > AIRBORNE_M
    down = np.isfinite(heights_m) & ~up
    return times_s[1:][up[:-1] & down[1:]]


def _split_landings(tracks: pd.DataFrame, shots: pd.DataFrame) -> dict[int, float | None] | None:
    """Landing nearest to each stroke, by its index; None where no heights were measured at all."""
    out: dict[int, float | None] = {}
    measured = False
    by_role = {
        role: rows.sort_values("t_s")
        for role, rows in tracks.groupby("role")
        if role in ("near", "far")
    }
    for index, shot in zip(shots.index, shots.to_dict("records"), strict=True):
        other = "far" if shot["hitter"] == "near" else "near"
        out[int(index)] = None
        if other not in by_role:
            continue
        rows = by_role[other]
        apart = rows["t_s"] - shot["t_contact_s"]
        rows = rows[(apart >= SPLIT_WINDOW_S[0]) & (apart <= SPLIT_WINDOW_S[1])]
        heights = rows["z_m"].to_numpy(dtype=float)
        measured = measured or bool(np.isfinite(heights).any())
        landed = landings_s(rows["t_s"].to_numpy(dtype=float), heights)
        if len(landed):
            out[int(index)] = float(landed[np.argmin(np.abs(landed - shot["t_contact_s"]))])
    return out if measured else None


def split_steps(clip: Clip) -> Share | NotMeasured:
    """Share of split-step landings within one frame of the true ones, where both are measured.

    A landing is read from the heights of the players' tracks around the opponent's contact.
    """
    tables = clip.frames_of("tracks")
    if isinstance(tables, str):
        return NotMeasured(tables)
    if "shots" not in clip.truth:
        return NotMeasured(clip.missing.get("truth shots", "no truth table shots"))
    shots = clip.truth["shots"].to_pandas()
    shots = shots[inside(shots["t_contact_s"].to_numpy(dtype=float), clip.main_spans())]
    found, true = (_split_landings(table, shots) for table in tables)
    if true is None:
        return NotMeasured("truth holds no heights of the players")
    if found is None:
        return NotMeasured("the run measures no heights of the players")
    right = measurable = 0
    for index, landed in true.items():
        guess = found[index]
        if landed is None or guess is None:
            continue
        measurable += 1
        right += abs(guess - landed) <= clip.frame_s() + 1e-6
    return Share(right, measurable)
