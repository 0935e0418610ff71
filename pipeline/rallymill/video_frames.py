"""Decode a recording into upright frames with square pixels and true presentation times."""

from __future__ import annotations

import logging
import queue
import threading
import weakref
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from types import TracebackType
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
    REMEDY_EXPORT,
    SNIFF_FRAMES,
    is_interlaced,
    nominal_rate,
    open_video,
    pixel_aspect,
    square_size,
)

log = logging.getLogger(__name__)

PREFETCH = 6
"""Frames that may wait between the decoding thread and the consumer."""

MAX_BAD_PACKETS = 500
"""Undecodable packets that are passed over before the recording counts as unreadable."""

POLL_S = 0.05
JOIN_S = 2.0

Span = tuple[int, int]


@dataclass(frozen=True)
class Frame:
    """A decoded frame.

    ``index`` counts decoded frames of the recording from 0, whatever the spans, size or step
    asked for. ``t_s`` is the presentation time from the start of the stream; it grows from frame
    to frame. ``image`` is (H, W, 3) uint8 BGR, upright, with square pixels. ``repaired`` is true
    where the file gave no usable time and the nominal frame interval stood in.
    """

    index: int
    t_s: float
    image: np.ndarray
    repaired: bool = False


@dataclass
class ReadReport:
    """What happened while a recording was decoded; complete once the frames have ended."""

    n_decoded: int = 0
    n_bad_packets: int = 0
    n_repaired_times: int = 0
    ended_early: bool = False
    last_t_s: float = 0.0


def rotate(image: np.ndarray, rotation_deg: int) -> np.ndarray:
    """Turn a picture counter-clockwise by a multiple of 90 degrees."""
    turns = rotation_deg // 90 % 4
    codes = {1: cv2.ROTATE_90_COUNTERCLOCKWISE, 2: cv2.ROTATE_180, 3: cv2.ROTATE_90_CLOCKWISE}
    return cv2.rotate(image, codes[turns]) if turns else image


class _Clock:
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


class _Fields:
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


class _Painter:
    """Turns decoded frames into upright BGR pictures with square pixels of the size asked for."""

    def __init__(self, aspect: Fraction, width_px: int | None) -> None:
        self.aspect = aspect
        self.width_px = width_px

    def paint(self, frame: av.video.frame.VideoFrame) -> np.ndarray:
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


def _wanted(spans: Sequence[Span] | None, every: int) -> tuple[Callable[[int], bool], int | None]:
    """Test for wanted frame numbers, and the last of them (None: no end)."""
    if spans is None:
        return (lambda index: index % every == 0), None
    ordered = sorted((int(first), int(last)) for first, last in spans)

    def wanted(index: int) -> bool:
        return any(
            first <= index <= last and (index - first) % every == 0 for first, last in ordered
        )

    return wanted, max((last for _, last in ordered), default=-1)


def _decode(path: Path, report: ReadReport) -> Iterator[av.video.frame.VideoFrame]:
    """Frames of a recording in order of presentation; deinterlaced where it is interlaced."""
    container, stream = open_video(path)
    with container:
        stream.thread_type = "AUTO"
        held: list[av.video.frame.VideoFrame] = []
        fields: _Fields | None = None
        settled = False
        for frame in _decode_stored(path, container, stream, report):
            if not settled:
                held.append(frame)
                if len(held) < SNIFF_FRAMES:
                    continue
                settled = True
                fields = _Fields(stream) if is_interlaced(held) else None
                ready, held = held, []
            else:
                ready = [frame]
            for one in ready:
                yield from fields.push(one) if fields else (one,)
        if held and is_interlaced(held):
            fields = _Fields(stream)
        for one in held:
            yield from fields.push(one) if fields else (one,)
        if fields:
            yield from fields.push(None)


def _decode_stored(
    path: Path, container: Any, stream: Any, report: ReadReport
) -> Iterator[av.video.frame.VideoFrame]:
    packets = container.demux(stream)
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
            yield from packet.decode()
        except av.error.FFmpegError as error:
            report.n_bad_packets += 1
            log.debug("%s: a packet at %s cannot be decoded: %s", path.name, packet.pts, error)
            if report.n_bad_packets > MAX_BAD_PACKETS:
                raise InputError(
                    f"{path.name}: more than {MAX_BAD_PACKETS} damaged stretches", REMEDY_COPY
                ) from error


