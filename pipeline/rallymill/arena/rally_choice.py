"""Which stroke a player chooses: serve, return, play from the baseline, or one of the others.

In the hitter's own frame; see :mod:`rallymill.arena.rally_intent`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rallymill import court
from rallymill.arena import rally_touch
from rallymill.arena.player_profile import PlayerProfile
from rallymill.arena.rally_intent import (
    BASE_M,
    HALF_M,
    Intent,
    Situation,
    ground_speed,
    pick,
    target,
)

PLACES = ("wide", "t", "body")
SERVE_ODDS = {
    # (woman, first): aimed so that what lands shows the shares of Kovalchik & Reid 2017: wide, T,
    # body 45.7, 46.9, 7.4 and 32.0, 36.7, 31.3 % (men), 36, 48, 16 and 24, 41, 35 % (women).
    (False, True): (0.47, 0.47, 0.06),
    (False, False): (0.32, 0.39, 0.29),
    (True, True): (0.35, 0.48, 0.17),
    (True, False): (0.24, 0.42, 0.34),
}
HALF_VOLLEY_S = 0.14
HALF_VOLLEY_Z_M = 0.55
SHORT_M = court.SERVICE_LINE_M + 0.6


def choose_serve(rng: np.random.Generator, me: PlayerProfile, side: str, first: bool) -> Intent:
    """Serve from the deuce or ad half."""
    odds = np.array(SERVE_ODDS[me.look.woman, first])
    place = int(rng.choice(3, p=odds / odds.sum()))
    margin = (0.50 if first else 0.75) + 0.3 * me.margin_m
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
        "serve", "serve", np.array([x, depth]), float(speed), float(topspin),
        float(hand * sidespin), 0.12 if first else 0.25, plan=PLACES[place],
        to_net=bool(rng.uniform() < (0.18 if first else 0.05) * me.net_liking),
    )


def choose(rng: np.random.Generator, me: PlayerProfile, s: Situation) -> Intent:
    """Intent for any stroke but a serve."""
    height = float(s.contact[2])
    if height > 2.05:
        return rally_touch.overhead(rng, me, s)
    if s.before_bounce:
        return rally_touch.volley(rng, me, s)
    if is_half_volley(s):
        return rally_touch.half_volley(rng, me, s)
    if s.opponent[1] < 6.0:
        return rally_touch.against_net(rng, me, s)
    if s.shot_number == 2:
        return _return(rng, me, s)
    return _baseline(rng, me, s)


def is_half_volley(s: Situation) -> bool:
    """Whether a ball is met low, just off the ground, inside the court."""
    return (
        not s.before_bounce
        and s.since_bounce_s < HALF_VOLLEY_S
        and s.contact[2] < HALF_VOLLEY_Z_M
        and s.contact[1] > -BASE_M + 0.8
    )


def _return(rng: np.random.Generator, me: PlayerProfile, s: Situation) -> Intent:
    speed, topspin = ground_speed(me, s.wing)
    if s.pressure > 0.55 and s.wing == "backhand" and rng.uniform() < 0.45:
        return rally_touch.slice_(rng, me, s, "return")
    if s.first_serve:
        share = rng.normal(0.86, 0.08) - 0.15 * s.pressure
        sign, plan = pick(rng, s, me, {"middle": 0.42, "cross": 0.38, "line": 0.2})
        spot = target(rng, me, sign, 1.4, 0.4, 8.6, 1.0)
    else:
        share = rng.normal(0.93, 0.07) - 0.12 * s.pressure
        sign, plan = pick(rng, s, me, {"middle": 0.3, "cross": 0.42, "line": 0.28})
        spot = target(rng, me, sign, 1.4, 0.4, 9.0, 0.9)
    come_in = (0.02 if s.first_serve else 0.08) * me.net_liking
    return Intent(
        "return", s.wing, spot, speed * share, topspin * rng.normal(0.85, 0.12), 0.0, 0.3,
        to_net=bool(rng.uniform() < come_in), plan=plan,
        scatter=me.return_scatter * (1.6 if s.first_serve else 1.3),
    )


def _baseline(rng: np.random.Generator, me: PlayerProfile, s: Situation) -> Intent:
    behind = -BASE_M - float(s.contact[1])
    bounce_y = s.incoming_bounce_y_m if s.incoming_bounce_y_m is not None else -9.0
    short = bounce_y > -SHORT_M
    # Drop shots: mostly from inside the court, now and then from far too deep.
    drop = me.drop_liking * (0.50 if short else (0.12 if behind < 0.5 else 0.06))
    if s.pressure < 0.6 and rng.uniform() < drop:
        return rally_touch.drop_shot(rng, me, s)
    if s.pressure > 0.7:
        return _defend(rng, me, s)
    slices = me.slice_liking * (0.5 if s.pressure > 0.4 or s.contact[2] < 0.5 else 0.35)
    if s.wing == "backhand" and rng.uniform() < slices:
        approach = short and rng.uniform() < 0.3 + 0.8 * me.net_liking
        intent = rally_touch.slice_(rng, me, s, "approach" if approach else "groundstroke")
        return replace(intent, to_net=approach)
    if short or (s.pressure < 0.25 and rng.uniform() < 0.28 * me.aggression):
        return _attack(rng, me, s, behind, short)
    speed, topspin = ground_speed(me, s.wing)
    weights = {
        "cross": 0.5, "middle": 0.25, "line": 0.10 + 0.06 * me.aggression, "open": 0.08,
        "behind": 0.05,
    }
    sign, plan = pick(rng, s, me, weights)
    forehand = s.wing == "forehand"
    spot = target(rng, me, sign, 1.9, 0.5, 9.6 if forehand else 8.3, 0.9)
    hard = rng.normal(1.0, 0.09) - 0.10 * s.pressure - 0.02 * max(0.0, behind - 1.5)
    return Intent(
        "groundstroke", s.wing, spot, speed * hard, topspin * rng.normal(1.0, 0.12), 0.0,
        (0.74 if me.look.woman else 0.95) if forehand else 0.25, plan=plan,
    )


def _attack(
    rng: np.random.Generator, me: PlayerProfile, s: Situation, behind: float, short: bool
) -> Intent:
    """Drive at a short or easy ball, with or without going to the net behind it."""
    speed, topspin = ground_speed(me, s.wing)
    inside = behind < (1.0 if short else 0.5)
    approach = inside and rng.uniform() < (0.45 if short else 0.35) + 0.7 * me.net_liking
    weights = {
        "open": 0.20 + 0.25 * me.aggression, "behind": 0.15, "cross": 0.25, "line": 0.2,
        "middle": 0.10,
    }
    sign, plan = pick(rng, s, me, weights)
    spot = target(rng, me, sign, 1.75, 0.4, 9.3, 0.9)
    low = 0.1 * max(0.0, 0.9 - float(s.contact[2]))
    hard = rng.normal(1.02 + 0.08 * me.aggression, 0.06) - low - 0.1 * s.pressure
    if approach:
        # Slower, deeper and with more margin: it is to buy the way to the net.
        hard -= 0.06
        spot = np.array([spot[0] * 0.95, min(spot[1] + 0.3, BASE_M - 0.8)])
    return Intent(
        "approach" if approach else "groundstroke", s.wing, spot, speed * hard,
        topspin * rng.normal(0.95, 0.1), 0.0, 0.35 if approach else 0.25, to_net=approach,
        plan=plan, scatter=0.85 if approach else 1.0,
    )


def _defend(rng: np.random.Generator, me: PlayerProfile, s: Situation) -> Intent:
    if rng.uniform() < 0.4 * me.lob_liking:
        return rally_touch.lob(rng, me, s)
    if s.wing == "backhand" and rng.uniform() < 0.35 + 0.4 * me.slice_liking:
        return rally_touch.slice_(rng, me, s, "groundstroke")
    speed, topspin = ground_speed(me, s.wing)
    sign, plan = pick(rng, s, me, {"cross": 0.5, "middle": 0.3, "line": 0.2})
    spot = target(rng, me, sign, 1.6, 0.5, 8.8, 1.2)
    return Intent(
        "groundstroke", s.wing, spot, speed * rng.normal(0.82, 0.08),
        topspin * rng.normal(1.0, 0.15), 0.0, 0.6, plan=plan,
    )
