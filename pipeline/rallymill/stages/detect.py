"""Find players and ball in every frame of the main-camera spans.

One detector looks at several moments of the picture at once. Weights of three channels take the
grey levels of the frames before, at and after: a static background stays grey, whatever moves is
coloured, so an ordinary detector sees motion. Weights of eight channels take what
:mod:`rallymill.motion_picture` makes of five moments that are moved over each other by the known
motion of the camera. Moments are about ``interval_s`` apart, whatever the frame rate, so that the
ball moves by a similar distance in the picture at 25 and at 60 frames a second.

A small network looks again, from near, at each place where it may have seen a ball
(:mod:`.detect_balls`) and where the ball must be by the frames around (:mod:`.detect_along`), and
another at the feet of those on court (:mod:`.detect_hops`). Where it finds no player on a half of
the court, a second network that was trained on photographs is asked (:mod:`.detect_ask`).
"""

from __future__ import annotations

import logging
from collections.abc import Iterator, Mapping
from functools import partial
from pathlib import Path
from typing import Any, ClassVar

import pyarrow as pa

from rallymill import tableio, tables, video
from rallymill.stages import detect_second
from rallymill.stages.ahead import in_order
from rallymill.stages.base import Columns, Execution, MatchContext
from rallymill.stages.cameras import CamerasByFrame
from rallymill.stages.checkpoints import Checkpoints, Chunk, chunks
from rallymill.stages.detect_along import GROUP_S, Follower
from rallymill.stages.detect_ask import Asker, Rhythm, Second
from rallymill.stages.detect_boxes import Box
from rallymill.stages.detect_networks import DetectConfig, Networks, choose
from rallymill.stages.detect_networks import load_networks as load_networks
from rallymill.stages.detect_stream import (
    REACH,
    Cameras,
    Seen,
    Todo,
    frame_step,
    merged_spans,
    pictures,
    together,
)
from rallymill.stages.onnx_network import weights_file

logger = logging.getLogger(__name__)


class DetectStage:
    """Video, views and cameras to detections."""

    name = "detect"
    version = 7
    reads = ("views", "frames")
    columns: ClassVar[Columns] = {"frames": ("frame", "camera", "k1", "width_px", "height_px")}
    writes = tables.DETECTIONS
    needs_video = True
    config_class = DetectConfig

    def model_files(self, config: DetectConfig) -> tuple[str, ...]:
        """Weights that the result depends on, whichever of them the device takes."""
        files = (f"{config.model}.pt", f"{config.model}_openvino_model/weights.bin")
        others = (config.ball_look, config.hop_look, config.second_opinion)
        return (*files, *(weights_file(name) for name in others if name is not None))

    def run(
        self, match: MatchContext, inputs: Mapping[str, pa.Table], config: DetectConfig
    ) -> pa.Table:
        """Detect in every frame of the spans that are labelled main."""
        views = [row for row in inputs["views"].to_pylist() if row["label"] == "main"]
        views.sort(key=lambda row: row["first_frame"])
        kept = Checkpoints(match.scratch, tables.DETECTIONS)
        parts: dict[int, pa.Table] = {}
        todo: Todo = []
        rhythms: dict[int, Rhythm] = {}
        for view in views:
            step = _step(view, config)
            rhythm = Rhythm.of_view(
                view["first_frame"], spacing_s(view), config.second_look_s, config.second_looks
            )
            rhythms[rhythm.first] = rhythm
            most = _of_groups(match.execution.chunk_frames, rhythm, config)
            for chunk in chunks(view["first_frame"], view["last_frame"], most):
                done = kept.read(chunk.name)
                if done is None:
                    todo.append((step, chunk))
                else:
                    parts[chunk.first] = done
        total = sum(row["last_frame"] - row["first_frame"] + 1 for row in views)
        n_done = total - sum(chunk.last - chunk.first + 1 for _, chunk in todo)
        match.progress(n_done / total if total else 1.0)
        if todo:
            networks = load_networks(match.models, config, match.execution)
            asker = load_asker(match.models, config, match.execution)
            cameras = cameras_by_frame(inputs["frames"])
            stream = _detect_chunks(match, todo, cameras, config, networks, rhythms, asker)
            for chunk, found in stream:
                rows = _rows(match.match_id, found, config)
                kept.keep(chunk.name, rows)
                parts[chunk.first] = rows
                n_done += chunk.last - chunk.first + 1
                match.progress(n_done / total)
        ordered = [parts[first] for first in sorted(parts)]
        return pa.concat_tables([tables.DETECTIONS.empty(), *ordered]).combine_chunks()


AHEAD = 2
"""Frames, or batches of them, that wait for a network while each thread looks at another."""
SHADING = 2
"""Threads that make shades of frames where a graphics card waits for them."""
Found = tuple[int, float, float, list[Box]]
"""A frame, its time, the scale to stored pixels, and the boxes in it."""


