"""Track stage: people and ball, frame by frame, in one table.

People come as they are. The ball gets one track: within an arc its place and velocity follow from
the arc's start and spin by the physics of flight, and a row is observed where a ball box lies close
to where the flight shows in the picture. In main-camera frames outside all arcs the best ball box
is kept without metres, since a single view tells no depth; boxes that stay at one place of the
picture (balls lying about, logos) are not.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import ClassVar, NamedTuple

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray
from pydantic import Field

from rallymill import flight, tableio, tables
from rallymill.camera import Camera
from rallymill.stages.base import Columns, MatchContext, StageConfig
from rallymill.stages.by_frame import ByFrame
from rallymill.stages.cameras import cameras_of

Array = NDArray[np.float64]
BALL_TRACK = 0
STILL_S = 1.0
"""Span about a box in which others are looked for at its place."""
CHUNK_FRAMES = 5000
"""So many frames are in memory at a time; their borders change no row."""


class TrackConfig(StageConfig):
    """When a ball box supports a row. Pixels hold for a picture 720 pixels high."""

    gate_px: float = Field(8.0, gt=0)
    """A box further from the flight than this does not support it."""
    gate_sd: float = Field(3.0, ge=0)
    """The gate opens by this many standard deviations of the flight as seen in the picture."""
    widest_gate_px: float = Field(25.0, gt=0)
    """However uncertain the flight, the gate is never wider than this."""
    faint_confidence: float = Field(0.02, ge=0, le=1)
    """A box with less is noise unless a sure flight leads right to it."""
    faint_gate_px: float = Field(3.0, gt=0)
    """How close to the flight a faint box must lie; a ball before strings or letters is faint."""
    loose_confidence: float = Field(0.5, ge=0, le=1)
    """Outside arcs a box needs this confidence."""
    still_px: float = Field(6.0, gt=0)
    """Boxes within this distance of each other are at one place of the picture."""
    still_share: float = Field(0.25, gt=0, le=1)
    """A place with a box in this share of a second's frames around is a thing that lies still."""


class TrackStage:
    """Tables in, table out; see the module's docstring."""

    name = "track"
    version = 2
    reads = ("detections", "frames", "people", "arcs")
    columns: ClassVar[Columns] = {
        "detections": ("frame", "label", "x1_px", "y1_px", "x2_px", "y2_px", "confidence"),
        "frames": ("frame", "t_s", "camera", "k1", "width_px", "height_px"),
    }
    writes = tables.TRACKS
    needs_video = False
    config_class = TrackConfig

    def model_files(self, config: TrackConfig) -> tuple[str, ...]:
        """None: the stage uses no weights."""
        return ()

    def run(
        self, match: MatchContext, inputs: Mapping[str, pa.Table], config: TrackConfig
    ) -> pa.Table:
        """Tracks table: rows of people and of the ball, by frame."""
        people, boxes = ByFrame(inputs["people"]), ByFrame(inputs["detections"])
        frames = ByFrame(inputs["frames"])
        times = frames.table["t_s"].to_numpy()
        flown = fly(times, tableio.to_pandas(inputs["arcs"]))
        parts = [tables.TRACKS.empty()]
        for chunk in chunks(frames.frame, times, CHUNK_FRAMES):
            merged = [tableio.to_pandas(people.within(chunk.first, chunk.last))]
            about = frames.table.slice(chunk.rows.start, chunk.rows.stop - chunk.rows.start)
            if about.num_rows:
                near = boxes.within(about["frame"][0].as_py(), about["frame"][-1].as_py())
                ball = ball_rows(
                    match.match_id,
                    tableio.to_pandas(near.filter(pc.equal(near["label"], "ball"))),
                    tableio.to_pandas(about),
                    {name: values[chunk.rows] for name, values in flown.items()}, config,
                )
                merged.append(ball[ball["frame"].between(chunk.first, chunk.last)])
            merged = [part for part in merged if len(part)]
            if merged:
                rows = pd.concat(merged).sort_values(["frame", "track_id"])
                parts.append(tableio.from_pandas(tables.TRACKS, rows))
        return pa.concat_tables(parts)


class Chunk(NamedTuple):
    """Frames ``first`` to ``last``, and the rows of the frames table that theirs rest on."""

    first: int
    last: int
    rows: slice


def chunks(frame: NDArray[np.int64], t_s: Array, most: int) -> list[Chunk]:
    """Cut frames (N,) at times (N,) into chunks of at most so many.

    The first and the last hold what lies beyond the frames as well.
    """
    ends = np.iinfo(np.int64)
    found = []
    for low in range(0, max(len(frame), 1), most):
        high = min(low + most, len(frame))
        first = int(frame[low]) if low else int(ends.min)
        last = int(frame[high]) - 1 if high < len(frame) else int(ends.max)
        rows = slice(low, high)
        if high > low:
            around = [t_s[low] - STILL_S, t_s[high - 1] + STILL_S]
            rows = slice(*(int(row) for row in np.searchsorted(t_s, around)))
        found.append(Chunk(first, last, rows))
    return found


