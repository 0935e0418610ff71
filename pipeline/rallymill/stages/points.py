"""Points: one row a rally, with who served, how it ended and who won it.

A faulted first serve is a row of its own (ended_by ``fault``, serve_number 1); the next row of the
same server from the same half has serve_number 2, and again 2 if that serve was a let (rule 22).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pyarrow as pa

from rallymill import court, tableio
from rallymill.stages import points_ending
from rallymill.stages.base import MatchContext, StageConfig
from rallymill.stages.points_ending import Ending
from rallymill.stages.points_score import Score, parse
from rallymill.stages.shots_people import OTHER, player_of
from rallymill.stages.shots_rally import Rally, rallies, read_arcs, read_events
from rallymill.stages.shots_strokes import StrokeConfig
from rallymill.tables import MACHINE_POINTS, POINTS

Row = dict[str, Any]


class PointsConfig(StageConfig):
    """Options of the points stage."""

    longest_serve_gap_s: float = 60.0
    """A second serve follows the first within this; 25 s are allowed between points."""
    strokes: StrokeConfig = StrokeConfig()
    least_confidence: float = 0.55
    """Endings that are less likely than this are ``unknown``."""


class PointsStage:
    """Shots, events and arcs to points."""

    name = "points"
    version = 6
    reads = ("machine_shots", "events", "arcs")
    writes = MACHINE_POINTS
    needs_video = False
    config_class = PointsConfig

    def model_files(self, config: PointsConfig) -> tuple[str, ...]:
        """No weights."""
        return ()

    def run(
        self, match: MatchContext, inputs: Mapping[str, pa.Table], config: PointsConfig
    ) -> pa.Table:
        """Table with one row for each attempt to play a point."""
        found = rallies(read_events(inputs["events"]), read_arcs(inputs["arcs"]))
        return points_of(found, inputs["machine_shots"], match, config, {})


def points_of(
    found: list[Rally], all_shots: pa.Table, match: MatchContext, config: PointsConfig,
    stated: Mapping[int, Mapping[str, Any]],
) -> pa.Table:
    """Table of points from rallies and their rows of shots.

    ``stated`` holds what a person said of points, by ``point_id`` and column; what follows from it
    for later points is worked out.
    """
    shots: dict[int, list[Row]] = {}
    for row in all_shots.to_pylist():
        shots.setdefault(row["point_id"], []).append(row)
    rows: list[Row] = []
    for rally in found:
        row = _row(
            rally, shots[rally.point_id], shots.get(rally.point_id + 1),
            rows[-1] if rows else None, match, config,
        )
        rows.append(restated(row, stated.get(rally.point_id, {}), rally, match))
    _add_score(rows, match.sheet, {
        point_id: values["score"] for point_id, values in stated.items() if "score" in values
    })
    return tableio.from_rows(POINTS, rows)


def _serve_of(rally_shots: list[Row]) -> Row | None:
    first = rally_shots[0]
    return first if first["stroke"] == "serve" else None


def _half(serve: Row | None) -> str | None:
    if serve is None:
        return None
    x = serve["hitter_x_m"] if serve["hitter_x_m"] is not None else serve["contact_x_m"]
    if x is None:
        return None
    return court.serve_side(x, -1.0 if serve["hitter"] == "near" else 1.0)


def _row(
    rally: Rally, shots: list[Row], next_shots: list[Row] | None, before: Row | None,
    match: MatchContext, config: PointsConfig,
) -> Row:
    serve = _serve_of(shots)
    half = _half(serve)
    server = _server(rally)
    start = shots[0]["t_contact_s"]
    second = (
        before is not None and _asks_for_second(before) and before["server"] == server
        and half in (None, before["serve_side"])
        and start - before["end_s"] <= config.longest_serve_gap_s
    )
    serve_number = None if serve is None else 2 if second else 1
    repeated = _served_again(serve, half, next_shots, start, config)
    ending = points_ending.of_rally(rally, shots, serve_number, repeated, config.strokes)
    if ending.confidence < config.least_confidence:
        ending = Ending("unknown", None, ending.confidence)
    last = rally.strokes[-1]
    started = 1.0 if rally.starts_with_serve else 0.85 if rally.starts_with_return else 0.7
    return {
        "match_id": match.match_id, "point_id": rally.point_id, "start_s": start,
        "end_s": points_ending.dead_s(last, ending.kind), "server": server,
        "server_player": player_of(server, start, match.sheet) if server else None,
        "serve_number": serve_number, "serve_side": half,
        "n_shots": last.number, "ended_by": ending.kind,
        "ended_by_confidence": ending.confidence, "won_by": ending.won_by,
        "won_by_player": (
            player_of(ending.won_by, start, match.sheet) if ending.won_by else None
        ),
        "confidence": started * min(stroke.hit.confidence for stroke in rally.strokes),
    }


def restated(
    row: Row, values: Mapping[str, Any], rally: Rally, match: MatchContext
) -> Row:
    """A point with what a person said of it, and what follows from that within the point."""
    if not values:
        return row
    row = {**row, **{name: value for name, value in values.items() if name != "score"}}
    if "ended_by" in values:
        row["ended_by_confidence"] = 1.0
        if "won_by" not in values:
            row["won_by"] = winner_of(values["ended_by"], row["server"], rally.strokes[-1].hit.side)
    elif "won_by" in values:
        follows = winner_of(row["ended_by"], row["server"], rally.strokes[-1].hit.side)
        if follows != values["won_by"]:
            row["ended_by"], row["ended_by_confidence"] = "unknown", 0.0
    start = row["start_s"]
    for side, player in (("server", "server_player"), ("won_by", "won_by_player")):
        row[player] = player_of(row[side], start, match.sheet) if row[side] else None
    return row


def winner_of(ended_by: str, server: str | None, last_hitter: str) -> str | None:
    """Side that wins a point that ended so; None where none does or it does not follow."""
    if ended_by == "winner":
        return last_hitter
    if ended_by == "ace":
        return server
    if ended_by == "double_fault":
        return OTHER[server] if server else None
    if ended_by in ("fault", "let", "unknown"):
        return None
    return OTHER[last_hitter]


def _asks_for_second(before: Row) -> bool:
    """Whether a second serve follows: after a fault, or after a second serve that was a let."""
    return before["ended_by"] == "fault" or (
        before["ended_by"] == "let" and before["serve_number"] == 2
    )


def _server(rally: Rally) -> str | None:
    """Side that served: that of the serve, or the other side of a return whose serve was not seen.
    """
    first = rally.strokes[0]
    if rally.starts_with_serve:
        return first.hit.side
    return OTHER[first.hit.side] if rally.starts_with_return else None


def _served_again(
    serve: Row | None, half: str | None, next_shots: list[Row] | None, start_s: float,
    config: PointsConfig,
) -> bool | None:
    """Whether the next rally is served by the same player from the same half; None if unknown.

    That happens only after a fault or a let (ITF rules 17, 18 and 22).
    """
    if serve is None or half is None or next_shots is None:
        return None
    following = _serve_of(next_shots)
    next_half = _half(following)
    if following is None or next_half is None:
        return None
    if following["t_contact_s"] - start_s > config.longest_serve_gap_s:
        return None
    return following["hitter"] == serve["hitter"] and next_half == half


def _add_score(
    rows: list[Row], sheet: Mapping[str, Any], stated: Mapping[int, str | None]
) -> None:
    """Fill in the score from the sheet's start for as long as nothing contradicts it.

    From a score that a person states for a point, counting goes on; None ends it.
    """
    start = sheet.get("score")
    first = sheet.get("first_server")
    score: Score | None = parse(str(start), first) if start and first in OTHER else None
    for row in rows:
        if row["point_id"] in stated:
            row["score"] = said = stated[row["point_id"]]
            score = parse(said, row["server"]) if said and row["server"] else None
        elif score is not None:
            wrong_server = row["server"] is not None and row["server"] != score.server
            wrong_half = row["serve_side"] is not None and row["serve_side"] != score.serve_side
            score = None if wrong_server or wrong_half else score
            row["score"] = score.text() if score else None
        if score is None:
            continue
        if row["ended_by"] in ("fault", "let"):
            continue
        score = score.after(row["won_by"]) if row["won_by"] else None


STAGE = PointsStage()
