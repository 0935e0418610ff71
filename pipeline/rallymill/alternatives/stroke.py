"""A stroke as its alternatives are played from, on a court turned so that the hitter is near.

Alternatives are pure: rows of the shots table come in as dictionaries, nothing here reads files.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import hypot, nan
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rallymill import court
from rallymill.alternatives import flights
from rallymill.flight import BALL_RADIUS_M

Array = NDArray[np.float64]
Row = Mapping[str, Any]

SERVE, AIR, GROUND = "serve", "volley", "groundstroke"
FAMILY = {"serve": SERVE, "volley": AIR, "overhead": AIR}
"""Families that scatter alike; every other stroke is one off the ground."""

CONTACT_SD_M = 0.2
PACE_SD_SHARE = 0.05
PLACE_SD_M = 0.3
VELOCITY_SD_MPS = 0.4
"""Deviations where the table has none (common practice, no source)."""
TOPSPIN_RADPS = {SERVE: (200.0, 100.0), AIR: (0.0, 60.0), GROUND: (130.0, 110.0)}
"""Topspin and its deviation where it was not measured: drives have 1000 to 2400 revolutions a
minute, 105 to 250 rad/s, sliced balls turn the other way (Yandell, ball-spin studies 1997-2010);
serves and volleys from memory."""
MOST_HEIGHT_SD_M, MOST_PACE_SD_SHARE = 0.35, 0.2
"""Where height or pace of the contact is less sure than this, nothing follows from it."""
LEAST_NET_M = 0.3
"""A contact nearer the net than this has no room for another direction."""
LONGER_SHARE = 0.01
"""So much further than the longest flight a ball may have come down, for what the model leaves out.
"""
GRID_RAD = np.radians(np.arange(-35.0, 81.0, 5.0))
NEEDED = ("contact_x_m", "contact_y_m", "contact_z_m", "speed_mps")


@dataclass(frozen=True)
class Stroke:
    """A stroke on the turned court: the contact has y < 0, the opponent y > 0.

    ``contact``, ``contact_sd`` are (3,); ``opponent`` and ``opponent_sd`` (4,): place and velocity,
    NaN where not measured; ``landed`` is the first bounce (x, y) and ``landed_sd`` its deviation,
    None without one; ``landed_s`` its time from the contact and ``clearance_m`` the height that was
    measured over the net, NaN without. ``in_court`` says whether it was in.
    ``box_side`` is the half from which a serve is struck. ``turn`` is -1 where the court was
    turned, so that a place times it is one of the court frame.
    """

    shot_id: int
    player: str
    family: str
    kind: str
    direction: str
    wing: str
    right_handed: bool | None
    body_x_m: float | None
    contact: Array
    contact_sd: Array
    pace_mps: float
    pace_sd_mps: float
    topspin_radps: float
    topspin_sd_radps: float
    topspin_measured: bool
    opponent: Array
    opponent_sd: Array
    landed: tuple[float, float] | None
    landed_sd: tuple[float, float]
    landed_s: float
    clearance_m: float
    clearance_sd_m: float
    in_court: bool | None
    box_side: str | None
    turn: float

    def distance_m(self, target_m: tuple[float, float]) -> float:
        """Distance over the ground from the contact to a target (x, y)."""
        return hypot(target_m[0] - self.contact[0], target_m[1] - self.contact[1])


def _sd(row: Row, name: str, fallback: float) -> float:
    value = row[f"{name}_sd"]
    return fallback if value is None else float(value)


def stroke_of(row: Row, right_handed: bool | None = None) -> Stroke | str:
    """The stroke of a row of the shots table, or why none can be played from it."""
    missing = [name for name in NEEDED if row[name] is None]
    if missing:
        return f"not measured: {', '.join(missing)}"
    turn = 1.0 if row["hitter"] == "near" else -1.0
    contact = np.array([turn * row["contact_x_m"], turn * row["contact_y_m"], row["contact_z_m"]])
    if contact[1] > -LEAST_NET_M:
        return "the contact is at the net or beyond it"
    if row["speed_mps"] <= 0 or contact[2] <= BALL_RADIUS_M:
        return "the measured contact is on the ground or without pace"
    if (row["contact_z_m_sd"] or 0.0) > MOST_HEIGHT_SD_M or (
        row["speed_mps_sd"] or 0.0
    ) > MOST_PACE_SD_SHARE * row["speed_mps"]:
        return "height or pace of the contact is too unsure"
    family = FAMILY.get(row["stroke"], GROUND)
    spin, spin_sd = TOPSPIN_RADPS[family]
    measured = row["topspin_radps"] is not None
    if measured:
        spin, spin_sd = row["topspin_radps"], _sd(row, "topspin_radps", spin_sd)
    hitter_x = row["hitter_x_m"]
    server_x = contact[0] if hitter_x is None else turn * hitter_x
    landed = None
    if row["bounce_x_m"] is not None and row["bounce_y_m"] is not None:
        landed = (turn * row["bounce_x_m"], turn * row["bounce_y_m"])
    return Stroke(
        shot_id=row["shot_id"], player=row["player"] or row["hitter"], family=family,
        kind=row["stroke"], direction=row["direction"], wing=row["wing"],
        right_handed=right_handed, body_x_m=None if hitter_x is None else turn * hitter_x,
        contact=contact,
        contact_sd=np.array([_sd(row, f"contact_{axis}_m", CONTACT_SD_M) for axis in "xyz"]),
        pace_mps=float(row["speed_mps"]),
        pace_sd_mps=_sd(row, "speed_mps", PACE_SD_SHARE * row["speed_mps"]),
        topspin_radps=float(spin), topspin_sd_radps=float(spin_sd), topspin_measured=measured,
        opponent=_opponent(row, turn),
        opponent_sd=np.array([
            _sd(row, "opponent_x_m", PLACE_SD_M), _sd(row, "opponent_y_m", PLACE_SD_M),
            VELOCITY_SD_MPS, VELOCITY_SD_MPS,
        ]),
        landed=landed if landed is not None and landed[1] > 0 else None,
        landed_sd=(_sd(row, "bounce_x_m", PLACE_SD_M), _sd(row, "bounce_y_m", PLACE_SD_M)),
        landed_s=nan if row["t_bounce_s"] is None else row["t_bounce_s"] - row["t_contact_s"],
        clearance_m=nan if row["net_clearance_m"] is None else row["net_clearance_m"],
        clearance_sd_m=_sd(row, "net_clearance_m", PLACE_SD_M),
        in_court=row["in_court"],
        box_side=court.serve_side(server_x, contact[1]) if family == SERVE else None,
        turn=turn,
    )  # fmt: skip


def _opponent(row: Row, turn: float) -> Array:
    if row["opponent_x_m"] is None or row["opponent_y_m"] is None:
        return np.full(4, np.nan)
    speeds = (row["opponent_vx_mps"] or 0.0, row["opponent_vy_mps"] or 0.0)
    return turn * np.array([row["opponent_x_m"], row["opponent_y_m"], *speeds])


class Launches:
    """Elevations at which a stroke's pace and topspin bring the ball to a distance."""

    def __init__(self, stroke: Stroke) -> None:
        self._stroke = stroke
        self._ranges = flights.ranges(
            float(stroke.contact[2]), stroke.pace_mps, stroke.topspin_radps, GRID_RAD)

    def low(self, distance_m: float) -> float:
        """Elevation in rad of the flatter flight to a distance; NaN where it is out of reach."""
        return self._solve(distance_m, rising=True)

    def high(self, distance_m: float) -> float:
        """Elevation of the higher flight; NaN where there is none up to 80 degrees."""
        return self._solve(distance_m, rising=False)

    def slope_mprad(self, distance_m: float) -> float:
        """How far the flatter flight goes further for each rad of elevation; NaN if none does."""
        where = self._interval(distance_m, rising=True)
        if where is None:
            return nan
        step = GRID_RAD[where + 1] - GRID_RAD[where]
        return float((self._ranges[where + 1] - self._ranges[where]) / step)

    def _longest(self, distance_m: float) -> float:
        """Elevation of the longest flight, where the distance is no longer than it may really be.
        """
        known = np.nan_to_num(self._ranges, nan=-1.0)
        top = int(known.argmax())
        unsure = self._stroke.pace_sd_mps / self._stroke.pace_mps
        within = known[top] < distance_m <= known[top] * (1 + LONGER_SHARE + unsure)
        if not within or not 0 < top < len(known) - 1:
            return nan
        # The top of the parabola through the longest and its neighbours.
        before, at, after = known[top - 1 : top + 2]
        step = GRID_RAD[1] - GRID_RAD[0]
        return float(GRID_RAD[top] + step * (before - after) / (2 * (before - 2 * at + after)))

    def _interval(self, distance_m: float, rising: bool) -> int | None:
        before, after = self._ranges[:-1], self._ranges[1:]
        with np.errstate(invalid="ignore"):
            found = (before <= distance_m) & (distance_m < after) if rising else (
                (before > distance_m) & (distance_m >= after))
        places = np.flatnonzero(found)
        return int(places[0]) if len(places) else None

    def _solve(self, distance_m: float, rising: bool) -> float:
        where = self._interval(distance_m, rising)
        if where is None:
            return self._longest(distance_m)
        low, high = self._ranges[where], self._ranges[where + 1]
        share = (distance_m - low) / (high - low)
        start = GRID_RAD[where] + share * (GRID_RAD[where + 1] - GRID_RAD[where])
        stroke = self._stroke
        return flights.elevation_near(
            float(stroke.contact[2]), stroke.pace_mps, stroke.topspin_radps, distance_m,
            float(start))
