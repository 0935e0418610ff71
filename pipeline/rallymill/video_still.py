"""One frame of a recording by its time, without decoding all that stands before it."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from rallymill.video_decode import Clock, Painter, ReadReport, decode, timing

TOLERANCE = 0.25
"""Share of the frame interval by which the time found may differ from the time asked for."""


def still_from(path: Path, t_s: float) -> tuple[float, NDArray[np.uint8], float] | None:
    """Time, picture (H, W, 3) BGR and frame interval (s) of the first frame not before a time.

    None if there is none. Frame numbers are certain only by counting from the start, times are
    not: the frame at a known time can be searched for, which takes the same moment anywhere in a
    recording.

    Raises
    ------
    InputError
        The file cannot be read as a video.
    """
    start_s, step_s, aspect = timing(path)
    if start_s is None:
        return None
    clock = Clock(start_s, step_s)
    with closing(decode(path, ReadReport(), from_s=t_s)) as decoded:  # type: ignore[type-var]
        for frame in decoded:
            at, _ = clock.read(frame)
            if at >= t_s - TOLERANCE * step_s:
                return at, Painter(aspect, None).paint(frame), step_s
    return None


def still(path: Path, t_s: float) -> NDArray[np.uint8] | None:
    """Picture (H, W, 3) BGR of the frame at a presentation time; None if there is none then.

    Raises
    ------
    InputError
        The file cannot be read as a video.
    """
    found = still_from(path, t_s)
    if found is None or found[0] > t_s + TOLERANCE * found[2]:
        return None
    return found[1]