def cameras_by_frame(table: pa.Table) -> Cameras:
    """Cameras of a frames table."""
    return CamerasByFrame(table)


def load_asker(models: Path, config: DetectConfig, execution: Execution) -> Asker | None:
    """Who asks the second network; None where it is switched off."""
    if config.second_opinion is None:
        return None
    load = partial(detect_second.load, models, config.second_opinion, execution)
    return Asker(Second(load, config.second_confidence, config.second_worth))


def spacing_s(view: Mapping[str, Any]) -> float:
    """Time from one frame to the next in a row of the views table."""
    n_frames = view["last_frame"] - view["first_frame"] + 1
    return float(view["end_s"] - view["start_s"]) / n_frames


def _group(rhythm: Rhythm, config: DetectConfig) -> int:
    """Frames of a view that stand for themselves: whole blocks of its rhythm, where it matters."""
    if config.follow_ball and config.ball_look is not None:
        return max(round(GROUP_S / config.second_look_s), 1) * rhythm.block
    return 1 if config.second_opinion is None else rhythm.block


def _of_groups(most_frames: int, rhythm: Rhythm, config: DetectConfig) -> int:
    """Frames of as many whole groups as there is room for, at least one."""
    group = _group(rhythm, config)
    return max(most_frames // group, 1) * group


def _step(view: Mapping[str, Any], config: DetectConfig) -> int:
    return frame_step(spacing_s(view), config.interval_s)


def _rows(match_id: str, found: list[Found], config: DetectConfig) -> pa.Table:
    """Rows of the detections table for some frames."""
    columns: dict[str, list[Any]] = {name: [] for name in tables.DETECTIONS.names()}
    for frame, t_s, scale, boxes in found:
        for box in choose(boxes, config):
            columns["match_id"].append(match_id)
            columns["frame"].append(frame)
            columns["t_s"].append(t_s)
            columns["label"].append(box.label)
            # Centres of pixels: a resize maps x to (x + 0.5) * scale - 0.5; box edges from
            # the network are measured from the corner of the picture.
            for name in ("x1_px", "y1_px", "x2_px", "y2_px"):
                columns[name].append(getattr(box, name) * scale - 0.5)
            columns["confidence"].append(min(box.confidence, 1.0))
            columns["airborne"].append(box.airborne)
    return tableio.from_columns(tables.DETECTIONS, columns)


def _detect_chunks(
    match: MatchContext, todo: Todo, cameras: Cameras, config: DetectConfig,
    networks: Networks, rhythms: Mapping[int, Rhythm], asker: Asker | None,
) -> Iterator[tuple[Chunk, list[Found]]]:
    """Yield every chunk with what was found in its frames.

    A frame's neighbours are taken across the border of its chunk. Frames are decoded, laid out and
    looked at side by side: this thread takes them from the decoder's and gives them to those of the
    networks, some ahead of what it takes back in order.
    """
    spans = merged_spans([chunk.with_neighbours(REACH * step) for step, chunk in todo])
    with video.frames(match.video, spans=spans) as stream:
        whole = pictures(
            stream, todo, cameras, config.channels, config.input_width_px,
            rhythms if asker is not None else {},
            0 if networks.alone else SHADING,
        )
        most = 1 if networks.alone else match.execution.batch
        threads = max(match.execution.threads, 1)
        looked = in_order(
            together(whole, [chunk for _, chunk in todo], most),
            lambda given: networks.boxes(given.seen, config), threads, threads + AHEAD,
        )
        steps = {chunk.view_first: step for step, chunk in todo}
        followers = {
            first: Follower(networks.ball_look, step, config.ball_confidence)
            for first, step in steps.items()
            if config.follow_ball and networks.ball_look is not None
        }
        found: list[Found] = []
        for given, every in looked:
            follower = followers.get(given.chunk.view_first)
            group = _group(rhythms[given.chunk.view_first], config)
            for one, boxes in zip(given.seen, every, strict=True):
                at = one.at
                if asker is not None and at.image is not None:
                    boxes = asker.completed(
                        rhythms[given.chunk.view_first], at.frame, at.image, at.camera, boxes,
                        at.scale,
                    )
                if follower is None:
                    found.append(_found(one, boxes))
                    continue
                if (at.frame - given.chunk.view_first) % group == 0:
                    found += [_found(*done) for done in follower.rest()]
                found += [_found(*done) for done in follower.give(one, boxes)]
            if given.ends:
                if follower is not None:
                    found += [_found(*done) for done in follower.rest()]
                yield given.chunk, found
                found = []


def _found(seen: Seen, boxes: list[Box]) -> Found:
    return seen.at.frame, seen.at.t_s, seen.at.scale, boxes


STAGE = DetectStage()
