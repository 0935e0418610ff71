"""Corrections: a row a corrected cell, with what the machine says there now and whether it fits.

Who said so and why stays in the numbered files: notes may hold names, which no table does.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pyarrow as pa

from rallymill import tableio
from rallymill.corrections.difference import same
from rallymill.corrections.matching import point_at
from rallymill.corrections.rows import (
    COURT,
    PLAYERS,
    POINT,
    STROKE_CHANGING,
    Correction,
    Value,
    text_of,
)
from rallymill.stages.base import MatchContext, StageConfig
from rallymill.stages.correcting import AGREES, STANDS, Outcome, Restated, restate
from rallymill.stages.shots_people import player_of
from rallymill.stages.shots_rally import read_arcs, read_events
from rallymill.tables import CORRECTIONS

Row = dict[str, Any]
Found = Mapping[str, Sequence[Row]]


class CorrectionsConfig(StageConfig):
    """No options."""


class CorrectionsStage:
    """What became of the corrections that were applied."""

    name = "corrections"
    version = 1
    reads = ("machine_shots", "machine_points", "shots", "points", "events", "arcs")
    writes = CORRECTIONS
    needs_video = False
    config_class = CorrectionsConfig
    uses_sheet = True
    corrects = (STROKE_CHANGING, PLAYERS, POINT, COURT)

    def model_files(self, config: CorrectionsConfig) -> tuple[str, ...]:
        """No weights."""
        return ()

    def run(
        self, match: MatchContext, inputs: Mapping[str, pa.Table], config: CorrectionsConfig
    ) -> pa.Table:
        """Table with one row for each cell of each correction."""
        if not match.corrections:
            return CORRECTIONS.empty()
        restated = restate(
            read_events(inputs["events"]), read_arcs(inputs["arcs"]), match.corrections,
            match.sheet,
        )
        found = {name: table.to_pylist() for name, table in inputs.items()
                 if name not in ("events", "arcs")}  # fmt: skip
        outcomes = [*restated.outcomes, *_court(match.corrections)]
        outcomes.sort(key=lambda outcome: (outcome.row.number, outcome.row.row))
        return tableio.from_rows(CORRECTIONS, [
            _row(number, outcome, restated, found, match)
            for number, outcome in enumerate(outcomes)
        ])


def _court(rows: Sequence[Correction]) -> list[Outcome]:
    """Court points: they hold for the stages that look for the court."""
    return [
        Outcome(row, str(row.values["court_point"]),
                None if row.action == "remove" else "{x_px}, {y_px}".format(**row.values))
        for row in rows if row.what == "court"
    ]  # fmt: skip


def _row(
    number: int, outcome: Outcome, restated: Restated, found: Found, match: MatchContext
) -> Row:
    row = outcome.row
    machine: Value = None
    known = False
    shot = point = None
    if outcome.stroke is not None:
        known, machine = _machine_stroke(outcome, restated, found)
        hit = restated.strokes[outcome.stroke].hit
        if not restated.strokes[outcome.stroke].removed:
            shot = next((one for one in found["shots"] if one["t_contact_s"] == hit.t_s
                         and one["hitter"] == hit.side), None)  # fmt: skip
    elif outcome.point_id is not None:
        point = next(
            (one for one in found["points"] if one["point_id"] == outcome.point_id), None)
        spans = [(one["start_s"], one["end_s"]) for one in found["machine_points"]]
        place = point_at(spans, point["start_s"] if point else row.t_s)
        if outcome.cell and not isinstance(place, str):
            known, machine = True, found["machine_points"][place][outcome.cell]
    elif row.what == "players" and outcome.cell:
        known, machine = True, player_of(outcome.cell, row.t_s, match.sheet)
    status = outcome.status
    says_so = same(outcome.value, machine) if outcome.cell else row.action == "add"
    if status == STANDS and known and says_so:
        status = AGREES
    return {
        "match_id": match.match_id, "correction_id": number,
        "application_number": row.number, "file_row_number": row.row,
        "what": row.what, "action": row.action, "t_s": row.t_s, "side": row.side,
        "cell": outcome.cell,
        "value": None if outcome.value is None else text_of(outcome.value),
        "machine_value": None if machine is None else text_of(machine),
        "status": status, "reason": outcome.reason or None,
        "shot_id": shot["shot_id"] if shot else None,
        "point_id": shot["point_id"] if shot else point["point_id"] if point else None,
    }  # fmt: skip


def _machine_stroke(outcome: Outcome, restated: Restated, found: Found) -> tuple[bool, Value]:
    """Whether the machine read the stroke of an outcome, and what it says in the cell."""
    assert outcome.stroke is not None
    machine = restated.strokes[outcome.stroke].machine
    if machine is None:
        return False, None
    for shot in found["machine_shots"]:
        if shot["t_contact_s"] == machine.t_s and shot["hitter"] == machine.side:
            return True, shot[outcome.cell] if outcome.cell else None
    return False, None


STAGE = CorrectionsStage()
