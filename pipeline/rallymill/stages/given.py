"""Courts given by hand, for the stages that look for the court."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from rallymill import courtpoints
from rallymill.corrections.rows import Correction
from rallymill.courtfit import given
from rallymill.errors import InputError
from rallymill.video_still import still

logger = logging.getLogger(__name__)


def anchors(video: Path, corrections: Sequence[Correction] = ()) -> list[given.Anchor]:
    """Cameras of the frames for which points stand beside the recording, in order of time.

    Points from corrections go before those of the file.

    Raises
    ------
    InputError
        The points cannot be used, or there is no frame at their time.
    """
    stated = with_corrections(courtpoints.for_video(video), corrections)
    found = []
    for frame in sorted(stated.frames, key=lambda one: one.at_s):
        image = still(video, frame.at_s)
        if image is None:
            raise InputError(
                f"{courtpoints.path_for(video).name}: no frame at {frame.at_s:g} s",
                "take at_s from the file that rallymill calibrate wrote",
            )
        camera = courtpoints.camera_of(frame, image.shape[1], image.shape[0])
        one = given.anchor(image, frame.at_s, camera, frame.points_m, stated.doubles)
        logger.info(
            "court points at %.2f s: %s", frame.at_s,
            "refined on the lines" if one.refined else "no lines there, taken as given",
        )
        found.append(one)
    return found


SAME_FRAME_S = 0.002
"""Times closer than this are of one frame; files give them in milliseconds."""


def with_corrections(
    stated: courtpoints.GivenCourt, rows: Sequence[Correction]
) -> courtpoints.GivenCourt:
    """Points of a court file with those of corrections put in, changed or taken back."""
    frames = list(stated.frames)
    for row in rows:
        name, width = str(row.values["court_point"]), row.values.get("width_px")
        at = next((k for k, one in enumerate(frames) if abs(one.at_s - row.t_s) <= SAME_FRAME_S),
                  len(frames))  # fmt: skip
        if at == len(frames):
            frames.append(courtpoints.GivenFrame(row.t_s, (), np.zeros((0, 2))))
        old = frames[at]
        points = dict(zip(old.names, old.image_px.tolist(), strict=True))
        points.pop(name, None)
        if row.action != "remove":
            points[name] = [float(row.values["x_px"] or 0.0), float(row.values["y_px"] or 0.0)]
        frames[at] = replace(
            old, names=tuple(points), image_px=np.array(list(points.values())).reshape(-1, 2),
            width_px=int(width) if width else old.width_px,
        )
    return replace(stated, frames=tuple(frame for frame in frames if frame.names))
