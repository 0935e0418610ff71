"""What a player tries to do with a ball: stroke, target, speed and spin.

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


@dataclass(frozen=True)
class Situation:
    """What the hitter faces at contact, in the hitter's own frame."""

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


@dataclass(frozen=True)
class Intent:
    """What is tried: ``elevation_rad`` is set for strokes that are lifted (lob, drop shot)."""

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


def choose_serve(rng: np.random.Generator, me: PlayerProfile, side: str, first: bool) -> Intent:
    """Serve from the deuce or ad half.

    Shares of wide, T and body follow Kovalchik & Reid 2017 (45.7, 46.9, 7.4 % for first and 32.0,
    36.7, 31.3 % for second serves of men; women 36, 48, 16 and 24, 41, 35 %).
    """
    if me.look.woman:
        odds = (0.36, 0.48, 0.16) if first else (0.24, 0.41, 0.35)
    else:
        odds = (0.457, 0.469, 0.074) if first else (0.32, 0.367, 0.313)
    place = rng.choice(3, p=np.array(odds) / sum(odds))
    margin = 0.55 if first else 0.75
    across = (HALF_M - margin, margin, HALF_M / 2)[place] + rng.normal(0, 0.12)
    depth = court.SERVICE_LINE_M - (rng.normal(0.95, 0.2) if first else rng.normal(1.25, 0.2))
    x = -across if side == "deuce" else across
    hand = 1.0 if me.look.right_handed else -1.0
    if first:
        speed = me.serve_speed_mps * (0.95 if place == 0 else 1.0) * rng.normal(1.0, 0.035)
        topspin, sidespin = rng.uniform(70, 150), rng.uniform(40, 220)
    else:
        speed = me.serve_speed_mps * me.second_serve_share * rng.normal(0.98, 0.035)
        topspin, sidespin = rng.uniform(230, 330), rng.uniform(100, 260)
    return Intent(
        "serve",
        "serve",
        np.array([x, depth]),
        float(speed),
        float(topspin),
        float(hand * sidespin),
        0.12 if first else 0.25,
        to_net=bool(rng.uniform() < 0.15 * me.net_liking),
    )


def _cross_sign(s: Situation, me: PlayerProfile) -> float:
    """Sign of x to which a cross-court stroke goes."""
    if abs(s.contact[0]) >= 0.7:
        return -float(np.sign(s.contact[0]))
    forehand_right = me.look.right_handed == (s.wing != "backhand")
    return -1.0 if forehand_right else 1.0


def _pick_sign(
    rng: np.random.Generator, s: Situation, me: PlayerProfile, weights: dict[str, float]
) -> float:
    """Sign of the target's x (0 for the middle) by weighted plan."""
    names = list(weights)
    p = np.array([weights[name] for name in names])
    plan = names[int(rng.choice(len(names), p=p / p.sum()))]
    cross = _cross_sign(s, me)
    if plan == "middle":
        return 0.0
    if plan == "open" and abs(s.opponent[0]) > 0.5:
        return -float(np.sign(s.opponent[0]))
    if plan == "behind" and abs(s.opponent_velocity[0]) > 0.8:
        return -float(np.sign(s.opponent_velocity[0]))
    return -cross if plan == "line" else cross


def _target(
    rng: np.random.Generator,
    sign: float,
    margin: float,
    spread: float,
    depth: float,
    depth_spread: float,
) -> Array:
    y = float(np.clip(rng.normal(depth, depth_spread), 3.0, BASE_M - 0.5))
    if sign == 0.0:
        return np.array([float(rng.normal(0, 0.6)), y])
    inside = float(np.clip(rng.normal(margin, spread), 0.25, 3.2))
    return np.array([sign * (HALF_M - inside), y])


def _ground_speed(me: PlayerProfile, wing: str) -> tuple[float, float]:
    if wing == "backhand":
        return me.backhand_speed_mps, me.backhand_topspin_radps
    return me.forehand_speed_mps, me.forehand_topspin_radps


def choose(rng: np.random.Generator, me: PlayerProfile, s: Situation) -> Intent:
    """Intent for any stroke but a serve."""
    height = float(s.contact[2])
    if height > 2.05:
        return _overhead(rng, me, s)
    if s.before_bounce:
        return _volley(rng, me, s)
    opponent_at_net = s.opponent[1] < 6.0
    if opponent_at_net:
        return _against_net(rng, me, s)
    if s.shot_number == 2:
        return _return(rng, me, s)
    return _baseline(rng, me, s)


