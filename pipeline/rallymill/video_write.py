"""Write H.264 and H.265 films, and cut clips out of recordings."""

from __future__ import annotations

import contextlib
import os
import tempfile
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import Literal, cast

import av
import av.error
import numpy as np

from rallymill.errors import InputError
from rallymill.video_frames import moments
from rallymill.video_info import probe

CLOCK_HZ = 90_000
"""Ticks a second of written times; whole for 24, 25, 30, 50, 60 and 1001-type rates' needs."""

DEFAULT_CRF = 20
ENCODERS: dict[str, Literal["libx264"]] = {
    "h264": "libx264",
    # The stubs of the library know the name of one encoder only.
    "h265": cast(Literal["libx264"], "libx265"),
}


class Writer:
    """H.264 or H.265 film in an MP4 whose index stands in front, so that it plays while it loads.

    Frames are (H, W, 3) uint8 BGR of the size given. The film appears under its name only when
    it is closed without an error. Use as a context manager.

    Parameters
    ----------
    path
        Where the film goes; folders are made.
    width, height
        Size in pixels, both even (4:2:0 colour needs that).
    rate
        Nominal frames a second, used for times that are not given.
    crf
        Quality of the encoder, lower is better (0 to 51).
    preset
        Speed of the encoder.
    codec
        ``h264`` or ``h265``.
    most_bits_per_s
        Bound of the rate over a second, None for no bound.

    Raises
    ------
    InputError
        The size is odd or not positive, the codec is another one, or a frame has another size,
        or times do not grow.
    """

    def __init__(
        self,
        path: Path,
        width: int,
        height: int,
        rate: Fraction | float,
        crf: int = DEFAULT_CRF,
        preset: str = "veryfast",
        codec: str = "h264",
        most_bits_per_s: int | None = None,
    ) -> None:
        if codec not in ENCODERS:
            raise InputError(f"codec {codec!r} cannot be written", f"use {', '.join(ENCODERS)}")
        if width < 2 or height < 2 or width % 2 or height % 2:
            raise InputError(
                f"a film of {width} x {height} px cannot be written", "use even numbers"
            )
        self.path = Path(path)
        self.rate = Fraction(rate).limit_denominator(100_000)
        self.size = (height, width)
        self.path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(
            prefix=f".{self.path.name}.", suffix=".part", dir=self.path.parent
        )
        os.close(handle)
        self._part = Path(name)
        self._container = av.open(name, "w", format="mp4", options={"movflags": "faststart"})
        self._stream = self._container.add_stream(ENCODERS[codec], rate=self.rate)
        self._stream.width = width
        self._stream.height = height
        self._stream.pix_fmt = "yuv420p"
        options = {"crf": str(crf), "preset": preset}
        if most_bits_per_s is not None:
            options |= {"maxrate": str(most_bits_per_s), "bufsize": str(most_bits_per_s)}
        if codec == "h265":
            options["x265-params"] = "log-level=none"
            self._stream.codec_context.codec_tag = "hvc1"
        self._stream.options = {**options}
        self._stream.codec_context.time_base = Fraction(1, CLOCK_HZ)
        self._count = 0
        self._last_pts = -1

    def write(self, image: np.ndarray, t_s: float | None = None) -> None:
        """Add a frame at ``t_s`` seconds, or one nominal interval after the one before it."""
        if image.shape != (*self.size, 3) or image.dtype != np.uint8:
            raise InputError(
                f"frame of {image.dtype} {image.shape} in a film of {self.size}", "resize it first"
            )
        if t_s is None:
            pts = round(self._count / self.rate * CLOCK_HZ)
        else:
            pts = round(t_s * CLOCK_HZ)
        if pts <= self._last_pts:
            raise InputError(f"frame at {t_s} s does not come after the last one", "sort the times")
        frame = av.VideoFrame.from_ndarray(np.ascontiguousarray(image), format="bgr24")
        frame = frame.reformat(format="yuv420p")
        frame.pts = pts
        frame.time_base = Fraction(1, CLOCK_HZ)
        for packet in self._stream.encode(frame):
            self._container.mux(packet)
        self._last_pts = pts
        self._count += 1

    def close(self) -> None:
        """Finish the film and put it under its name."""
        for packet in self._stream.encode(None):
            self._container.mux(packet)
        self._container.close()
        os.chmod(self._part, 0o644)
        os.replace(self._part, self.path)

    def discard(self) -> None:
        """Give the film up; nothing stays on disk."""
        # An unfinished film cannot always be closed cleanly, and is not wanted.
        with contextlib.suppress(av.error.FFmpegError, OSError):
            self._container.close()
        self._part.unlink(missing_ok=True)

    def __enter__(self) -> Writer:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if kind is None:
            self.close()
        else:
            self.discard()


def cut(path: Path, start_s: float, end_s: float, out: Path, width_px: int | None = None) -> int:
    """Cut the seconds from ``start_s`` to ``end_s`` of a recording into a clip of its own.

    The clip is encoded again, so it starts exactly there and keeps the times of its frames (the
    first is at 0). Returns the number of frames; no film is written where the span holds none.

    Raises
    ------
    InputError
        The recording cannot be read.
    """
    info = probe(path)
    writer: Writer | None = None
    count = 0
    first_s = 0.0
    try:
        for t_s, image in moments(path, start_s, end_s, width_px):
            even = image[: image.shape[0] // 2 * 2, : image.shape[1] // 2 * 2]
            if writer is None:
                first_s = t_s
                writer = Writer(out, even.shape[1], even.shape[0], info.rate)
            writer.write(even, t_s - first_s)
            count += 1
    except BaseException:
        if writer is not None:
            writer.discard()
        raise
    if writer is not None:
        writer.close()
    return count
