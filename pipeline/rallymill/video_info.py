"""Open a recording and say what it is: size, rate, length, and what is unusual about it."""

from __future__ import annotations

import hashlib
import logging
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
import av.container
import av.error
import av.video.frame
import av.video.stream
import numpy as np

from rallymill.errors import InputError

log = logging.getLogger(__name__)

SNIFF_FRAMES = 12
"""Decoded frames that :func:`probe` looks at for rotation and interlacing."""

SNIFF_PACKETS = 600
"""Packets whose times :func:`probe` reads to tell a steady frame rate from a varying one."""

RATE_TOLERANCE_S = 0.0025
"""Containers that store whole milliseconds make steady intervals differ by up to 1 ms each way."""

VARIABLE_SHARE = 0.02
"""Share of odd intervals above which the rate counts as variable (common practice, no source)."""

SHORTFALL_S = 1.0
SHORTFALL_SHARE = 0.01
"""A recording that ends this much before its declared length has been cut off."""

HASH_BLOCK = 1 << 20
NOT_VIDEO_FORMATS = {"tty", "hls", "concat", "image2", "webvtt", "srt", "ass"}
REMEDY_COPY = "copy the file again from the camera or the original"
REMEDY_EXPORT = "export it again as MP4 with H.264"


@dataclass(frozen=True)
class VideoInfo:
    """What is known of a recording before all of it is decoded.

    ``width_px`` and ``height_px`` are those of the frames that :func:`rallymill.video.frames`
    gives at full size: square pixels, upright. ``rate`` is the nominal number of frames a second
    after deinterlacing (twice the stored rate where ``interlaced``), ``n_frames`` an estimate.
    ``rotation_deg`` is the turn that the file asks for, counter-clockwise; ``pixel_aspect`` the
    width of a stored pixel over its height. ``packets_declared`` is 0 where the container does
    not say.
    """

    path: Path
    duration_s: float
    width_px: int
    height_px: int
    rate: Fraction
    n_frames: int
    interlaced: bool
    variable_rate: bool
    rotation_deg: int
    pixel_aspect: Fraction
    codec: str
    container: str
    packets_declared: int = 0


@dataclass(frozen=True)
class Survey:
    """What a pass over all packets, without decoding, found: see :func:`survey`."""

    info: VideoInfo
    packets: int
    read_s: float
    truncated: bool


def content_hash(path: Path) -> str:
    """SHA-256 of a file's content in hexadecimal, read in blocks.

    Raises
    ------
    InputError
        The file cannot be opened.
    """
    digest = hashlib.sha256()
    try:
        with open(path, "rb") as handle:
            while block := handle.read(HASH_BLOCK):
                digest.update(block)
    except OSError as error:
        raise InputError(
            f"{path.name} cannot be read: {error.strerror}", "check the path and its permissions"
        ) from error
    return digest.hexdigest()


def _opened(path: Path) -> av.container.InputContainer:
    """A container, whatever bytes that are no text its metadata hold."""
    try:
        return av.open(str(path), metadata_errors="ignore")
    except TypeError:
        # From version 19 on there is no such choice, and no text is refused.
        return av.open(str(path))


def open_video(path: Path) -> tuple[av.container.InputContainer, av.video.stream.VideoStream]:
    """Open a recording and choose its video stream (the largest; cover pictures are passed over).

    Raises
    ------
    InputError
        The file is missing, empty, not a video, or has no picture in it.
    """
    path = Path(path)
    if not path.is_file():
        raise InputError(f"{path.name}: no such file", "check the path")
    if path.stat().st_size == 0:
        raise InputError(f"{path.name} is empty: it has no bytes", REMEDY_COPY)
    try:
        container = _opened(path)
    except (av.error.FFmpegError, OSError, ValueError) as error:
        raise InputError(*_why_not_opened(path)) from error
    # A damaged header may name a codec that nobody knows; such a stream has no context.
    streams = [
        stream
        for stream in container.streams.video
        if not _is_cover(stream) and stream.codec_context is not None
    ]
    if container.format.name in NOT_VIDEO_FORMATS:
        container.close()
        raise InputError(f"{path.name} is not a video", "give the recording itself")
    if not container.streams:
        container.close()
        raise InputError(*_why_not_opened(path))
    if not streams:
        container.close()
        raise InputError(
            f"{path.name} has no picture in it, only sound or data", "give the file with the video"
        )
    stream = max(
        streams, key=lambda s: (s.codec_context.width or 0) * (s.codec_context.height or 0)
    )
    if not stream.codec_context.width or not stream.codec_context.height:
        container.close()
        raise InputError(f"{path.name}: the picture size cannot be read", REMEDY_COPY)
    return container, stream


def _is_cover(stream: av.video.stream.VideoStream) -> bool:
    return bool(stream.disposition & av.stream.Disposition.attached_pic)


def _why_not_opened(path: Path) -> tuple[str, str]:
    """Problem and remedy for a file that the demuxer refuses, from its first bytes."""
    with open(path, "rb") as handle:
        head = handle.read(4096)
    if len(head) >= 12 and head[4:8] in (b"ftyp", b"moov", b"mdat", b"free", b"wide", b"skip"):
        return (
            f"{path.name} was cut off: the index of its frames is missing or not whole",
            f"{REMEDY_COPY}, or let the camera close the file before the card is taken out",
        )
    text = head.lstrip(b"\xef\xbb\xbf")
    if b"\0" not in text and _is_text(text):
        return f"{path.name} is not a video: it holds text", "give the recording itself"
    return f"{path.name} is not a video that can be opened", REMEDY_EXPORT