def _overhead(rng: np.random.Generator, me: PlayerProfile, s: Situation) -> Intent:
    sign = _pick_sign(rng, s, me, {"open": 0.65, "behind": 0.2, "cross": 0.15})
    close = float(np.clip((s.contact[1] + BASE_M) / BASE_M, 0, 1))
    speed = me.serve_speed_mps * rng.uniform(0.62, 0.82) * (0.85 + 0.15 * close)
    target = _target(rng, sign, 1.1, 0.3, 8.6, 1.0)
    return Intent(
        "overhead",
        "overhead",
        target,
        speed,
        rng.uniform(30, 120),
        0.0,
        0.25,
        to_net=s.contact[1] > -8,
        scatter=0.9,
    )


def _volley(rng: np.random.Generator, me: PlayerProfile, s: Situation) -> Intent:
    weights = {"open": 0.6, "cross": 0.15, "line": 0.15, "middle": 0.1}
    sign = _pick_sign(rng, s, me, weights)
    low = s.contact[2] < 0.7
    if rng.uniform() < 0.12 + 0.15 * me.drop_liking and not low:
        target = np.array([sign * rng.uniform(1.5, 3.3), rng.uniform(1.8, 3.2)])
        return Intent(
            "drop_shot",
            "volley",
            target,
            9.0,
            -rng.uniform(60, 150),
            0.0,
            0.15,
            elevation_rad=float(np.radians(rng.uniform(14, 28))),
            to_net=True,
        )
    speed = rng.uniform(15, 20) if low else rng.uniform(17, 25)
    target = _target(rng, sign, 0.95, 0.3, 8.3 if low else 7.6, 1.2)
    return Intent(
        "volley", "volley", target, speed, -rng.uniform(30, 160), 0.0, 0.2, to_net=True, scatter=0.9
    )


def _against_net(rng: np.random.Generator, me: PlayerProfile, s: Situation) -> Intent:
    closeness = float(np.clip((4.5 - s.opponent[1]) / 3.0, 0, 1))
    if rng.uniform() < me.lob_liking * (0.3 + 0.5 * closeness + 0.4 * s.pressure):
        return _lob(rng, me, s)
    sign = _pick_sign(rng, s, me, {"line": 0.45, "cross": 0.4, "middle": 0.15})
    speed, topspin = _ground_speed(me, s.wing)
    hard = rng.normal(1.02, 0.07) - 0.2 * s.pressure
    target = _target(rng, sign, 0.8, 0.3, 7.6 if sign else 8.4, 1.1)
    stroke = "return" if s.shot_number == 2 else "groundstroke"
    return Intent(stroke, s.wing, target, speed * hard, topspin * rng.normal(1.05, 0.1), 0.0, 0.2)


def _lob(rng: np.random.Generator, me: PlayerProfile, s: Situation) -> Intent:
    target = np.array([float(rng.normal(0, 2.0)), float(rng.normal(9.9, 0.8))])
    stroke = "return" if s.shot_number == 2 else "lob"
    return Intent(
        stroke,
        s.wing,
        target,
        17.0,
        rng.uniform(-60, 180),
        0.0,
        1.5,
        elevation_rad=float(np.radians(rng.uniform(38, 56))),
        scatter=1.3,
    )


def _return(rng: np.random.Generator, me: PlayerProfile, s: Situation) -> Intent:
    speed, topspin = _ground_speed(me, s.wing)
    if s.pressure > 0.55 and s.wing == "backhand" and rng.uniform() < 0.5:
        return _slice(rng, me, s, "return")
    if s.first_serve:
        share = rng.normal(0.86, 0.08) - 0.15 * s.pressure
        sign = _pick_sign(rng, s, me, {"middle": 0.42, "cross": 0.38, "line": 0.2})
        target = _target(rng, sign, 1.4, 0.4, 8.6, 1.0)
    else:
        share = rng.normal(0.97, 0.07) - 0.12 * s.pressure
        sign = _pick_sign(rng, s, me, {"middle": 0.3, "cross": 0.42, "line": 0.28})
        target = _target(rng, sign, 1.15, 0.35, 9.1, 0.9)
    return Intent(
        "return",
        s.wing,
        target,
        speed * share,
        topspin * rng.normal(0.85, 0.12),
        0.0,
        0.3,
        to_net=bool(rng.uniform() < 0.03 * me.net_liking),
        scatter=1.35 if s.first_serve else 1.05,
    )


