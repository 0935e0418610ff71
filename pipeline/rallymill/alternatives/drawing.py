"""Draws of a stroke toward a target: what it may really have been, and what errors make of it.

Draws come in pairs that are each other's mirror image, evenly spread, and the same for every run.
"""

from __future__ import annotations

import hashlib

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri
from scipy.stats import qmc

from rallymill import court, tactics
from rallymill.alternatives import flights
from rallymill.alternatives.stroke import SERVE, Stroke
from rallymill.flight import BALL_RADIUS_M

Array = NDArray[np.float64]

N_DRAWS = 128
"""Draws for each target: a share of them is good to about 0.03."""

(_X, _Y, _Z, _PACE, _SPIN, ELEVATION, AZIMUTH, ERROR, _OX, _OY, _OVX, _OVY, MISHIT) = range(13)
_MIRRORED = (_X, AZIMUTH, _OX, _OVX)
"""Columns of the draws: all standard normal but the last, which is even from 0 to 1."""


def seed_of(match_id: str, shot_id: int) -> int:
    """Seed of a stroke's draws, the same on every machine."""
    digest = hashlib.sha256(f"{match_id}/{shot_id}".encode()).digest()
    return int.from_bytes(digest[:4], "big")


def standard_draws(seed: int, n: int = N_DRAWS) -> Array:
    """Draws (n, 13), evenly spread, in pairs that are mirror images across the court."""
    half = qmc.Sobol(13, scramble=True, seed=seed).random(n // 2)
    drawn = ndtri(np.clip(half, 1e-6, 1 - 1e-6))
    drawn[:, MISHIT] = half[:, MISHIT]
    mirrored = drawn.copy()
    mirrored[:, _MIRRORED] *= -1
    return np.concatenate([drawn, mirrored])


def flights_to(
    stroke: Stroke, target_m: tuple[float, float], elevation_rad: float, errors: Array,
    drawn: Array, mover: tactics.Mover, restitution: float,
) -> tuple[Array, Array]:
    """Flights (N, 7) and meetings (N, 3) of :func:`rallymill.alternatives.flights.draw`.

    ``errors`` (N, 3) are those of elevation and azimuth in rad and the factor on the pace.
    """
    strokes = np.column_stack([
        stroke.contact + stroke.contact_sd * drawn[:, [_X, _Y, _Z]],
        np.maximum(stroke.pace_mps + stroke.pace_sd_mps * drawn[:, _PACE], 1.0),
        stroke.topspin_radps + stroke.topspin_sd_radps * drawn[:, _SPIN],
    ])
    strokes[:, 1] = np.minimum(strokes[:, 1], -0.05)
    strokes[:, 2] = np.maximum(strokes[:, 2], 2 * BALL_RADIUS_M)
    opponents = stroke.opponent + stroke.opponent_sd * drawn[:, [_OX, _OY, _OVX, _OVY]]
    return flights.draw(
        stroke.contact, stroke.pace_mps, stroke.topspin_radps, elevation_rad, target_m, strokes,
        errors, opponents, mover, restitution,
    )


def clears(flown: Array) -> NDArray[np.bool_]:
    """Which flights (N, 7) pass over the net."""
    clearance = flown[:, flights.CLEARANCE]
    return np.isfinite(clearance) & (clearance > 0)


def goes_in(stroke: Stroke, flown: Array) -> NDArray[np.bool_]:
    """Which flights (N, 7) pass over the net and land in."""
    x, y = flown[:, flights.LANDED_X], flown[:, flights.LANDED_Y]
    if stroke.family != SERVE:
        return clears(flown) & court.in_singles(x, y) & (y > 0)
    side = stroke.box_side or "deuce"
    in_box = [
        court.in_service_box(float(a), float(b), -court.HALF_LENGTH_M, side)
        for a, b in zip(x, y, strict=True)
    ]
    return clears(flown) & np.array(in_box)
