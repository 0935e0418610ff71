"""Find players and ball in every frame of the main-camera spans.

One detector looks at a picture whose three channels are the grey levels of the frames before, at
and after: a static background stays grey, whatever moves is coloured, so an ordinary detector sees
motion. The frames before and after are taken about ``interval_s`` away, whatever the frame rate, so
that the ball moves by a similar distance in the picture at 25 and at 60 frames a second.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pyarrow as pa
from numpy.typing import NDArray
from pydantic import Field

from rallymill import tableio, tables, video
from rallymill.errors import ModelMissingError
from rallymill.stages.base import Execution, MatchContext, StageConfig
from rallymill.stages.checkpoints import Checkpoints, Chunk, chunks

logger = logging.getLogger(__name__)

Picture = NDArray[np.uint8]
LABELS = ("player", "ball")
STRIDE = 32
EXPORT_SIZE = (736, 1280)
"""Height and width that exported weights are fixed to; other shapes are letterboxed into it."""


class DetectConfig(StageConfig):
    """Options of the detect stage."""

    model: str = Field("detector/weights", description="weights under the models folder, no suffix")
    input_width_px: int = Field(1280, ge=320, le=2560, description="width the detector looks at")
    interval_s: float = Field(0.036, gt=0, lt=0.2, description="time to its neighbours")
    player_confidence: float = Field(0.20, ge=0, le=1)
    ball_confidence: float = Field(0.003, ge=0, le=1, description="low: the flight fit chooses")
    balls_a_frame: int = Field(20, ge=1, le=50, description="most confident ball candidates kept")


@dataclass(frozen=True)
class Box:
    """A detection in pixels of the stored frame."""

    label: str
    x1_px: float
    y1_px: float
    x2_px: float
    y2_px: float
    confidence: float


Detector = Callable[[list[Picture]], list[list[Box]]]
"""From three-channel pictures to boxes in the pixels of those pictures."""


def frame_step(spacing_s: float, interval_s: float) -> int:
    """Frames to the neighbours that are about ``interval_s`` away, at a spacing of frames."""
    return max(1, round(interval_s / spacing_s)) if spacing_s > 0 else 1


def motion_picture(before: Picture, at: Picture, after: Picture) -> Picture:
    """Stack grey pictures (H, W) of three moments as channels before, at, after: (H, W, 3)."""
    return np.dstack([before, at, after])


def to_grey(image: Picture, width_px: int) -> Picture:
    """Grey picture (H, W) of a BGR frame, resized to the given width."""
    grey = cv2.cvtColor(image, cv2.COLOR_BGR2GRAY)
    if grey.shape[1] != width_px:
        height = round(grey.shape[0] * width_px / grey.shape[1])
        shrink = grey.shape[1] > width_px
        grey = cv2.resize(
            grey, (width_px, height), interpolation=cv2.INTER_AREA if shrink else cv2.INTER_CUBIC
        )
    return np.asarray(grey, dtype=np.uint8)


def motion_pictures(
    frames: Iterable[tuple[int, float, Picture]], step: int
) -> Iterator[tuple[int, float, Picture]]:
    """Three-channel pictures from grey frames of one span, each as (frame, t_s, picture).

    At the ends of the span the neighbour that is missing is replaced by the frame itself.
    """
    window: list[tuple[int, float, Picture]] = []
    next_at = 0
    count = 0
    for item in frames:
        window.append(item)
        count += 1
        while next_at + step < count:
            first = count - len(window)
            before = window[max(next_at - step, 0) - first] if next_at >= step else None
            at = window[next_at - first]
            after = window[next_at + step - first]
            yield at[0], at[1], motion_picture(before[2] if before else at[2], at[2], after[2])
            next_at += 1
            keep = max(next_at - step, 0)
            while count - len(window) < keep:
                window.pop(0)
    while next_at < count:
        first = count - len(window)
        at = window[next_at - first]
        before_picture = window[next_at - step - first][2] if next_at >= step else at[2]
        yield at[0], at[1], motion_picture(before_picture, at[2], at[2])
        next_at += 1


def weights_path(models: Path, name: str, device: str) -> Path:
    """Weights to load for a device: the OpenVINO export on a CPU where it can be used, else .pt.

    Raises
    ------
    ModelMissingError
        No weights of that name.
    """
    torch_file = models / f"{name}.pt"
    exported = models / f"{name}_openvino_model"
    on_cpu = device == "cpu" or (device == "auto" and not _cuda_present())
    if on_cpu and exported.is_dir() and _openvino_present():
        return exported
    if torch_file.is_file():
        return torch_file
    if exported.is_dir():
        return exported
    raise ModelMissingError(
        f"no weights {torch_file}", "restore the models folder or name other weights in the config"
    )


def _openvino_present() -> bool:
    from importlib.util import find_spec

    return find_spec("openvino") is not None


def _cuda_present() -> bool:
    import torch

    return bool(torch.cuda.is_available())


def load_detector(models: Path, config: DetectConfig, execution: Execution) -> Detector:
    """Detector that runs the configured weights through ultralytics."""
    import os

    os.environ.setdefault("YOLO_OFFLINE", "true")
    os.environ.setdefault("YOLO_VERBOSE", "false")
    path = weights_path(models, config.model, execution.device)
    from ultralytics import YOLO

    network = YOLO(str(path), task="detect")
    device = None if execution.device == "auto" else execution.device
    if path.suffix != ".pt":
        device = "cpu"
    lowest = min(config.player_confidence, config.ball_confidence)

    def detect(pictures: list[Picture]) -> list[list[Box]]:
        if not pictures:
            return []
        height, width = pictures[0].shape[:2]
        size = list(EXPORT_SIZE)
        if path.suffix == ".pt":
            size = [-(-height // STRIDE) * STRIDE, -(-width // STRIDE) * STRIDE]
        results = network.predict(
            pictures, imgsz=size, conf=lowest, iou=0.6, verbose=False, device=device, max_det=100
        )
        found = []
        for result in results:
            boxes = result.boxes
            found.append([
                _box(int(label), corners, float(score))
                for corners, score, label in zip(
                    boxes.xyxy.cpu().numpy(), boxes.conf.cpu().numpy(), boxes.cls.cpu().numpy(),
                    strict=True,
                )
            ])
        return found

    return detect


def _box(label: int, corners: NDArray[np.float32], confidence: float) -> Box:
    x1, y1, x2, y2 = (float(value) for value in corners)
    return Box(LABELS[label], x1, y1, x2, y2, confidence)


def choose(boxes: list[Box], config: DetectConfig) -> list[Box]:
    """Boxes above their label's threshold; at most ``balls_a_frame`` ball candidates."""
    players = [b for b in boxes if b.label == "player" and b.confidence >= config.player_confidence]
    balls = [b for b in boxes if b.label == "ball" and b.confidence >= config.ball_confidence]
    balls.sort(key=lambda box: -box.confidence)
    return players + balls[: config.balls_a_frame]