def _slice(rng: np.random.Generator, me: PlayerProfile, s: Situation, stroke: str) -> Intent:
    weights = {"cross": 0.45, "line": 0.25, "middle": 0.3}
    sign = _pick_sign(rng, s, me, weights)
    speed = 0.75 * me.backhand_speed_mps * rng.normal(1.0, 0.07) - 2.0 * s.pressure
    target = _target(rng, sign, 1.3, 0.35, 9.0, 1.0)
    return Intent(stroke, "slice", target, speed, -rng.uniform(150, 330), 0.0, 0.35)


def _baseline(rng: np.random.Generator, me: PlayerProfile, s: Situation) -> Intent:
    behind = -BASE_M - float(s.contact[1])
    bounce_y = s.incoming_bounce_y_m if s.incoming_bounce_y_m is not None else -9.0
    short = bounce_y > -court.SERVICE_LINE_M - 0.6
    speed, topspin = _ground_speed(me, s.wing)
    # Drop shots: mostly from inside the court, now and then from far too deep.
    drop = me.drop_liking * (0.40 if short else (0.12 if behind < 0.5 else 0.06))
    if s.pressure < 0.6 and rng.uniform() < drop:
        sign = _pick_sign(rng, s, me, {"cross": 0.4, "line": 0.4, "open": 0.2})
        target = np.array([sign * rng.uniform(1.8, 3.4), rng.uniform(1.8, 3.6)])
        return Intent(
            "drop_shot",
            "slice",
            target,
            14.0,
            -rng.uniform(120, 300),
            0.0,
            0.2,
            elevation_rad=float(np.radians(rng.uniform(14, 26))),
            scatter=1.0,
        )
    if s.pressure > 0.7:
        return _defend(rng, me, s)
    slices = me.slice_liking * (0.5 if s.pressure > 0.4 or s.contact[2] < 0.5 else 0.35)
    if s.wing == "backhand" and rng.uniform() < slices:
        approach = short and rng.uniform() < me.net_liking
        intent = _slice(rng, me, s, "approach" if approach else "groundstroke")
        return Intent(**{**intent.__dict__, "to_net": approach})
    attack = short or (s.pressure < 0.25 and rng.uniform() < 0.2 * me.aggression)
    if attack:
        inside = behind < -0.6
        approach = inside and rng.uniform() < (0.5 if short else 0.2) + 0.6 * me.net_liking
        weights = {"open": 0.35 + 0.3 * me.aggression, "behind": 0.15, "cross": 0.25, "line": 0.15}
        sign = _pick_sign(rng, s, me, weights)
        target = _target(rng, sign, 1.15, 0.35, 9.3, 0.9)
        low = 0.1 * max(0.0, 0.9 - float(s.contact[2]))
        hard = rng.normal(1.03 + 0.08 * me.aggression, 0.06) - low - 0.1 * s.pressure
        if approach:
            # Slower and with more margin: it is to buy the way to the net.
            hard -= 0.10
            target[0] *= 0.92
        return Intent(
            "approach" if approach else "groundstroke",
            s.wing,
            target,
            speed * hard,
            topspin * rng.normal(0.95, 0.1),
            0.0,
            0.35 if approach else 0.25,
            to_net=approach,
        )
    weights = {"cross": 0.5, "middle": 0.22, "line": 0.13 + 0.1 * me.aggression, "open": 0.1}
    sign = _pick_sign(rng, s, me, weights)
    target = _target(rng, sign, 1.7, 0.45, 9.1, 0.95)
    hard = rng.normal(0.98, 0.07) - 0.12 * s.pressure - 0.02 * max(0.0, behind - 1.5)
    return Intent(
        "groundstroke", s.wing, target, speed * hard, topspin * rng.normal(1.0, 0.12), 0.0, 0.35
    )


def _defend(rng: np.random.Generator, me: PlayerProfile, s: Situation) -> Intent:
    if rng.uniform() < 0.35 * me.lob_liking:
        return _lob(rng, me, s)
    if s.wing == "backhand" and rng.uniform() < 0.35 + 0.4 * me.slice_liking:
        return _slice(rng, me, s, "groundstroke")
    speed, topspin = _ground_speed(me, s.wing)
    sign = _pick_sign(rng, s, me, {"cross": 0.5, "middle": 0.3, "line": 0.2})
    target = _target(rng, sign, 1.5, 0.5, 9.0, 1.2)
    return Intent(
        "groundstroke",
        s.wing,
        target,
        speed * rng.normal(0.82, 0.08),
        topspin * rng.normal(1.0, 0.15),
        0.0,
        0.6,
    )
