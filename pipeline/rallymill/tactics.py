"""Pure geometry of court cover: time to reach, open court and the place to recover to.

A player is a point that reacts, then speeds up evenly to a greatest speed and reaches as far as arm
and racket go. Lateral figures of matches: measured greatest speeds of 5.4 to 6.4 m/s (Whiteside &
Reid 2017 and published match data), most strokes within 2.5 m of the ready position (Ferrauti &
Weber 2001). Acceleration, reaction and reach are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
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


def time_to_cover(distance_m: ArrayLike, speed_mps: ArrayLike, mover: Mover) -> Array:
    """Time (...) to run distances (...) in a line, from a speed (...) along that line.

    A speed away from the goal is braked first, which adds to the distance.
    """
    distance = np.asarray(distance_m, dtype=float)
    start = np.clip(np.asarray(speed_mps, dtype=float), -mover.speed_mps, mover.speed_mps)
    a = mover.acceleration_mps2
    away = np.maximum(-start, 0.0)
    toward = np.maximum(start, 0.0)
    total = distance + away**2 / (2 * a)
    speeding = (mover.speed_mps**2 - toward**2) / (2 * a)
    within = (np.sqrt(toward**2 + 2 * a * np.minimum(total, speeding)) - toward) / a
    beyond = np.maximum(total - speeding, 0.0) / mover.speed_mps
    return away / a + within + beyond


def time_to_reach(
    place_m: ArrayLike, velocity_mps: ArrayLike, targets_m: ArrayLike, mover: Mover
) -> Array:
    """Time (...) until a player can play a ball at ground points (..., 2).

    ``place_m`` and ``velocity_mps`` have shape (2,). During the reaction the player goes on as
    before; 0 where the ball is within reach then. Speed across the new line is neglected.
    """
    velocity = np.asarray(velocity_mps, dtype=float)
    from_m = np.asarray(place_m, dtype=float) + velocity * mover.reaction_s
    away = np.asarray(targets_m, dtype=float) - from_m
    gap = np.linalg.norm(away, axis=-1)
    along = np.sum(away * velocity, axis=-1) / np.maximum(gap, 1e-9)
    left = np.maximum(gap - mover.reach_m, 0.0)
    return np.where(left > 0, mover.reaction_s + time_to_cover(left, along, mover), 0.0)


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
    landings = np.atleast_2d(np.asarray(landings_m, dtype=float))
    contact = np.asarray(threat.contact_m, dtype=float)
    speed = max(threat.ground_speed_mps, 1.0)
    path = landings - contact
    length = np.maximum(np.linalg.norm(path, axis=1), 1e-9)
    unit = path / length[:, None]
    bounce_s = length / speed
    # Share of the flight at which the ball is over the net; the opponent cannot meet it before.
    crossing = np.clip(-contact[1] / np.where(path[:, 1] == 0, 1e-9, path[:, 1]), 0.0, 1.0)
    before = crossing[:, None] + (1 - crossing[:, None]) * np.linspace(0.25, 1.0, 4)
    after_s = np.linspace(0.15, PLAYABLE_AFTER_BOUNCE_S, 6)
    ball_s = np.hstack([before * bounce_s[:, None], bounce_s[:, None] + after_s])
    run_m = np.hstack(
        [
            before * length[:, None],
            length[:, None] + after_s * speed * GROUND_SPEED_KEPT,
        ]
    )
    meeting = contact + run_m[..., None] * unit[:, None, :]
    need_s = time_to_reach(threat.opponent_m, threat.opponent_mps, meeting, mover)
    playable = np.abs(meeting[..., 1]) <= court.HALF_LENGTH_M + DEEPEST_BEHIND_M
    spare = np.where(playable, ball_s - need_s, -np.inf)
    return np.asarray(spare.max(axis=1), dtype=float)


def open_court_share(threat: Threat, mover: Mover, spacing_m: float = 0.6) -> float:
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
    x_hit_m: float, y_hit_m: float, own_y_m: float, x_sd_m: float, y_sd_m: float
) -> float:
    """Standard deviation of :func:`recovery_place_m` from that of the contact, by differences."""
    step = 0.05
    by_x = (
        recovery_place_m(x_hit_m + step, y_hit_m, own_y_m)
        - recovery_place_m(x_hit_m - step, y_hit_m, own_y_m)
    ) / (2 * step)
    by_y = (
        recovery_place_m(x_hit_m, y_hit_m + step, own_y_m)
        - recovery_place_m(x_hit_m, y_hit_m - step, own_y_m)
    ) / (2 * step)
    return float(np.hypot(by_x * x_sd_m, by_y * y_sd_m))