class DetectStage:
    """Video and views to detections."""

    name = "detect"
    version = 1
    reads = ("views",)
    writes = tables.DETECTIONS
    needs_video = True
    config_class = DetectConfig

    def model_files(self, config: DetectConfig) -> tuple[str, ...]:
        """Weights that the result depends on, whichever of them the device takes."""
        return (f"{config.model}.pt", f"{config.model}_openvino_model/weights.bin")

    def run(
        self, match: MatchContext, inputs: Mapping[str, pa.Table], config: DetectConfig
    ) -> pa.Table:
        """Detect in every frame of the spans that are labelled main."""
        views = [row for row in inputs["views"].to_pylist() if row["label"] == "main"]
        views.sort(key=lambda row: row["first_frame"])
        kept = Checkpoints(match.scratch, tables.DETECTIONS)
        parts: dict[int, pa.Table] = {}
        todo: list[tuple[int, Chunk]] = []
        for view in views:
            step = _step(view, config)
            most = match.execution.chunk_frames
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
            detector = load_detector(match.models, config, match.execution)
            for chunk, found in _detect_chunks(match, todo, config, detector):
                rows = _rows(match.match_id, found, config)
                kept.keep(chunk.name, rows)
                parts[chunk.first] = rows
                n_done += chunk.last - chunk.first + 1
                match.progress(n_done / total)
        ordered = [parts[first] for first in sorted(parts)]
        return pa.concat_tables([tables.DETECTIONS.empty(), *ordered]).combine_chunks()


