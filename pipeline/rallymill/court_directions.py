"""Words for where a stroke goes and how a player moves, from plain coordinates.

The simulator's truth and the pipeline's shots use these same functions, so that a disagreement is
one of measurement and never one of definition. Court frame in metres, see :mod:`rallymill.court`.
"""

from __future__ import annotations

from rallymill.court import HALF_LENGTH_M, HALF_SINGLES_M

MIDDLE_M = HALF_SINGLES_M / 3
"""A stroke that lands nearer than this to the centre line goes to the middle (common practice, no
source: the middle third of the singles court)."""
CENTRE_STRIP_M = 0.7
"""A contact nearer than this to the centre line belongs to neither half."""
RUN_ROUND_M = 1.0
"""A forehand struck this far inside the backhand half was run around."""
SERVICE_THIRD_M = HALF_SINGLES_M / 3

SET_BELOW_MPS = 1.0
RUN_FROM_MPS = 3.0
"""High-speed band of Whiteside & Reid 2017 (Int J Sports Physiol Perform 12:756)."""
AIRBORNE_FROM_M = 0.02


def line_end_x_m(
    x1_m: float, y1_m: float, x2_m: float, y2_m: float, baseline_y_m: float
) -> float | None:
    """x at which the straight line from (x1, y1) through (x2, y2) meets y = ``baseline_y_m``.

    For strokes that never bounced in the opponent's half (into the net, or volleyed): the straight
    line stands in for the landing. None if the line does not lead there.
    """
    along = y2_m - y1_m
    if along == 0 or (baseline_y_m - y1_m) / along <= 0:
        return None
    return x1_m + (x2_m - x1_m) * (baseline_y_m - y1_m) / along


def opponent_baseline_y_m(contact_y_m: float) -> float:
    """y of the baseline opposite to a contact."""
    return HALF_LENGTH_M if contact_y_m < 0 else -HALF_LENGTH_M


def stroke_direction(
    contact_x_m: float,
    contact_y_m: float,
    end_x_m: float,
    wing: str = "unknown",
    right_handed: bool | None = None,
    body_x_m: float | None = None,
) -> str:
    """Direction of a stroke other than a serve.

    ``end_x_m`` is the x of the first bounce in the opponent's half or beyond; for a ball that did
    not bounce there, :func:`line_end_x_m` at the opponent's baseline. In this order:

    1. ``middle`` if ``|end_x_m| < MIDDLE_M``;
    2. a forehand whose contact lies more than ``RUN_ROUND_M`` inside the hitter's backhand half
       (needs ``wing`` and ``right_handed``): ``inside_out`` if it crosses the centre line,
       ``inside_in`` if not;
    3. ``cross_court`` if it crosses the centre line, ``down_the_line`` if not.

    A contact within ``CENTRE_STRIP_M`` of the centre line counts as lying on the side of the body
    on which the ball was struck (contact minus ``body_x_m``), so that a ball pulled across the body
    is cross-court; without ``body_x_m`` the sign of the contact decides.
    """
    if abs(end_x_m) < MIDDLE_M:
        return "middle"
    from_x = contact_x_m
    if abs(contact_x_m) < CENTRE_STRIP_M and body_x_m is not None and contact_x_m != body_x_m:
        from_x = contact_x_m - body_x_m
    crosses = from_x * end_x_m < 0
    if wing == "forehand" and right_handed is not None:
        to_the_right = contact_x_m if contact_y_m < 0 else -contact_x_m
        forehand_side = to_the_right if right_handed else -to_the_right
        if forehand_side < -RUN_ROUND_M:
            return "inside_out" if crosses else "inside_in"
    return "cross_court" if crosses else "down_the_line"


def serve_direction(end_x_m: float) -> str:
    """``t``, ``body`` or ``wide``: the third of the service box's width in which a serve lands.

    For a serve into the net, ``end_x_m`` is where the line of flight passes the service line.
    Serves beyond the sideline count as wide; the side of the centre line does not matter.
    """
    across = abs(end_x_m)
    if across < SERVICE_THIRD_M:
        return "t"
    return "body" if across < 2 * SERVICE_THIRD_M else "wide"


def movement_state(speed_mps: float, height_m: float = 0.0) -> str:
    """What a player does: ``airborne``, ``on_the_run``, ``recovering`` or ``set``.

    ``height_m`` is that of the lower foot. Between ``SET_BELOW_MPS`` and ``RUN_FROM_MPS`` a player
    is moving but not running, which is called recovering.
    """
    if height_m > AIRBORNE_FROM_M:
        return "airborne"
    if speed_mps >= RUN_FROM_MPS:
        return "on_the_run"
    return "set" if speed_mps < SET_BELOW_MPS else "recovering"
