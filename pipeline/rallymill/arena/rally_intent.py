"""What a hitter faces and what is tried, and the pieces from which a try is made.

Everything here is in the hitter's own frame: the court turned so that the hitter stands at y < 0
and looks along +y. Odds and spreads are common practice, no source, tuned so that rallies show
published shares and ranges.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rallymill import court
from rallymill.arena.player_profile import PlayerProfile

Array = NDArray[np.float64]
HALF_M = court.HALF_SINGLES_M
BASE_M = court.HALF_LENGTH_M
OPEN_FROM_M = 0.6
"""An opponent who stands this far from the middle leaves the other side open."""
RUNNER_FROM_MPS = 1.2


@dataclass(frozen=True)
class Situation:
    """What the hitter faces at contact, in the hitter's own frame.

    ``since_bounce_s`` is the time since the ball's bounce, 0 before it.
    """

    contact: Array
    wing: str
    pressure: float
    before_bounce: bool
    incoming_bounce_y_m: float | None
    shot_number: int
    first_serve: bool
    opponent: Array
    opponent_velocity: Array
    body: Array
    since_bounce_s: float = 0.0


@dataclass(frozen=True)
class Intent:
    """What is tried: ``elevation_rad`` is set for strokes that are lifted (lob, drop shot).

    ``plan`` says where to and why: cross, line, middle, open, behind, or a serve's place.
    """

    stroke: str
    action: str
    target: Array
    speed_mps: float
    topspin_radps: float
    sidespin_radps: float
    clearance_m: float
    elevation_rad: float | None = None
    to_net: bool = False
    scatter: float = 1.0
    plan: str = ""


def cross_sign(s: Situation, me: PlayerProfile) -> float:
    """Sign of x to which a cross-court stroke goes."""
    if abs(s.contact[0]) >= 0.7:
        return -float(np.sign(s.contact[0]))
    forehand_right = me.look.right_handed == (s.wing != "backhand")
    return -1.0 if forehand_right else 1.0


def pick(
    rng: np.random.Generator, s: Situation, me: PlayerProfile, weights: dict[str, float]
) -> tuple[float, str]:
    """Sign of the target's x (0 for the middle) and the plan, by weight.

    A plan that does not fit (nobody to be caught, nothing open) becomes cross-court.
    """
    names = list(weights)
    p = np.array(
        [weights[name] * (me.middle_liking if name == "middle" else 1.0) for name in names]
    )
    plan = names[int(rng.choice(len(names), p=p / p.sum()))]
    cross = cross_sign(s, me)
    if plan == "middle":
        return 0.0, plan
    if plan == "open" and abs(s.opponent[0]) > OPEN_FROM_M:
        return -float(np.sign(s.opponent[0])), plan
    if plan == "behind" and abs(s.opponent_velocity[0]) > RUNNER_FROM_MPS:
        return -float(np.sign(s.opponent_velocity[0])), plan
    return (-cross, "line") if plan == "line" else (cross, "cross")


def target(
    rng: np.random.Generator,
    me: PlayerProfile,
    sign: float,
    margin: float,
    spread: float,
    depth: float,
    depth_spread: float,
) -> Array:
    """Place aimed at (2,): ``margin`` inside the sideline of a sign, at a depth."""
    y = float(np.clip(rng.normal(depth + me.depth_m, depth_spread), 3.0, BASE_M - 0.6))
    if sign == 0.0:
        return np.array([float(rng.normal(0, 0.6)), y])
    inside = float(np.clip(rng.normal(margin + me.margin_m, spread), 0.3, 3.5))
    return np.array([sign * (HALF_M - inside), y])


def ground_speed(me: PlayerProfile, wing: str) -> tuple[float, float]:
    """Speed and topspin of a player's ordinary drive."""
    if wing == "backhand":
        return me.backhand_speed_mps, me.backhand_topspin_radps
    return me.forehand_speed_mps, me.forehand_topspin_radps