def _produce(
    path: Path,
    wanted: Callable[[int], bool],
    last: int | None,
    width_px: int | None,
    report: ReadReport,
    put: Callable[[object], bool],
) -> None:
    """Decode and hand over frames until the end, an error, or until ``put`` says stop."""
    container, stream = open_video(path)
    with container:
        aspect = pixel_aspect(stream)
        rate = nominal_rate(stream)
        start_s = (
            float(stream.start_time * stream.time_base) if stream.start_time is not None else None
        )
    clock = _Clock(start_s, 1.0 / float(rate))
    painter = _Painter(aspect, width_px)
    for index, decoded in enumerate(_decode(path, report)):
        t_s, repaired = clock.read(decoded)
        report.n_decoded = index + 1
        report.n_repaired_times += repaired
        report.last_t_s = t_s
        if wanted(index) and not put(Frame(index, t_s, painter.paint(decoded), repaired)):
            return
        if last is not None and index >= last:
            return
    if report.n_decoded == 0:
        raise InputError(
            f"{path.name}: no frame of it can be decoded", f"{REMEDY_COPY}, or {REMEDY_EXPORT}"
        )
    if report.n_bad_packets:
        log.warning("%s: %d damaged packets passed over", path.name, report.n_bad_packets)


class _Pump:
    """The decoding thread's side: a bounded queue that can be told to stop."""

    def __init__(self) -> None:
        self.queue: queue.Queue[object] = queue.Queue(maxsize=PREFETCH)
        self.stop = threading.Event()

    def put(self, item: object) -> bool:
        """Hand over an item; False once the consumer has stopped."""
        while not self.stop.is_set():
            try:
                self.queue.put(item, timeout=POLL_S)
            except queue.Full:
                continue
            return True
        return False

    def work(self, produce: Callable[[Callable[[object], bool]], None]) -> None:
        """Run ``produce``; whatever happens, the consumer gets its error or an end mark."""
        end: object = None
        try:
            produce(self.put)
        except BaseException as error:
            # Handed over and raised again in the consumer, so that nothing is lost with the thread.
            end = error
        finally:
            self.put(end)


class FrameStream(Iterator[Frame]):
    """Frames decoded ahead in a thread; ends the thread when closed, at the end, or on an error.

    ``report`` tells how many frames were decoded, how many packets were passed over and whether
    the file ends early. Closing twice does no harm.
    """

    def __init__(
        self, produce: Callable[[Callable[[object], bool]], None], report: ReadReport
    ) -> None:
        self.report = report
        self._pump = _Pump()
        self._thread = threading.Thread(
            target=self._pump.work, args=(produce,), name="decode", daemon=True
        )
        self._ended = False
        # The thread knows the pump only, so that an abandoned stream can be collected and stopped.
        self._finalizer = weakref.finalize(self, self._pump.stop.set)
        self._thread.start()

    def __iter__(self) -> FrameStream:
        return self

    def __next__(self) -> Frame:
        if self._ended:
            raise StopIteration
        item = self._pump.queue.get()
        if isinstance(item, Frame):
            return item
        self.close()
        if isinstance(item, BaseException):
            raise item
        raise StopIteration

    def close(self) -> None:
        """Stop decoding and wait for the thread to end."""
        self._ended = True
        self._pump.stop.set()
        if self._thread is not threading.current_thread():
            self._thread.join(JOIN_S)

    def __enter__(self) -> FrameStream:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def frames(
    path: Path,
    spans: Sequence[Span] | None = None,
    width_px: int | None = None,
    every: int = 1,
) -> FrameStream:
    """Frames of a recording, decoded ahead in a thread.

    Parameters
    ----------
    path
        The recording.
    spans
        First and last frame numbers, both included, of what is wanted; None means all. Decoding
        ends after the last of them.
    width_px
        Width of the pictures given; the height follows. None means full size. Small pictures are
        scaled while the colours are converted, which is cheap.
    every
        Give each ``every``-th frame only, counted from the start of the recording or the span.

    Raises
    ------
    InputError
        The file cannot be read as a video (at once), or no frame of it can be decoded, or too
        many packets are damaged (while iterating).
    """
    path = Path(path)
    if every < 1:
        raise ValueError(f"every must be at least 1, is {every}")
    container, _ = open_video(path)
    container.close()
    wanted, last = _wanted(spans, every)
    report = ReadReport()

    def produce(put: Callable[[object], bool]) -> None:
        if last is None or last >= 0:
            _produce(path, wanted, last, width_px, report, put)

    return FrameStream(produce, report)
