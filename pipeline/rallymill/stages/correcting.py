"""Strokes and points as they are after corrections by hand: pure functions of contacts and rows.

Corrections are replayed in their order. Each finds its stroke by time and hitter among all that the
machine read and all that earlier corrections put in, under any time and side that the stroke had on
the way; then contacts are changed and rallies made of them by the same code that the machine's own
contacts go through, so that whatever follows from a correction follows by the same rules.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from rallymill.corrections.matching import point_at, stroke_at
from rallymill.corrections.rows import Correction, Value
from rallymill.errors import InputError
from rallymill.stages.correcting_contacts import (
    BOUNCED,
    STATED_SD_S,
    Contacts,
    Known,
    doubles,
    rally_near,
    restate_bounce,
    restated_hit,
)
from rallymill.stages.points_score import parse
from rallymill.stages.shots_people import OTHER, player_of
from rallymill.stages.shots_rally import NAN, Arc, Event, Rally, rallies

NO_BOUNCE = "no bounce of the stroke was read: give bounce_x_m and bounce_y_m"
BRING_BACK_S = 0.05
"""A stroke added so close to one that was removed brings that one back."""

STANDS, REPLACED, UNFIT, AGREES = "stands", "replaced", "unfit", "agrees"
@dataclass
class Outcome:
    """What became of a cell of a correction (``cell`` None: of a row without cells).

    ``stroke`` is the number of the stroke among :attr:`Restated.strokes`, ``point_id`` that of the
    point among the corrected ones.
    """

    row: Correction
    cell: str | None = None
    value: Value = None
    status: str = STANDS
    reason: str = ""
    stroke: int | None = None
    point_id: int | None = None


@dataclass
class Restated:
    """Rallies, points and players after corrections, and what became of each correction.

    ``points`` holds what was stated of points by ``point_id``; ``sheet`` is the match sheet with
    changes of players.
    """

    found: list[Rally]
    points: dict[int, dict[str, Value]]
    sheet: Mapping[str, Any]
    outcomes: list[Outcome]
    strokes: list[Known]


def restate(
    events: Contacts, arcs: Mapping[int, Arc], rows: Sequence[Correction],
    sheet: Mapping[str, Any],
) -> Restated:
    """Replay corrections over the machine's contacts (rally number and event, in order of time)."""
    replay = _Replay(events, arcs)
    for row in rows:
        if row.what == "shot":
            replay.shot(row)
        elif row.what == "point" and row.action == "remove":
            replay.remove_point(row)
    found = replay.build()
    points = _points(found, [row for row in rows if row.what == "point"], replay.outcomes)
    changed = with_players(
        sheet, [row for row in rows if row.what == "players"], replay.outcomes
    )
    return Restated(found, points, changed, replay.outcomes, replay.strokes)


