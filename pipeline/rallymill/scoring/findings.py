"""Flags against the flags that the same rules raise on the truth, and the speed of the run."""

from __future__ import annotations

from importlib import import_module
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from rallymill import tableio, tables
from rallymill.errors import RallymillError
from rallymill.scoring.clip import Clip, inside
from rallymill.scoring.contacts import HIT_TOLERANCE_S
from rallymill.scoring.pairing import by_time
from rallymill.scoring.rows import NotMeasured, Share, Tally
from rallymill.scoring.strokes import SAME_STROKE_S
from rallymill.stages.base import MatchContext, Stage, StageConfig


def match_flags(
    found: pd.DataFrame, found_shots: pd.DataFrame, true: pd.DataFrame, true_shots: pd.DataFrame
) -> Tally:
    """Tally of flags: right is the same rule on the same side at the same stroke.

    Strokes are the same within half a second.
    """
    pairs = pair_flags(found, found_shots, true, true_shots)
    return Tally(len(pairs), len(found) - len(pairs), len(true) - len(pairs))


def pair_flags(
    found: pd.DataFrame, found_shots: pd.DataFrame, true: pd.DataFrame, true_shots: pd.DataFrame
) -> NDArray[np.int_]:
    """Row numbers (K, 2) of flags that are the same in the sense of :func:`match_flags`."""
    timed = [
        flags.merge(shots[["shot_id", "t_contact_s"]], on="shot_id", how="left")
        for flags, shots in ((found, found_shots), (true, true_shots))
    ]
    for flags in timed:
        flags["t_contact_s"] = flags["t_contact_s"].fillna(flags["clip_start_s"])
        flags["what"] = flags["rule"] + "/" + flags["side"].fillna("")
    return by_time(
        timed[0]["t_contact_s"],
        timed[1]["t_contact_s"],
        SAME_STROKE_S,
        timed[0]["what"],
        timed[1]["what"],
    )


def without_deviation(shots: pa.Table) -> pa.Table:
    """Strokes whose every measured value has a deviation of nought."""
    frame = shots.to_pandas()
    for name in frame.columns:
        if name.endswith("_sd"):
            frame[name] = np.where(frame[name.removesuffix("_sd")].notna(), 0.0, np.nan)
    return tableio.from_pandas(tables.SHOTS, frame)


def true_flags(
    clip: Clip, exact: bool = False, config: StageConfig | None = None
) -> pd.DataFrame | NotMeasured:
    """Flags that the rules of this version raise on the true tables.

    Truth has no deviations, so rules take their usual ones; ``exact`` says that there are none.
    ``config`` holds the thresholds, None means the defaults.
    """
    try:
        stage: Stage = import_module("rallymill.stages.flags").STAGE
    except ImportError:
        return NotMeasured("the flags stage is not installed")
    inputs = {name: clip.truth.get(name) for name in stage.reads}
    absent = [name for name, table in inputs.items() if table is None]
    if absent:
        return NotMeasured("; ".join(f"no truth table {name}" for name in absent))
    match = MatchContext(clip.match_id, Path(clip.name))
    try:
        given = {name: clip.truth[name] for name in inputs}
        if exact:
            given["shots"] = without_deviation(given["shots"])
        table = stage.run(match, given, config or stage.config_class())
    except RallymillError as error:
        return NotMeasured(f"rules on the truth: {error}")
    return table.to_pandas()


def _of_cut_points(
    clip: Clip, found_shots: pd.DataFrame, true_shots: pd.DataFrame
) -> NDArray[np.bool_]:
    """Whether each found stroke is a true hit of a point that truth leaves out.

    Truth holds the contacts of a point that a cut interrupts, but not its strokes, so the rules
    cannot be asked about them.
    """
    cut = np.zeros(len(found_shots), dtype=bool)
    if "events" not in clip.truth:
        return cut
    events = clip.truth["events"].to_pandas()
    hits = events[events["kind"] == "hit"]["t_s"].to_numpy(dtype=float)
    strokes = true_shots["t_contact_s"].to_numpy(dtype=float)
    paired = by_time(hits, strokes, 1e-3)
    left_out = np.delete(hits, paired[:, 0])
    found_s = found_shots["t_contact_s"].to_numpy(dtype=float)
    cut[by_time(found_s, left_out, HIT_TOLERANCE_S)[:, 0]] = True
    return cut


def flags(clip: Clip) -> Tally | NotMeasured:
    """Tally of :func:`match_flags` at strokes that truth covers."""
    frames = flags_of(clip)
    return frames if isinstance(frames, NotMeasured) else match_flags(*frames)


Frames = tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame, pd.DataFrame]


def flags_of(
    clip: Clip, exact: bool = False, config: StageConfig | None = None
) -> Frames | NotMeasured:
    """Found flags and strokes, true flags and strokes, where truth covers them.

    ``exact`` and ``config`` as in :func:`true_flags`.
    """
    for source, found in (("predicted", clip.predicted), ("truth", clip.truth)):
        if "shots" not in found:
            return NotMeasured(clip.missing.get(f"{source} shots", f"no {source} table shots"))
    if "flags" not in clip.predicted:
        return NotMeasured(clip.missing.get("predicted flags", "no predicted table flags"))
    wanted = true_flags(clip, exact, config)
    if isinstance(wanted, NotMeasured):
        return wanted
    found = clip.predicted["flags"].to_pandas()
    assert tables.FLAGS.names()[0] in wanted.columns
    found_shots, true_shots = (t["shots"].to_pandas() for t in (clip.predicted, clip.truth))
    seen = true_shots[inside(true_shots["t_contact_s"].to_numpy(dtype=float), clip.main_spans())][
        "shot_id"
    ]
    known = found_shots[
        inside(found_shots["t_contact_s"].to_numpy(dtype=float), clip.known_spans())
        & ~_of_cut_points(clip, found_shots, true_shots)
    ]["shot_id"]
    return (
        found[found["shot_id"].isin(known)],
        found_shots,
        wanted[wanted["shot_id"].isin(seen)],
        true_shots,
    )


def speed(clip: Clip) -> Share | NotMeasured:
    """Seconds of work for a second of video, as part and whole."""
    if clip.seconds is None or not clip.duration_s:
        return NotMeasured("the run did not record its time")
    return Share(clip.seconds, clip.duration_s)
