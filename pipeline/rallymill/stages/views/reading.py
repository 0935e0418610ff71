"""The pass over a recording: what every frame does, where a court is seen, what is shown again.

It takes long, so it is put down now and then: the numbers of the frames since the last time, and
what is carried from frame to frame. A pass that goes on from there gives the same to the last bit.
"""

from __future__ import annotations

import json
import logging
import os
import tempfile
import zipfile
from collections import deque
from dataclasses import dataclass, field, fields, is_dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from rallymill.camera import Camera
from rallymill.courtfit.bundle import Place
from rallymill.courtfit.model import Paint
from rallymill.stages.checkpoints import KEPT_CHUNK
from rallymill.stages.views import motion, recall, shown_again
from rallymill.stages.views.probing import Probe, Prober
from rallymill.video import Frame

logger = logging.getLogger(__name__)

FLAT_LEVELS = 2.0
CARRIED = "carried.npz"
NUMBERS = ("t_s", "step", "lasting", "columns", "rows", "kept", "kept_at")
KINDS = {
    kind.__name__: kind
    for kind in (Camera, Place, Paint, Probe, recall.Line, recall.Sight, recall.Seen)
}
"""What may stand in what is carried; nothing else is made from a file."""
BROKEN = (OSError, ValueError, KeyError, TypeError, EOFError, zipfile.BadZipFile)


@dataclass
class Reading:
    """All that is known of the frames so far."""

    changes: motion.Changes = field(default_factory=motion.Changes)
    prober: Prober = field(default_factory=Prober)
    memory: shown_again.Recall = field(default_factory=shown_again.Recall)
    flatness: dict[int, float] = field(default_factory=dict)

    @property
    def n_frames(self) -> int:
        """Frames that were taken."""
        return len(self.changes.t_s)

    def take(self, frame: Frame) -> bool:
        """Take the next frame; whether a court was looked for in it."""
        medium = recall.medium_picture(frame.image)
        small = motion.small_picture(medium)
        self.changes.add(frame.t_s, small)
        due = self.prober.due(frame.t_s)
        if due:
            done = self.prober.probe(frame.index, frame.t_s, frame.image, small)
            if done.camera is None:
                self.flatness[frame.index] = flat_share(frame.image)
            else:
                self.memory.court(frame.t_s)
        self.memory.add(frame.index, frame.t_s, medium)
        return due


def flat_share(image: NDArray[Any]) -> float:
    """Share of a picture without texture: drawn surfaces have none, lenses always give some."""
    grey = cv2.cvtColor(image, cv2.COLOR_BGR2GRAY)
    return float(np.mean(np.abs(cv2.Laplacian(grey, cv2.CV_16S)) < FLAT_LEVELS))


class Shelf:
    """Puts a reading down in a folder and takes it up again; without a folder nothing is kept."""

    def __init__(self, folder: Path | None) -> None:
        self.folder = folder
        self._pieces: list[str] = []
        self._n_frames = self._n_kept = 0

    def put(self, reading: Reading) -> None:
        """Keep the numbers of the frames since the last time, and what is carried on."""
        if self.folder is None:
            return
        changes = reading.changes
        name = f"reading{self._n_frames:08d}-{reading.n_frames - 1:08d}"
        since = {"kept": self._n_kept, "kept_at": self._n_kept}
        _write(self.folder / f"{name}.npz", {
            column: np.array(getattr(changes, column)[since.get(column, self._n_frames):])
            for column in NUMBERS
        })  # fmt: skip
        self._pieces.append(name)
        self._n_frames, self._n_kept = reading.n_frames, len(changes.kept)
        _write(self.folder / CARRIED, _carried(reading, self._pieces))
        logger.debug(KEPT_CHUNK, name)

    def take(self) -> Reading:
        """The reading as it was put down; one of no frames if there is none that is whole."""
        if self.folder is None or not (self.folder / CARRIED).exists():
            return Reading()
        try:
            with np.load(self.folder / CARRIED, allow_pickle=False) as carried:
                reading, pieces = _taken_up(carried)
            for name in pieces:
                with np.load(self.folder / f"{name}.npz", allow_pickle=False) as piece:
                    for column in NUMBERS:
                        getattr(reading.changes, column).extend(_items(piece[column]))
        except BROKEN as error:
            logger.warning("what was read of the views is not used: %s", error)
            return Reading()
        self._pieces = pieces
        self._n_frames, self._n_kept = reading.n_frames, len(reading.changes.kept)
        return reading


