"""What a simulated player can do and tends to do.

Speeds at contact follow the medians of Kovalchik & Reid 2017 (J Sports Sci Med 16:489, table 4):
serve, forehand, backhand 179, 119, 108 km/h for men and 153, 111, 106 km/h for women. Top speeds
and accelerations stay inside the plausible limits of match play (8 m/s and 7 m/s2).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from rallymill.arena.looks import Split, draw_player_look
from rallymill.arena.world import Look
from rallymill.errors import ConfigError

Level = Literal["tour", "club"]
LEVELS = ("tour", "club")


@dataclass(frozen=True)
class PlayerProfile:
    """A player: look, abilities and habits.

    ``split_odds`` are the odds of a well timed, an early, a late and no split step.
    ``recovery_share`` is the share of the way to the bisector that is gone for where time allows,
    ``recovery_lag_s`` the time lost before setting out, ``recovery_bias_m`` a steady offset of the
    place gone to (positive: to the player's own right). ``run_round_m`` is how far into the
    backhand half a forehand is preferred. Likings are odds between 0 and 1.
    """

    name: str
    look: Look
    serve_speed_mps: float
    second_serve_share: float
    serve_scatter_deg: float
    forehand_speed_mps: float
    backhand_speed_mps: float
    forehand_topspin_radps: float
    backhand_topspin_radps: float
    scatter_deg: float
    top_speed_mps: float
    acceleration_mps2: float
    reaction_s: float
    home_depth_m: float
    return_depth_m: float
    recovery_share: float
    recovery_lag_s: float
    recovery_bias_m: float
    split_odds: tuple[float, float, float, float]
    aggression: float
    net_liking: float
    drop_liking: float
    slice_liking: float
    lob_liking: float
    run_round_m: float
    net_skill: float


def draw_profile(
    rng: np.random.Generator,
    name: str,
    level: Level = "tour",
    split: Split = "any",
    woman: bool | None = None,
) -> PlayerProfile:
    """Player drawn from a seed's generator.

    Raises
    ------
    ConfigError
        ``level`` is not one of ``LEVELS``.
    """
    if level not in LEVELS:
        raise ConfigError(f"unknown level {level!r}", f"use one of {', '.join(LEVELS)}")
    look = draw_player_look(rng, split, woman)
    serve, forehand, backhand = (42.5, 30.8, 29.4) if look.woman else (49.7, 33.1, 30.0)
    pace = 1.0 if level == "tour" else 0.74
    wild = 1.0 if level == "tour" else 1.45
    spin = 0.72 if look.woman else 1.0
    skill = float(rng.uniform())
    habits = float(rng.uniform()) if level == "tour" else float(rng.uniform(0, 0.6))
    good = 0.35 + 0.5 * habits
    rest = 1 - good
    cut = rng.dirichlet([2.0, 2.0, 1.5]) * rest
    return PlayerProfile(
        name=name,
        look=look,
        serve_speed_mps=serve * pace * float(rng.normal(1.0, 0.04)),
        second_serve_share=float(rng.uniform(0.80, 0.87)),
        serve_scatter_deg=wild * float(rng.uniform(0.85, 1.1)),
        forehand_speed_mps=forehand * pace * float(rng.normal(1.0, 0.04)),
        backhand_speed_mps=backhand * pace * float(rng.normal(1.0, 0.04)),
        forehand_topspin_radps=spin * pace * float(rng.uniform(210, 330)),
        backhand_topspin_radps=spin * pace * float(rng.uniform(140, 240)),
        scatter_deg=wild * (1.15 - 0.3 * skill),
        top_speed_mps=(6.6 if not look.woman else 6.0) * (1 if level == "tour" else 0.85),
        acceleration_mps2=float(rng.uniform(6.0, 7.0)) * (1 if level == "tour" else 0.8),
        reaction_s=float(rng.uniform(0.13, 0.20)),
        home_depth_m=float(rng.uniform(0.4, 2.2)),
        return_depth_m=float(rng.uniform(0.3, 2.6)),
        recovery_share=float(np.clip(0.65 + 0.45 * habits, 0.4, 1.0)),
        recovery_lag_s=float(rng.uniform(0.0, 0.05 + 0.45 * (1 - habits))),
        recovery_bias_m=float(rng.normal(0, 0.5 * (1 - habits) + 0.1)),
        split_odds=(good, float(cut[0]), float(cut[1]), float(cut[2])),
        aggression=float(rng.uniform(0.2, 0.9)),
        net_liking=float(rng.beta(1.6, 3.0)),
        drop_liking=float(rng.beta(1.5, 6.0)),
        slice_liking=float(rng.beta(1.5, 4.0)),
        lob_liking=float(rng.uniform(0.1, 0.45)),
        run_round_m=float(rng.uniform(0.0, 1.6)),
        net_skill=float(rng.uniform(0.3, 0.95)),
    )
