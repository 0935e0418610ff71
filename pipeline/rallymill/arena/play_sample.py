"""Many simulated points in flat tables, to be counted: strokes, points, runs, split steps.

Nothing is drawn. Strokes and points come from the truth tables, the rest from the players' plans,
which the truth tables have no place for.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd

from rallymill import court
from rallymill.arena.play import PlayWorld, simulate
from rallymill.arena.player_profile import Level
from rallymill.arena.rally_record import RallyRecord

POINTS_A_WORLD = 5
"""Few, so that a sample holds many players."""
SPLIT_WITHIN_S = 0.45
"""A hop belongs to an opponent's contact if it lands this near to it."""
NET_WITHIN_M = court.SERVICE_LINE_M
SIDES = ("near", "far")


@dataclass(frozen=True)
class PlaySample:
    """Tables of the points of many worlds.

    ``shots`` and ``points`` are the truth's with ``world``, ``woman`` and what the plan adds
    (``pressure``, ``action``, ``before_bounce``, ``stature_m``, ``stretch_m``); ``runs`` has a row
    a player and rally, ``splits`` a row an opponent's contact to which a split step belonged or
    could have, ``behaviours`` a row a noted behaviour.
    """

    shots: pd.DataFrame
    points: pd.DataFrame
    runs: pd.DataFrame
    splits: pd.DataFrame
    behaviours: pd.DataFrame


def worlds(
    first_seed: int, n_points: int, level: Level = "tour", women: bool | None = None,
    surface: str = "hard",
) -> Iterator[PlayWorld]:
    """Worlds that hold ``n_points`` points together, one seed after the other."""
    done = 0
    while done < n_points:
        count = min(POINTS_A_WORLD, n_points - done)
        seed = first_seed + done // POINTS_A_WORLD
        yield simulate(
            seed, count, surface=surface, level=level, women=women, n_others=0,
            start_server=SIDES[seed % 2],
        )
        done += count


def gather(found: Iterator[PlayWorld]) -> PlaySample:
    """Tables of all points of some worlds."""
    parts: dict[str, list[pd.DataFrame]] = {
        name: [] for name in ("shots", "points", "runs", "splits", "behaviours")
    }
    for number, world in enumerate(found):
        truth = world.truth()
        points = truth["points"].to_pandas()
        tables = {
            "shots": _shots(world, truth["shots"].to_pandas(), points),
            "points": points,
            "runs": pd.DataFrame(_runs(world)),
            "splits": pd.DataFrame(_splits(world)),
            "behaviours": pd.DataFrame([vars(b) for b in world.behaviours()]),
        }
        for name, table in tables.items():
            if len(table):
                parts[name].append(table.assign(world=number, woman=world.looks[0].woman))
    return PlaySample(
        **{
            name: pd.concat(tables, ignore_index=True) if tables else pd.DataFrame()
            for name, tables in parts.items()
        }
    )


def sample(
    first_seed: int, n_points: int, level: Level = "tour", women: bool | None = None,
    surface: str = "hard",
) -> PlaySample:
    """:func:`gather` of :func:`worlds`."""
    return gather(worlds(first_seed, n_points, level, women, surface))


def _shots(world: PlayWorld, shots: pd.DataFrame, points: pd.DataFrame) -> pd.DataFrame:
    hits = [hit for rally in world.rallies for hit in rally.hits]
    look = dict(zip(SIDES, world.looks[:2], strict=True))
    out = shots.assign(
        pressure=[hit.pressure for hit in hits],
        action=[hit.intent.action for hit in hits],
        before_bounce=[hit.before_bounce for hit in hits],
        stature_m=[look[hit.side].height_m for hit in hits],
        spin_radps=[float(np.linalg.norm(hit.spin)) for hit in hits],
    )
    out = out.merge(points[["point_id", "serve_number", "ended_by"]], on="point_id", how="left")
    out["surface"] = world.surface
    out["stretch_m"] = _stretches(world)
    return out


def _stretches(world: PlayWorld) -> list[float]:
    """Way of the hitter from the opponent's contact to the own one, NaN for serves."""
    ways: list[float] = []
    for rally in world.rallies:
        ways.append(float("nan"))
        for before, hit in pairwise(rally.hits):
            start = world.place(hit.side, before.t_s)[0]
            ways.append(float(np.linalg.norm(world.place(hit.side, hit.t_s)[0] - start)))
    return ways


def came_to_net(world: PlayWorld, rally: RallyRecord, side: str) -> bool:
    """Whether a player struck a volley or overhead or stood within the service line when the
    opponent struck, other than after running down a drop shot."""
    for hit in rally.hits:
        if hit.side == side:
            if hit.intent.stroke in ("volley", "overhead", "approach") or (
                hit.before_bounce and abs(hit.state[1]) < NET_WITHIN_M + 2.0
            ):
                return True
        elif abs(world.place(side, hit.t_s)[0][1]) < NET_WITHIN_M:
            return True
    return False


def _runs(world: PlayWorld) -> list[dict[str, Any]]:
    rows = []
    for point_id, rally in enumerate(world.rallies):
        if rally.ended_by in ("fault", "let"):
            continue
        for side in SIDES:
            times = np.arange(rally.hits[0].t_s, rally.dead_s, 0.02)
            path, velocity = world.path(side, times)
            steps = np.diff(path, axis=0)
            speed = np.linalg.norm(velocity, axis=1)
            gain = np.linalg.norm(np.diff(velocity, axis=0), axis=1) / 0.02
            lateral = float(np.abs(steps[:, 0]).sum())
            along = steps[:, 1] * (1.0 if side == "near" else -1.0)
            rows.append({
                "point_id": point_id, "side": side, "serves": side == rally.server,
                "n_shots": len(rally.hits), "won": rally.won_by == side,
                "distance_m": float(np.linalg.norm(steps, axis=1).sum()),
                "lateral_m": lateral, "forward_m": float(along[along > 0].sum()),
                "back_m": float(-along[along < 0].sum()),
                "peak_mps": float(speed.max(initial=0.0)),
                "peak_mps2": float(gain.max(initial=0.0)),
                "net": came_to_net(world, rally, side),
            })
    return rows


def _splits(world: PlayWorld) -> list[dict[str, Any]]:
    """A row for every opponent's contact that was waited for or came back."""
    rows = []
    for point_id, rally in enumerate(world.rallies):
        for number, hit in enumerate(rally.hits):
            side = "far" if hit.side == "near" else "near"
            hops = [
                hop for hop in world.hops(side)
                if hop.split and abs(hop.landing_s - hit.t_s) < SPLIT_WITHIN_S
            ]
            hop = min(hops, key=lambda h: abs(h.landing_s - hit.t_s)) if hops else None
            row: dict[str, Any] = {
                "point_id": point_id, "side": side, "serve": number == 0,
                "first_serve": number == 0 and rally.serve_number == 1, "hop": hop is not None,
            }
            if hop is not None:
                row |= {
                    "take_off_s": hop.take_off_s - hit.t_s, "landing_s": hop.landing_s - hit.t_s,
                    "air_s": hop.landing_s - hop.take_off_s, "height_m": hop.height_m,
                }
            rows.append(row)
    return rows


def share(values: Sequence[bool] | pd.Series) -> float:
    """Share of true values, NaN where there are none."""
    return float(np.mean(values)) if len(values) else float("nan")
