"""Courts given by hand, for the stages that look for the court."""

from __future__ import annotations

import logging
from pathlib import Path

from rallymill import courtpoints
from rallymill.courtfit import given
from rallymill.errors import InputError
from rallymill.video_still import still

logger = logging.getLogger(__name__)


def anchors(video: Path) -> list[given.Anchor]:
    """Cameras of the frames for which points stand beside the recording, in order of time.

    Raises
    ------
    InputError
        The points cannot be used, or there is no frame at their time.
    """
    stated = courtpoints.for_video(video)
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
