"""Decode stored frames in order: their times, their fields, and how they become pictures."""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import av.error
import av.filter
import av.video.frame
import cv2
import numpy as np
from av.video.reformatter import Interpolation

from rallymill.errors import InputError
from rallymill.video_info import (
    REMEDY_COPY,
    SNIFF_FRAMES,
    is_interlaced,
    nominal_rate,
    open_video,
    pixel_aspect,
    square_size,
    tick,
)

log = logging.getLogger(__name__)

MAX_BAD_PACKETS = 500
"""Undecodable packets that are passed over in any case; more only while more frames come out."""


_threads = 0


def set_threads(count: int) -> None:
    """Threads that each decoder of this process may use from now on; 0 leaves it to the codec."""
    global _threads
    _threads = count


@dataclass
class ReadReport:
    """What happened while a recording was decoded; complete once the frames have ended."""

    n_decoded: int = 0
    n_bad_packets: int = 0
    n_repaired_times: int = 0
    ended_early: bool = False
    interlaced: bool = False
    last_t_s: float = 0.0


def rotate(image: np.ndarray, rotation_deg: int) -> np.ndarray:
    """Turn a picture counter-clockwise by a multiple of 90 degrees."""
    turns = rotation_deg // 90 % 4
    codes = {1: cv2.ROTATE_90_COUNTERCLOCKWISE, 2: cv2.ROTATE_180, 3: cv2.ROTATE_90_CLOCKWISE}
    return cv2.rotate(image, codes[turns]) if turns else image


class Clock:
    """Presentation times in seconds from the stream's start, growing, repaired where missing."""

    def __init__(self, start_s: float | None, step_s: float) -> None:
        self.start_s = start_s
        self.step_s = step_s
        self.last_s: float | None = None

    def read(self, frame: av.video.frame.VideoFrame) -> tuple[float, bool]:
        """Time of a frame and whether it had to be repaired."""
        raw = None
        if frame.pts is not None and frame.time_base:
            raw = float(frame.pts * Fraction(frame.time_base))
            if self.start_s is None:
                self.start_s = raw
            raw -= self.start_s
        repaired = raw is None or (self.last_s is not None and raw <= self.last_s)
        if repaired or raw is None:
            raw = 0.0 if self.last_s is None else self.last_s + self.step_s
        self.last_s = raw
        return raw, repaired


class Fields:
    """Makes two full frames of every interlaced one, each at its own time."""

    def __init__(self, template: Any) -> None:
        self.graph = av.filter.Graph()
        source = self.graph.add_buffer(template=template)
        weave = self.graph.add("bwdif", "mode=send_field:deint=all")
        sink = self.graph.add("buffersink")
        source.link_to(weave)
        weave.link_to(sink)
        self.graph.configure()

    def push(self, frame: av.video.frame.VideoFrame | None) -> Iterator[av.video.frame.VideoFrame]:
        """Frames that are ready after one more stored frame (None at the end)."""
        self.graph.vpush(frame)
        while True:
            try:
                yield self.graph.vpull()
            except (av.error.BlockingIOError, av.error.EOFError):
                return


class Painter:
    """Turns decoded frames into upright BGR pictures with square pixels of the size asked for."""

    def __init__(self, aspect: Fraction, width_px: int | None) -> None:
        self.aspect = aspect
        self.width_px = width_px

    def paint(self, frame: av.video.frame.VideoFrame) -> np.ndarray:
        """Picture (H, W, 3) uint8 BGR of a decoded frame."""
        rotation = round(frame.rotation / 90) * 90 % 360
        width, height = square_size(frame.width, frame.height, self.aspect)
        sideways = bool(rotation % 180)
        if self.width_px is not None:
            scale = self.width_px / (height if sideways else width)
            width, height = max(2, round(width * scale)), max(2, round(height * scale))
        shrinks = width * height < 0.9 * frame.width * frame.height
        small = frame.reformat(
            width=width,
            height=height,
            format="bgr24",
            interpolation=Interpolation.AREA if shrinks else Interpolation.BICUBIC,
        )
        image = rotate(small.to_ndarray(), rotation)
        return np.ascontiguousarray(image)


def decode(
    path: Path, report: ReadReport, from_s: float = 0.0
) -> Iterator[av.video.frame.VideoFrame]:
    """Frames of a recording in order of presentation; deinterlaced where it is interlaced.

    With ``from_s`` they begin at or before that time if the file can be searched, else at the
    start.
    """
    container, stream = open_video(path)
    with container:
        stream.thread_type = "AUTO"
        stream.codec_context.thread_count = _threads
        if from_s > 0.0:
            start = stream.start_time or 0
            with contextlib.suppress(av.error.FFmpegError):
                container.seek(start + int(from_s / tick(stream)), stream=stream)
        held: list[av.video.frame.VideoFrame] = []
        fields: Fields | None = None
        settled = False
        for frame in _decode_stored(path, container, stream, report):
            if not settled:
                held.append(frame)
                if len(held) < SNIFF_FRAMES:
                    continue
                settled = True
                report.interlaced = is_interlaced(held)
                fields = Fields(stream) if report.interlaced else None
                ready, held = held, []
            else:
                ready = [frame]
            for one in ready:
                yield from fields.push(one) if fields else (one,)
        if held:
            report.interlaced = is_interlaced(held)
            fields = Fields(stream) if report.interlaced else None
        for one in held:
            yield from fields.push(one) if fields else (one,)
        if fields:
            yield from fields.push(None)


def _decode_stored(
    path: Path, container: Any, stream: Any, report: ReadReport
) -> Iterator[av.video.frame.VideoFrame]:
    packets = container.demux(stream)
    n_good = 0
    while True:
        try:
            packet = next(packets)
        except StopIteration:
            return
        except av.error.FFmpegError as error:
            report.ended_early = True
            log.warning("%s ends early, what is there was read: %s", path.name, error)
            return
        try:
            for frame in packet.decode():
                n_good += 1
                yield frame
        except av.error.FFmpegError as error:
            report.n_bad_packets += 1
            log.debug("%s: a packet at %s cannot be decoded: %s", path.name, packet.pts, error)
            if report.n_bad_packets > max(MAX_BAD_PACKETS, n_good):
                raise InputError(
                    f"{path.name}: more of it is damaged than can be read", REMEDY_COPY
                ) from error


def start_of(path: Path) -> tuple[int | None, Fraction]:
    """Stamp at which the stream starts (None: not said), and seconds a tick."""
    container, stream = open_video(path)
    with container:
        return stream.start_time, tick(stream)


def timing(path: Path) -> tuple[float | None, float, Fraction]:
    """Start of the stream in seconds (None: not said), frame interval, and pixel aspect."""
    container, stream = open_video(path)
    with container:
        start = stream.start_time
        start_s = None if start is None else float(start * tick(stream))
        return start_s, 1.0 / float(nominal_rate(stream)), pixel_aspect(stream)
