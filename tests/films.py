"""Small films for tests, made on the spot: plain, damaged and unusual ones."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from pathlib import Path

import av
import numpy as np

CLOCK_HZ = 90_000
TICK = Fraction(1, CLOCK_HZ)


def picture(index: int, width: int = 160, height: int = 120) -> np.ndarray:
    """Grey picture with a white bar whose left edge stands at ``4 * index`` and a red top left."""
    image = np.full((height, width, 3), 60, np.uint8)
    left = 4 * index % width
    image[height // 2 : height // 2 + 16, left : left + 16] = 255
    image[:24, :24] = (0, 0, 255)
    return image


def film(
    path: Path,
    n: int = 30,
    rate: Fraction | int = 25,
    size: tuple[int, int] = (160, 120),
    times_s: Sequence[float] | None = None,
    rotation_deg: int = 0,
    aspect: Fraction | None = None,
    interlaced: str = "",
    faststart: bool = True,
    container: str | None = None,
    keyframe_every: int = 12,
    images: Sequence[np.ndarray] | None = None,
    options: Mapping[str, str] | None = None,
) -> Path:
    """Write a film with PyAV itself, so that the package's own writer is not what is tested.

    ``interlaced`` is "tff" or "bff": the top (even) or the bottom lines of a frame come first.
    """
    width, height = size
    flags = {"movflags": "faststart"} if faststart and path.suffix == ".mp4" else {}
    with av.open(str(path), "w", format=container, options=flags) as out:
        stream = out.add_stream("libx264", rate=Fraction(rate))
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
        stream.options = {"crf": "12", "preset": "ultrafast"}
        stream.codec_context.gop_size = keyframe_every
        stream.codec_context.time_base = TICK
        if aspect is not None:
            stream.codec_context.sample_aspect_ratio = aspect
        if rotation_deg:
            stream.set_display_rotation(rotation_deg)
        if options:
            stream.options = {**stream.options, **options}
        if interlaced:
            stream.options = {"crf": "12", "preset": "ultrafast", "flags": "+ildct+ilme"}
            marker = av.filter.Graph()
            marker.link_nodes(
                marker.add_buffer(width=width, height=height, format="yuv420p", time_base=TICK),
                marker.add("setfield", interlaced),
                marker.add("buffersink"),
            ).configure()
        for index in range(n):
            image = images[index] if images is not None else picture(index, width, height)
            frame = av.VideoFrame.from_ndarray(image, format="bgr24").reformat(format="yuv420p")
            t_s = times_s[index] if times_s is not None else float(index / Fraction(rate))
            frame.pts, frame.time_base = round(t_s * CLOCK_HZ), TICK
            if interlaced:
                marker.vpush(frame)
                frame = marker.vpull()
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    return path


def sound_only(path: Path) -> Path:
    """A file with a second of silence and no picture."""
    with av.open(str(path), "w") as out:
        stream = out.add_stream("aac", rate=44_100)
        stream.layout = "mono"
        for block in range(40):
            frame = av.AudioFrame.from_ndarray(
                np.zeros((1, 1024), np.float32), format="fltp", layout="mono"
            )
            frame.sample_rate, frame.pts = 44_100, block * 1024
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    return path


def cut_short(path: Path, share: float, to: Path) -> Path:
    """Copy the first part of a file only."""
    data = path.read_bytes()
    to.write_bytes(data[: int(len(data) * share)])
    return to
