"""Alternatives: what else might have been done with the strokes that are flagged for their hitter.

Reads the level of play from the section ``flags`` of the configuration; surface and hands come from
the match sheet.
"""

from __future__ import annotations

import logging
import math
from collections import defaultdict
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pyarrow as pa

from rallymill import tableio
from rallymill.alternatives import words
from rallymill.alternatives.drawing import seed_of
from rallymill.alternatives.scatter import Scatter, own_scatter
from rallymill.alternatives.stroke import Stroke, stroke_of
from rallymill.alternatives.what_if import (
    MISFIT,
    MOVERS,
    Alternative,
    Spread,
    alternatives,
    not_told,
)
from rallymill.flight import SURFACES
from rallymill.stages import flags
from rallymill.stages.base import MatchContext, StageConfig
from rallymill.tables import ALTERNATIVES

LOG = logging.getLogger(__name__)

ELSE_SURFACE = "hard"
Row = dict[str, Any]


def flagged(shots: list[Row], found: list[Row]) -> list[Row]:
    """Strokes that a flag lays to their hitter, in order."""
    sides = {(row["shot_id"], row["side"]) for row in found}
    return [row for row in shots if (row["shot_id"], row["hitter"]) in sides]


def right_handed(sheet: Mapping[str, Any]) -> dict[str, bool]:
    """Whether players are right-handed, by code, as far as the match sheet says."""
    players = (sheet.get("players") or {}).values()
    return {
        player["code"]: player["hand"] == "right"
        for player in players if player and player.get("code") and player.get("hand")
    }


def row_of(shot: Row, one: Alternative, turn: float) -> Row:
    """Columns of an alternative that are not words; what was not told is null."""
    def place(value: float) -> float:
        return turn * value

    row: Row = {
        "match_id": shot["match_id"], "point_id": shot["point_id"], "shot_id": shot["shot_id"],
        "target": one.target.name, "player": shot["player"], "played": one.played,
        "direction": one.target.direction, "depth": one.target.depth,
        "toward": one.target.toward, "target_x_m": place(one.target.x_m),
        "target_y_m": place(one.target.y_m), "room": one.room,
        "elevation_deg": float(np.degrees(one.elevation_rad)), "net_height_m": one.net_m,
        "clears_share": one.clears, "in_share": one.goes_in, "flight_time_s": one.flight_s,
        "opponent_run_m": one.run_m, "open_share": one.beats, "confidence": shot["confidence"],
        "reason": one.reason or None,
    }
    for name, spread in (
        ("clearance_m", one.clearance_m), ("opponent_time_s", one.ball_s),
        ("opponent_needs_s", one.needed_s), ("opponent_late_s", one.late_s),
    ):
        row |= _spread(name, spread)
    return {
        name: None if isinstance(value, float) and math.isnan(value) else value
        for name, value in row.items()
    }


def _spread(name: str, spread: Spread) -> Row:
    return {name: spread.median, f"{name}_sd": spread.sd}


class AlternativesStage:
    """Shots and flags to alternatives."""

    name = "alternatives"
    section = flags.STAGE.name
    uses_sheet = True
    version = 1
    reads = ("shots", "flags")
    writes = ALTERNATIVES
    needs_video = False
    config_class = flags.RulesConfig

    def model_files(self, config: StageConfig) -> tuple[str, ...]:
        """No weights."""
        return ()

    def run(
        self, match: MatchContext, inputs: Mapping[str, pa.Table], config: Any
    ) -> pa.Table:
        """Table with a row a target of every flagged stroke."""
        shots = inputs["shots"].to_pylist()
        chosen = flagged(shots, inputs["flags"].select(["shot_id", "side"]).to_pylist())
        if not chosen:
            return ALTERNATIVES.empty()
        hands = right_handed(match.sheet)
        strokes = {row["shot_id"]: stroke_of(row, hands.get(row["player"])) for row in shots}
        scatters = _Scatters(strokes, config.level)
        surface = match.sheet.get("surface")
        surface = surface if surface in SURFACES else ELSE_SURFACE
        rows: list[Row] = []
        for shot in chosen:
            rows += _rows(match.match_id, shot, strokes[shot["shot_id"]], scatters, surface)
        return tableio.from_rows(
            ALTERNATIVES, [row | {"alternative_id": k} for k, row in enumerate(rows)])


class _Scatters:
    """Scatter of each player and family, worked out when first asked for."""

    def __init__(self, strokes: Mapping[int, Stroke | str], level: str) -> None:
        self.level = level
        self._own: dict[tuple[str, str], list[Stroke]] = defaultdict(list)
        for stroke in strokes.values():
            if isinstance(stroke, Stroke):
                self._own[(stroke.player, stroke.family)].append(stroke)
        self._found: dict[tuple[str, str], Scatter] = {}

    def of(self, stroke: Stroke) -> Scatter:
        """Scatter of strokes like this one."""
        key = (stroke.player, stroke.family)
        if key not in self._found:
            self._found[key] = own_scatter(self._own[key], stroke.family, self.level)
        return self._found[key]


def _rows(
    match_id: str, shot: Row, stroke: Stroke | str, scatters: _Scatters, surface: str
) -> Iterator[Row]:
    if isinstance(stroke, str):
        LOG.info("no alternatives of stroke %d: %s", shot["shot_id"], stroke)
        row = row_of(shot, not_told(shot["direction"], stroke), 1.0)
        yield row | {"sentence": f"What else was open cannot be told: {stroke}."}
        return
    scatter, mover = scatters.of(stroke), MOVERS[scatters.level]
    assumed = words.assumptions(stroke, scatter, mover)
    found = alternatives(stroke, scatter, mover, seed_of(match_id, stroke.shot_id), surface)
    for one in found:
        if one.reason == MISFIT:
            LOG.info("no alternatives of stroke %d: %s", shot["shot_id"], one.reason)
        yield row_of(shot, one, stroke.turn) | {
            "sentence": words.sentence(one, stroke), "assumptions": assumed,
            "comparison": words.comparison(found, stroke) if one.played else None,
        }


STAGE = AlternativesStage()
