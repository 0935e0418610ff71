"""Where and when a player can meet the ball.

In the receiver's own frame: the court turned so that the receiver stands at y < 0.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rallymill import court
from rallymill.arena.player_motion import reach
from rallymill.arena.player_profile import PlayerProfile
from rallymill.arena.rally_ball import FENCE_Y_M, Arc, first_landing, sample

Array = NDArray[np.float64]

STEP_S = 0.02
SERVE_LUNGE = 1.10
NET_LUNGE = 1.15
SWING_S = 0.22
BLOCK_S = 0.10
"""Shortest time from the first step to the contact of a full stroke and of a volley."""
# Distance of the feet beside the contact: at ease, jammed, reaching, lunging; and what each costs.
OFFSETS_M = (0.68, 0.35, 1.0, 1.35, 1.65)
OFFSET_COST = (0.0, 0.45, 0.5, 1.0, 1.5)
OFFSET_STRETCH = (0.15, 0.0, 0.5, 0.8, 1.0)


@dataclass(frozen=True)
class Meeting:
    """A planned contact: time, ball there (3,), feet (2,), arrival velocity (2,)."""

    t_s: float
    ball: Array
    feet: Array
    velocity: Array
    wing: str
    before_bounce: bool
    haste: float
    stretch: float
    pressure: float
    ball_speed_mps: float
    since_bounce_s: float = 0.0


@dataclass(frozen=True)
class Chance:
    """What the receiver works with: start (2,), velocity (2,) when free to move at ``t_s``."""

    t_s: float
    place: Array
    velocity: Array
    hit_s: float
    serve: bool


def turn(states: Array, sign: float) -> Array:
    """States (N, 6) or (N, 3) or (2,) turned by half a turn if ``sign`` is negative."""
    out = np.array(states, dtype=float)
    if sign < 0:
        out[..., 0:2] *= -1
        if out.shape[-1] == 6:
            out[..., 3:5] *= -1
    return out


def find_meeting(
    rng: np.random.Generator, me: PlayerProfile, arcs: list[Arc], sign: float, chance: Chance
) -> Meeting | None:
    """Best place to meet the ball, None if it cannot be met before its second bounce.

    ``arcs`` start with the stroke; ``sign`` is 1 if the receiver is near. The result is in the
    receiver's own frame.
    """
    lands = first_landing(arcs)
    if arcs[lands].end_kind != "bounce":
        return None
    first = arcs[lands].end_s
    last = arcs[min(lands + 1, len(arcs) - 1)].end_s
    at_net = chance.place[1] > -8.5
    times = np.arange(chance.t_s + (BLOCK_S if at_net else SWING_S), last, STEP_S)
    if not len(times):
        return None
    ball = turn(sample(arcs, times), sign)
    early = times < first - 0.015
    z, y = ball[:, 2], ball[:, 1]
    grounded = ~early & (times >= chance.t_s + SWING_S)
    grounded &= (z > 0.18) & (z < 1.9) & (y > -FENCE_Y_M + 0.6) & (y < -0.5)
    volleyed = early & (y < -0.9) & (y > (-9.5 if at_net else -7.0)) & (z > 0.25) & (z < 2.95)
    if chance.serve:
        volleyed[:] = False
    usable = np.nonzero(grounded | volleyed)[0]
    if not len(usable):
        return None
    right = 1.0 if me.look.right_handed else -1.0
    # The first step and lunge at a serve and at the net are explosive.
    lunge = SERVE_LUNGE if chance.serve else NET_LUNGE if at_net else 1.0
    push = me.acceleration_mps2 * lunge
    best: Meeting | None = None
    best_cost = np.inf
    for wing in ("forehand", "backhand"):
        beside = right if wing == "forehand" else -right
        for offset, price, stretch in zip(OFFSETS_M, OFFSET_COST, OFFSET_STRETCH, strict=True):
            feet = ball[usable, 0:2].copy()
            overhead = z[usable] > 2.05
            feet[:, 0] -= np.where(overhead, 0.3 * beside, offset * beside)
            feet[:, 1] -= np.where(overhead, 0.15, 0.15 + 0.25 * (offset < 0.9))
            span = times[usable] - chance.t_s
            can, velocity, haste = reach(
                chance.place, chance.velocity, feet, span, push, me.top_speed_mps
            )
            can &= feet[:, 1] < -0.4
            if wing == "backhand":
                can &= ~overhead
            if not can.any():
                continue
            cost = _cost(ball[usable], feet, early[usable], haste, price, chance, at_net)
            if wing == "backhand":
                cost += 0.12
            else:
                # Run round the backhand where there is time.
                cost += 0.25 * np.maximum(0.0, -beside * feet[:, 0] - me.run_round_m)
            cost = np.where(can, cost + rng.normal(0, 0.05, len(cost)), np.inf)
            i = int(np.argmin(cost))
            if cost[i] < best_cost:
                best_cost = float(cost[i])
                k = usable[i]
                speed = float(np.linalg.norm(ball[k, 3:6]))
                hurry = float(times[k] - chance.hit_s)
                best = Meeting(
                    float(times[k]),
                    ball[k, 0:3],
                    feet[i],
                    velocity[i],
                    wing,
                    bool(early[k]),
                    float(haste[i]),
                    stretch,
                    _pressure(
                        float(haste[i]),
                        stretch,
                        price,
                        float(z[k]),
                        speed,
                        hurry,
                        bool(early[k]),
                        float(np.linalg.norm(velocity[i])),
                    ),
                    speed,
                    max(0.0, float(times[k]) - first),
                )
    return best


def _cost(
    ball: Array,
    feet: Array,
    early: NDArray[np.bool_],
    haste: Array,
    price: float,
    chance: Chance,
    at_net: bool,
) -> Array:
    z = ball[:, 2]
    way = np.linalg.norm(feet - chance.place, axis=1)
    height = np.where(early, 0.35 * np.abs(z - 1.3), 0.9 * np.abs(z - 0.95))
    height = np.where(z > 2.05, 0.4 + 0.5 * np.abs(z - 2.6), height)
    height = height + np.where((z > 1.75) & (z < 2.2), 0.4, 0.0)
    cost = 1.3 * haste + price + height + 0.10 * way
    if at_net:
        cost = cost + np.where(early, 0.0, 0.9)
    else:
        cost = cost + np.where(early, 0.45, 0.0)
        # Standing deep is easier; giving ground too far is not liked.
        deep = -court.HALF_LENGTH_M - ball[:, 1]
        cost = cost + 0.12 * np.maximum(0.0, deep - 1.5)
    return cost


def _pressure(
    haste: float,
    stretch: float,
    price: float,
    z: float,
    speed: float,
    hurry_s: float,
    early: bool,
    run_mps: float,
) -> float:
    value = 0.35 * haste + 0.35 * price + 0.06 * run_mps
    value += 0.35 * max(0.0, 0.5 - z) + (0.0 if early else 0.2 * max(0.0, z - 1.35))
    value += 0.9 * max(0.0, 0.75 - hurry_s) * (0.6 if early else 1.0)
    value += 0.012 * max(0.0, speed - 20.0)
    return float(np.clip(value, 0.0, 1.0))