class _Replay:
    """Strokes while corrections are applied to them, one after the other."""

    def __init__(self, events: Contacts, arcs: Mapping[int, Arc]) -> None:
        self.events, self.arcs = events, arcs
        self.strokes = [
            Known(stroke.hit, stroke.hit, [(stroke.hit.t_s, stroke.hit.side)])
            for rally in rallies(events, arcs)
            for stroke in rally.strokes
        ]
        self.outcomes: list[Outcome] = []
        self.last: dict[tuple[int, str], Outcome] = {}

    def _find(self, row: Correction, live: bool = False) -> int | str:
        keys = [[] if live and stroke.removed else stroke.keys for stroke in self.strokes]
        found = stroke_at(keys, row.t_s, str(row.side))
        hitter = row.values.get("hitter")
        if isinstance(found, str) and hitter is not None and found.startswith("no "):
            # The machine may by now say of the hitter what the correction says.
            again = stroke_at(keys, row.t_s, str(hitter))
            return found if isinstance(again, str) else again
        return found

    def _note(self, row: Correction, number: int, cell: str | None, value: Value = None) -> Outcome:
        """Note that a correction holds, and that it takes the place of an earlier one."""
        outcome = Outcome(row, cell, value, stroke=number)
        key = (number, cell or row.action)
        if cell or row.action != "right":
            if key in self.last:
                self.last[key].status = REPLACED
            self.last[key] = outcome
        self.outcomes.append(outcome)
        return outcome

    def _unfit(self, row: Correction, reason: str) -> None:
        cells = list(row.values) or [None]  # type: ignore[list-item]
        for cell in cells:
            self.outcomes.append(Outcome(
                row, cell, row.values.get(cell) if cell else None, UNFIT, reason))  # fmt: skip

    def shot(self, row: Correction) -> None:
        """Apply a correction of a stroke."""
        if row.action == "add":
            self._add(row)
            return
        found = self._find(row)
        if isinstance(found, str):
            if row.action == "remove" and found.startswith("no "):
                self.outcomes.append(Outcome(row, status=AGREES))
            else:
                self._unfit(row, found)
            return
        stroke = self.strokes[found]
        if row.action == "right":
            self._note(row, found, None)
        elif row.action == "remove":
            self._remove(row, found)
        elif stroke.removed:
            self._unfit(row, "an earlier correction removed the stroke")
        else:
            self._change(row, found)

    def _remove(self, row: Correction, number: int) -> None:
        self.strokes[number].removed = True
        for (other, _), outcome in self.last.items():
            if other == number:
                outcome.status = REPLACED
        self._note(row, number, None)

    def _add(self, row: Correction) -> None:
        side = str(row.side)
        found = self._find(row, live=True)
        if isinstance(found, str) and not found.startswith("no "):
            self._unfit(row, found)
            return
        if isinstance(found, str):
            found = self._brought_back(row) or self._put_in(row.t_s, side)
        self._note(row, found, None)
        self._change(replace(row, values={
            name: value for name, value in row.values.items() if name != "hitter"}), found)

    def _brought_back(self, row: Correction) -> int | None:
        for number, stroke in enumerate(self.strokes):
            if stroke.removed and any(
                side == row.side and abs(at - row.t_s) <= BRING_BACK_S for at, side in stroke.keys
            ):
                stroke.removed = False
                if removal := self.last.pop((number, "remove"), None):
                    removal.status = REPLACED
                return number
        return None

    def _put_in(self, t_s: float, side: str) -> int:
        hit = Event(t_s, "hit", side, *(NAN,) * 6, STATED_SD_S, None, None, 1.0, by_hand=True)
        self.strokes.append(Known(None, hit, [(t_s, side)]))
        return len(self.strokes) - 1

    def _change(self, row: Correction, number: int) -> None:
        stroke = self.strokes[number]
        for cell, value in row.values.items():
            stroke.stated[cell] = value
            self._note(row, number, cell, value)
        stroke.hit = restated_hit(stroke)
        key = (stroke.hit.t_s, stroke.hit.side)
        if key not in stroke.keys:
            stroke.keys.append(key)

    def remove_point(self, row: Correction) -> None:
        """Take away all strokes of a point."""
        found = self.build()
        number = point_at([span_of(rally) for rally in found], row.t_s)
        if isinstance(number, str):
            self.outcomes.append(Outcome(row, status=AGREES))
            return
        hits = {(stroke.hit.t_s, stroke.hit.side) for stroke in found[number].strokes}
        for place, stroke in enumerate(self.strokes):
            if not stroke.removed and (stroke.hit.t_s, stroke.hit.side) in hits:
                self._remove(row, place)

    def build(self) -> list[Rally]:
        """Rallies of the strokes as they are now."""
        if not any(stroke.touched or stroke.removed for stroke in self.strokes):
            return rallies(self.events, self.arcs)
        by_event = {id(stroke.machine): stroke for stroke in self.strokes if stroke.machine}
        gone = [stroke.hit for stroke in self.strokes if stroke.removed]
        contacts: Contacts = []
        for rally_id, event in self.events:
            known = by_event.get(id(event))
            if known is not None:
                if not known.removed:
                    contacts.append((rally_id, known.hit))
            elif not doubles(event, gone):
                contacts.append((rally_id, event))
        for stroke in self.strokes:
            if stroke.machine is None and not stroke.removed:
                contacts.append((rally_near(self.events, stroke.hit.t_s), stroke.hit))
        contacts.sort(key=lambda pair: pair[1].t_s)
        for number, stroke in enumerate(self.strokes):
            if stroke.removed or not stroke.stated.keys() & BOUNCED.keys():
                continue
            if not restate_bounce(contacts, stroke):
                for cell in BOUNCED:
                    if outcome := self.last.get((number, cell)):
                        outcome.status, outcome.reason = UNFIT, NO_BOUNCE
        return rallies(contacts, self.arcs)