def ball_rows(
    match_id: str, boxes: pd.DataFrame, frames: pd.DataFrame, found: Mapping[str, NDArray],
    config: TrackConfig,
) -> pd.DataFrame:
    """Rows of the ball; ``frames`` in order of time, ``boxes`` the ball's alone.

    ``found`` is what :func:`fly` gives for the frames.
    """
    cameras = cameras_of(frames)
    image, gate = seen(found, cameras, frames["height_px"].to_numpy(float), config)
    centre = np.column_stack(
        [(boxes["x1_px"] + boxes["x2_px"]) / 2, (boxes["y1_px"] + boxes["y2_px"]) / 2]
    )
    step = np.searchsorted(frames["frame"], boxes["frame"])
    inside = (step < len(frames)) & (
        frames["frame"].to_numpy()[np.minimum(step, len(frames) - 1)] == boxes["frame"].to_numpy()
    )
    confidence = boxes["confidence"].to_numpy(float)
    inside &= ~astray(step, centre, confidence, image, frames, config)
    chosen = choose(
        found["arc"] >= 0, image, gate, step[inside], centre[inside],
        confidence[inside],
        moving(frames, step[inside], centre[inside], config), config,
    )
    picked = np.flatnonzero(inside)[np.maximum(chosen, 0)] if inside.any() else chosen
    observed = chosen >= 0
    keep = observed | (found["arc"] >= 0)
    columns: dict[str, object] = {
        "match_id": match_id,
        "frame": frames["frame"].to_numpy(),
        "t_s": frames["t_s"].to_numpy(),
        "track_id": BALL_TRACK,
        "role": "ball",
        "u_px": np.where(observed, _pick(centre[:, 0], picked, observed), image[:, 0]),
        "v_px": np.where(observed, _pick(centre[:, 1], picked, observed), image[:, 1]),
        "observed": observed,
        "confidence": certainty(found, observed, _pick(confidence, picked, observed)),
    }
    for name in ("x1_px", "y1_px", "x2_px", "y2_px"):
        columns[name] = _pick(boxes[name].to_numpy(float), picked, observed)
    for i, name in enumerate(("x_m", "y_m", "z_m", "vx_mps", "vy_mps", "vz_mps")):
        columns[name] = found["state"][:, i]
    for i, name in enumerate(("x_m_sd", "y_m_sd", "z_m_sd")):
        columns[name] = found["sd"][:, i]
    return pd.DataFrame(columns)[keep]


def astray(
    step: NDArray[np.int64], centre_px: Array, confidence: Array, image: Array,
    frames: pd.DataFrame, config: TrackConfig,
) -> NDArray[np.bool_]:
    """Whether each box (B,) is faint and not right where the flight (N, 2) shows."""
    if not len(frames) or not len(step):
        return np.zeros(len(step), dtype=bool)
    at = np.minimum(step, len(frames) - 1)
    scale = frames["height_px"].fillna(720).to_numpy(float)[at] / 720.0
    off = np.hypot(*(centre_px - image[at]).T) / scale
    return (confidence < config.faint_confidence) & ~(off <= config.faint_gate_px)


def _pick(values: Array, picked: NDArray[np.int64], valid: NDArray[np.bool_]) -> Array:
    out = np.full(len(valid), np.nan)
    out[valid] = values[picked[valid]]
    return out


