"""Find the launch that sends a ball to a place on the ground."""

from __future__ import annotations

from math import atan2, cos, hypot, sin

import numpy as np
from numpy.typing import NDArray

from rallymill import court, flight
from rallymill.arena.rally_ball import net_crossing

Array = NDArray[np.float64]

FLAT_SCAN_RAD = np.radians(np.arange(-24.0, 40.0, 3.0))
SPEED_SCAN_MPS = np.arange(6.0, 40.0, 2.0)
TOLERANCE_M = 0.005


def launch(contact: Array, azimuth: float, elevation: float, speed: float) -> Array:
    """State (6,) of a ball struck at ``contact`` (3,); azimuth counter-clockwise from +x."""
    level = speed * cos(elevation)
    return np.array(
        [
            contact[0],
            contact[1],
            contact[2],
            level * cos(azimuth),
            level * sin(azimuth),
            speed * sin(elevation),
        ]
    )


def _land(contact: Array, azimuth: float, elevation: float, speed: float, spin: Array) -> Array:
    span, state = flight.fall_to(launch(contact, azimuth, elevation, speed), spin, limit_s=6.0)
    if not np.isfinite(span):
        return np.array([np.inf, np.inf])
    return state[0:2]


def _refine(
    contact: Array, target: Array, spin: Array, low: float, high: float, fixed: float, angle: bool
) -> tuple[float, float, float]:
    """Azimuth and the free one of elevation and speed, by bisection between two brackets."""
    bearing = atan2(target[1] - contact[1], target[0] - contact[0])
    wanted = hypot(target[0] - contact[0], target[1] - contact[1])
    azimuth = bearing
    free = 0.5 * (low + high)
    for _ in range(40):
        free = 0.5 * (low + high)
        elevation, speed = (free, fixed) if angle else (fixed, free)
        place = _land(contact, azimuth, elevation, speed, spin)
        way = hypot(place[0] - contact[0], place[1] - contact[1])
        if np.isfinite(way) and way > 0.1:
            # Sidespin turns the flight: lead by what it turned.
            azimuth += bearing - atan2(place[1] - contact[1], place[0] - contact[0])
        if abs(way - wanted) < TOLERANCE_M:
            break
        if way < wanted:
            low = free
        else:
            high = free
    elevation, speed = (free, fixed) if angle else (fixed, free)
    return azimuth, elevation, speed


def aim_flat(
    contact: Array, target: Array, speed: float, spin: Array
) -> tuple[float, float, float] | None:
    """Azimuth, elevation and speed of the lower flight that lands at ``target`` (2,).

    None if the ball cannot be sent that far at this speed.
    """
    wanted = hypot(target[0] - contact[0], target[1] - contact[1])
    bearing = atan2(target[1] - contact[1], target[0] - contact[0])
    before = float(FLAT_SCAN_RAD[0])
    for elevation in FLAT_SCAN_RAD:
        place = _land(contact, bearing, float(elevation), speed, spin)
        if hypot(place[0] - contact[0], place[1] - contact[1]) >= wanted:
            return _refine(contact, target, spin, before, float(elevation), speed, True)
        before = float(elevation)
    return None


def aim_high(
    contact: Array, target: Array, elevation: float, spin: Array
) -> tuple[float, float, float] | None:
    """Azimuth, elevation and speed of the flight at a given elevation that lands at ``target``."""
    wanted = hypot(target[0] - contact[0], target[1] - contact[1])
    bearing = atan2(target[1] - contact[1], target[0] - contact[0])
    before = 2.0
    for speed in SPEED_SCAN_MPS:
        place = _land(contact, bearing, elevation, float(speed), spin)
        if hypot(place[0] - contact[0], place[1] - contact[1]) >= wanted:
            return _refine(contact, target, spin, before, float(speed), elevation, False)
        before = float(speed)
    return None


def clearance_m(state: Array, spin: Array) -> float | None:
    """Height of the ball's lowest point above the net where it passes; None if it does not."""
    span, _ = flight.fall_to(state, spin)
    crossing = net_crossing(state, spin, span if np.isfinite(span) else 4.0)
    if crossing is None:
        return None
    at_net = crossing[1]
    return float(at_net[2] - flight.BALL_RADIUS_M - court.net_height_m(at_net[0]))