Found = tuple[int, float, float, list[Box]]
"""A frame, its time, the scale to stored pixels, and the boxes in it."""


def _step(view: Mapping[str, Any], config: DetectConfig) -> int:
    n_frames = view["last_frame"] - view["first_frame"] + 1
    return frame_step((view["end_s"] - view["start_s"]) / n_frames, config.interval_s)


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
    return tableio.from_columns(tables.DETECTIONS, columns)


def _detect_chunks(
    match: MatchContext, todo: list[tuple[int, Chunk]], config: DetectConfig, detector: Detector
) -> Iterator[tuple[Chunk, list[Found]]]:
    """Yield every chunk with what was found in its frames.

    A frame's neighbours are taken across the border of its chunk. Batches end with a chunk, so
    what the network sees at a time does not depend on which chunks were done before.
    """
    spans = _merged([chunk.with_neighbours(step) for step, chunk in todo])
    with video.frames(match.video, spans=spans) as stream:
        pictures = _pictures(stream, todo, config)
        item = next(pictures, None)
        for _, chunk in todo:
            found: list[Found] = []
            pending: list[tuple[int, float, float, Picture]] = []
            while item is not None and item[0] <= chunk.last:
                if item[0] >= chunk.first:
                    pending.append(item)
                item = next(pictures, None)
                over = item is None or item[0] > chunk.last
                if pending and (over or len(pending) >= match.execution.batch):
                    boxes = detector([picture for *_, picture in pending])
                    found += [
                        (frame, t_s, scale, seen)
                        for (frame, t_s, scale, _), seen in zip(pending, boxes, strict=True)
                    ]
                    pending.clear()
            yield chunk, found


def _merged(spans: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Spans in order of their first frame; those that overlap or touch become one."""
    merged: list[tuple[int, int]] = []
    for first, last in spans:
        if merged and first <= merged[-1][1] + 1:
            merged[-1] = (merged[-1][0], max(last, merged[-1][1]))
        else:
            merged.append((first, last))
    return merged


def _pictures(
    stream: Iterator[video.Frame], todo: list[tuple[int, Chunk]], config: DetectConfig
) -> Iterator[tuple[int, float, float, Picture]]:
    """Yield (frame, t_s, scale, three-channel picture) for every decoded frame of the chunks.

    Chunks of a view that follow each other are one stretch, in which each frame is used for all
    pictures that it belongs to; a view is never looked at across its ends.
    """
    scales: dict[int, float] = {}
    held = next(stream, None)

    def of_stretch(last: int) -> Iterator[tuple[int, float, Picture]]:
        nonlocal held
        while held is not None and held.index <= last:
            scales[held.index] = held.image.shape[1] / config.input_width_px
            yield held.index, held.t_s, to_grey(held.image, config.input_width_px)
            held = next(stream, None)

    for step, last in _stretches(todo):
        for frame, t_s, picture in motion_pictures(of_stretch(last), step):
            yield frame, t_s, scales.pop(frame), picture


def _stretches(todo: list[tuple[int, Chunk]]) -> list[tuple[int, int]]:
    """Step and last needed frame of every run of chunks whose decoded frames follow each other."""
    found: list[tuple[int, int]] = []
    before: Chunk | None = None
    reach = -1
    for step, chunk in todo:
        first, last = chunk.with_neighbours(step)
        same_view = before is not None and before.view_first == chunk.view_first
        if same_view and first <= reach + 1:
            found[-1] = (step, last)
        else:
            found.append((step, last))
        before, reach = chunk, last
    return found


STAGE = DetectStage()
