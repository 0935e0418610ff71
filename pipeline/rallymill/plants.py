"""Behaviour planted into simulated points at table level, for measuring the rules.

A planter takes the strokes of a real simulated point and moves players and ball of one exchange
so that somebody commits what a rule looks for, or does the decent thing instead; everything else in
the point stays as it was played. What is planted is said in words of the game and computed here
from the court alone, never by a rule's own functions. Rows hold true values, with deviations of
nought.

Places are given for a player who looks up the court: ``x`` to the right, ``depth`` from the net.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from math import atan2, tan
from typing import Any

import numpy as np

from rallymill import court

Row = dict[str, Any]
Rng = np.random.Generator


@dataclass(frozen=True)
class Planted:
    """Strokes of a point after planting, the stroke it is about, and columns of the point."""

    rows: Sequence[Row]
    at: int
    won_by_hitter: bool | None = None
    point: Mapping[str, Any] = field(default_factory=dict)


Planter = Callable[[Sequence[Row], int, Rng], Planted]
"""Plants into the exchange that begins with the stroke of an index, which has a reply."""


@dataclass(frozen=True)
class Plant:
    """Something to find: the rule, the kind of its finding, what is done and what is done instead.

    ``clean`` commits nothing; where it is None the rule has no decent counterpart of its own.
    """

    rule: str
    kind: str
    what: str
    guilty: Planter
    clean: Planter
    stroke: tuple[str, ...] = ("groundstroke",)


def sign_of(row: Mapping[str, Any]) -> float:
    """1 for a near hitter, -1 for a far one."""
    return 1.0 if row["hitter"] == "near" else -1.0


def exact(row: Mapping[str, Any]) -> Row:
    """A true row with a deviation of nought for everything that it holds."""
    out = dict(row)
    for name in row:
        if name.endswith("_sd"):
            out[name] = 0.0 if row.get(name.removesuffix("_sd")) is not None else None
    return out


def bisector_x(contact: tuple[float, float], depth: float) -> float:
    """x that halves the angle of the replies from a contact, at a depth; own frame of who awaits.

    ``contact`` is (x, distance beyond the net). Cochet 1933: between the ball down the line to the
    baseline corner and the one across over the sideline at the service line.
    """
    x, beyond = contact
    line = 1.0 if x > 0 else -1.0
    to_line = atan2(line * court.HALF_SINGLES_M - x, beyond + court.HALF_LENGTH_M)
    across = atan2(-line * court.HALF_SINGLES_M - x, beyond + court.SERVICE_LINE_M)
    return x + (beyond + depth) * tan((to_line + across) / 2)


class Exchange:
    """A stroke and its reply, to be changed in the hitter's own frame."""

    def __init__(self, rows: Sequence[Row], at: int) -> None:
        self.rows = [exact(row) for row in rows]
        self.at = at
        self.stroke, self.reply = self.rows[at], self.rows[at + 1]
        self.before = self.rows[at - 1] if at else None
        self.turn = sign_of(self.stroke)

    def put(self, row: Row, **places: float) -> None:
        """Set columns in the hitter's own frame: x to the right, y up the court from the net."""
        for name, value in places.items():
            row[name] = self.turn * value
            sd = f"{name}_sd"
            if sd in row:
                row[sd] = 0.0

    def timed(self, seconds: float) -> None:
        """Let the reply come after a time; all later strokes follow."""
        late = self.stroke["t_contact_s"] + seconds - self.reply["t_contact_s"]
        for row in self.rows[self.at + 1:]:
            row["t_contact_s"] += late
        self.reply["time_to_prepare_s"] = seconds

    def still(self, row: Row, who: str) -> None:
        """Let a player stand."""
        row[f"{who}_vx_mps"] = row[f"{who}_vy_mps"] = 0.0
        if f"{who}_state" in row:
            row[f"{who}_state"] = "set"

    def struck(
        self, x: float, depth: float, land_x: float, land_y: float, seconds: float,
        z: float = 1.0,
    ) -> None:
        """Strike from a place and land at another after a time; the stroke's direction follows."""
        self.put(self.stroke, contact_x_m=x, contact_y_m=-depth, bounce_x_m=land_x,
                 bounce_y_m=land_y)
        self.stroke |= {
            "contact_z_m": z, "contact_z_m_sd": 0.0, "flight_time_s": seconds, "in_court": True,
            "in_court_confidence": 1.0, "t_bounce_s": self.stroke["t_contact_s"] + seconds,
            "depth": court.depth_zone(land_y), "direction": direction_of(x, land_x),
            "net_clearance_m": 0.7, "net_clearance_m_sd": 0.0,
        }

    def answered(self, x: float, depth: float) -> None:
        """Let the opponent strike at a place beyond the net, beside the feet."""
        self.put(self.reply, contact_x_m=x, contact_y_m=depth, hitter_x_m=x - 0.6,
                 hitter_y_m=depth + 0.3)
        self.reply |= {"contact_z_m": 1.0, "contact_z_m_sd": 0.0, "in_court": True,
                       "in_court_confidence": 1.0}

    def awaits(self, x: float, depth: float) -> None:
        """Let the hitter stand at a place when the opponent strikes."""
        self.put(self.reply, opponent_x_m=x, opponent_y_m=-depth)
        self.still(self.reply, "opponent")

    def opposed(self, x: float, depth: float, vx: float = 0.0, vy: float = 0.0) -> None:
        """Let the opponent be at a place with a velocity at the hitter's contact."""
        self.put(self.stroke, opponent_x_m=x, opponent_y_m=depth, opponent_vx_mps=vx,
                 opponent_vy_mps=vy)

    def set_up(self, seconds: float) -> None:
        """Give the hitter time to prepare, standing."""
        self.stroke["time_to_prepare_s"] = seconds
        self.still(self.stroke, "hitter")

    def last(self) -> None:
        """Let the stroke end the point."""
        del self.rows[self.at + 1:]
        self.stroke["ended_point"] = True

    def done(self, **more: Any) -> Planted:
        """What has been planted."""
        return Planted(self.rows, self.at, **more)


def direction_of(x: float, land_x: float) -> str:
    """Word for a stroke from x to x, as the court's third and half have it."""
    if abs(land_x) < court.HALF_SINGLES_M / 3:
        return "middle"
    return "cross_court" if x * land_x < 0 else "down_the_line"


def either(rng: Rng) -> float:
    """A side of the court."""
    return float(rng.choice([-1.0, 1.0]))


def off_middle(rng: Rng, low: float, high: float) -> float:
    """A place across, on either side, that far from the middle."""
    return either(rng) * between(rng, low, high)


def between(rng: Rng, low: float, high: float) -> float:
    """A number drawn evenly."""
    return float(rng.uniform(low, high))
