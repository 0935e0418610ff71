"""Rules against planted behaviour on true tables: how much is found, how much is flagged wrongly.

Points are those of the simulator at three levels of play; what is planted, and what is done
instead, is in :mod:`rallymill.plants_court`, :mod:`rallymill.plants_strokes` and
:mod:`rallymill.plants_serves`. Nothing is measured here, so nothing can be blamed on measurement.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from rallymill import plants_court, plants_serves, plants_strokes
from rallymill.arena.play import PlayWorld, simulate
from rallymill.arena.player_profile import LEVELS
from rallymill.plants import Plant, Planted, Planter, Rng, Row, exact
from rallymill.rules.base import Finding, Play, Result
from rallymill.rules.registry import all_rules
from rallymill.tactics_motion import PlayerTrack

PLANTS: tuple[Plant, ...] = (*plants_court.PLANTS, *plants_strokes.PLANTS, *plants_serves.PLANTS)
FOUND_AT_LEAST, FLAGGED_AT_MOST = 0.95, 0.03
TRACK_RATE_HZ = 60.0
MATCHES_A_WORLD = 12
"""Matches of serves drawn from a simulated stretch of play."""
FEW = 20


@dataclass(frozen=True)
class Count:
    """Cases of one behaviour: planted and found, clean and flagged, at all levels together."""

    rule: str
    kind: str
    what: str
    planted: int = 0
    found: int = 0
    clean: int = 0
    flagged: int = 0

    def __add__(self, other: Count) -> Count:
        """Cases of both."""
        return replace(
            self, planted=self.planted + other.planted, found=self.found + other.found,
            clean=self.clean + other.clean, flagged=self.flagged + other.flagged)

    @property
    def found_share(self) -> float:
        """Share of the planted that was found, NaN without any."""
        return self.found / self.planted if self.planted else float("nan")

    @property
    def flagged_share(self) -> float:
        """Share of the clean that was flagged, NaN without any."""
        return self.flagged / self.clean if self.clean else float("nan")

    @property
    def good(self) -> bool:
        """Whether both shares keep to their bounds and rest on enough."""
        enough = min(self.planted, self.clean) >= FEW
        return enough and self.found_share >= FOUND_AT_LEAST and (
            self.flagged_share <= FLAGGED_AT_MOST)


Rally = Sequence[Row]


def run(
    first_seed: int, worlds: int, points: int, tell: Callable[[str], None] = lambda line: None
) -> list[Count]:
    """Counts of every behaviour over ``worlds`` stretches of ``points`` points at each level."""
    counts: dict[tuple[str, str, str], Count] = {}
    for number, level in enumerate(LEVELS):
        for seed in range(first_seed, first_seed + worlds):
            world = simulate(seed, points, level=level)
            rng = np.random.default_rng([seed, number])
            for count in of_world(world, level, rng):
                key = count.rule, count.kind, count.what
                counts[key] = counts[key] + count if key in counts else count
        tell(f"{level}: {worlds} stretches of {points} points")
    return sorted(counts.values(), key=lambda count: (count.rule, count.kind, count.what))


def of_world(world: PlayWorld, level: str, rng: Rng) -> Iterable[Count]:
    """Counts of every behaviour in one simulated stretch of play."""
    truth = world.truth()
    shots = [exact(row) for row in truth["shots"].to_pylist()]
    points = {row["point_id"]: row for row in truth["points"].to_pylist()}
    rallies: dict[int, list[Row]] = {}
    for row in shots:
        rallies.setdefault(row["point_id"], []).append(row)
    for plant in PLANTS:
        yield _plant_all(plant, list(rallies.values()), points, level, rng)
    yield from _habits(shots, points, level, rng)
    yield from _splits(world, shots, points)


def _look(rule: str, level: str, play: Play) -> list[Result]:
    found = next(known for known in all_rules() if known.name == rule)
    return list(found.look(play, found.thresholds[level]))


def _plant_all(
    plant: Plant, rallies: Sequence[Rally], points: Mapping[int, Row], level: str, rng: Rng
) -> Count:
    """Plant once into every rally that has a stroke for it, once guilty and once clean."""
    count = Count(plant.rule, plant.kind, plant.what)
    for rally in rallies:
        fit = [
            k for k, row in enumerate(rally[:-1])
            if row["stroke"] in plant.stroke and (k or row["stroke"] == "serve")
        ]
        if not fit:
            continue
        at = int(rng.choice(fit))
        found, _ = _case(plant, plant.guilty, rally, at, points, level, rng)
        flagged, asked = _case(plant, plant.clean, rally, at, points, level, rng)
        count += Count(
            plant.rule, plant.kind, plant.what, 1, int(found), int(asked), int(flagged))
    return count


def _case(
    plant: Plant, planter: Planter, rally: Rally, at: int, points: Mapping[int, Row], level: str,
    rng: Rng,
) -> tuple[bool, bool]:
    """Whether the rule made its finding at a planted stroke, and whether its question arose."""
    planted = planter(rally, at, rng)
    row = planted.rows[planted.at]
    play = Play.of_rows(planted.rows, [_point(points[row["point_id"]], row, planted)])
    own = [
        result for result in _look(plant.rule, level, play)
        if result.shot_id == row["shot_id"] and result.side == row["hitter"]
    ]
    return any(isinstance(r, Finding) and r.kind == plant.kind for r in own), bool(own)


def _point(point: Row, row: Row, planted: Planted) -> Row:
    other = {"near": "far", "far": "near"}
    changed = dict(point) | dict(planted.point)
    if planted.won_by_hitter is not None:
        changed["won_by"] = row["hitter"] if planted.won_by_hitter else other[row["hitter"]]
    return changed


def _habits(
    shots: Sequence[Row], points: Mapping[int, Row], level: str, rng: Rng
) -> Iterable[Count]:
    serves = [(row, points[row["point_id"]]) for row in shots if row["stroke"] == "serve"]
    for habit in plants_serves.HABITS:
        count = Count(habit.rule, "note", habit.what)
        for _ in range(MATCHES_A_WORLD):
            said = []
            for shares in (habit.guilty, habit.clean):
                drawn, of_points = plants_serves.serves_of(habit, serves, shares, rng)
                results = _look(habit.rule, level, Play.of_rows(drawn, of_points))
                said.append(any(isinstance(result, Finding) for result in results))
            count += Count(habit.rule, "note", habit.what, 1, int(said[0]), 1, int(said[1]))
        yield count


def _splits(
    world: PlayWorld, shots: Sequence[Row], points: Mapping[int, Row]
) -> Iterable[Count]:
    """Split steps as the players were told to time them; where they ran, no question arose.

    Good and late mean the same to players of all levels, so the bounds are the tour's.
    """
    tracks = {side: exact_track(world, side) for side in ("near", "far")}
    play = Play.of_rows(shots, points.values(), tracks)
    results = {
        (result.shot_id, result.side): result for result in _look("split_step", "tour", play)}
    early, late, none = (
        Count("split_step", "fault", what) for what in (
            "splits too early", "splits too late", "does not split"))
    counts = {"early": early, "late": late, "none": none}
    for shot_id, side, told in plants_serves.split_steps(world, shots):
        result = results.get((shot_id, side))
        if result is None:
            continue
        hit = int(isinstance(result, Finding))
        for name, count in counts.items():
            if told == name:
                counts[name] = replace(count, planted=count.planted + 1, found=count.found + hit)
            elif told == "good":
                counts[name] = replace(count, clean=count.clean + 1, flagged=count.flagged + hit)
    yield from counts.values()


def exact_track(world: PlayWorld, side: str) -> PlayerTrack:
    """A player's true track at ``TRACK_RATE_HZ``, with the height of the feet."""
    t = np.arange(0.0, world.duration_s, 1 / TRACK_RATE_HZ)
    places, velocities = world.path(side, t)
    heights = np.array([world.place(side, float(moment))[2] for moment in t])
    nothing, nought = np.full(len(t), np.nan), np.zeros(len(t))
    return PlayerTrack(
        t, places[:, 0], places[:, 1], velocities[:, 0], velocities[:, 1], nought, nought, heights,
        nothing, nothing, np.ones(len(t), dtype=bool),
    )


def table(counts: Sequence[Count]) -> str:
    """Markdown table; what misses its bound is bold."""
    lines = [
        "| rule | | what the player does | planted | found | done right | flagged |",
        "| --- | --- | --- | ---: | ---: | ---: | ---: |",
    ]
    for c in counts:
        found, flagged = f"{c.found_share:.1%}", f"{c.flagged_share:.1%}"
        found = found if c.found_share >= FOUND_AT_LEAST else f"**{found}**"
        flagged = flagged if c.flagged_share <= FLAGGED_AT_MOST else f"**{flagged}**"
        lines.append(
            f"| `{c.rule}` | {c.kind} | {c.what} | {c.planted} | {found} | {c.clean} | {flagged} |")
    return "\n".join(lines) + "\n"
