"""Decode a recording into upright frames with square pixels and true presentation times."""

from __future__ import annotations

import logging
import queue
import threading
import weakref
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType

import numpy as np

from rallymill.errors import InputError
from rallymill.video_decode import Clock, Painter, ReadReport, decode, timing
from rallymill.video_info import REMEDY_COPY, REMEDY_EXPORT, open_video
from rallymill.video_search import SEARCH_MARGIN_S, known_stamps, numbered

log = logging.getLogger(__name__)

PREFETCH = 6
"""Frames that may wait between the decoding thread and the consumer."""

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


class _Wanted:
    """Which frame numbers are wanted: asked for growing numbers, forgets spans that are over."""

    def __init__(self, spans: Sequence[Span] | None, every: int) -> None:
        self.every = every
        self.spans = None if spans is None else sorted((int(a), int(b)) for a, b in spans)
        self.all_spans = None if self.spans is None else tuple(self.spans)
        self.last = None if self.spans is None else max((b for _, b in self.spans), default=-1)

    def __call__(self, index: int) -> bool:
        if self.spans is None:
            return index % self.every == 0
        while self.spans and self.spans[0][1] < index:
            del self.spans[0]
        for first, last in self.spans:
            if first > index:
                return False
            if index <= last and (index - first) % self.every == 0:
                return True
        return False


def _produce(
    path: Path,
    wanted: _Wanted,
    width_px: int | None,
    report: ReadReport,
    put: Callable[[object], bool],
) -> None:
    """Decode and hand over frames until the end, an error, or until ``put`` says stop."""
    start_s, step_s, aspect = timing(path)
    clock = Clock(start_s, step_s)
    painter = Painter(aspect, width_px)
    for index, decoded in numbered(path, wanted.all_spans, report):
        t_s, repaired = clock.read(decoded)
        report.n_decoded += 1
        report.n_repaired_times += repaired
        report.last_t_s = t_s
        if wanted(index) and not put(Frame(index, t_s, painter.paint(decoded), repaired)):
            return
        if wanted.last is not None and index >= wanted.last:
            return
    if report.n_decoded == 0 and known_stamps(path) is None:
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


_collectors: list[list[ReadReport]] = []


@contextmanager
def collect_reports() -> Iterator[list[ReadReport]]:
    """Reports of all recordings that are decoded meanwhile in this process."""
    collected: list[ReadReport] = []
    _collectors.append(collected)
    try:
        yield collected
    finally:
        _collectors.remove(collected)


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
        ends after the last of them. Once a pass over all has counted the frames in this process,
        long stretches between spans are not decoded.
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
    wanted = _Wanted(spans, every)
    report = ReadReport()
    for collected in _collectors:
        collected.append(report)

    def produce(put: Callable[[object], bool]) -> None:
        if wanted.last is None or wanted.last >= 0:
            _produce(path, wanted, width_px, report, put)

    return FrameStream(produce, report)


def moments(
    path: Path, start_s: float, end_s: float, width_px: int | None = None
) -> Iterator[tuple[float, np.ndarray]]:
    """Times and pictures of a recording between two times, without decoding what stands before.

    Where the file cannot be searched, or the search lands too late, it is decoded from its start.
    Frames have no numbers here, since only counting from the start gives them.

    Raises
    ------
    InputError
        The file cannot be read as a video.
    """
    path = Path(path)
    begin_s, step_s, aspect = timing(path)
    painter = Painter(aspect, width_px)
    # A little earlier than asked for, since pictures before a key frame may lack their references.
    for from_s in (max(0.0, start_s - SEARCH_MARGIN_S), 0.0):
        clock = Clock(begin_s, step_s)
        first = True
        for decoded in decode(path, ReadReport(), from_s):
            t_s, _ = clock.read(decoded)
            if first and from_s > 0.0 and t_s > start_s:
                break
            first = False
            if t_s > end_s:
                return
            if t_s >= start_s:
                yield t_s, painter.paint(decoded)
        else:
            return