def _is_text(head: bytes) -> bool:
    for spare in range(4):
        # A block may end within a character of up to four bytes.
        try:
            head[: len(head) - spare].decode("utf-8")
        except UnicodeDecodeError:
            continue
        return True
    return False


def square_size(width_px: int, height_px: int, aspect: Fraction) -> tuple[int, int]:
    """Size of a picture with square pixels: the height is kept, the width follows the aspect."""
    return max(2, round(width_px * aspect)), height_px


def pixel_aspect(stream: av.video.stream.VideoStream) -> Fraction:
    """Width of a stored pixel over its height, 1 where the file does not say or says nonsense."""
    for found in (stream.sample_aspect_ratio, stream.codec_context.sample_aspect_ratio):
        if found and Fraction(1, 4) <= Fraction(found) <= 4:
            return Fraction(found)
    return Fraction(1)


def tick(stream: av.video.stream.VideoStream) -> Fraction:
    """Seconds in one unit of the stream's stamps."""
    return Fraction(stream.time_base or Fraction(1, av.time_base))


def nominal_rate(stream: av.video.stream.VideoStream) -> Fraction:
    """Stored frames a second as the container says, 25 where it does not."""
    for rate in (stream.average_rate, stream.guessed_rate, stream.base_rate):
        if rate and 1 <= rate <= 1000:
            return Fraction(rate)
    return Fraction(25)


def is_interlaced(sample: list[av.video.frame.VideoFrame]) -> bool:
    """Whether most of the frames of a sample are marked as interlaced."""
    return bool(sample) and 2 * sum(bool(f.interlaced_frame) for f in sample) > len(sample)


def intervals_vary(times_s: np.ndarray) -> bool:
    """Whether the times (N,) of successive frames, in any order, are not evenly spaced."""
    if len(times_s) < 4:
        return False
    steps = np.diff(np.sort(times_s))
    odd = np.abs(steps - np.median(steps)) > RATE_TOLERANCE_S
    # The last packets of a sample can lack a neighbour that comes later in decoding order.
    return bool(np.mean(odd[:-2]) > VARIABLE_SHARE) if len(odd) > 4 else bool(odd.any())


def probe(path: Path) -> VideoInfo:
    """Read a recording's headers, a few hundred packets and a dozen frames.

    Raises
    ------
    InputError
        The file cannot be read as a video, or no frame of it can be decoded.
    """
    path = Path(path)
    container, stream = open_video(path)
    with container:
        sample: list[av.video.frame.VideoFrame] = []
        times: list[float] = []
        try:
            for n_packets, packet in enumerate(container.demux(stream)):
                if packet.pts is not None:
                    times.append(float(packet.pts * tick(stream)))
                if len(sample) < SNIFF_FRAMES:
                    sample.extend(_decode_quietly(packet))
                if n_packets >= SNIFF_PACKETS:
                    break
        except av.error.FFmpegError as error:
            log.debug("%s: the headers' pass stopped: %s", path.name, error)
        if not sample:
            raise InputError(
                f"{path.name}: no frame of it can be decoded", f"{REMEDY_COPY}, or {REMEDY_EXPORT}"
            )
        return _describe(path, container, stream, sample, np.array(times))


def _decode_quietly(packet: av.packet.Packet) -> list[av.video.frame.VideoFrame]:
    try:
        return list(packet.decode())
    except av.error.FFmpegError:
        return []


def _describe(
    path: Path,
    container: av.container.InputContainer,
    stream: av.video.stream.VideoStream,
    sample: list[av.video.frame.VideoFrame],
    times_s: np.ndarray,
) -> VideoInfo:
    aspect = pixel_aspect(stream)
    rotation = round(sample[0].rotation / 90) * 90 % 360
    width, height = square_size(sample[0].width, sample[0].height, aspect)
    if rotation % 180:
        width, height = height, width
    rate = nominal_rate(stream)
    interlaced = is_interlaced(sample)
    if stream.duration and stream.time_base:
        duration_s = float(stream.duration * stream.time_base)
    elif container.duration:
        duration_s = container.duration / av.time_base
    else:
        duration_s = (stream.frames or len(times_s)) / float(rate)
    fields = 2 if interlaced else 1
    n_frames = stream.frames or max(1, round(duration_s * rate))
    return VideoInfo(
        path=path,
        duration_s=duration_s,
        width_px=width,
        height_px=height,
        rate=rate * fields,
        n_frames=n_frames * fields,
        interlaced=interlaced,
        variable_rate=intervals_vary(times_s),
        rotation_deg=rotation,
        pixel_aspect=aspect,
        codec=stream.codec_context.name,
        container=container.format.name,
        packets_declared=stream.frames or 0,
    )


def survey(path: Path) -> Survey:
    """Pass over all packets without decoding: is all there that the file declares?

    Takes about as long as reading the file once. A file that was cut off still gives what it
    holds; ``truncated`` says so.

    Raises
    ------
    InputError
        As :func:`probe`.
    """
    info = probe(path)
    container, stream = open_video(Path(path))
    times: list[float] = []
    packets = 0
    with container:
        try:
            for packet in container.demux(stream):
                if packet.size:
                    packets += 1
                if packet.pts is not None:
                    times.append(float(packet.pts * tick(stream)))
        except av.error.FFmpegError as error:
            log.debug("%s: the packets end early: %s", info.path.name, error)
    read_s = max(times) - min(times) if times else 0.0
    missing_s = info.duration_s - read_s
    few = info.packets_declared and packets < info.packets_declared * (1 - SHORTFALL_SHARE)
    short = missing_s > max(SHORTFALL_S, SHORTFALL_SHARE * info.duration_s)
    return Survey(info, packets, read_s, bool(few or short))
