"""What a match page says: the tables of a match turned into words, in the order of the page."""

from __future__ import annotations

import bisect
import json
import logging
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np

from rallymill import tableio, tables
from rallymill.errors import InputError, TableError
from rallymill.report.words import is_missing

log = logging.getLogger(__name__)

Row = Mapping[str, Any]
USED = ("views", "arcs", "events", "shots", "points", "flags")
OPTIONAL = ("opportunities", "alternatives")
"""Tables that a page does without, and says nothing of, where an older run left none."""
OTHER = {"near": "far", "far": "near"}
RECORD_NAME = "match.json"


@dataclass(frozen=True)
class Player:
    """A player of the match: code in the tables, name to show, and slot in the drawings."""

    code: str
    name: str
    slot: str
    number: int = 0

    @property
    def letter(self) -> str:
        """A letter of the player's own, for identifiers: a misreading may find more than two."""
        return "abcdefghijklmnopqrstuvwxyz"[self.number % 26]

    @property
    def short(self) -> str:
        """Last word of the name, for tables."""
        return self.name.split()[-1] if self.name.split() else self.code


@dataclass(frozen=True)
class Played:
    """A point as it is counted on court: one or more rows of ``points``, a row a serve attempt."""

    number: int
    rows: tuple[Row, ...]

    @property
    def row(self) -> Row:
        """The attempt that decided the point."""
        return self.rows[-1]

    @property
    def before(self) -> tuple[Row, ...]:
        """Attempts before it: faults and lets."""
        return self.rows[:-1]


@dataclass(frozen=True)
class Match:
    """Tables of a match as rows; ``absent`` names tables that are not there and why."""

    match_id: str
    row: Row
    views: tuple[Row, ...]
    arcs: tuple[Row, ...]
    events: tuple[Row, ...]
    shots: tuple[Row, ...]
    points: tuple[Row, ...]
    flags: tuple[Row, ...]
    absent: Mapping[str, str]
    players: tuple[Player, ...]
    slot_of: Mapping[str, str] = field(default_factory=dict)
    recording: Path | None = None
    opportunities: tuple[Row, ...] = ()
    alternatives: tuple[Row, ...] = ()

    @cached_property
    def _shots_by_point(self) -> dict[int, list[Row]]:
        found: dict[int, list[Row]] = {}
        for row in sorted(self.shots, key=lambda row: row["t_contact_s"]):
            found.setdefault(row["point_id"], []).append(row)
        return found

    @cached_property
    def _flags_by_point(self) -> dict[int, list[Row]]:
        found: dict[int, list[Row]] = {}
        for row in sorted(self.flags, key=lambda row: (row["shot_id"], -weight(row))):
            found.setdefault(row["point_id"], []).append(row)
        return found

    def arcs_between(self, start_s: float, end_s: float) -> list[Row]:
        """Flights that start within a span of time."""
        low = bisect.bisect_left(self._arc_starts, start_s)
        return list(self._arcs_in_order[low : bisect.bisect_left(self._arc_starts, end_s)])

    @cached_property
    def _arcs_in_order(self) -> list[Row]:
        return sorted(self.arcs, key=lambda arc: arc["start_s"])

    @cached_property
    def _arc_starts(self) -> list[float]:
        return [arc["start_s"] for arc in self._arcs_in_order]

    @cached_property
    def _alternatives_by_shot(self) -> dict[int, list[Row]]:
        found: dict[int, list[Row]] = {}
        for row in self.alternatives:
            found.setdefault(row["shot_id"], []).append(row)
        return found

    def alternatives_of(self, shot_id: int) -> list[Row]:
        """Targets that a stroke had or might have had; none where none were worked out."""
        return self._alternatives_by_shot.get(shot_id, [])

    @cached_property
    def played(self) -> tuple[Played, ...]:
        """Points as they are counted on court: serve attempts up to the one that decides."""
        found: list[Played] = []
        open_rows: list[Row] = []
        for row in sorted(self.points, key=lambda row: row["point_id"]):
            open_rows.append(row)
            if row["ended_by"] not in ("fault", "let"):
                found.append(Played(len(found) + 1, tuple(open_rows)))
                open_rows = []
        if open_rows:
            found.append(Played(len(found) + 1, tuple(open_rows)))
        return tuple(found)

    @cached_property
    def played_by_row(self) -> dict[int, Played]:
        """The point played to which a row of ``points`` belongs, by ``point_id``."""
        return {row["point_id"]: point for point in self.played for row in point.rows}

    def name_of(self, code: str | None, side: str | None = None) -> str:
        """Name of a player by code; the side where the player is not known."""
        for player in self.players:
            if player.code == code:
                return player.name
        if code:
            return code
        return f"the player on the {side} side" if side in OTHER else "unknown player"

    def short_name_of(self, code: str | None, side: str | None = None) -> str:
        """Short name of a player; the side where the player is not known."""
        short = {player.code: player.short for player in self.players}
        if len(set(short.values())) == len(self.players) and code in short:
            return short[code]
        return self.name_of(code, side) if code else f"{side} side"

    def slot(self, shot: Row) -> str:
        """Slot of the hitter in the drawings."""
        return self.slot_of.get(shot["player"] or "", self.slot_of[shot["hitter"]])

    def shots_of(self, point_id: int) -> list[Row]:
        """Strokes of a point in order."""
        return self._shots_by_point.get(point_id, [])

    def flags_of(self, point_id: int) -> list[Row]:
        """Flags of a point: in order of strokes, the weightiest first at each."""
        return self._flags_by_point.get(point_id, [])


