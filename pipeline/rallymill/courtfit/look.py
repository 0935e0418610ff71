"""Measure the court's lines and the net's band in a picture, given about where the camera is."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rallymill import court
from rallymill.camera import Camera
from rallymill.courtfit import model, profile
from rallymill.courtfit.model import Paint
from rallymill.courtfit.solve import Places

Array = NDArray[np.float64]
Picture = NDArray[Any]

BAND_HALF_M = 0.03
"""Half the height of the white band; the rules allow 5 to 6.35 cm."""
LASTING_PX, THIN_PX2 = 0.05, 0.02
NET_REACH_M = 4.0
"""The band is looked at between these, where posts and singles sticks differ little."""


@lru_cache(maxsize=4)
def net_points(count: int, post_x_m: float) -> Array:
    """Points (N, 3) on the middle of the net's band."""
    xs = np.linspace(-NET_REACH_M, NET_REACH_M, count)
    return np.stack([xs, np.zeros(count), court.net_height_m(xs, post_x_m) - BAND_HALF_M], 1)


def hidden_by_band(camera: Camera, ground_m: Array, margin_px: float) -> NDArray[np.bool_]:
    """Ground points (N, 2) beyond the net that are seen at or next to its band."""
    share = -camera.centre_m[1] / (ground_m[:, 1] - camera.centre_m[1])
    x = camera.centre_m[0] + share * (ground_m[:, 0] - camera.centre_m[0])
    z = camera.centre_m[2] * (1 - share)
    margin = margin_px * abs(camera.centre_m[1]) / camera.focal_px
    band = court.net_height_m(x) - BAND_HALF_M
    beyond = ground_m[:, 1] > 0
    wide = np.abs(x) < court.DOUBLES_POST_X_M
    return np.asarray(beyond & wide & (np.abs(z - band) < BAND_HALF_M + margin))


@dataclass(frozen=True)
class Expected:
    """Where a camera expects places of lines: N places.

    ``points_m`` (N, 3), ``centre_px`` (N, 2) between the images of the two edges of the paint,
    ``normal`` (N, 2), ``half_px`` (N,), ``length_px`` (N,) of line that a place stands for,
    ``number`` (N,) of the line; the net's band has the number after the last line. ``by_width``
    (N, 2, 2) and ``piece`` (N,) are those of :class:`model.LinePoints`.
    """

    points_m: Array
    centre_px: Array
    normal: Array
    half_px: Array
    length_px: Array
    number: NDArray[np.int64]
    net: NDArray[np.bool_]
    by_width: Array
    piece: NDArray[np.int64]

    def take(self, chosen: NDArray[np.bool_]) -> Expected:
        """The chosen places."""
        return Expected(
            self.points_m[chosen], self.centre_px[chosen], self.normal[chosen],
            self.half_px[chosen], self.length_px[chosen], self.number[chosen], self.net[chosen],
            self.by_width[chosen], self.piece[chosen],
        )

    def shifted(self, by_px: Array) -> Expected:
        """The same places moved in the picture."""
        return replace(self, centre_px=self.centre_px + by_px)

    def inside(self, camera: Camera, reach_px: float) -> NDArray[np.bool_]:
        """Places whose whole profile, ``reach_px`` to either side, is in the picture."""
        margin = self.half_px + profile.FLANK_PX + reach_px + 4
        u, v = self.centre_px.T
        mu, mv = margin * np.abs(self.normal[:, 0]) + 3, margin * np.abs(self.normal[:, 1]) + 3
        return np.asarray(
            (u > mu) & (v > mv) & (u < camera.width_px - 1 - mu) & (v < camera.height_px - 1 - mv)
        )

    def measure(
        self, white: Picture, reach_px: float, blur_px: float = profile.BLUR_PX
    ) -> profile.Measured:
        """Look for lines at the places."""
        return profile.measure(white, self.centre_px, self.normal, self.half_px, reach_px, blur_px)


