"""Find players and ball in every frame of the main-camera spans.

One detector looks at several moments of the picture at once. Weights of three channels take the
grey levels of the frames before, at and after: a static background stays grey, whatever moves is
coloured, so an ordinary detector sees motion. Weights of eight channels take what
:mod:`rallymill.motion_picture` makes of five moments that are moved over each other by the known
motion of the camera. Moments are about ``interval_s`` apart, whatever the frame rate, so that the
ball moves by a similar distance in the picture at 25 and at 60 frames a second.

A small network looks again, from near, at each place where it may have seen a ball
(:mod:`.detect_balls`). Where it finds no player on a half of the court, a second network that was
trained on photographs is asked (:mod:`.detect_ask`).
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray
from pydantic import Field, field_validator

from rallymill import tableio, tables, video
from rallymill.errors import ModelMissingError
from rallymill.stages import detect_balls, detect_second
from rallymill.stages.base import Execution, MatchContext, StageConfig
from rallymill.stages.cameras import cameras_of
from rallymill.stages.checkpoints import Checkpoints, Chunk, chunks
from rallymill.stages.detect_ask import Asker, Rhythm, Second
from rallymill.stages.detect_balls import BallLook
from rallymill.stages.detect_boxes import Box as Box
from rallymill.stages.detect_stream import (
    REACH,
    Cameras,
    Seen,
    Todo,
    frame_step,
    merged_spans,
    pictures,
)

if TYPE_CHECKING:
    import torch

logger = logging.getLogger(__name__)

Picture = NDArray[np.uint8]
LABELS = ("player", "ball")
STRIDE = 32
INPUT_SIZE = (736, 1280)
"""Height and width that exported weights are fixed to; other shapes are fitted into it."""


class DetectConfig(StageConfig):
    """Options of the detect stage."""

    model: str = Field("detector/weights", description="weights under the models folder, no suffix")
    channels: Literal[3, 8] = Field(3, description="what the weights look at: see the stage")
    input_width_px: int = Field(
        1280, ge=320, le=2560, description="width that weights of three channels look at"
    )
    interval_s: float = Field(0.036, gt=0, lt=0.2, description="time to its neighbours")
    player_confidence: float = Field(0.20, ge=0, le=1)
    ball_confidence: float = Field(0.003, ge=0, le=1, description="low: the flight fit chooses")
    balls_a_frame: int = Field(20, ge=1, le=50, description="most confident ball candidates kept")
    ball_look: str | None = Field(
        None, description="weights that look again at each ball candidate; off: never"
    )
    look_confidence: float = Field(
        0.001, ge=0, le=1, description="least confidence of a candidate that is looked at again"
    )
    looks_a_frame: int = Field(30, ge=1, le=60, description="most candidates looked at again")
    second_opinion: str | None = Field(
        "people_second/nanodet",
        description="weights that are asked for people where ours see none; off: never",
    )
    second_look_s: float = Field(0.4, gt=0, le=5, description="time between looks for players")
    second_looks: int = Field(
        3, ge=1, le=20, description="looks in that time at somebody whom ours do not see"
    )
    second_confidence: float = Field(0.35, gt=0, le=1, description="least score of its people")
    second_worth: float = Field(0.65, gt=0, le=1, description="its scores as shares of our own")

    @field_validator("second_opinion", "ball_look", mode="before")
    @classmethod
    def _off_is_none(cls, given: object) -> object:
        return None if given is False else given


Detector = Callable[[list[Picture]], list[list[Box]]]
"""From pictures (H, W, channels) to boxes in the pixels of those pictures."""


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

    _never_hurried()
    network = YOLO(str(path), task="detect")
    device = None if execution.device == "auto" else execution.device
    if path.suffix != ".pt":
        device = "cpu"
    asked = config.ball_confidence if config.ball_look is None else config.look_confidence
    lowest = min(config.player_confidence, asked)

    def detect(pictures: list[Picture]) -> list[list[Box]]:
        if not pictures:
            return []
        source: Any = pictures
        size = list(INPUT_SIZE)
        if config.channels != 3:
            source = as_input(pictures)
        elif path.suffix == ".pt":
            size = [-(-length // STRIDE) * STRIDE for length in pictures[0].shape[:2]]
        results = network.predict(
            source, imgsz=size, conf=lowest, iou=0.6, verbose=False, device=device, max_det=150
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


def _never_hurried() -> None:
    """Let the removal of overlapping boxes end, however long it takes.

    By default it gives up after some seconds of the clock and drops the boxes of the frames that
    are left, with no more than a message: a suspended or loaded machine would lose balls silently.
    """
    from ultralytics.utils import nms

    usual = nms.non_max_suppression
    if not isinstance(usual, partial):
        nms.non_max_suppression = partial(usual, max_time_img=float("inf"))


def as_input(pictures: list[Picture]) -> torch.Tensor:
    """Pictures (H, W, C) of one shape as what the network takes: (N, C, height, width), 0 to 1."""
    import torch

    height, width = INPUT_SIZE
    n_channels = pictures[0].shape[2]
    whole = torch.zeros((len(pictures), n_channels, height, width), dtype=torch.float32)
    for place, picture in zip(whole, pictures, strict=True):
        place[:, : picture.shape[0], : picture.shape[1]] = torch.from_numpy(
            np.ascontiguousarray(picture.transpose(2, 0, 1))
        )
    return whole.div_(255)


def _box(label: int, corners: NDArray[np.float32], confidence: float) -> Box:
    x1, y1, x2, y2 = (float(value) for value in corners)
    return Box(LABELS[label], x1, y1, x2, y2, confidence)


@dataclass(frozen=True)
class Networks:
    """The detector, and what looks again at its balls; None where nothing does."""

    detector: Detector
    look: BallLook | None

    def boxes(self, seen: Sequence[Seen], config: DetectConfig) -> list[list[Box]]:
        """Boxes of frames; their balls are those that the second look leaves."""
        every = self.detector([one.picture for one in seen])
        if self.look is None:
            return every
        found = []
        for one, boxes in zip(seen, every, strict=True):
            balls = [
                b for b in boxes if b.label == "ball" and b.confidence >= config.look_confidence
            ]
            balls.sort(key=lambda box: -box.confidence)
            again = self.look.looked(one.moments, one.matrices, balls[: config.looks_a_frame])
            found.append([box for box in boxes if box.label != "ball"] + again)
        return found


def load_networks(models: Path, config: DetectConfig, execution: Execution) -> Networks:
    """The networks that look at every frame.

    Raises
    ------
    ModelMissingError
        Weights are missing or cannot be read.
    """
    look = None
    if config.ball_look is not None:
        look = detect_balls.load(models, config.ball_look, execution.threads)
    return Networks(load_detector(models, config, execution), look)


def choose(boxes: list[Box], config: DetectConfig) -> list[Box]:
    """Boxes above their label's threshold; at most ``balls_a_frame`` ball candidates."""
    players = [b for b in boxes if b.label == "player" and b.confidence >= config.player_confidence]
    balls = [b for b in boxes if b.label == "ball" and b.confidence >= config.ball_confidence]
    balls.sort(key=lambda box: -box.confidence)
    return players + balls[: config.balls_a_frame]


