"""Shots after corrections by hand: the machine's own where nobody corrected anything."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import ClassVar

import pyarrow as pa

from rallymill.corrections.rows import PLAYERS, STROKE_CHANGING
from rallymill.stages.base import Columns, MatchContext
from rallymill.stages.correcting import restate
from rallymill.stages.shots import ShotsConfig, shots_of
from rallymill.stages.shots_people import PLAYERS_COLUMNS
from rallymill.stages.shots_rally import read_arcs, read_events
from rallymill.tables import SHOTS


class CorrectedShotsStage:
    """Machine's shots, their contacts and corrections to shots."""

    name = "corrected_shots"
    section = "shots"
    version = 3
    reads = ("machine_shots", "events", "arcs", "tracks")
    columns: ClassVar[Columns] = {"tracks": PLAYERS_COLUMNS}
    writes = SHOTS
    needs_video = False
    config_class = ShotsConfig
    uses_sheet = True
    corrects = (STROKE_CHANGING, PLAYERS)

    def model_files(self, config: ShotsConfig) -> tuple[str, ...]:
        """No weights."""
        return ()

    def run(
        self, match: MatchContext, inputs: Mapping[str, pa.Table], config: ShotsConfig
    ) -> pa.Table:
        """Table with one row for each stroke."""
        if not match.corrections:
            return inputs["machine_shots"]
        restated = restate(
            read_events(inputs["events"]), read_arcs(inputs["arcs"]), match.corrections,
            match.sheet,
        )
        match = replace(match, sheet=restated.sheet)
        return shots_of(restated.found, inputs["tracks"], match, config)


STAGE = CorrectedShotsStage()
