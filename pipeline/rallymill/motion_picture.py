"""What the detector looks at: five moments of the picture, laid over each other.

The moments before and after are moved by the camera's own motion, so that the ground and whatever
stands still lie on top of each other even while the camera pans and zooms. The temporal median of
the five is the scene without what moves fast; the differences from it show the ball and the limbs.
A tennis ball is yellow where clay, skin and paint are not, so yellowness makes two more channels.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, cast

import cv2
import numpy as np
from numpy.typing import NDArray

from rallymill.camera import Camera

Picture = NDArray[np.uint8]
Array = NDArray[np.float64]

MOMENTS = (-2, -1, 0, 1, 2)
"""Steps in time of the five moments; the middle one is the frame that is looked at."""
MIDDLE = 2
CHANNELS = 8
"""Differences of the five moments from their median, grey, yellow, difference of yellow."""
INPUT_SIZE = (736, 1280)
"""Height and width of what the network is given; pictures are fitted into it at its top left."""
ZERO = 128
"""Grey level that stands for no difference."""
FAR = 3
"""What is seen from farther off shows so many times as much across."""
LEAST_SHIFT_PX = 0.25
"""A camera motion that moves no corner by more than this is not undone."""


@dataclass(frozen=True)
class Moment:
    """A frame in the two shades that the detector uses, (H, W) each."""

    grey: Picture
    yellow: Picture

    @cached_property
    def far(self) -> Picture:
        """Grey from farther off, one pixel for FAR x FAR; worked out once, when it is asked for."""
        height, width = self.grey.shape
        size = (max(width // FAR, 1), max(height // FAR, 1))
        return _u8(cv2.resize(self.grey, size, interpolation=cv2.INTER_AREA))


def fitted_width(width_px: int, height_px: int) -> int:
    """Width at which a frame is looked at: as large as fits into the network's input."""
    return round(width_px * min(INPUT_SIZE[1] / width_px, INPUT_SIZE[0] / height_px))


def moment(image: Picture, width_px: int) -> Moment:
    """Shades of a BGR frame (H, W, 3), resized to a width."""
    if image.shape[1] != width_px:
        height = round(image.shape[0] * width_px / image.shape[1])
        shrink = image.shape[1] > width_px
        image = _u8(cv2.resize(
            image, (width_px, height), interpolation=cv2.INTER_AREA if shrink else cv2.INTER_CUBIC
        ))
    blue, green, red = cv2.split(image)
    return Moment(
        _u8(cv2.cvtColor(image, cv2.COLOR_BGR2GRAY)),
        _u8(cv2.subtract(cv2.min(green, red), blue)),
    )


def alignment(at: Camera | None, other: Camera | None, width_px: int) -> Array | None:
    """Homography (3, 3) from the pixels of another moment to those of the frame looked at.

    Both pictures have the given width. None where a camera is not known, where the camera did not
    move, and where it moved beyond use. The ground carries over exactly; so does everything else
    if the camera turned and zoomed but stayed in place.
    """
    if at is None or other is None or at is other:
        return None
    if at.k1 or other.k1:
        # A lens with distortion has no exact homography; the best one over the court is used.
        ground = np.array([(x, y, 0.0) for x in (-5.5, 0.0, 5.5) for y in (-12, -6, 0, 6, 12)])
        from_px, to_px = other.project(ground), at.project(ground)
        known = np.isfinite(from_px).all(1) & np.isfinite(to_px).all(1)
        if known.sum() < 6:
            return None
        found = cv2.findHomography(from_px[known], to_px[known])[0]
        if found is None:
            return None
        matrix = np.asarray(found, dtype=float)
    else:
        try:
            matrix = at.homography @ np.linalg.inv(other.homography)
        except np.linalg.LinAlgError:
            return None
    scale = width_px / at.width_px
    to_picture = np.array([[scale, 0, scale / 2 - 0.5], [0, scale, scale / 2 - 0.5], [0, 0, 1.0]])
    matrix = to_picture @ matrix @ np.linalg.inv(to_picture)
    height = at.height_px * scale
    corners = np.array([[0, 0], [width_px, 0], [0, height], [width_px, height]], dtype=float)
    moved = np.column_stack([corners, np.ones(4)]) @ matrix.T
    if not np.isfinite(moved).all() or (moved[:, 2] * moved[0, 2] <= 0).any():
        return None
    shift = float(np.abs(moved[:, :2] / moved[:, 2:] - corners).max())
    if not LEAST_SHIFT_PX < shift < width_px / 2:
        return None
    return matrix / matrix[2, 2]


def laid_over(picture: Picture, matrix: Array | None, under: Picture) -> Picture:
    """Picture (H, W) moved by a homography; where it does not reach, ``under`` shows through."""
    if matrix is None:
        return picture
    moved = under.copy()
    cv2.warpPerspective(
        picture, matrix, (under.shape[1], under.shape[0]), dst=moved, flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_TRANSPARENT,
    )
    return moved


def motion_picture(moments: Sequence[Moment], matrices: Sequence[Array | None]) -> Picture:
    """Channels (H, W, 8) of five moments, each moved by its homography to the middle one."""
    middle = moments[MIDDLE]
    grey = [laid_over(m.grey, h, middle.grey) for m, h in zip(moments, matrices, strict=True)]
    around = [
        laid_over(moments[k].yellow, matrices[k], middle.yellow) for k in (MIDDLE - 1, MIDDLE + 1)
    ]
    still = median_of_five(grey)
    still_yellow = median_of_three(middle.yellow, *around)
    layers = [_difference(level, still) for level in grey]
    layers += [middle.grey, middle.yellow, _difference(middle.yellow, still_yellow)]
    return _u8(cv2.merge(layers))


def _difference(level: Picture, still: Picture) -> Picture:
    return _u8(cv2.addWeighted(level, 1.0, still, -1.0, ZERO))


def median_of_three(a: Picture, b: Picture, c: Picture) -> Picture:
    """Median of three pictures of one shape."""
    return _u8(cv2.max(cv2.min(a, b), cv2.min(cv2.max(a, b), c)))


def median_of_five(levels: Sequence[Picture]) -> Picture:
    """Median of five pictures of one shape."""
    a, b, c, d, e = levels
    low = _u8(cv2.max(cv2.min(a, b), cv2.min(c, d)))
    high = _u8(cv2.min(cv2.max(a, b), cv2.max(c, d)))
    return median_of_three(e, low, high)


def _u8(picture: Any) -> Picture:
    return cast(Picture, picture)