class DetectStage:
    """Video, views and cameras to detections."""

    name = "detect"
    version = 4
    reads = ("views", "frames")
    writes = tables.DETECTIONS
    needs_video = True
    config_class = DetectConfig

    def model_files(self, config: DetectConfig) -> tuple[str, ...]:
        """Weights that the result depends on, whichever of them the device takes."""
        files = [f"{config.model}.pt", f"{config.model}_openvino_model/weights.bin"]
        if config.ball_look is not None:
            files.append(detect_balls.weights_file(config.ball_look))
        if config.second_opinion is not None:
            files.append(detect_second.weights_file(config.second_opinion))
        return tuple(files)

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
            most = match.execution.chunk_frames
            if config.second_opinion is not None:
                rhythm = Rhythm.of_view(
                    view["first_frame"], spacing_s(view), config.second_look_s, config.second_looks
                )
                rhythms[rhythm.first] = rhythm
                most = rhythm.whole_blocks(most)
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


Found = tuple[int, float, float, list[Box]]
"""A frame, its time, the scale to stored pixels, and the boxes in it."""


def cameras_by_frame(table: pa.Table) -> Cameras:
    """Cameras of a frames table."""
    frames = table.to_pandas()
    return dict(zip(frames["frame"], cameras_of(frames), strict=True))


def load_asker(models: Path, config: DetectConfig, execution: Execution) -> Asker | None:
    """Who asks the second network; None where it is switched off."""
    if config.second_opinion is None:
        return None
    load = partial(detect_second.load, models, config.second_opinion, execution.threads)
    return Asker(Second(load, config.second_confidence, config.second_worth))


def spacing_s(view: Mapping[str, Any]) -> float:
    """Time from one frame to the next in a row of the views table."""
    n_frames = view["last_frame"] - view["first_frame"] + 1
    return float(view["end_s"] - view["start_s"]) / n_frames


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
    return tableio.from_columns(tables.DETECTIONS, columns)


def _detect_chunks(
    match: MatchContext, todo: Todo, cameras: Cameras, config: DetectConfig,
    networks: Networks, rhythms: Mapping[int, Rhythm], asker: Asker | None,
) -> Iterator[tuple[Chunk, list[Found]]]:
    """Yield every chunk with what was found in its frames.

    A frame's neighbours are taken across the border of its chunk. Batches end with a chunk, so
    what the network sees at a time does not depend on which chunks were done before.
    """
    spans = merged_spans([chunk.with_neighbours(REACH * step) for step, chunk in todo])
    with video.frames(match.video, spans=spans) as stream:
        whole = pictures(
            stream, todo, cameras, config.channels, config.input_width_px,
            rhythms if asker is not None else {},
        )
        item = next(whole, None)
        for _, chunk in todo:
            found: list[Found] = []
            pending: list[Seen] = []
            while item is not None and item.at.frame <= chunk.last:
                if item.at.frame >= chunk.first:
                    pending.append(item)
                item = next(whole, None)
                over = item is None or item.at.frame > chunk.last
                if pending and (over or len(pending) >= match.execution.batch):
                    every = networks.boxes(pending, config)
                    for one, boxes in zip(pending, every, strict=True):
                        at = one.at
                        if asker is not None and at.image is not None:
                            boxes = asker.completed(
                                rhythms[chunk.view_first], at.frame, at.image, at.camera, boxes,
                                at.scale,
                            )
                        found.append((at.frame, at.t_s, at.scale, boxes))
                    pending.clear()
            yield chunk, found


STAGE = DetectStage()