def weight(flag: Row) -> float:
    """How much a flag deserves a look: severity times confidence."""
    return float(flag["severity"]) * float(flag["confidence"])


def load(out_dir: Path, match_id: str) -> Match:
    """Tables of a match; a table that is not there counts as empty and is named in ``absent``.

    Raises
    ------
    InputError
        The match is not in ``matches.parquet``.
    """
    try:
        listed = tableio.read(out_dir / "matches.parquet", tables.MATCHES).to_pylist()
    except TableError as error:
        raise InputError(error.problem, error.remedy) from error
    row = next((row for row in listed if row["match_id"] == match_id), None)
    if row is None:
        known = ", ".join(sorted(str(row["match_id"]) for row in listed)) or "none"
        raise InputError(f"no match {match_id} in {out_dir}", f"matches there: {known}")
    found: dict[str, tuple[Row, ...]] = {}
    absent: dict[str, str] = {}
    for name in (*USED, *(name for name in OPTIONAL if name in tables.ALL)):
        spec = tables.ALL[name]
        path = out_dir / "matches" / match_id / f"{name}.parquet"
        if name in OPTIONAL and not path.exists():
            continue
        try:
            table = tableio.read(path, spec)
        except TableError as error:
            table = spec.empty()
            absent[name] = error.problem.split(": ", 1)[-1]
            log.info("%s: table %s: %s", match_id, name, error)
        found[name] = tuple(table.to_pylist())
    record = _record(out_dir / "matches" / match_id)
    players = _players(row, found, record.get("sheet") or {})
    slots = {player.code: player.slot for player in players}
    return Match(
        match_id, row, absent=absent, players=players,
        slot_of={"near": "a", "far": "b"} | slots,
        recording=Path(record["path"]) if record.get("path") else None, **found,
    )