def _items(values: NDArray[Any]) -> list[Any]:
    return values.tolist() if values.ndim == 1 else list(values)


def _carried(reading: Reading, pieces: list[str]) -> dict[str, NDArray[Any]]:
    memory = dict(vars(reading.memory))
    frames: recall.Frames = memory.pop("frames")
    said = {
        "pieces": pieces, "prober": _plain(vars(reading.prober)), "memory": _plain(memory),
        "flatness": _plain(list(reading.flatness.items())), "times": frames.times,
    }  # fmt: skip
    count = len(frames.times)
    numbers, times, greys = zip(*frames.all, strict=True)
    return {
        "said": np.frombuffer(json.dumps(said).encode(), np.uint8),
        "recent": np.array(reading.changes._recent),
        "all_frame": np.array(numbers), "all_t_s": np.array(times), "all_grey": np.array(greys),
        # They are whole levels of grey.
        "blocks": frames._blocks[:, :count].astype(np.uint8),
    }


def _taken_up(carried: Any) -> tuple[Reading, list[str]]:
    said = json.loads(carried["said"].tobytes().decode())
    reading = Reading()
    vars(reading.prober).update(_made(said["prober"]))
    vars(reading.memory).update(_made(said["memory"]))
    reading.flatness.update(dict(_made(said["flatness"])))
    reading.changes._recent = list(carried["recent"])
    frames = reading.memory.frames
    frames.times = said["times"]
    frames.all = deque(zip(
        carried["all_frame"].tolist(), carried["all_t_s"].tolist(), list(carried["all_grey"]),
        strict=True,
    ))  # fmt: skip
    blocks = carried["blocks"].astype(np.float32)
    frames._blocks[:, :len(frames.times)] = blocks
    frames._powers[:, :len(frames.times)] = (blocks**2).sum(2)
    return reading, list(said["pieces"])


def _plain(value: Any) -> Any:
    """A value of plain data, arrays and the classes of :data:`KINDS` as JSON can hold it."""
    if is_dataclass(value) and type(value).__name__ in KINDS:
        inside = {one.name: _plain(getattr(value, one.name)) for one in fields(value)}
        return {"kind": type(value).__name__, "of": inside}
    if isinstance(value, np.ndarray):
        return {"array": value.ravel().tolist(), "shape": value.shape, "type": str(value.dtype)}
    if isinstance(value, tuple):
        return {"tuple": [_plain(one) for one in value]}
    if isinstance(value, dict):
        return {"names": {str(name): _plain(one) for name, one in value.items()}}
    if isinstance(value, list):
        return [_plain(one) for one in value]
    return value.item() if isinstance(value, np.generic) else value


def _made(value: Any) -> Any:
    """The value again that :func:`_plain` was given."""
    if isinstance(value, list):
        return [_made(one) for one in value]
    if not isinstance(value, dict):
        return value
    if "kind" in value:
        return KINDS[value["kind"]](**{name: _made(one) for name, one in value["of"].items()})
    if "array" in value:
        return np.array(value["array"], dtype=value["type"]).reshape(value["shape"])
    if "tuple" in value:
        return tuple(_made(one) for one in value["tuple"])
    return {name: _made(one) for name, one in value["names"].items()}


def _write(path: Path, arrays: dict[str, NDArray[Any]]) -> None:
    """Write arrays by temporary file and rename."""
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as out:
            np.savez(out, **arrays)  # type: ignore[arg-type]
        os.replace(name, path)
    finally:
        if os.path.exists(name):
            os.unlink(name)
