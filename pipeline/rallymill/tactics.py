"""Pure geometry of court cover: time to reach, open court and the place to recover to.

A player is a point that reacts, then speeds up evenly to a greatest speed and reaches as far as arm
and racket go. Lateral figures of matches: measured greatest speeds of 5.4 to 6.4 m/s (Whiteside &
Reid 2017 and published match data), most strokes within 2.5 m of the ready position (Ferrauti &
Weber 2001). Acceleration, reaction and reach are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
from numba import njit
from numpy.typing import ArrayLike, NDArray

from rallymill import court

Array = NDArray[np.float64]

MIDDLE_M = 1.37
"""Half the width of the strip about the centre line that counts as the middle of the court."""
GROUND_SPEED_KEPT = 0.65
"""Share of its ground speed that a ball keeps at the bounce: the gripping limit without spin is
0.645 for a ball with inertia factor 0.55 (Cross 2002)."""
PLAYABLE_AFTER_BOUNCE_S = 0.9
"""Time from first bounce to second that a player can use; common practice, no source."""
BEFORE_STEPS = 3
AFTER_STEPS = 5
"""Meeting points that are tried before and after the bounce."""
OVER_NET_M = 1.05
"""Height at which a ball just clears the middle of the net."""
TOPSPIN_GRAVITY_MPS2 = 15.0
"""Gravity and the lift of strong topspin together, as a bound on how fast a ball dips: 9.81 plus
about half of it for 25 m/s and 250 rad/s by :mod:`rallymill.flight`."""
DEEPEST_BEHIND_M = 4.0
"""How far behind the baseline a ball may still be met; common practice, no source."""


@dataclass(frozen=True)
class Mover:
    """How a player moves: reaction, even acceleration, greatest speed, reach of arm and racket."""

    reaction_s: float = 0.2
    acceleration_mps2: float = 5.0
    speed_mps: float = 6.0
    reach_m: float = 1.0


@njit(cache=True)
def _cover(distance, speed, acceleration, top_speed):  # type: ignore[no-untyped-def]
    start = min(max(speed, -top_speed), top_speed)
    away = max(-start, 0.0)
    toward = max(start, 0.0)
    total = distance + away * away / (2 * acceleration)
    speeding = (top_speed * top_speed - toward * toward) / (2 * acceleration)
    within = sqrt(toward * toward + 2 * acceleration * min(total, speeding)) - toward
    return (away + within) / acceleration + max(total - speeding, 0.0) / top_speed


@njit(cache=True)
def compiled_reach(px, py, vx, vy, tx, ty, mover):  # type: ignore[no-untyped-def]
    """:func:`time_to_reach_s` for callers that are compiled themselves; takes floats and a tuple.
    """
    reaction, acceleration, top_speed, reach = mover
    dx = tx - px - vx * reaction
    dy = ty - py - vy * reaction
    gap = sqrt(dx * dx + dy * dy)
    if gap <= reach:
        return 0.0
    along = (dx * vx + dy * vy) / gap
    return reaction + _cover(gap - reach, along, acceleration, top_speed)


@njit(cache=True)
def _spare(contact, ball_speed, place, velocity, landing, mover, limit_y):  # type: ignore[no-untyped-def]
    path_x = landing[0] - contact[0]
    path_y = landing[1] - contact[1]
    length = max(sqrt(path_x * path_x + path_y * path_y), 1e-9)
    bounce_s = length / ball_speed
    crossing = 0.0
    if path_y != 0.0:
        crossing = min(max(-contact[1] / path_y, 0.0), 1.0)
    best = -1e9
    for k in range(BEFORE_STEPS + AFTER_STEPS):
        if k < BEFORE_STEPS:
            share = crossing + (1 - crossing) * (k + 1) / BEFORE_STEPS
            ball_s = share * bounce_s
        else:
            after_s = PLAYABLE_AFTER_BOUNCE_S * (k + 1 - BEFORE_STEPS) / AFTER_STEPS
            share = 1 + after_s * ball_speed * GROUND_SPEED_KEPT / length
            ball_s = bounce_s + after_s
        x = contact[0] + share * path_x
        y = contact[1] + share * path_y
        if abs(y) > limit_y:
            continue
        spare = ball_s - compiled_reach(place[0], place[1], velocity[0], velocity[1], x, y, mover)
        best = max(best, spare)
    return best


@njit(cache=True)
def _spares(contact, ball_speed, place, velocity, landings, mover, limit_y):  # type: ignore[no-untyped-def]
    out = np.empty(landings.shape[0])
    for i in range(landings.shape[0]):
        out[i] = _spare(contact, ball_speed, place, velocity, landings[i], mover, limit_y)
    return out


def _figures(mover: Mover) -> tuple[float, float, float, float]:
    return mover.reaction_s, mover.acceleration_mps2, mover.speed_mps, mover.reach_m


def time_to_cover_s(distance_m: float, speed_mps: float, mover: Mover) -> float:
    """Time to run a distance in a line, from a speed along that line.

    A speed away from the goal is braked first, which adds to the distance.
    """
    return float(_cover(
        float(distance_m), float(speed_mps), mover.acceleration_mps2, mover.speed_mps))


def time_to_reach_s(
    place_m: tuple[float, float], velocity_mps: tuple[float, float],
    target_m: tuple[float, float], mover: Mover,
) -> float:
    """Time until a player at a place (x, y) can play a ball at a ground point.

    During the reaction the player goes on as before; 0 where the ball is within reach then. Speed
    across the new line is neglected.
    """
    return float(compiled_reach(*place_m, *velocity_mps, *target_m, _figures(mover)))


@dataclass(frozen=True)
class Threat:
    """A stroke about to be struck at an opponent: where, how fast, and how the opponent stands."""

    contact_m: tuple[float, float]
    ground_speed_mps: float
    opponent_m: tuple[float, float]
    opponent_mps: tuple[float, float] = (0.0, 0.0)
    contact_z_m: float = 1.0


def least_depth_m(threat: Threat) -> float:
    """Least distance beyond the net at which a ball of the threat's speed can come down.

    The ball passes ``OVER_NET_M`` over the net after falling with ``TOPSPIN_GRAVITY_MPS2``.
    """
    speed = max(threat.ground_speed_mps, 1.0)
    to_net_s = max(abs(threat.contact_m[1]) / speed, 1e-3)
    g = TOPSPIN_GRAVITY_MPS2
    down = g * to_net_s / 2 - (OVER_NET_M - threat.contact_z_m) / to_net_s
    fall_s = (np.sqrt(down**2 + 2 * g * OVER_NET_M) - down) / g
    return float(min(speed * fall_s, court.HALF_LENGTH_M - 1.0))


def spare_time_s(threat: Threat, landings_m: ArrayLike, mover: Mover) -> Array:
    """Time (N,) that the opponent has left for balls that land at ground points (N, 2).

    The ball goes straight through its landing point at ``ground_speed_mps``, keeps
    ``GROUND_SPEED_KEPT`` of it after the bounce and can be met anywhere between the net and
    ``DEEPEST_BEHIND_M`` behind the baseline, before the bounce too, until the second bounce. The
    best meeting point counts; negative: the opponent does not get there.
    """
    landings = np.ascontiguousarray(np.atleast_2d(np.asarray(landings_m, dtype=float)))
    spare: Array = _spares(
        np.asarray(threat.contact_m, dtype=float), max(threat.ground_speed_mps, 1.0),
        np.asarray(threat.opponent_m, dtype=float), np.asarray(threat.opponent_mps, dtype=float),
        landings, _figures(mover), court.HALF_LENGTH_M + DEEPEST_BEHIND_M,
    )
    return spare


def open_court_share(threat: Threat, mover: Mover, spacing_m: float = 0.5) -> float:
    """Share of the singles court beyond the net that the opponent could not cover, 0 to 1.

    Only the part counts into which a ball of this speed can be brought (:func:`least_depth_m`).
    """
    side = -1.0 if threat.contact_m[1] > 0 else 1.0
    x = _cells(-court.HALF_SINGLES_M, court.HALF_SINGLES_M, spacing_m)
    y = _cells(least_depth_m(threat), court.HALF_LENGTH_M, spacing_m) * side
    grid = np.stack(np.meshgrid(x, y), -1).reshape(-1, 2)
    return float(np.mean(spare_time_s(threat, grid, mover) < 0))


def _cells(low: float, high: float, spacing_m: float) -> Array:
    """Middles of equal cells between two ends."""
    count = max(1, round((high - low) / spacing_m))
    edges = np.linspace(low, high, count + 1)
    return (edges[:-1] + edges[1:]) / 2


def extremes(x_hit_m: float, y_hit_m: float) -> tuple[tuple[float, float], tuple[float, float]]:
    """Ground points (x, y) through which the outermost replies from a contact pass, left and right.

    Down the line the outermost ball goes to the baseline corner; across the court an angled ball
    goes over the sideline as short as the service line. Between them, for a contact within
    ``MIDDLE_M`` of the centre, the depth is in proportion (common practice, no source), so that the
    place to recover to does not jump when the contact crosses the middle.
    """
    toward = 1.0 if y_hit_m < 0 else -1.0
    points = []
    for side in (-1.0, 1.0):
        across = float(np.clip(-side * x_hit_m / MIDDLE_M, -1.0, 1.0))
        share = (across + 1) / 2
        depth = court.HALF_LENGTH_M + share * (court.SERVICE_LINE_M - court.HALF_LENGTH_M)
        points.append((side * court.HALF_SINGLES_M, toward * depth))
    return points[0], points[1]


def recovery_place_m(x_hit_m: float, y_hit_m: float, own_y_m: float) -> float:
    """Place across the court, at a player's own depth, that bisects an opponent's replies.

    The opponent strikes at (``x_hit_m``, ``y_hit_m``). See :func:`rallymill.court.bisector_x_m` for
    the theory and :func:`extremes` for the outermost replies.
    """
    left, right = extremes(x_hit_m, y_hit_m)
    return court.bisector_x_m(x_hit_m, y_hit_m, left, right, own_y_m)


def recovery_place_sd_m(
    x_hit_m: float, y_hit_m: float, own_y_m: float, x_sd_m: float, y_sd_m: float,
    own_y_sd_m: float = 0.0,
) -> float:
    """Standard deviation of :func:`recovery_place_m` from those of what it rests on.

    By differences; ``own_y_sd_m`` is that of the player's own depth.
    """
    step = 0.05
    by_x = (
        recovery_place_m(x_hit_m + step, y_hit_m, own_y_m)
        - recovery_place_m(x_hit_m - step, y_hit_m, own_y_m)
    ) / (2 * step)
    by_y = (
        recovery_place_m(x_hit_m, y_hit_m + step, own_y_m)
        - recovery_place_m(x_hit_m, y_hit_m - step, own_y_m)
    ) / (2 * step)
    by_own = (
        recovery_place_m(x_hit_m, y_hit_m, own_y_m + step)
        - recovery_place_m(x_hit_m, y_hit_m, own_y_m - step)
    ) / (2 * step)
    return float(np.linalg.norm([by_x * x_sd_m, by_y * y_sd_m, by_own * own_y_sd_m]))