def expected(
    camera: Camera, paint: Paint, step_m: float, net: bool = True, net_m: float = 0.0,
    clear_px: float = 4.0,
) -> Expected:
    """Places that a camera should see, in front of it and ``clear_px`` clear of the net's band."""
    points = model.line_points(paint, step_m)
    first, second = points.edges_m()
    count = len(first)
    zeros = np.zeros((count, 1))
    middle = np.hstack([points.points_m, zeros])
    ahead = np.hstack([points.direction * 0.05, zeros])
    spacing, number = points.spacing_m, points.line
    by_width, piece = points.by_width, points.piece
    is_net = np.zeros(count, bool)
    use = (camera.depth_m(middle) > 0.5) & ~hidden_by_band(camera, points.points_m, clear_px)
    if net:
        band = net_points(33, paint.post_x_m) + np.array([0, 0, net_m])
        rise = np.array([0.0, 0.0, BAND_HALF_M])
        middle = np.vstack([middle, band])
        first = np.vstack([first, band + rise])
        second = np.vstack([second, band - rise])
        ahead = np.vstack([ahead, np.tile([0.05, 0.0, 0.0], (len(band), 1))])
        spacing = np.concatenate([spacing, np.full(len(band), 2 * NET_REACH_M / (len(band) - 1))])
        number = np.concatenate([number, np.full(len(band), len(points.names))])
        is_net = np.concatenate([is_net, np.ones(len(band), bool)])
        by_width = np.concatenate([by_width, np.zeros((len(band), 2, 2))])
        along_net = np.arange(len(band)) * model.NET_PIECES // len(band)
        piece = np.concatenate([piece, model.pieces(paint.doubles).first[-1] + along_net])
        use = np.concatenate([use, np.full(len(band), camera.centre_m[1] < -1.0)])
    middle, first, second, ahead = middle[use], first[use], second[use], ahead[use]
    spacing, number, is_net = spacing[use], number[use], is_net[use]
    by_width, piece = by_width[use], piece[use]
    seen = camera.project(np.stack([first, second, middle - ahead, middle + ahead]))
    centre = (seen[0] + seen[1]) / 2
    along = seen[3] - seen[2]
    size = np.linalg.norm(along, axis=1)
    sure = np.isfinite(centre).all(1) & np.isfinite(size) & (size > 1e-9)
    size = np.where(sure, size, 1.0)
    normal = np.stack([-along[:, 1], along[:, 0]], 1) / size[:, None]
    half = np.abs(np.sum((seen[0] - seen[1]) * normal, 1)) / 2
    places = Expected(
        middle, centre, normal, half, size / 0.1 * spacing, number, is_net, by_width, piece
    )
    return places.take(sure)


def lasting_px(half_px: Array) -> Array:
    """Deviation (N,) of what no profile shows: worn paint, uneven ground, the lens's rest.

    Thin lines err more, since what is blurred about them is wider than they are. Set by rendered
    films, whose lines are off by 0.05 px where wide and by 0.2 px where a tenth of a pixel wide.
    """
    return np.asarray(LASTING_PX + THIN_PX2 / np.maximum(half_px, 0.05))


def look(
    white: Picture,
    camera: Camera,
    paint: Paint,
    reach_px: float,
    step_m: float = 0.25,
    net: bool = True,
    net_m: float = 0.0,
) -> tuple[Places, float]:
    """Measure lines near where a camera expects them, and the share of places that were found.

    Only the paint's share counts; of the net, places come back but no share.
    """
    at = expected(camera, paint, step_m, net, net_m, clear_px=3.0 + reach_px / 2)
    at = at.take(at.inside(camera, reach_px))
    seen = at.measure(white, reach_px, paint.blur_px)
    found = seen.found
    lines = ~at.net
    share = float(found[lines].mean()) if lines.any() else 0.0
    at = at.take(found)
    # Midpoint of the two edges and projected middle differ a little by perspective.
    bias = at.centre_px - camera.project(at.points_m)
    places = Places(
        at.points_m - np.array([0, 0, net_m]) * at.net[:, None],
        at.centre_px + at.normal * seen.offset_px[found, None] - bias,
        at.normal,
        seen.sd_px[found],
        lasting_px(at.half_px),
        at.net,
        at.by_width,
        at.piece,
    )
    return places, share
