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

Level = Literal["tour", "college", "club"]
LEVELS: tuple[Level, ...] = ("tour", "college", "club")


@dataclass(frozen=True)
class Traits:
    """What sets a level of play apart; paces, speeds and scatters are factors on those of the tour.

    ``margin_m`` is aimed further inside the sidelines, ``depth_m`` is added to the depth aimed at,
    ``mishit`` multiplies the odds of a mishit, ``habits`` bounds how good the habits of
    recovery and split step are, from 0 to 1; ``invention`` multiplies the likings of net play and
    drop shots. Common practice, no source.
    """

    serve_pace: float
    pace: float
    serve_scatter: float
    scatter: float
    margin_m: float
    depth_m: float
    mishit: float
    middle_liking: float
    top_speed: float
    acceleration: float
    habits: tuple[float, float]
    net_skill: float
    invention: float


TRAITS: dict[str, Traits] = {
    "tour": Traits(1.0, 1.0, 1.0, 1.0, 0.0, 0.3, 1.0, 1.0, 1.0, 1.0, (0.25, 1.0), 1.0, 1.0),
    "college": Traits(
        0.91, 0.91, 1.12, 1.15, 0.2, -0.1, 1.35, 1.2, 0.94, 0.93, (0.1, 0.85), 0.95, 0.75
    ),
    "club": Traits(0.74, 0.74, 1.55, 1.75, 0.5, -0.2, 4.0, 1.5, 0.84, 0.82, (0.0, 0.6), 0.8, 0.45),
}


@dataclass(frozen=True)
class PlayerProfile:
    """A player: look, abilities and habits.

    ``split_odds`` are the odds of a well timed, an early, a late and no split step.
    ``recovery_share`` is the share of the way to the bisector that is gone for where time allows,
    ``recovery_lag_s`` the time lost before setting out, ``recovery_bias_m`` a steady offset of the
    place gone to (positive: to the player's own right). ``run_round_m`` is how far into the
    backhand half a forehand is preferred. Likings are odds between 0 and 1, ``middle_liking`` is a
    factor. The last six come from the level of play, see :class:`Traits`.
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
    pace: float = 1.0
    margin_m: float = 0.0
    depth_m: float = 0.0
    mishit: float = 1.0
    middle_liking: float = 1.0
    return_scatter: float = 1.0


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
    traits = TRAITS[level]
    look = draw_player_look(rng, split, woman)
    serve, forehand, backhand = (46.4, 31.8, 32.0) if look.woman else (52.4, 34.8, 31.6)
    topspin, topspin_backhand = ((175, 255), (95, 145)) if look.woman else ((262, 350), (130, 205))
    skill = float(rng.uniform())
    habits = float(rng.uniform(*traits.habits))
    good = 0.35 + 0.5 * habits
    cut = rng.dirichlet([2.0, 2.0, 1.5]) * (1 - good)
    spin = 0.25 + 0.75 * traits.pace
    return PlayerProfile(
        name=name,
        look=look,
        serve_speed_mps=serve * traits.serve_pace * float(rng.normal(1.0, 0.04)),
        second_serve_share=float(rng.uniform(0.79, 0.86)),
        serve_scatter_deg=traits.serve_scatter
        * float(rng.uniform(0.84, 1.06))
        * (1.09 if look.woman else 1.0),
        forehand_speed_mps=forehand * traits.pace * float(rng.normal(1.0, 0.04)),
        backhand_speed_mps=backhand * traits.pace * float(rng.normal(1.0, 0.04)),
        forehand_topspin_radps=spin * float(rng.uniform(*topspin)),
        backhand_topspin_radps=spin * float(rng.uniform(*topspin_backhand)),
        scatter_deg=traits.scatter * (1.15 - 0.3 * skill),
        top_speed_mps=(6.2 if look.woman else 6.9) * traits.top_speed,
        acceleration_mps2=float(rng.uniform(6.8, 7.5)) * traits.acceleration,
        reaction_s=float(rng.uniform(0.13, 0.20)),
        home_depth_m=float(rng.uniform(0.5, 2.0) if look.woman else rng.uniform(1.2, 3.2)),
        return_depth_m=float(rng.uniform(0.4, 2.2) if look.woman else rng.uniform(1.0, 3.9)),
        recovery_share=float(np.clip(0.65 + 0.45 * habits, 0.4, 1.0)),
        recovery_lag_s=float(rng.uniform(0.0, 0.03 + 0.40 * (1 - habits))),
        recovery_bias_m=float(rng.normal(0, 0.5 * (1 - habits) + 0.1)),
        split_odds=(good, float(cut[0]), float(cut[1]), float(cut[2])),
        aggression=float(rng.uniform(0.2, 0.9)),
        net_liking=traits.invention * float(rng.beta(1.6, 2.4)),
        drop_liking=traits.invention * float(rng.beta(1.6, 4.4)),
        slice_liking=float(rng.beta(1.5, 4.0)),
        lob_liking=float(rng.uniform(0.1, 0.45)),
        run_round_m=float(rng.uniform(0.0, 1.6)),
        net_skill=float(rng.uniform(0.6, 1.0)) * traits.net_skill,
        pace=traits.pace,
        margin_m=traits.margin_m,
        depth_m=traits.depth_m,
        mishit=traits.mishit,
        middle_liking=traits.middle_liking,
        return_scatter=1.15 if look.woman else 1.0,
    )
