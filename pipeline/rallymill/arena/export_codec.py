"""Send a few frames through a real video codec, so that training pictures look like film."""

from __future__ import annotations

import io
import logging
from collections.abc import Sequence
from typing import Literal, cast

import cv2
import numpy as np
from numpy.typing import NDArray

from rallymill.arena.film_chain import Coding

Bytes = NDArray[np.uint8]
LOG = logging.getLogger(__name__)
BUFFER_S = 0.5
"""A bounded rate may be exceeded for so long."""


def options(how: Coding, width: int, height: int, rate: float) -> dict[str, str]:
    """Options of the encoder for a coding; rates in bits a second."""
    found = {"crf": str(how.crf), "preset": how.preset, "g": str(how.keyframe_every)}
    if how.bits_per_pixel is not None:
        bound = max(how.bits_per_pixel * width * height * rate, 20_000.0)
        found |= {"maxrate": str(round(bound)), "bufsize": str(round(bound * BUFFER_S))}
    if how.codec == "h265":
        found["x265-params"] = "log-level=none:pools=none:frame-threads=1"
    else:
        found["threads"] = "1"
    return found


def through_codec(frames: Sequence[Bytes], how: Coding, rate: float) -> list[Bytes]:
    """Frames (H, W, 3) BGR, of even size, after encoding and decoding with H.264 or H.265."""
    import av  # not installed on every host that trains

    buffer = io.BytesIO()
    height, width = frames[0].shape[:2]
    with av.open(buffer, "w", format="mp4") as out:
        name: Literal["libx264"] = "libx264"
        if how.codec == "h265":
            name = cast(Literal["libx264"], "libx265")  # the stubs know the name of one encoder
        stream = out.add_stream(name, rate=round(rate))
        stream.width, stream.height, stream.pix_fmt = width, height, how.chroma
        stream.options = {**options(how, width, height, rate)}
        for frame in frames:
            for packet in stream.encode(av.VideoFrame.from_ndarray(frame, format="bgr24")):
                out.mux(packet)
        for packet in stream.encode():
            out.mux(packet)
    buffer.seek(0)
    with av.open(buffer, "r") as container:
        container.streams.video[0].thread_count = 1
        return [
            np.asarray(frame.to_ndarray(format="bgr24"), dtype=np.uint8)
            for frame in container.decode(video=0)
        ]


def through_jpeg(frames: Sequence[Bytes], quality: int) -> list[Bytes]:
    """Frames (H, W, 3) BGR after JPEG of a quality; stands in where there is no video codec."""
    found = []
    for frame in frames:
        data = cv2.imencode(".jpg", frame, [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
        found.append(np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR), dtype=np.uint8))
    return found


def compressed(frames: Sequence[Bytes], how: Coding, rate: float) -> list[Bytes]:
    """Frames after a lossy codec: H.264 or H.265 where PyAV is installed, otherwise JPEG.

    Raises
    ------
    RuntimeError
        The codec gave back another number of frames.
    """
    try:
        found = through_codec(frames, how, rate)
    except ImportError:
        LOG.info("PyAV is not installed: JPEG stands in for %s", how.codec)
        return through_jpeg(frames, int(np.clip(150 - 3 * how.crf, 20, 92)))
    if len(found) != len(frames):
        raise RuntimeError(f"{len(frames)} frames went into the codec, {len(found)} came out")
    return found
