"""Frames by number without decoding all that stands before, once a recording has been counted.

Only decoding from the start makes frame numbers certain. A pass that does so to the end remembers
the presentation stamp of every frame; later passes look a span up by the stamp of its first frame,
decode from the key frame before it, and number what comes by stamp. Where a stamp is not among the
remembered ones the span is counted from the start again. What one process remembers another may be
told.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator, Sequence
from pathlib import Path

import av.video.frame
import numpy as np

from rallymill.video_decode import ReadReport, decode, start_of

log = logging.getLogger(__name__)

SEARCH_GAP_FRAMES = 400
"""Unwanted frames between two spans from which on a search pays; key frames are 10 s apart at
most in what cameras and stations write (common practice, no source)."""

SEARCH_MARGIN_S = 1.0
"""Begin so much earlier, since pictures around a key frame may lack what they refer to."""

MOST_REMEMBERED = 8

Numbered = tuple[int, av.video.frame.VideoFrame]
_stamps: dict[tuple[str, int, int], np.ndarray] = {}


def _key(path: Path) -> tuple[str, int, int]:
    stat = path.stat()
    return str(path.resolve()), stat.st_size, stat.st_mtime_ns


def known_stamps(path: Path) -> np.ndarray | None:
    """Stamps (N,) of all frames of a recording that was counted by now, else None."""
    return _stamps.get(_key(path))


def tell_stamps(path: Path, stamps: np.ndarray) -> bool:
    """Remember the stamps (N,) that another process counted; False if they cannot be such."""
    given = np.asarray(stamps)
    if given.ndim != 1 or given.dtype != np.int64 or not len(given) or (np.diff(given) <= 0).any():
        return False
    _keep(path, given)
    return True


def _remember(path: Path, stamps: list[int | None], report: ReadReport) -> None:
    """Keep the stamps of a full pass if each frame has its own and they grow."""
    if report.interlaced or None in stamps or not stamps:
        return
    found = np.array(stamps, dtype=np.int64)
    if np.all(np.diff(found) > 0):
        _keep(path, found)


def _keep(path: Path, stamps: np.ndarray) -> None:
    while len(_stamps) >= MOST_REMEMBERED:
        del _stamps[next(iter(_stamps))]
    _stamps[_key(path)] = stamps


def numbered(
    path: Path, spans: Sequence[tuple[int, int]] | None, report: ReadReport
) -> Iterator[Numbered]:
    """Frames with their numbers: all, or at least those of the spans (sorted), in order."""
    stamps = None if spans is None else known_stamps(path)
    if spans is None or stamps is None:
        yield from _counted(path, report)
        return
    for first, last in stretches(spans, len(stamps)):
        yield from _looked_up(path, stamps, first, last, report)


def _counted(path: Path, report: ReadReport) -> Iterator[Numbered]:
    stamps: list[int | None] = []
    for index, frame in enumerate(decode(path, report)):
        stamps.append(frame.pts)
        yield index, frame
    _remember(path, stamps, report)


def stretches(spans: Sequence[tuple[int, int]], n_frames: int) -> list[tuple[int, int]]:
    """Spans, sorted, joined where the gap between them is too short for a search to pay."""
    joined: list[tuple[int, int]] = []
    for first, last in spans:
        last = min(last, n_frames - 1)
        if first > last:
            continue
        if joined and first - joined[-1][1] <= SEARCH_GAP_FRAMES:
            joined[-1] = (joined[-1][0], max(last, joined[-1][1]))
        else:
            joined.append((first, last))
    if joined and joined[0][0] <= SEARCH_GAP_FRAMES:
        joined[0] = (0, joined[0][1])
    return joined


def _looked_up(
    path: Path, stamps: np.ndarray, first: int, last: int, report: ReadReport
) -> Iterator[Numbered]:
    start, time_base = start_of(path)
    from_s = float((int(stamps[first]) - (start or 0)) * time_base) - SEARCH_MARGIN_S
    following = first
    for frame in decode(path, report, max(0.0, from_s)):
        index = -1 if frame.pts is None else int(np.searchsorted(stamps, frame.pts))
        there = 0 <= index < len(stamps) and int(stamps[index]) == frame.pts
        if there and index < following:
            continue
        if not there or index != following:
            log.debug("%s: frame %d not found by its stamp, counting again", path.name, following)
            break
        yield index, frame
        following = index + 1
        if index >= last:
            return
    for index, frame in _counted(path, report):
        if index >= following:
            yield index, frame
        if index >= last:
            return