def span_of(rally: Rally) -> tuple[float, float]:
    """First and last contact of a rally, in seconds."""
    last = rally.strokes[-1]
    return rally.strokes[0].hit.t_s, max([last.hit.t_s, *(event.t_s for event in last.events)])


def _points(
    found: Sequence[Rally], rows: Sequence[Correction], outcomes: list[Outcome]
) -> dict[int, dict[str, Value]]:
    """What was stated of points, by ``point_id``."""
    stated: dict[int, dict[str, Value]] = {}
    last: dict[tuple[int, str], Outcome] = {}
    spans = [span_of(rally) for rally in found]
    for row in rows:
        if row.action == "remove":
            continue
        number = point_at(spans, row.t_s)
        if isinstance(number, str):
            outcomes += [Outcome(row, cell, value, UNFIT, number)
                         for cell, value in row.values.items()] or [
                             Outcome(row, status=UNFIT, reason=number)]  # fmt: skip
            continue
        point_id = found[number].point_id
        if row.action == "right":
            outcomes.append(Outcome(row, point_id=point_id))
        for cell, value in row.values.items():
            outcome = Outcome(row, cell, value, point_id=point_id)
            outcomes.append(outcome)
            if cell == "score" and value is not None and (reason := _no_score(str(value))):
                outcome.status, outcome.reason = UNFIT, reason
                continue
            if (point_id, cell) in last:
                last[point_id, cell].status = REPLACED
            last[point_id, cell] = outcome
            stated.setdefault(point_id, {})[cell] = value
    return stated


def _no_score(text: str) -> str:
    try:
        parse(text, "near")
    except InputError as error:
        return f"{text!r} is no score: {error.remedy}"
    return ""


def with_players(
    sheet: Mapping[str, Any], rows: Sequence[Correction], outcomes: list[Outcome]
) -> Mapping[str, Any]:
    """The match sheet with ``changes``, see :func:`rallymill.stages.shots_people.player_of`."""
    if not rows:
        return sheet
    known = [player_of(side, 0.0, sheet) for side in OTHER]
    said: dict[float, dict[str, str]] = {}
    holds: dict[tuple[float, str], Outcome] = {}
    for row in rows:
        at = next((old for old in said if abs(old - row.t_s) < 0.5), row.t_s)
        for side, code in row.values.items():
            if (at, side) in holds:
                holds[at, side].status = REPLACED
            outcome = Outcome(row, side, code)
            holds[at, side] = outcome
            outcomes.append(outcome)
            said.setdefault(at, {})[side] = str(code)
    changes = []
    now = dict(zip(OTHER, known, strict=True))
    for at in sorted(said):
        given = said[at]
        for side, other in OTHER.items():
            if side in given and other not in given and now[other] == given[side]:
                # One of the two who play is said to be here, so the other one is there.
                given[other] = now[side]
        now = {**now, **given}
        changes.append({"from_s": at, **now})
    return {**sheet, "changes": changes}
