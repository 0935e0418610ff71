"""Simulated play as stage inputs: exact, or with the noise of a measurement."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from rallymill import tableio, tables
from rallymill.arena.play import simulate
from rallymill.stages import flags, points, shots
from rallymill.stages.base import MatchContext

RATE_HZ = 50.0
NEAR_SD_M, FAR_SD_M = 0.05, 0.12
PLAYER_SD_M = {"near": 0.08, "far": 0.15}


@dataclass(frozen=True)
class Played:
    """A stretch of play: what the stages are given and what is true."""

    match: MatchContext
    events: pa.Table
    arcs: pa.Table
    tracks: pa.Table
    truth: dict[str, pa.Table]

    def mirrored(self) -> Played:
        """Left and right exchanged, with the players' hands."""
        def flip(table: pa.Table, spec: tables.TableSpec) -> pa.Table:
            frame = table.to_pandas()
            for name in ("x_m", "vx_mps", "end_x_m", "sidespin_radps"):
                if name in frame:
                    frame[name] = -frame[name]
            return tableio.from_pandas(spec, frame)

        players = {
            side: entry | {"hand": {"right": "left", "left": "right"}[entry["hand"]]}
            for side, entry in self.match.sheet["players"].items()
        }
        sheet = {**self.match.sheet, "players": players}
        return Played(
            replace(self.match, sheet=sheet), flip(self.events, tables.EVENTS),
            flip(self.arcs, tables.ARCS), flip(self.tracks, tables.TRACKS), self.truth,
        )


@cache
def played(seed: int, n_points: int = 6, level: str = "tour") -> Played:
    """Exact tables of simulated play, with the match sheet of its players."""
    world = simulate(seed, n_points, level=level)
    truth = world.truth()
    rows: list[dict[str, Any]] = []
    for frame in range(int(world.duration_s * RATE_HZ)):
        t = frame / RATE_HZ
        for track_id, side in enumerate(("near", "far")):
            place, velocity, height = world.place(side, t)
            rows.append({
                "match_id": "world", "frame": frame, "t_s": t, "track_id": track_id, "role": side,
                "x_m": place[0], "y_m": place[1], "z_m": height, "x_m_sd": 0.0, "y_m_sd": 0.0,
                "vx_mps": velocity[0], "vy_mps": velocity[1], "observed": True, "confidence": 1.0,
            })
    sheet = {
        "players": {
            side: {"code": profile.name, "hand": "right" if profile.look.right_handed else "left"}
            for side, profile in zip(("near", "far"), world.profiles, strict=True)
        },
        "score": "0-0, 0-0", "first_server": "near",
    }
    exact = {name: _with_sd(truth[name], tables.ALL[name], 0.0) for name in ("events", "arcs")}
    return Played(
        MatchContext("world", Path("world.mp4"), sheet), exact["events"], exact["arcs"],
        tableio.from_rows(tables.TRACKS, rows), truth,
    )


def _with_sd(table: pa.Table, spec: tables.TableSpec, sd: float) -> pa.Table:
    frame = table.to_pandas()
    for name in frame.columns:
        if name.endswith("_sd") and name.removesuffix("_sd") in frame.columns:
            frame[name] = np.where(frame[name.removesuffix("_sd")].notna(), sd, np.nan)
    return tableio.from_pandas(spec, frame)


def noisy(exact: Played, seed: int) -> Played:
    """The same play as a good measurement would give it, with standard deviations that are true."""
    rng = np.random.default_rng(seed)
    events, arcs, tracks = (
        table.to_pandas() for table in (exact.events, exact.arcs, exact.tracks))
    for frame, names in ((events, ("x_m", "y_m", "z_m")), (arcs, ("x_m", "y_m", "z_m"))):
        for name in names:
            _disturb(frame, name, np.where(frame["y_m"] < 0, NEAR_SD_M, FAR_SD_M), rng)
    for name in ("end_x_m", "end_y_m", "end_z_m"):
        _disturb(arcs, name, np.where(arcs["end_y_m"] < 0, NEAR_SD_M, FAR_SD_M), rng)
    for name in ("vx_mps", "vy_mps", "vz_mps"):
        _disturb(arcs, name, np.full(len(arcs), 0.3), rng)
    for name in ("x_m", "y_m"):
        sd = tracks["role"].map(PLAYER_SD_M).to_numpy()
        # A smoothed track errs for some tenths of a second on end, not anew in every frame.
        drift = pd.Series(rng.normal(0, 1, len(tracks))).ewm(alpha=0.1).mean().to_numpy()
        tracks[name] += sd * drift / drift.std()
        tracks[f"{name}_sd"] = sd
    return Played(
        exact.match, tableio.from_pandas(tables.EVENTS, events),
        tableio.from_pandas(tables.ARCS, arcs), tableio.from_pandas(tables.TRACKS, tracks),
        exact.truth,
    )


def _disturb(frame: pd.DataFrame, name: str, sd: np.ndarray, rng: np.random.Generator) -> None:
    frame[name] = frame[name] + rng.normal(0, 1, len(frame)) * sd
    frame[f"{name}_sd"] = np.where(frame[name].notna(), sd, np.nan)


def processed(given: Played, level: str = "tour") -> dict[str, pd.DataFrame]:
    """Shots, points and flags of play, by the stages with their defaults."""
    tables_of = {
        "events": given.events, "arcs": given.arcs, "tracks": given.tracks,
        "frames": tables.FRAMES.empty(),
    }
    tables_of["shots"] = shots.STAGE.run(given.match, tables_of, shots.ShotsConfig())
    tables_of["machine_shots"] = tables_of["shots"]
    tables_of["points"] = points.STAGE.run(given.match, tables_of, points.PointsConfig())
    tables_of["flags"] = flags.STAGE.run(given.match, tables_of, flags.RulesConfig(level=level))
    return {name: tables_of[name].to_pandas() for name in ("shots", "points", "flags")}
