"""Courts made by hand: frames to set points in, and what became of the points."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from rallymill import court, courtpoints, video
from rallymill.camera import Camera
from rallymill.courtfit import lock
from rallymill.errors import InputError
from rallymill.report import pointpicture
from rallymill.stages.given import anchors
from rallymill.stages.views.motion import small_picture
from rallymill.video_still import still, still_from

Picture = NDArray[Any]
Shown = tuple[Path, str]

LOOKED_AT = 9
"""Frames, spread over the recording, that are searched for the court."""
MOST_FRAMES = 4
SAME_PLACE_M = 2.0
SAME_LEVELS = 12.0
"""Small pictures that differ by less show the same."""


def propose(recording: Path, at_s: Sequence[float] = ()) -> list[Shown]:
    """Write pictures of frames with the court as found, and the file to fill in.

    Raises
    ------
    InputError
        The recording cannot be read, or has no frame at a time that was asked for.
    """
    frames = [_frame_at(recording, at) for at in at_s] or _spread(recording)
    shown, entries = [], []
    doubles = True
    for number, (t_s, image, found) in enumerate(frames, 1):
        camera = found.fit.camera if isinstance(found, lock.Lock) else None
        if isinstance(found, lock.Lock):
            words = f"the court as found at {t_s:.2f} s"
            doubles = found.paint.doubles
        else:
            words = f"no court found at {t_s:.2f} s ({found.reason})"
        entries.append((t_s, image.shape[1], _visible(camera, doubles)))
        shown.append((_write(recording, number, image, camera, words), words))
    _drop_old(recording, len(shown))
    text = courtpoints.to_yaml(entries, doubles)
    courtpoints.path_for(recording).write_text(text, encoding="utf-8")
    return shown


def show_given(recording: Path) -> list[Shown]:
    """Write a picture of each frame whose points were given, with the court made of them.

    Raises
    ------
    InputError
        The points cannot be used, or none are filled in.
    """
    found = anchors(recording)
    if not found:
        raise InputError(
            f"{courtpoints.path_for(recording).name}: no points are filled in",
            "fill some in, or let it be written anew: rallymill calibrate --anew",
        )
    shown = []
    for number, one in enumerate(found, 1):
        image = still(recording, one.t_s)
        assert image is not None  # anchors() has seen it
        kind = "refined on the lines" if one.refined else "as given, no lines were found there"
        words = f"the court at {one.t_s:.2f} s, {kind}"
        shown.append((_write(recording, number, image, one.fit.camera, words), words))
    _drop_old(recording, len(shown))
    return shown


def _frame_at(recording: Path, at_s: float) -> tuple[float, Picture, lock.Lock | lock.NotFound]:
    found = still_from(recording, at_s)
    if found is None:
        raise InputError(f"{recording.name}: no frame at {at_s:g} s", "give an earlier time")
    return found[0], found[1], lock.lock(found[1])


def _spread(recording: Path) -> list[tuple[float, Picture, lock.Lock | lock.NotFound]]:
    """A frame for each camera that shows the court; frames that differ if none does."""
    duration_s = video.probe(recording).duration_s or 0.0
    looked = []
    for share in (np.arange(LOOKED_AT) + 0.5) / LOOKED_AT:
        found = still_from(recording, float(share) * duration_s)
        if found is not None:
            looked.append((found[0], found[1], lock.lock(found[1])))
    if not looked:
        raise InputError(f"{recording.name}: no frame can be read", "check the file")
    chosen: list[tuple[float, Picture, lock.Lock | lock.NotFound]] = []
    for one in looked:
        known = isinstance(one[2], lock.Lock) and any(
            _same_camera(one[2], two[2]) for two in chosen
        )
        if isinstance(one[2], lock.Lock) and not known:
            chosen.append(one)
    if not chosen:
        for one in looked:
            small = small_picture(one[1]).astype(float)
            gaps = [np.abs(small - small_picture(two[1])).mean() for two in chosen]
            if all(gap > SAME_LEVELS for gap in gaps):
                chosen.append(one)
    return chosen[:MOST_FRAMES]


def _same_camera(one: lock.Lock, other: lock.Lock | lock.NotFound) -> bool:
    if not isinstance(other, lock.Lock):
        return False
    gap = one.fit.camera.centre_m - other.fit.camera.centre_m
    return float(np.linalg.norm(gap)) < SAME_PLACE_M


def _visible(camera: Camera | None, doubles: bool) -> dict[str, NDArray[np.float64]]:
    """Points that a camera sees within its picture, by name."""
    if camera is None:
        return {}
    found = {}
    for name, place in court.named_points().items():
        image = camera.project(place)
        inside = (image >= 0).all() and (image <= [camera.width_px - 1, camera.height_px - 1]).all()
        if inside and (doubles or "doubles" not in name):
            found[name] = image
    return found


def _picture_path(recording: Path, number: int) -> Path:
    return recording.with_name(f"{recording.stem}.court-{number}.png")


def _write(
    recording: Path, number: int, image: Picture, camera: Camera | None, words: str
) -> Path:
    path = _picture_path(recording, number)
    drawn = pointpicture.draw(image, camera, f"{recording.name}: {words}")
    if not cv2.imwrite(str(path), drawn):
        raise InputError(f"{path} cannot be written", "check the folder's permissions")
    return path


def _drop_old(recording: Path, kept: int) -> None:
    """Remove pictures of an earlier run that no frame belongs to any more."""
    number = kept + 1
    while (path := _picture_path(recording, number)).exists():
        path.unlink()
        number += 1
