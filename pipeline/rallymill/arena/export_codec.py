"""Send a few frames through a real video codec, so that training pictures look like film."""

from __future__ import annotations

import io
import logging
from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
LOG = logging.getLogger(__name__)


def through_h264(frames: Sequence[Bytes], crf: int, rate: int, preset: str = "veryfast") -> list[
    Bytes
]:
    """Frames (H, W, 3) BGR after encoding and decoding with libx264, yuv420p."""
    import av  # not installed on every host that trains

    buffer = io.BytesIO()
    height, width = frames[0].shape[:2]
    with av.open(buffer, "w", format="mp4") as out:
        stream = out.add_stream("libx264", rate=rate)
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
        stream.options = {"crf": str(crf), "preset": preset, "threads": "1"}
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


def compressed(frames: Sequence[Bytes], crf: int, rate: int) -> list[Bytes]:
    """Frames after a lossy codec: H.264 where PyAV is installed, otherwise JPEG."""
    try:
        found = through_h264(frames, crf, rate)
    except ImportError:
        LOG.info("PyAV is not installed: JPEG stands in for H.264")
        return through_jpeg(frames, int(np.clip(150 - 3 * crf, 20, 92)))
    if len(found) != len(frames):
        raise RuntimeError(f"{len(frames)} frames went into the codec, {len(found)} came out")
    return found
