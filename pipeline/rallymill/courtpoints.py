"""Court points given by hand: a small YAML beside the recording, and cameras from it.

``<stem>.court.yaml`` beside ``<stem>.mp4``::

    doubles: true
    frames:
      - at_s: 4.80
        width_px: 1280
        points:
          near_left_doubles_corner: [212, 655]
          near_right_doubles_corner: [1071, 652]
          far_t:

Points are pixels of a frame ``width_px`` wide (left out: the recording's own width), across and
down from the middle of the top-left pixel. Points left empty are not seen. Four on the ground, not
three of them in a line, make a camera; net tops sharpen it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rallymill import court
from rallymill.camera import Camera, from_homography, homography_from_points, refine
from rallymill.errors import InputError, did_you_mean
from rallymill.yamlread import document, read_text, shown

Array = NDArray[np.float64]

SUFFIX = ".court.yaml"
LEAST_POINTS = 4
WIDTHS_PX = (16, 20_000)
LARGEST = 1e6
"""No time and no place in a picture has a larger number; neither has what is not a number."""
WORST_PX = 12.0
"""Distance from where the others put it at which a point is taken for a mistake, at 1280 px."""
NAMES = tuple(court.named_points())
"""Names of the points in the order of their numbers, which count from 1."""


@dataclass(frozen=True)
class GivenFrame:
    """Points given in the frame shown at ``at_s``: ``names`` and ``image_px`` (N, 2).

    ``width_px`` is the width of the picture that they were read from, None for the recording's own.
    """

    at_s: float
    names: tuple[str, ...]
    image_px: Array
    width_px: int | None = None

    @property
    def points_m(self) -> Array:
        """The points in the court frame, shape (N, 3)."""
        known = court.named_points()
        return np.array([known[name] for name in self.names])


@dataclass(frozen=True)
class GivenCourt:
    """All that was given by hand for a recording."""

    frames: tuple[GivenFrame, ...] = ()
    doubles: bool = True


def path_for(video: Path) -> Path:
    """Where the points of a recording are looked for."""
    return video.with_name(video.stem + SUFFIX)


def for_video(video: Path) -> GivenCourt:
    """Points given for a recording; none where there is no file or nothing is filled in.

    Raises
    ------
    InputError
        The file says something that cannot be read; all such things are named.
    """
    path = path_for(video)
    if not path.exists():
        return GivenCourt()
    remedy = "correct that line, or write the file anew: rallymill calibrate"
    return parse(document(read_text(path, path.name), path.name, remedy), path.name)


def parse(content: Any, where: str) -> GivenCourt:
    """Points from the content of a YAML file.

    Raises
    ------
    InputError
        Names that are not known, points that are not two numbers; all are named.
    """
    if content is None:
        return GivenCourt()
    if not isinstance(content, Mapping) or not isinstance(content.get("frames", []), list):
        raise InputError(
            f"{where}: no list of frames", "write it anew: rallymill calibrate VIDEO"
        )
    faults: list[str] = []
    frames = []
    for number, entry in enumerate(content.get("frames") or [], 1):
        found = _frame(entry, number, faults)
        if found is not None and found.names:
            frames.append(found)
    unknown = set(content) - {"frames", "doubles"}
    faults += [f"{name}: not known, only doubles and frames are"
               for name in sorted(map(shown, unknown))]  # fmt: skip
    if not isinstance(content.get("doubles", True), bool):
        faults.append("doubles: true or false")
    if faults:
        raise InputError(f"{where}: " + "; ".join(faults), "correct the file")
    return GivenCourt(tuple(frames), bool(content.get("doubles", True)))


def _number(value: Any) -> bool:
    return (
        isinstance(value, int | float) and not isinstance(value, bool) and abs(value) <= LARGEST
    )


def _frame(entry: Any, number: int, faults: list[str]) -> GivenFrame | None:
    where = f"frame {number}"
    if not isinstance(entry, Mapping) or not _number(entry.get("at_s")):
        faults.append(f"{where}: at_s must be the time of a frame in seconds")
        return None
    width = entry.get("width_px")
    whole = isinstance(width, int) and not isinstance(width, bool)
    if width is not None and not (whole and WIDTHS_PX[0] <= width <= WIDTHS_PX[1]):
        faults.append(f"{where}: width_px {shown(width)} is no width of a picture")
        width = None
    names, image = [], []
    points = entry.get("points") or {}
    if not isinstance(points, Mapping):
        faults.append(f"{where}: points must be names with two numbers each")
        return None
    for name, place in points.items():
        if name not in NAMES:
            hint = did_you_mean(name, NAMES, "")
            fault = f"{where}: {shown(name)} is no point of the court"
            faults.append(f"{fault}, {hint}" if hint else fault)
        elif place is None:
            continue
        elif not isinstance(place, list) or len(place) != 2 or not all(map(_number, place)):
            faults.append(
                f"{where}: {name} must be two numbers in brackets, found {shown(place)}")
        else:
            names.append(name)
            image.append([float(place[0]), float(place[1])])
    return GivenFrame(float(entry["at_s"]), tuple(names), np.array(image).reshape(-1, 2), width)


def camera_of(given: GivenFrame, width_px: int, height_px: int) -> Camera:
    """Camera that sees the given points where they were given, for a picture of that size.

    Raises
    ------
    InputError
        Too few points, points in a line, a mirror image, ends of the court taken for each other,
        points outside the picture or far from where the others put them.
    """
    where = f"court points at {given.at_s:g} s"
    points = given.points_m
    image = given.image_px
    if given.width_px is not None:
        image = (image + 0.5) * (width_px / given.width_px) - 0.5
    far_edge = np.array([width_px - 0.5, height_px - 0.5])
    outside = np.asarray(((image < -0.5) | (image > far_edge)).any(axis=1))
    if outside.any():
        raise InputError(
            f"{where}: {_listed(given, outside)} outside the picture",
            "give pixels of the picture that rallymill calibrate wrote, or its width_px",
        )
    ground = points[:, 2] == 0
    if ground.sum() < LEAST_POINTS:
        raise InputError(
            f"{where}: {int(ground.sum())} points on the ground, need {LEAST_POINTS}",
            "fill in more points, best the corners and both ends of the service lines",
        )
    try:
        homography = homography_from_points(points[ground], image[ground])
    except ValueError as error:
        raise InputError(
            f"{where}: the points lie in a line", "add points beside it, on another line"
        ) from error
    _check_turn(homography, points[ground], where)
    start = from_homography(homography, width_px, height_px)
    if start is None:
        raise InputError(
            f"{where}: no camera sees the points like this", "check each name against its number"
        )
    found = refine(start, points, image)
    off = np.linalg.norm(found.project(points) - image, axis=1)
    wrong = np.asarray(~(off < WORST_PX * width_px / 1280))
    if wrong.any():
        raise InputError(
            f"{where}: {_listed(given, wrong)} up to {np.nanmax(off):.0f} px from where the others "
            "put it", "check these points first",
        )
    return found


def _listed(given: GivenFrame, chosen: NDArray[np.bool_]) -> str:
    names = [name for name, is_in in zip(given.names, chosen, strict=True) if is_in]
    return ", ".join(names) + (" is" if len(names) == 1 else " are")


def _check_turn(homography: Array, ground_m: Array, where: str) -> None:
    """Raise unless x grows to the right and y away from the camera, as seen from above."""
    middle = np.append(ground_m[:, :2].mean(0), 1.0)
    seen = homography @ middle
    # Sense of rotation of the map at the middle: the picture's v points down, so it is negative.
    turn = np.linalg.det(homography) / seen[2] ** 3
    if turn > 0:
        raise InputError(
            f"{where}: the court is a mirror image",
            "left and right, or near and far, are exchanged: the near half is the camera's",
        )
    step = homography @ (middle + [0.5, 0.0, 0.0])
    if step[0] / step[2] < seen[0] / seen[2]:
        raise InputError(
            f"{where}: the court stands on its head",
            "near and far, and left and right, are exchanged: the near half is the camera's",
        )


def to_yaml(frames: Sequence[tuple[float, int, Mapping[str, Array]]], doubles: bool) -> str:
    """A file to fill in: for each frame its time, width and, as a remark, the points found so far.

    Nothing is given by it until a point is filled in.
    """
    lines = [
        "# Points of the court, as numbered in the pictures: [across, down] in pixels.",
        "# Where the court in a picture is wrong, fill in four points or more, on the ground and",
        "# not three in a line; leave the rest empty. They win over what is found without help,",
        "# and are refined on the lines. Where the court is right, leave its points empty.",
        f"doubles: {'true' if doubles else 'false'}",
        "frames:",
    ]
    for at_s, width_px, known in frames:
        lines += [f"  - at_s: {at_s:.3f}", f"    width_px: {width_px}", "    points:"]
        for number, name in enumerate(NAMES, 1):
            place = known.get(name)
            shown = "" if place is None else f", found at [{place[0]:.1f}, {place[1]:.1f}]"
            lines.append(f"      {name}:  # {number}{shown}")
    return "\n".join(lines) + "\n"
