"""Strokes other than drives: overhead, volley, half-volley, lob, slice, drop shot, passing shot.

In the hitter's own frame; see :mod:`rallymill.arena.rally_intent`.
"""

from __future__ import annotations

import numpy as np

from rallymill.arena.player_profile import PlayerProfile
from rallymill.arena.rally_intent import BASE_M, Intent, Situation, ground_speed, pick, target


def overhead(rng: np.random.Generator, me: PlayerProfile, s: Situation) -> Intent:
    """Smash."""
    sign, plan = pick(rng, s, me, {"open": 0.65, "behind": 0.2, "cross": 0.15})
    close = float(np.clip((s.contact[1] + BASE_M) / BASE_M, 0, 1))
    speed = me.serve_speed_mps * rng.uniform(0.58, 0.78) * (0.85 + 0.15 * close)
    return Intent(
        "overhead", "overhead", target(rng, me, sign, 1.2, 0.3, 8.4, 1.0), speed,
        rng.uniform(30, 120), 0.0, 0.25, to_net=s.contact[1] > -8, scatter=0.9, plan=plan,
    )


def volley(rng: np.random.Generator, me: PlayerProfile, s: Situation) -> Intent:
    """Volley, deep, angled or stopped short."""
    sign, plan = pick(rng, s, me, {"open": 0.6, "cross": 0.12, "line": 0.12, "middle": 0.16})
    low = s.contact[2] < 0.7
    if rng.uniform() < 0.10 + 0.12 * me.drop_liking and not low and s.contact[1] > -5.5:
        spot = np.array([(sign or 1.0) * rng.uniform(1.5, 3.3), rng.uniform(1.8, 3.2)])
        return Intent(
            "drop_shot", "volley", spot, 9.0, -rng.uniform(60, 150), 0.0, 0.15,
            elevation_rad=float(np.radians(rng.uniform(14, 28))), to_net=True, plan=plan,
        )
    speed = rng.uniform(14, 19) if low else rng.uniform(16, 24)
    spot = target(rng, me, sign, 1.0, 0.3, 8.3 if low else 7.6, 1.2)
    return Intent(
        "volley", "volley", spot, speed * (0.6 + 0.4 * me.pace), -rng.uniform(30, 160), 0.0, 0.2,
        to_net=True, scatter=0.85, plan=plan,
    )


def half_volley(rng: np.random.Generator, me: PlayerProfile, s: Situation) -> Intent:
    """Ball met low just after its bounce from inside the court: blocked back."""
    sign, plan = pick(rng, s, me, {"open": 0.4, "cross": 0.25, "middle": 0.35})
    spot = target(rng, me, sign, 1.4, 0.35, 8.0, 1.2)
    return Intent(
        "groundstroke", s.wing, spot, rng.uniform(13, 18), rng.uniform(-60, 60), 0.0, 0.3,
        to_net=s.contact[1] > -9.0, scatter=1.25, plan=plan,
    )


def against_net(rng: np.random.Generator, me: PlayerProfile, s: Situation) -> Intent:
    """Passing shot or lob against an opponent at the net."""
    closeness = float(np.clip((4.5 - s.opponent[1]) / 3.0, 0, 1))
    if rng.uniform() < me.lob_liking * (0.3 + 0.5 * closeness + 0.4 * s.pressure):
        return lob(rng, me, s)
    sign, plan = pick(rng, s, me, {"line": 0.34, "cross": 0.30, "middle": 0.36})
    speed, topspin = ground_speed(me, s.wing)
    hard = rng.normal(0.97, 0.07) - 0.2 * s.pressure
    spot = target(rng, me, sign, 1.1, 0.35, 7.6 if sign else 8.4, 1.1)
    stroke = "return" if s.shot_number == 2 else "groundstroke"
    return Intent(
        stroke, s.wing, spot, speed * hard, topspin * rng.normal(1.05, 0.1), 0.0, 0.2, plan=plan,
        scatter=1.45,
    )


def lob(rng: np.random.Generator, me: PlayerProfile, s: Situation) -> Intent:
    """Lob, over a net player or for time."""
    spot = np.array([float(rng.normal(0, 2.0)), float(rng.normal(9.7, 0.8))])
    stroke = "return" if s.shot_number == 2 else "lob"
    return Intent(
        stroke, s.wing, spot, 17.0, rng.uniform(-60, 180), 0.0, 1.5,
        elevation_rad=float(np.radians(rng.uniform(38, 56))), scatter=1.2, plan="lob",
    )


def slice_(rng: np.random.Generator, me: PlayerProfile, s: Situation, stroke: str) -> Intent:
    """Slice, mostly of the backhand. Spin about 3500 rpm (Yandell: tour mean, to 5000)."""
    sign, plan = pick(rng, s, me, {"cross": 0.45, "line": 0.25, "middle": 0.3})
    speed = 0.78 * me.backhand_speed_mps * rng.normal(1.0, 0.07) - 2.0 * s.pressure
    spot = target(rng, me, sign, 1.4, 0.35, 8.6, 1.0)
    spin = (0.35 + 0.65 * me.pace) * float(np.clip(rng.normal(362, 55), 220, 520))
    return Intent(stroke, "slice", spot, speed, -spin, 0.0, 0.3, plan=plan)


def drop_shot(rng: np.random.Generator, me: PlayerProfile, s: Situation) -> Intent:
    """Drop shot after the bounce; good hands go on to the net behind it."""
    sign, plan = pick(rng, s, me, {"cross": 0.4, "line": 0.4, "open": 0.2})
    spot = np.array([sign * rng.uniform(1.6, 3.2), rng.uniform(1.9, 3.7)])
    return Intent(
        "drop_shot", "slice", spot, 14.0, -rng.uniform(150, 320), 0.0, 0.2,
        elevation_rad=float(np.radians(rng.uniform(14, 26))), plan=plan,
        to_net=bool(s.contact[1] > -10.5 and rng.uniform() < 0.3 + 0.4 * me.net_liking),
    )