def fly(times_s: Array, arcs: pd.DataFrame) -> dict[str, NDArray]:
    """Where the ball is at times (N,), in ascending order.

    ``arc`` (N,) is the row of the arc or -1, ``state`` (N, 6) and ``sd`` (N, 3) are NaN outside
    arcs, ``confidence`` (N,) is the arc's. The variance of a place goes straight from that at the
    arc's start to that at its end; where the end has none, it grows by that of the velocity.
    """
    n = len(times_s)
    arc = np.full(n, -1, dtype=np.int64)
    state = np.full((n, 6), np.nan)
    sd = np.full((n, 3), np.nan)
    confidence = np.full(n, np.nan)
    start_columns = ["x_m", "y_m", "z_m", "vx_mps", "vy_mps", "vz_mps"]
    for row in np.argsort(arcs["start_s"].to_numpy(float), kind="stable"):
        one = arcs.iloc[row]
        start = one[start_columns].to_numpy(float)
        first, last = np.searchsorted(times_s, [one["start_s"], one["end_s"] + 1e-9])
        if last <= first or not np.isfinite(start).all():
            continue
        after = times_s[first:last] - float(one["start_s"])
        spin = one[["topspin_radps", "sidespin_radps"]].to_numpy(float)
        state[first:last] = flight.states(start, np.nan_to_num(spin), np.maximum(after, 0.0))
        arc[first:last] = row
        confidence[first:last] = one["confidence"]
        share = after / max(float(one["end_s"] - one["start_s"]), 1e-9)
        for k, (place, speed) in enumerate(
            (("x_m", "vx_mps"), ("y_m", "vy_mps"), ("z_m", "vz_mps"))
        ):
            early = float(one[f"{place}_sd"]) ** 2
            late = float(one[f"end_{place}_sd"]) ** 2
            if not np.isfinite(late):
                grown = np.nan_to_num(float(one[f"{speed}_sd"])) * after
                sd[first:last, k] = np.sqrt(early + grown**2)
            else:
                sd[first:last, k] = np.sqrt((1 - share) * early + share * late)
    return {"arc": arc, "state": state, "sd": sd, "confidence": confidence}


def seen(
    found: Mapping[str, NDArray], cameras: Sequence[Camera | None], height_px: Array,
    config: TrackConfig,
) -> tuple[Array, Array]:
    """Image points (N, 2) of the flight and the gate (N,) about each, in pixels."""
    image = np.full((len(cameras), 2), np.nan)
    gate = np.zeros(len(cameras))
    for i in np.flatnonzero(found["arc"] >= 0):
        camera = cameras[int(i)]
        if camera is None:
            continue
        place = found["state"][i, :3]
        image[i] = camera.project(place)
        scale = (height_px[i] if np.isfinite(height_px[i]) else 720.0) / 720.0
        # What the uncertainty of the place does to the picture, axis by axis.
        moved = camera.project(place + np.diag(np.nan_to_num(found["sd"][i]))) - image[i]
        spread = float(np.sqrt((moved**2).sum()))
        gate[i] = min(config.gate_px * scale + config.gate_sd * spread,
                      config.widest_gate_px * scale)
    return image, gate


def moving(
    frames: pd.DataFrame, step: NDArray[np.int64], centre_px: Array, config: TrackConfig
) -> NDArray[np.bool_]:
    """Whether each box (B,) belongs to something that does not lie still in the picture."""
    moves = np.ones(len(step), dtype=bool)
    if not len(step):
        return moves
    times = frames["t_s"].to_numpy(float)
    scale = float(np.nanmax(frames["height_px"].fillna(720).to_numpy(float))) / 720.0
    near = config.still_px * scale
    order = np.argsort(step, kind="stable")
    sorted_step = step[order]
    low = np.searchsorted(times, times - STILL_S / 2)
    high = np.searchsorted(times, times + STILL_S / 2, side="right")
    for i, at in enumerate(step):
        rows = order[np.searchsorted(sorted_step, low[at]):np.searchsorted(sorted_step, high[at])]
        close = np.abs(centre_px[rows] - centre_px[i]).max(1) <= near
        n_frames = high[at] - low[at]
        n_hits = len(np.unique(step[rows[close]]))
        moves[i] = n_hits <= max(config.still_share * n_frames, 2)
    return moves


def choose(
    in_arc: NDArray[np.bool_], image: Array, gate: Array, step: NDArray[np.int64],
    centre_px: Array, confidence: Array, moves: NDArray[np.bool_], config: TrackConfig,
) -> NDArray[np.int64]:
    """For each frame (N,) the box that supports its row, -1 for none.

    Within an arc it is the box nearest to the flight, a confident one being worth some distance;
    outside arcs the most confident one that does not lie still.
    """
    chosen = np.full(len(in_arc), -1, dtype=np.int64)
    best = np.full(len(in_arc), np.inf)
    for i, at in enumerate(step):
        if in_arc[at]:
            away = float(np.linalg.norm(centre_px[i] - image[at]))
            if not away <= gate[at]:
                continue
            cost = away / gate[at] - 0.3 * confidence[i]
        else:
            if confidence[i] < config.loose_confidence or not moves[i]:
                continue
            cost = -confidence[i]
        if cost < best[at]:
            best[at], chosen[at] = cost, i
    return chosen


def certainty(found: Mapping[str, NDArray], observed: NDArray[np.bool_], box: Array) -> Array:
    """Confidence of each row (N,).

    Within an arc it is the arc's, less where no box supports the row; outside it is the box's.
    """
    arc = np.nan_to_num(found["confidence"], nan=0.5)
    return np.where(found["arc"] >= 0, arc * np.where(observed, 1.0, 0.8), np.nan_to_num(box))


STAGE = TrackStage()
