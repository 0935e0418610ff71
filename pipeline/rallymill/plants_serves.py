"""Planted serves: zones that give themselves away, no body serve, short second serves; split steps.

Split steps are not planted: the simulator's players were told to time them well or badly, and what
they were told is noted.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from rallymill import court
from rallymill.arena.play import PlayWorld
from rallymill.plants import Exchange, Plant, Planted, Planter, Rng, Row, between, either, exact

ZONES = ("wide", "t", "body")
TOUR_MIX = (0.46, 0.47, 0.07)
"""First serves of the men's tour wide, to the T and into the body (Kovalchik & Reid 2017)."""
BOTH_SERVES_MIX = (0.40, 0.43, 0.17)
"""First and second serves together, three to two."""
SERVES = 40


def _second_serve(low_m: float, high_m: float) -> Planter:
    """A second serve that lands so far in front of the service line."""

    def plant(rows: Sequence[Row], at: int, rng: Rng) -> Planted:
        e = Exchange(rows, at)
        landing = court.SERVICE_LINE_M - between(rng, low_m, high_m)
        e.put(e.stroke, bounce_y_m=landing, bounce_x_m=either(rng) * between(rng, 0.5, 3.5))
        e.stroke |= {"in_court": True, "in_court_confidence": 1.0}
        return e.done(point={"serve_number": 2})

    return plant


PLANTS: tuple[Plant, ...] = (
    Plant("second_serve_depth", "fault", "serves a short second ball",
          _second_serve(3.3, 4.5), _second_serve(0.1, 2.0), ("serve",)),
)


@dataclass(frozen=True)
class Habit:
    """Serves of a match to be found: the rule, what is done, zones by share, and zones instead."""

    rule: str
    what: str
    guilty: tuple[float, float, float]
    clean: tuple[float, float, float]
    score: str | None = None


HABITS = (
    Habit("serve_pattern", "serves nearly always to one zone", (0.88, 0.08, 0.04), TOUR_MIX),
    Habit("serve_big_points", "serves to one zone on big points", (0.90, 0.07, 0.03), TOUR_MIX,
          "3-3, 30-40"),
    Habit("body_serve", "never serves into the body", (0.5, 0.5, 0.0), BOTH_SERVES_MIX),
)


def serves_of(
    habit: Habit, serves: Sequence[tuple[Row, Row]], shares: Sequence[float], rng: Rng
) -> tuple[list[Row], list[Row]]:
    """Serves and points of a match in which one player serves by shares of zones.

    ``serves`` are pairs of a serve and its point, from which they are drawn.
    """
    zones = [str(zone) for zone in rng.permutation(ZONES[:2])] + ["body"]
    shots, points = [], []
    for k in range(SERVES):
        serve, point = serves[int(rng.integers(len(serves)))]
        zone = zones[int(rng.choice(3, p=shares))]
        shots.append(exact(serve) | {
            "point_id": k, "shot_id": k, "shot_number": 1, "player": "A", "opponent": "B",
            "direction": zone, "direction_confidence": 1.0, "t_contact_s": 20.0 * k,
        })
        points.append(dict(point) | {
            "point_id": k, "serve_side": "deuce", "score": habit.score or point["score"]})
    return shots, points


def split_steps(world: PlayWorld, shots: Sequence[Mapping[str, Any]]) -> Iterator[
        tuple[int, str, str]]:
    """Shot, side of the player who awaits it, and what that player's split step was told to be.

    One of ``good``, ``early``, ``late`` and ``none``.
    """
    strokes = {(round(row["t_contact_s"], 3), row["hitter"]): row["shot_id"] for row in shots}
    other = {"near": "far", "far": "near"}
    for noted in world.behaviours():
        told = noted.kind.removeprefix("split_")
        shot_id = strokes.get((round(noted.t_s, 3), other[noted.side]))
        if noted.kind.startswith("split_") and shot_id is not None:
            yield shot_id, noted.side, told
