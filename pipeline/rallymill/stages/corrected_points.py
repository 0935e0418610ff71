"""Points after corrections by hand: the machine's own where nobody corrected anything."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import pyarrow as pa

from rallymill.corrections.rows import PLAYERS, POINT, STROKE_CHANGING
from rallymill.stages.base import MatchContext
from rallymill.stages.correcting import restate
from rallymill.stages.points import PointsConfig, points_of
from rallymill.stages.shots_rally import read_arcs, read_events
from rallymill.tables import POINTS


class CorrectedPointsStage:
    """Corrected shots, contacts and corrections to points."""

    name = "corrected_points"
    section = "points"
    version = 2
    reads = ("machine_points", "shots", "events", "arcs")
    writes = POINTS
    needs_video = False
    config_class = PointsConfig
    uses_sheet = True
    corrects = (STROKE_CHANGING, PLAYERS, POINT)

    def model_files(self, config: PointsConfig) -> tuple[str, ...]:
        """No weights."""
        return ()

    def run(
        self, match: MatchContext, inputs: Mapping[str, pa.Table], config: PointsConfig
    ) -> pa.Table:
        """Table with one row for each attempt to play a point."""
        if not match.corrections:
            return inputs["machine_points"]
        restated = restate(
            read_events(inputs["events"]), read_arcs(inputs["arcs"]), match.corrections,
            match.sheet,
        )
        match = replace(match, sheet=restated.sheet)
        return points_of(restated.found, inputs["shots"], match, config, restated.points)


STAGE = CorrectedPointsStage()
