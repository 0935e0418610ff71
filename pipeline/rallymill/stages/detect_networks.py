"""The networks that look at every frame: which weights, how they are run, what is kept of boxes."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, field_validator

from rallymill.errors import ModelMissingError
from rallymill.stages import detect_balls, detect_exported, detect_hops, graphics_card
from rallymill.stages.base import Execution, StageConfig
from rallymill.stages.detect_balls import BallLook
from rallymill.stages.detect_boxes import Box
from rallymill.stages.detect_exported import Asked, FittedDetector
from rallymill.stages.detect_hops import HopLook
from rallymill.stages.detect_stream import Seen

if TYPE_CHECKING:
    import torch

Picture = NDArray[np.uint8]
LABELS = ("player", "ball")
INPUT_SIZE = (736, 1280)
"""Height and width of what the detector looks at; pictures of other shapes are fitted into it."""


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
    balls_a_frame: int = Field(12, ge=1, le=50, description="most confident ball candidates kept")
    ball_look: str | None = Field(
        "ball_look/weights",
        description="weights that look again at each ball candidate; off: never",
    )
    look_confidence: float = Field(
        0.0006, ge=0, le=1, description="least confidence of a candidate that is looked at again"
    )
    looks_a_frame: int = Field(16, ge=1, le=60, description="most candidates looked at again")
    follow_ball: bool = Field(
        True, description="look also where the ball must be by the frames before and after"
    )
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

    hop_look: str | None = Field(
        "hop_look/weights",
        description="weights that look whether players' feet are off the ground; off: never",
    )

    @field_validator("second_opinion", "ball_look", "hop_look", mode="before")
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
    if graphics_card.card_of(device) is None and exported.is_dir() and _openvino_present():
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


def load_detector(models: Path, config: DetectConfig, execution: Execution) -> Detector:
    """Detector that runs the configured weights through ultralytics, for several threads.

    A graphics card takes pictures together, processors gain nothing by that.
    """
    import os

    os.environ.setdefault("YOLO_OFFLINE", "true")
    os.environ.setdefault("YOLO_VERBOSE", "false")
    path = weights_path(models, config.model, execution.device)
    confidence = config.ball_confidence if config.ball_look is None else config.look_confidence
    asked = Asked(min(config.player_confidence, confidence), 0.6, 150)
    if path.suffix == ".pt":
        card = graphics_card.card_of(execution.device)
        network = graphics_card.detector(path, card or "cpu", asked.least)
        together = 1 if card is None else execution.batch
        return FittedDetector(network, INPUT_SIZE, LABELS, asked, together)
    exported = detect_exported.backend(path, max(execution.threads, 1))
    if exported is None:
        return _predicting(path, config.channels, asked)
    return FittedDetector(exported, INPUT_SIZE, LABELS, asked)


def _predicting(path: Path, channels: int, asked: Asked) -> Detector:
    """Detector by the library's own prediction on processors, for exported weights."""
    from ultralytics import YOLO

    _never_hurried()
    network = YOLO(str(path), task="detect")
    one_at_a_time = threading.Lock()

    def detect(pictures: list[Picture]) -> list[list[Box]]:
        if not pictures:
            return []
        source: Any = [np.ascontiguousarray(picture) for picture in pictures]
        if channels != 3:
            source = as_input(pictures)
        with one_at_a_time:
            results = network.predict(
                source, imgsz=list(INPUT_SIZE), conf=asked.least, iou=asked.overlap, verbose=False,
                device="cpu", max_det=asked.most,
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
    """The detector, what looks again at its balls and what looks at players' feet.

    The last two are None where nothing does. All may be used by several threads at a time; with
    ``alone`` the detector gains nothing from pictures that are given to it together.
    """

    detector: Detector
    ball_look: BallLook | None = None
    hop_look: HopLook | None = None
    alone: bool = False

    def boxes(self, seen: Sequence[Seen], config: DetectConfig) -> list[list[Box]]:
        """Boxes of frames; their balls are those that the second look leaves."""
        if not seen:
            return []
        found = self.detector([one.picture for one in seen])
        around = [(one.moments, one.matrices) for one in seen]
        if self.ball_look is not None:
            balls = [_to_look_at(boxes, config) for boxes in found]
            found = [
                [box for box in boxes if box.label != "ball"] + looked
                for boxes, looked in zip(
                    found, self.ball_look.looked_together(around, balls), strict=True
                )
            ]
        if self.hop_look is not None:
            found = self.hop_look.looked_together(
                around, [(one.at.camera, one.at.scale) for one in seen], found
            )
        return found


def _to_look_at(boxes: Sequence[Box], config: DetectConfig) -> list[Box]:
    """The balls among the detector's boxes that are looked at again, surest first."""
    balls = [b for b in boxes if b.label == "ball" and b.confidence >= config.look_confidence]
    balls.sort(key=lambda box: -box.confidence)
    return balls[: config.looks_a_frame]


def load_networks(models: Path, config: DetectConfig, execution: Execution) -> Networks:
    """The networks that look at every frame.

    Raises
    ------
    ModelMissingError
        Weights are missing or cannot be read.
    """
    balls, hops = config.ball_look, config.hop_look
    detector = load_detector(models, config, execution)
    return Networks(
        detector,
        None if balls is None else detect_balls.load(models, balls, execution),
        None if hops is None else detect_hops.load(models, hops, execution),
        isinstance(detector, FittedDetector) and detector.together == 1,
    )


def choose(boxes: list[Box], config: DetectConfig) -> list[Box]:
    """Boxes above their label's threshold; at most ``balls_a_frame`` ball candidates."""
    players = [b for b in boxes if b.label == "player" and b.confidence >= config.player_confidence]
    balls = [b for b in boxes if b.label == "ball" and b.confidence >= config.ball_confidence]
    balls.sort(key=lambda box: -box.confidence)
    return players + balls[: config.balls_a_frame]
