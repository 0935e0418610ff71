"""What the detector is given: every frame of some chunks with the moments around it, in one pass.

Frames are decoded once; each is used for all pictures that it belongs to.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from rallymill import motion_picture, video
from rallymill.camera import Camera
from rallymill.stages.ahead import in_order
from rallymill.stages.checkpoints import Chunk
from rallymill.stages.detect_ask import Rhythm

Picture = NDArray[np.uint8]
Matrix = NDArray[np.float64]
Todo = list[tuple[int, Chunk]]
"""Chunks that are wanted, each with the frames from one moment to the next."""
Item = TypeVar("Item")
REACH = max(motion_picture.MOMENTS)
"""Steps in time to the farthest moment that is looked at."""
BEFORE_AT_AFTER = slice(motion_picture.MIDDLE - 1, motion_picture.MIDDLE + 2)
Cameras = Mapping[int, Camera | None]
"""Cameras by frame."""


@dataclass(frozen=True)
class Looked:
    """A decoded frame in the shades that are looked at, and as stored where it may be asked for."""

    frame: int
    t_s: float
    scale: float
    shades: motion_picture.Moment
    camera: Camera | None
    image: Picture | None


@dataclass(frozen=True)
class Seen:
    """A frame with the five moments around it.

    ``matrices`` take the pixels of each moment to those of the frame in the middle, where the
    camera moved (else None).
    """

    around: list[Looked]
    matrices: list[Matrix | None]
    channels: int

    @cached_property
    def picture(self) -> Picture:
        """What the network is given (H, W, channels); made by whichever thread asks for it first.
        """
        if self.channels == 3:
            # Levels lie in memory one after the other, as a network wants them.
            levels = np.stack([m.shades.grey for m in self.around[BEFORE_AT_AFTER]])
            return levels.transpose(1, 2, 0)
        return motion_picture.motion_picture(self.moments, self.matrices)

    @property
    def at(self) -> Looked:
        """The frame itself."""
        return self.around[motion_picture.MIDDLE]

    @property
    def moments(self) -> list[motion_picture.Moment]:
        """Its moments in the shades that are looked at."""
        return [one.shades for one in self.around]


def frame_step(spacing_s: float, interval_s: float) -> int:
    """Frames to the neighbours that are about ``interval_s`` away, at a spacing of frames."""
    return max(1, round(interval_s / spacing_s)) if spacing_s > 0 else 1


def moments_around(items: Iterable[Item], step: int) -> Iterator[list[Item]]:
    """For each item of a stretch, the items at the five moments around it.

    A moment beyond an end of the stretch is replaced by the item in the middle.
    """
    reach = REACH * step
    window: deque[Item] = deque(maxlen=2 * reach + 1)
    taken = 0
    stream = iter(items)
    for item in stream:
        window.append(item)
        taken += 1
        if taken > reach:
            yield _moments(window, len(window) - 1 - reach, step)
    for at in range(len(window) - min(reach, taken), len(window)):
        yield _moments(window, at, step)


def _moments(window: Sequence[Item], at: int, step: int) -> list[Item]:
    places = [at + step * offset for offset in motion_picture.MOMENTS]
    return [window[place if 0 <= place < len(window) else at] for place in places]


def merged_spans(spans: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Spans in order of their first frame; those that overlap or touch become one."""
    merged: list[tuple[int, int]] = []
    for first, last in spans:
        if merged and first <= merged[-1][1] + 1:
            merged[-1] = (merged[-1][0], max(last, merged[-1][1]))
        else:
            merged.append((first, last))
    return merged


def pictures(
    stream: Iterator[video.Frame], todo: Todo, cameras: Cameras, channels: int,
    input_width_px: int, rhythms: Mapping[int, Rhythm], ahead: int = 0,
) -> Iterator[Seen]:
    """Yield every decoded frame of the chunks with the moments around it.

    Chunks of a view that follow each other are one stretch, in which each frame is used for all
    pictures that it belongs to; a view is never looked at across its ends. ``rhythms`` tells by the
    first frame of a view for which of its frames the stored image is kept. Shades are made by
    ``ahead`` other threads, if any.
    """
    def shades(frame: video.Frame) -> motion_picture.Moment:
        height, stored = frame.image.shape[:2]
        width = input_width_px
        if channels != 3:
            width = motion_picture.fitted_width(stored, height)
        return motion_picture.moment(frame.image, width)

    shaded = (
        in_order(stream, shades, ahead, 2 * ahead) if ahead
        else ((frame, shades(frame)) for frame in stream)
    )
    held = next(shaded, None)

    def of_stretch(last: int, rhythm: Rhythm | None) -> Iterator[Looked]:
        nonlocal held
        while held is not None and held[0].index <= last:
            frame, shown = held
            scale = frame.image.shape[1] / shown.grey.shape[1]
            kept = frame.image if rhythm is not None and rhythm.may_look(frame.index) else None
            yield Looked(
                frame.index, frame.t_s, scale, shown, cameras.get(frame.index), kept
            )
            held = next(shaded, None)

    for step, last, view_first in stretches(todo):
        for around in moments_around(of_stretch(last, rhythms.get(view_first)), step):
            at = around[motion_picture.MIDDLE]
            width = at.shades.grey.shape[1]
            matrices = [motion_picture.alignment(at.camera, m.camera, width) for m in around]
            yield Seen(around, matrices, channels)


@dataclass(frozen=True)
class Together:
    """Frames of a chunk that are looked at together; ``ends`` with the last of the chunk."""

    chunk: Chunk
    seen: list[Seen]
    ends: bool


def together(whole: Iterator[Seen], chunks: Sequence[Chunk], most: int) -> Iterator[Together]:
    """Frames of chunks, at most so many together; those between chunks are left out.

    What is together ends with a chunk, so that it does not depend on which chunks were done before.
    Each chunk ends once, even where the stream has no frame of it.
    """
    item = next(whole, None)
    for chunk in chunks:
        seen: list[Seen] = []
        while item is not None and item.at.frame <= chunk.last:
            if len(seen) == most:
                yield Together(chunk, seen, False)
                seen = []
            if item.at.frame >= chunk.first:
                seen.append(item)
            item = next(whole, None)
        yield Together(chunk, seen, True)


def stretches(todo: Todo) -> list[tuple[int, int, int]]:
    """Runs of chunks whose decoded frames follow each other: step, last frame, start of view."""
    found: list[tuple[int, int, int]] = []
    before: Chunk | None = None
    reach = -1
    for step, chunk in todo:
        first, last = chunk.with_neighbours(REACH * step)
        same_view = before is not None and before.view_first == chunk.view_first
        if same_view and first <= reach + 1:
            found[-1] = (step, last, chunk.view_first)
        else:
            found.append((step, last, chunk.view_first))
        before, reach = chunk, last
    return found
