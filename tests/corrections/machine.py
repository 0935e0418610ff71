"""A match whose contacts, flights and tracks are simulated, with the real stages behind them.

The section ``events`` says how a newer detector would differ: everything later by a frame, a rally
more at the beginning (so that all numbers change), a stroke less.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

import pyarrow as pa

from rallymill import tableio
from rallymill.runner.registry import pipeline
from rallymill.stages.base import MatchContext, StageConfig
from rallymill.tables import ALL, ARCS, DETECTIONS, EVENTS, FRAMES, TRACKS, VIEWS, TableSpec
from tests.films import film
from tests.stages.played import Played, noisy, played

REGISTRY = "tests.corrections.machine:stages"
SEED, N_POINTS = 100_010, 6
AFTER = ("shots", "points", "corrected_shots", "corrected_points", "corrections", "flags")


@cache
def play() -> Played:
    """The play that every match here shows."""
    return noisy(played(SEED, N_POINTS), 1)


class Detector(StageConfig):
    """How the machine that reads differs from the first one."""

    later_s: float = 0.0
    rally_more: bool = False
    without_s: float = -1.0
    """The hit nearest to this time was not found."""


class Simulated:
    """A stage that gives a table of the play."""

    version = 1
    reads: tuple[str, ...] = ()
    needs_video = True
    config_class = Detector
    section = "events"

    def __init__(self, name: str, writes: TableSpec) -> None:
        self.name, self.writes = name, writes
        self.corrects = ("court",) if name == "views" else ()

    def model_files(self, config: Detector) -> tuple[str, ...]:
        return ()

    def run(self, match: MatchContext, inputs: Mapping[str, pa.Table], config: Detector
            ) -> pa.Table:  # fmt: skip
        if self.writes is VIEWS:
            return tableio.from_rows(VIEWS, [{
                "match_id": match.match_id, "view_id": 0, "first_frame": 0, "last_frame": 19,
                "start_s": 0.0, "end_s": 200.0, "label": "main", "confidence": 1.0,
            }])
        if self.writes is FRAMES:
            return tableio.from_rows(FRAMES, [
                {"match_id": match.match_id, "frame": k, "t_s": 10.0 * k, "view_id": 0,
                 "court_status": "found"} for k in range(10)
            ])  # fmt: skip
        if self.writes is DETECTIONS:
            return tableio.from_rows(DETECTIONS, [{
                "match_id": match.match_id, "frame": 0, "t_s": 0.0, "label": "ball", "x1_px": 0,
                "y1_px": 0, "x2_px": 1, "y2_px": 1, "confidence": 0.9,
            }])
        given = {"events": play().events, "arcs": play().arcs, "tracks": play().tracks}
        return changed(self.writes, given[self.name].to_pylist(), config, match.match_id)


def changed(
    spec: TableSpec, rows: list[dict[str, Any]], config: Detector, match_id: str = "world"
) -> pa.Table:
    """A table as another detector would have read it."""
    for row in rows:
        row["match_id"] = match_id
        for name in ("t_s", "start_s", "end_s"):
            if row.get(name) is not None:
                row[name] += config.later_s
    if spec is EVENTS:
        if config.without_s >= 0:
            hits = [row for row in rows if row["kind"] == "hit"]
            rows.remove(min(hits, key=lambda row: abs(row["t_s"] - config.without_s)))
        if config.rally_more:
            serve = next(row for row in rows if row["kind"] == "hit")
            rows = [{**serve, "t_s": 0.6, "rally_id": 999, "arc_before": None,
                     "arc_after": None}, *rows]  # fmt: skip
        for number, row in enumerate(rows):
            row["event_id"] = number
    return tableio.from_rows(spec, rows)


def stages() -> tuple[Any, ...]:
    """The simulated stages up to the tracks, and the real ones from the shots on."""
    before = tuple(
        Simulated(name, ALL[table]) for name, table in (
            ("views", "views"), ("calibrate", "frames"), ("detect", "detections"),
            ("arcs", "arcs"), ("tracks", "tracks"), ("events", "events"),
        )
    )
    return (*before, *(stage for stage in pipeline() if stage.name in AFTER))


def sheet_text() -> str:
    """The players of the play, as a match sheet."""
    hands = {side: entry["hand"] for side, entry in play().match.sheet["players"].items()}
    return (
        "players:\n"
        f"  near: {{name: Ilva Marrec, code: MAR, hand: {hands['near']}}}\n"
        f"  far: {{name: Tamsin Orrow, code: ORR, hand: {hands['far']}}}\n"
        "first_server: near\nscore: 0-0, 0-0\n"
    )


def folder(root: Path) -> Path:
    """A folder with a recording and its sheet."""
    films = root / "films"
    films.mkdir()
    film(films / "final.mp4", n=20)
    (films / "final.sheet.yaml").write_text(sheet_text(), encoding="utf-8")
    return films


__all__ = ["ARCS", "TRACKS", "Detector", "changed", "folder", "play", "stages"]
