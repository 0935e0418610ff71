"""The detector's weights as exported for processors, run by several threads, a picture each.

The library's own prediction lets all threads look at one picture together. Layers as thin as ours
are too little work to share: two threads then take hardly less time than one. So the library's
backend is kept, but each thread that calls it has a request of its own to a network of as many
streams; what goes in is written once, as the library's own preparation would give it, and what
comes out is looked through once.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from rallymill.stages.detect_boxes import Box
from rallymill.stages.onnx_network import Streams

Picture = NDArray[np.uint8]
Input = NDArray[np.uint8]
Output = NDArray[np.float32]

GREY = 114
"""Level around pictures that do not fill the input, the library's own."""

EIGHT_BIT_KERNELS = "AVX512_CORE_VNNI"
"""The newest instructions that are used in eight bits. Tiles of a matrix (AMX) cost layers as thin
as ours more than they bring: 52 ms a picture with them, 42 without. Older processors use what they
have."""
BESIDE = 1e5
"""Pixels by which boxes of one label are moved away from those of the one before."""


@dataclass(frozen=True)
class Asked:
    """What boxes are asked for: the least confidence, how far they may overlap, how many."""

    least: float
    overlap: float
    most: int


class LevelStreams:
    """Stands in for the library's compiled network: levels in, every thread with its own request.
    """

    def __init__(self, path: Path, threads: int) -> None:
        import openvino
        from openvino.preprocess import PrePostProcessor

        # Levels go in as they are, a quarter of the bytes, and are made numbers from 0 to 1 there.
        prepared = PrePostProcessor(openvino.Core().read_model(str(path)))
        prepared.input().tensor().set_element_type(openvino.Type.u8)
        prepared.input().preprocess().convert_element_type(openvino.Type.f32).scale(255.0)
        # What is not in eight bits is little, and the same on all machines.
        self._streams = Streams(prepared.build(), threads, exact=eight_bits(path))

    def __call__(self, given: Any) -> Any:
        """Outputs of the network, by output."""
        return self._streams.infer({0: given}, share_inputs=True)


def eight_bits(weights: Path) -> bool:
    """Whether weights (an ``.xml`` file) reckon in whole numbers of eight bits."""
    return b"FakeQuantize" in weights.read_bytes()


def backend(exported: Path, threads: int) -> Callable[[Input], Sequence[Output]] | None:
    """The library's backend with exported weights, for several threads at the same time.

    None where the library keeps its compiled network elsewhere than the versions known to us.
    """
    import torch
    from ultralytics.nn.autobackend import AutoBackend

    files = sorted(exported.glob("*.xml"))
    if files and eight_bits(files[0]):
        # Read by OpenVINO's kernels when the first of them is made.
        os.environ.setdefault("ONEDNN_MAX_CPU_ISA", EIGHT_BIT_KERNELS)
    loaded = AutoBackend(str(exported), torch.device("cpu"))
    holder = getattr(loaded, "backend", loaded)
    if not hasattr(holder, "ov_compiled_model") or not files:
        return None
    streams = holder.ov_compiled_model = LevelStreams(files[0], threads)
    if holder is not loaded:
        # Its own makes numbers of the levels first.
        holder.forward = lambda given: list(streams(given.numpy()).values())
    return lambda given: loaded(torch.from_numpy(given)).numpy()


def laid_out(picture: Picture, size: tuple[int, int], into: Input) -> None:
    """Write the levels of a picture (H, W, C) into the input (1, C, *size).

    One of three channels is fitted, put in the middle and its channels turned round, as the library
    does with pictures; one of more channels stands at the top left, as it does with arrays.
    """
    height, width, channels = picture.shape
    levels = [picture[..., k] for k in range(channels)]
    top = left = 0
    around = 0
    if channels == 3:
        levels.reverse()
        around = GREY
        ratio = min(size[0] / height, size[1] / width)
        fitted = max(round(height * ratio), 1), max(round(width * ratio), 1)
        if fitted != (height, width):
            levels = [_resized(level, fitted) for level in levels]
            height, width = fitted
        top = round((size[0] - height) / 2 - 0.1)
        left = round((size[1] - width) / 2 - 0.1)
    into[:, :, :top] = into[:, :, top + height :] = around
    into[..., :left] = into[..., left + width :] = around
    for level, plane in zip(levels, into[0], strict=True):
        plane[top : top + height, left : left + width] = level


def apart(found: Output, asked: Asked) -> Output:
    """Of what the network says of each of N places, the boxes that are asked for, surest first.

    ``found`` (4 + labels, N) holds for each place the middle, width and height of a box and how
    sure each label is. What comes back has a row for each box: its corners x1 y1 x2 y2, its
    confidence, the number of its label. A box is left out where a surer one of its label overlaps
    it too far. The library's own way, with the same result, asks all threads to help with work
    that is hardly any, once nearly all places, which say nothing, are left out.
    """
    found = found[:, found[4:].max(axis=0) > asked.least].astype(float)
    label, score = found[4:].argmax(axis=0), found[4:].max(axis=0)
    low = found[:2] - found[2:4] / 2
    # Boxes of different labels lie in different places, as far as overlapping goes.
    beside = low + BESIDE * label
    kept = cv2.dnn.NMSBoxes(
        np.vstack([beside, found[2:4]]).T.tolist(), score.tolist(), 0.0, asked.overlap
    )
    first = np.asarray(kept, dtype=int).ravel()[: asked.most]
    rows = np.vstack([low, low + found[2:4], score, label]).T
    return rows[first].astype(np.float32)


def _resized(level: Picture, size: tuple[int, int]) -> Picture:
    wide = cv2.resize(np.ascontiguousarray(level), size[::-1], interpolation=cv2.INTER_LINEAR)
    return np.asarray(wide, np.uint8)


class FittedDetector:
    """Finds boxes in pictures that are fitted into one size; may be called by several threads.

    ``network`` takes levels (N, C, *size) of at most ``together`` pictures and says, for each of
    them, what it finds at all places or at those that say something (see :func:`apart`).
    """

    def __init__(
        self, network: Callable[[Input], Sequence[Output]], size: tuple[int, int],
        labels: tuple[str, ...], asked: Asked, together: int = 1,
    ) -> None:
        self._network, self._size, self._labels, self._asked = network, size, labels, asked
        self.together = together
        self._own = threading.local()

    def __call__(self, pictures: list[Picture]) -> list[list[Box]]:
        """Boxes of pictures (H, W, C) in their pixels."""
        found = []
        for first in range(0, len(pictures), self.together):
            part = pictures[first : first + self.together]
            # What is looked at is always of one shape, for which a card gets ready once.
            said = self._network(self._input(part))[: len(part)]
            found += [self._boxes(*pair) for pair in zip(part, said, strict=True)]
        return found

    def _boxes(self, picture: Picture, said: Output) -> list[Box]:
        from ultralytics.utils import ops

        rows = apart(said, self._asked)
        shape = picture.shape[:2] if picture.shape[2] == 3 else self._size
        ops.scale_boxes(self._size, rows[:, :4], shape)
        return [
            Box(self._labels[int(label)], x1, y1, x2, y2, score)
            for x1, y1, x2, y2, score, label in rows.tolist()
        ]

    def _input(self, pictures: Sequence[Picture]) -> Input:
        shape = (self.together, pictures[0].shape[2], *self._size)
        into: Input | None = getattr(self._own, "input", None)
        if into is None or into.shape != shape:
            into = self._own.input = np.zeros(shape, np.uint8)
        for k, picture in enumerate(pictures):
            laid_out(picture, self._size, into[k : k + 1])
        return into
