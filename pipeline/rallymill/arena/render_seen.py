"""What a picture shows: people and balls, where they are and how much of them is seen."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]
VISIBLE_SHARE = 0.4


@dataclass(frozen=True)
class PersonSeen:
    """A person in the picture.

    ``box_px`` (x1, y1, x2, y2) is the hull of the silhouette's pixels that nothing hides, edges on
    pixel borders; ``feet_m`` the ground point between the soles, ``feet_px`` its image;
    ``visible_share`` the share of the silhouette within the frame that is not hidden.
    """

    index: int
    role: str
    box_px: tuple[float, float, float, float]
    feet_m: tuple[float, float, float]
    feet_px: tuple[float, float]
    visible_share: float


@dataclass(frozen=True)
class BallSeen:
    """A ball in the picture: centre of its streak at mid-exposure and the streak's box."""

    index: int
    position_m: tuple[float, float, float]
    velocity_mps: tuple[float, float, float]
    centre_px: tuple[float, float]
    box_px: tuple[float, float, float, float]
    visible_share: float
    live: bool

    @property
    def visible(self) -> bool:
        """Whether enough of the ball is seen to call it visible."""
        return self.visible_share > VISIBLE_SHARE


@dataclass(frozen=True)
class Picture:
    """A rendered moment: linear light (H, W, 3) as red, green, blue, and what it shows."""

    light: Image
    people: tuple[PersonSeen, ...]
    balls: tuple[BallSeen, ...]
