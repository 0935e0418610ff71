"""Small H.264 films that any browser plays, and pieces of them without encoding again.

Films are written without frames that look ahead and with key frames where a piece will start, so
that a piece, or several after each other, are copies of what was encoded once.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import av.error
import numpy as np
from av.video.frame import PictureType

from rallymill.errors import InputError

CLOCK = Fraction(1, 90_000)
CRF = 26
PRESET = "veryfast"
OPTIONS = {"crf": str(CRF), "preset": PRESET, "bf": "0", "forced-idr": "1", "g": "250"}


@contextmanager
def _part_of(path: Path) -> Iterator[Path]:
    """A name beside a file, which takes the file's name if all goes well and is gone otherwise."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
    os.close(handle)
    try:
        yield Path(name)
        os.chmod(name, 0o644)
        os.replace(name, path)
    finally:
        with suppress(FileNotFoundError):
            os.unlink(name)


def encode(
    path: Path, frames: Iterable[tuple[float, np.ndarray]], rate: Fraction | float,
    keys_s: Sequence[float] = (),
) -> float:
    """Write frames, times in seconds and (H, W, 3) BGR with even sides, as a film that starts at 0.

    The first frame at or after each of ``keys_s`` is a key frame. Returns the film's length; 0 and
    no file where there are no frames.

    Raises
    ------
    InputError
        The film cannot be written.
    """
    pending = sorted(keys_s)
    first: float | None = None
    last = 0.0
    try:
        with _part_of(path) as part:
            with av.open(str(part), "w", format="mp4", options={"movflags": "faststart"}) as out:
                stream: Any = None
                for t_s, image in frames:
                    if stream is None:
                        first = t_s
                        stream = _stream(out, image, rate)
                    frame = av.VideoFrame.from_ndarray(
                        np.ascontiguousarray(image), format="bgr24"
                    ).reformat(format="yuv420p")
                    frame.pts = round((t_s - float(first or 0.0)) / CLOCK)
                    frame.time_base = CLOCK
                    if pending and t_s >= pending[0] - 1e-6:
                        frame.pict_type = PictureType.I
                        pending = [key for key in pending if key > t_s + 1e-6]
                    out.mux(stream.encode(frame))
                    last = t_s
                if stream is not None:
                    out.mux(stream.encode(None))
            if first is None:
                raise _NothingError
    except _NothingError:
        return 0.0
    except (OSError, av.error.FFmpegError) as error:
        raise InputError(f"{path.name} cannot be written: {error}", "check the disk") from error
    return last - float(first or 0.0) + 1 / float(rate)


class _NothingError(Exception):
    """There was no frame; the part is given up."""


def _stream(out: Any, image: np.ndarray, rate: Fraction | float) -> Any:
    stream = out.add_stream("libx264", rate=Fraction(rate).limit_denominator(100_000))
    stream.height, stream.width = image.shape[:2]
    stream.pix_fmt = "yuv420p"
    stream.options = dict(OPTIONS)
    stream.codec_context.time_base = CLOCK
    return stream


def join(path: Path, pieces: Sequence[tuple[Path, float, float]]) -> float:
    """Copy pieces of films, each (film, start, end) in seconds, into one film; its length.

    All films are of :func:`encode`, with one size and rate; a piece starts at the key frame at or
    before its start. Pieces without a frame are left out; 0 and no file where nothing is left.

    Raises
    ------
    InputError
        A film cannot be read, or the new one not written.
    """
    shift = 0
    try:
        with _part_of(path) as part:
            with av.open(str(part), "w", format="mp4", options={"movflags": "faststart"}) as out:
                target: Any = None
                for film, start_s, end_s in pieces:
                    with av.open(str(film)) as source:
                        video = source.streams.video[0]
                        if target is None:
                            target = out.add_stream_from_template(video)
                        shift += _copy(source, video, out, target, start_s, end_s, shift)
            if not shift:
                raise _NothingError
    except _NothingError:
        return 0.0
    except (OSError, av.error.FFmpegError) as error:
        raise InputError(
            f"{path.name} cannot be put together: {error}", "cut the clips again"
        ) from error
    return float(shift * CLOCK)


def _copy(
    source: Any, video: Any, out: Any, target: Any, start_s: float, end_s: float, shift: int
) -> int:
    """Copy packets of a span; by how many ticks of the clock the film grew."""
    base = Fraction(video.time_base)
    source.seek(int(start_s / base), stream=video, backward=True)
    begin: int | None = None
    grown = 0
    for packet in source.demux(video):
        if packet.pts is None or packet.dts is None:
            continue
        if begin is None:
            begin = packet.pts
        if packet.pts * base >= end_s:
            break
        at = round((packet.pts - begin) * base / CLOCK)
        step = round((packet.duration or 0) * base / CLOCK)
        packet.pts = packet.dts = shift + at
        packet.duration = step
        packet.time_base = CLOCK
        packet.stream = target
        out.mux(packet)
        grown = max(grown, at + step)
    return grown