def _record(folder: Path) -> Row:
    """What the run keeps beside the tables: where the recording is, and its match sheet."""
    try:
        found = json.loads((folder / RECORD_NAME).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def _players(row: Row, found: Mapping[str, tuple[Row, ...]], sheet: Row) -> tuple[Player, ...]:
    """Players by their code in the tables, the one who starts on the near side first."""
    side_of: dict[str, str] = {}
    for shot in sorted(found["shots"], key=lambda shot: shot["t_contact_s"]):
        for code, side in (
            (shot["player"], shot["hitter"]), (shot["opponent"], OTHER[shot["hitter"]])
        ):
            if code:
                side_of.setdefault(code, side)
    for flag in found["flags"]:
        if flag["player"]:
            side_of.setdefault(flag["player"], flag["side"] or "near")
    players: list[Player] = []
    for code, side in sorted(side_of.items(), key=lambda item: (item[1] == "far", item[0])):
        name = _name(code, side, row, sheet)
        players.append(Player(code, name, "ab"[len(players) % 2], len(players)))
    return tuple(players)


def _name(code: str, side: str, row: Row, sheet: Row) -> str:
    """Name of a code: from the match sheet, or of who starts on the side where it first plays."""
    for entry in (sheet.get("players") or {}).values():
        if entry and entry.get("code") == code:
            return str(entry["name"])
    if row[f"player_{side}"]:
        return str(row[f"player_{side}"])
    return f"player {code}" if len(code) == 1 else code


@dataclass(frozen=True)
class Trust:
    """How many strokes (or points) have a quantity at all."""

    quantity: str
    known: int
    total: int

    @property
    def share(self) -> float:
        """Known part, 0 where there is nothing."""
        return self.known / self.total if self.total else 0.0


def trust(match: Match) -> list[Trust]:
    """For each kind of quantity, for how many strokes or points it could be told."""
    shots = match.shots
    # Nobody wins a row that ends with a faulted first serve or a let.
    points = [row for row in match.points if row["ended_by"] not in ("fault", "let")]
    serves = [row for row in shots if row["stroke"] == "serve"]

    def told(rows: tuple[Row, ...] | list[Row], column: str) -> int:
        return sum(not is_missing(row[column]) and row[column] != "unknown" for row in rows)

    rest = [row for row in shots if row["stroke"] not in ("serve", "overhead")]
    return [
        Trust("stroke", told(shots, "stroke"), len(shots)),
        Trust("wing (serves and overheads aside)", told(rest, "wing"), len(rest)),
        Trust("direction", told(shots, "direction"), len(shots)),
        Trust("place of the bounce", told(shots, "bounce_y_m"), len(shots)),
        Trust("speed at contact", told(shots, "speed_mps"), len(shots)),
        Trust("height over the net", told(shots, "net_clearance_m"), len(shots)),
        Trust("place of the hitter", told(shots, "hitter_x_m"), len(shots)),
        Trust("place of the opponent", told(shots, "opponent_x_m"), len(shots)),
        Trust("in or out of serves", told(serves, "in_court"), len(serves)),
        Trust("how the point ended", told(points, "ended_by"), len(points)),
        Trust("who won the point", told(points, "won_by"), len(points)),
    ]


@dataclass(frozen=True)
class Summary:
    """Figures of a player: each with the number of strokes that it rests on."""

    player: Player
    strokes: int
    forehands: int
    backhands: int
    serve_speed_mps: tuple[float | None, int]
    rally_speed_mps: tuple[float | None, int]
    clearance_m: tuple[float | None, int]
    deep_share: tuple[float | None, int]
    faults: int
    credits: int
    won: int


def _median(rows: list[Row], column: str) -> tuple[float | None, int]:
    values = [row[column] for row in rows if not is_missing(row[column])]
    return (float(np.median(values)), len(values)) if values else (None, 0)


def summaries(match: Match) -> list[Summary]:
    """Figures of each player; players without strokes are there with zeros."""
    out = []
    for player in match.players:
        own = [row for row in match.shots if row["player"] == player.code]
        serves = [row for row in own if row["stroke"] == "serve"]
        rally = [row for row in own if row["stroke"] in ("groundstroke", "return", "approach")]
        depths = [row["depth"] for row in rally if row["depth"] != "unknown" and row["in_court"]]
        deep = (sum(d == "deep" for d in depths) / len(depths) if depths else None, len(depths))
        flags = [row for row in match.flags if row["player"] == player.code]
        out.append(Summary(
            player, len(own), sum(row["wing"] == "forehand" for row in own),
            sum(row["wing"] == "backhand" for row in own), _median(serves, "speed_mps"),
            _median(rally, "speed_mps"), _median(rally, "net_clearance_m"), deep,
            sum(row["kind"] == "fault" for row in flags),
            sum(row["kind"] == "credit" for row in flags),
            sum(row["won_by_player"] == player.code for row in match.points),
        ))
    return out
