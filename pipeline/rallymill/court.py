"""The tennis court as standardised: lines, net, zones and named points. Pure geometry.

Court frame in metres: origin on the ground under the middle of the net, x along the net, y along
the court, z up; the near half has y < 0.

Dimensions: ITF Rules of Tennis, rule 1 and appendix, and ITF Technical Booklet 2015, table 5. The
rules measure to the *outside* of the lines (the centre service line to its middle), so a ball that
touches a line is in.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

LENGTH_M = 23.77
HALF_LENGTH_M = LENGTH_M / 2
SINGLES_WIDTH_M = 8.23
HALF_SINGLES_M = SINGLES_WIDTH_M / 2
DOUBLES_WIDTH_M = 10.97
HALF_DOUBLES_M = DOUBLES_WIDTH_M / 2
SERVICE_LINE_M = 6.40
"""Distance of the service lines from the net."""
CENTRE_MARK_LENGTH_M = 0.10

NET_CENTRE_M = 0.914
NET_POST_M = 1.07
POST_OUTSIDE_M = 0.914
"""Distance of the posts (or singles sticks) outside the sideline."""
DOUBLES_POST_X_M = HALF_DOUBLES_M + POST_OUTSIDE_M
SINGLES_POST_X_M = HALF_SINGLES_M + POST_OUTSIDE_M

BALL_RADIUS_M = 0.0335
LINE_WIDTH_M = 0.05
BASELINE_WIDTH_M = 0.10


@dataclass(frozen=True)
class Line:
    """A painted line: the two ends of its middle on the ground and its width, in metres."""

    name: str
    x1_m: float
    y1_m: float
    x2_m: float
    y2_m: float
    width_m: float

    def ends(self) -> Array:
        """Ends of the middle of the line, shape (2, 3), z = 0."""
        return np.array([[self.x1_m, self.y1_m, 0.0], [self.x2_m, self.y2_m, 0.0]])

    def corners(self) -> Array:
        """Corners of the painted rectangle in order, shape (4, 3), z = 0."""
        half = self.width_m / 2
        if self.x1_m == self.x2_m:
            low, high = sorted((self.y1_m, self.y2_m))
            x = self.x1_m
            return np.array(
                [[x - half, low, 0], [x + half, low, 0], [x + half, high, 0], [x - half, high, 0]]
            )
        low, high = sorted((self.x1_m, self.x2_m))
        y = self.y1_m
        return np.array(
            [[low, y - half, 0], [high, y - half, 0], [high, y + half, 0], [low, y + half, 0]]
        )


def lines(
    doubles: bool = True,
    line_width_m: float = LINE_WIDTH_M,
    baseline_width_m: float = BASELINE_WIDTH_M,
) -> tuple[Line, ...]:
    """Painted lines of the court, with or without the doubles alleys.

    The rules give outer edges, so the middle of a line of width w lies w / 2 inside; the centre
    service line lies about x = 0. Sidelines run to the outer edge of the baselines.
    """
    w = line_width_m
    half_x = (HALF_DOUBLES_M if doubles else HALF_SINGLES_M)
    base_y = HALF_LENGTH_M - baseline_width_m / 2
    single_x = HALF_SINGLES_M - w / 2
    service_y = SERVICE_LINE_M - w / 2
    mark_y = HALF_LENGTH_M - baseline_width_m
    found = [
        Line("near_baseline", -half_x, -base_y, half_x, -base_y, baseline_width_m),
        Line("far_baseline", -half_x, base_y, half_x, base_y, baseline_width_m),
        Line("left_singles", -single_x, -HALF_LENGTH_M, -single_x, HALF_LENGTH_M, w),
        Line("right_singles", single_x, -HALF_LENGTH_M, single_x, HALF_LENGTH_M, w),
        Line("near_service", -HALF_SINGLES_M, -service_y, HALF_SINGLES_M, -service_y, w),
        Line("far_service", -HALF_SINGLES_M, service_y, HALF_SINGLES_M, service_y, w),
        Line("centre_service", 0.0, -SERVICE_LINE_M, 0.0, SERVICE_LINE_M, w),
        Line("near_mark", 0.0, -mark_y, 0.0, -mark_y + CENTRE_MARK_LENGTH_M, w),
        Line("far_mark", 0.0, mark_y - CENTRE_MARK_LENGTH_M, 0.0, mark_y, w),
    ]
    if doubles:
        outer = HALF_DOUBLES_M - w / 2
        found += [
            Line("left_doubles", -outer, -HALF_LENGTH_M, -outer, HALF_LENGTH_M, w),
            Line("right_doubles", outer, -HALF_LENGTH_M, outer, HALF_LENGTH_M, w),
        ]
    return tuple(found)


def named_points() -> dict[str, Array]:
    """Crossings of outer line edges (centre line: its middle) and net tops, shape (3,), metres."""
    points: dict[str, Array] = {}
    for side, sign in (("near", -1.0), ("far", 1.0)):
        for hand, x_sign in (("left", -1.0), ("right", 1.0)):
            points[f"{side}_{hand}_doubles_corner"] = np.array(
                [x_sign * HALF_DOUBLES_M, sign * HALF_LENGTH_M, 0.0]
            )
            points[f"{side}_{hand}_singles_corner"] = np.array(
                [x_sign * HALF_SINGLES_M, sign * HALF_LENGTH_M, 0.0]
            )
            points[f"{side}_{hand}_service_corner"] = np.array(
                [x_sign * HALF_SINGLES_M, sign * SERVICE_LINE_M, 0.0]
            )
        points[f"{side}_t"] = np.array([0.0, sign * SERVICE_LINE_M, 0.0])
        points[f"{side}_centre_mark"] = np.array([0.0, sign * HALF_LENGTH_M, 0.0])
    points["net_centre_top"] = np.array([0.0, 0.0, NET_CENTRE_M])
    points["net_left_post_top"] = np.array([-DOUBLES_POST_X_M, 0.0, NET_POST_M])
    points["net_right_post_top"] = np.array([DOUBLES_POST_X_M, 0.0, NET_POST_M])
    return points


def net_height_m(x_m: ArrayLike, post_x_m: float = DOUBLES_POST_X_M) -> Array:
    """Height of the net's top at x, by straight lines from the strap to the posts.

    ``post_x_m`` is ``DOUBLES_POST_X_M`` or, with singles sticks, ``SINGLES_POST_X_M``.
    """
    x = np.abs(np.asarray(x_m, dtype=float))
    return NET_CENTRE_M + (NET_POST_M - NET_CENTRE_M) * np.minimum(x / post_x_m, 1.0)


def in_singles(
    x_m: ArrayLike, y_m: ArrayLike, radius_m: float = BALL_RADIUS_M
) -> NDArray[np.bool_]:
    """Whether a ball that touches the ground at (x, y) is in for singles; a line touched is in.

    ``radius_m`` widens the court by the contact patch; the ball's own radius is its upper bound.
    """
    x = np.abs(np.asarray(x_m, dtype=float))
    y = np.abs(np.asarray(y_m, dtype=float))
    return (x <= HALF_SINGLES_M + radius_m) & (y <= HALF_LENGTH_M + radius_m)


def serve_side(server_x_m: float, server_y_m: float) -> str:
    """Half (``deuce`` or ``ad``) from which a server standing at (x, y) serves.

    The deuce half is to the server's right: x > 0 for the near player, x < 0 for the far one.
    """
    to_the_right = server_x_m if server_y_m < 0 else -server_x_m
    return "deuce" if to_the_right > 0 else "ad"


def in_service_box(
    x_m: float, y_m: float, server_y_m: float, side: str, radius_m: float = BALL_RADIUS_M
) -> bool:
    """Whether a serve from ``side`` that lands at (x, y) is in the diagonal service box."""
    far = 1.0 if server_y_m < 0 else -1.0
    depth = y_m * far
    # A deuce serve of the near player goes to x < 0, of the far player to x > 0.
    across = -x_m * far if side == "deuce" else x_m * far
    return (
        -radius_m <= depth <= SERVICE_LINE_M + radius_m
        and -LINE_WIDTH_M / 2 - radius_m <= across <= HALF_SINGLES_M + radius_m
    )


def depth_zone(y_m: float) -> str:
    """Depth of a bounce: ``short`` inside the service line, ``deep`` in the rear half of the rest.

    Common practice, no source: the court behind the service line is cut at half its depth.
    """
    y = abs(y_m)
    if y <= SERVICE_LINE_M:
        return "short"
    return "deep" if y > (SERVICE_LINE_M + HALF_LENGTH_M) / 2 else "middle"


def side_of(y_m: float) -> str:
    """Half of the court, ``near`` for y < 0."""
    return "near" if y_m < 0 else "far"


def bisector_x_m(
    x_hit_m: float, y_hit_m: float, left: tuple[float, float], right: tuple[float, float],
    y_m: float,
) -> float:
    """Place at depth ``y_m`` that bisects the angle of possible replies from a contact.

    ``left`` and ``right`` are the ground points (x, y) through which the outermost replies pass.
    The bisector theory is Cochet's (1933), confirmed by Benguigui 2024 (Sci Rep 14:3364).
    """
    toward = 1.0 if y_m > y_hit_m else -1.0
    angles = [
        np.arctan2(x - x_hit_m, toward * (y - y_hit_m)) for x, y in (left, right)
    ]
    return float(x_hit_m + toward * (y_m - y_hit_m) * np.tan(sum(angles) / 2))
