"""From events and arcs to rallies: which contact is a stroke, what came before and after it.

A rally here is one attempt to play a point; a faulted first serve is a rally of its own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import pyarrow as pa

from rallymill import court

NAN = float("nan")
DOUBLED_HIT_S = 0.35
"""Two hits of one side closer than this are one; no reply takes less (common practice, no source).
"""
LONGEST_GAP_S = 4.0
"""No flight in play lasts longer: a lob of 8 m takes 2.6 s and as much again after the bounce."""
CLEAR_M = 0.04
"""Least standard deviation of a bounce when a ball is to be called clearly out."""
SERVE_HEIGHT_M = 1.9
"""A serve is met at 1.5 times stature (Mendes 2013), 2.2 m for a short player; less leaves room for
measurement."""
SERVE_DEPTH_M = court.HALF_LENGTH_M - 1.0
"""A server stands behind the baseline and leans into the court by less than this."""


NOTHING_STATED: Mapping[str, Any] = {}


@dataclass(frozen=True)
class Event:
    """A row of the events table; numbers that were not measured are NaN.

    ``stated`` holds what a person said of a hit, by columns of the shots table; a hit ``by_hand``
    was put in or spoken of by a person, so that no rule leaves it out.
    """

    t_s: float
    kind: str
    side: str
    x_m: float
    y_m: float
    z_m: float
    x_m_sd: float
    y_m_sd: float
    z_m_sd: float
    t_s_sd: float
    arc_before: int | None
    arc_after: int | None
    confidence: float
    stated: Mapping[str, Any] = field(default_factory=lambda: NOTHING_STATED, compare=False)
    by_hand: bool = False


@dataclass(frozen=True)
class Arc:
    """A row of the arcs table; numbers that were not measured are NaN."""

    arc_id: int
    start_s: float
    end_s: float
    end_kind: str
    start: tuple[float, float, float, float, float, float]
    start_sd: tuple[float, float, float, float, float, float]
    spin_radps: tuple[float, float]
    spin_known: bool
    topspin_sd: float
    end_m: tuple[float, float, float]
    end_sd_m: tuple[float, float, float]
    confidence: float


@dataclass
class Stroke:
    """A hit with what belongs to it: flights before and after, and the events until the next hit.

    ``number`` counts strokes of the rally with the serve as 1; a stroke that must have happened
    unseen is counted but has no Stroke.
    """

    hit: Event
    number: int
    before: Arc | None
    after: Arc | None
    events: list[Event] = field(default_factory=list)

    @property
    def sign(self) -> float:
        """+1 for a stroke from the near side, -1 from the far side: turns y toward the opponent."""
        return 1.0 if self.hit.side == "near" else -1.0

    @property
    def bounce(self) -> Event | None:
        """First bounce after the stroke on the opponent's side, None if there is none."""
        for event in self.events:
            if event.kind == "bounce":
                return event if event.y_m * self.sign > 0 else None
        return None

    @property
    def own_bounce(self) -> Event | None:
        """First bounce after the stroke where it fell on the hitter's own side."""
        for event in self.events:
            if event.kind == "bounce":
                return event if event.y_m * self.sign <= 0 else None
        return None

    @property
    def net(self) -> Event | None:
        """Contact with the net before any bounce."""
        for event in self.events:
            if event.kind == "bounce":
                return None
            if event.kind == "net":
                return event
        return None


@dataclass
class Rally:
    """One attempt to play a point.

    ``starts_with_serve``: the first stroke seen is the serve. ``starts_with_return``: the serve was
    not seen, but its bounce in the box before the first stroke was. With neither the recording came
    in somewhere in the rally, and the first stroke is numbered 2 for want of better.
    """

    point_id: int
    strokes: list[Stroke]
    starts_with_serve: bool
    starts_with_return: bool


def number(row: Mapping[str, Any], name: str) -> float:
    """Value of a column, NaN for a null."""
    value = row[name]
    return NAN if value is None else float(value)


def read_events(table: pa.Table) -> list[tuple[int, Event]]:
    """Rally number and event of each row, in time order."""
    found = []
    for row in table.to_pylist():
        y = number(row, "y_m")
        side = row["side"] or (court.side_of(y) if y == y else "")
        found.append((row["rally_id"], Event(
            row["t_s"], row["kind"], side, number(row, "x_m"), y, number(row, "z_m"),
            number(row, "x_m_sd"), number(row, "y_m_sd"), number(row, "z_m_sd"),
            number(row, "t_s_sd"), row["arc_before"], row["arc_after"],
            1.0 if row["confidence"] is None else row["confidence"],
        )))
    return sorted(found, key=lambda pair: pair[1].t_s)


def read_arcs(table: pa.Table) -> dict[int, Arc]:
    """Arcs by their number."""
    state = ("x_m", "y_m", "z_m", "vx_mps", "vy_mps", "vz_mps")
    found = {}
    for row in table.to_pylist():
        start = tuple(number(row, name) for name in state)
        start_sd = tuple(number(row, f"{name}_sd") for name in state)
        spin = [row["topspin_radps"], row["sidespin_radps"]]
        found[row["arc_id"]] = Arc(
            row["arc_id"], row["start_s"], row["end_s"], row["end_kind"],
            start, start_sd,  # type: ignore[arg-type]
            (float(spin[0] or 0.0), float(spin[1] or 0.0)),
            spin[0] is not None, number(row, "topspin_radps_sd"),
            (number(row, "end_x_m"), number(row, "end_y_m"), number(row, "end_z_m")),
            (number(row, "end_x_m_sd"), number(row, "end_y_m_sd"), number(row, "end_z_m_sd")),
            1.0 if row["confidence"] is None else row["confidence"],
        )
    return found


def looks_like_serve(hit: Event) -> bool:
    """Whether a hit is high and from the baseline, as far as both were measured.

    What a person said of the stroke goes before.
    """
    if hit.stated.get("stroke", "unknown") != "unknown":
        return bool(hit.stated["stroke"] == "serve")
    high = not hit.z_m < SERVE_HEIGHT_M
    back = not abs(hit.y_m) < SERVE_DEPTH_M
    return high and back


def group(events: Sequence[tuple[int, Event]]) -> list[list[Event]]:
    """Events of each rally: by rally number, cut at long gaps and at a second serve."""
    groups: list[list[Event]] = []
    rally_now: int | None = None
    last_hit: Event | None = None
    for rally_id, event in events:
        same = (
            bool(groups) and rally_id == rally_now and event.t_s - groups[-1][-1].t_s
            <= LONGEST_GAP_S
        )
        again = event.kind == "hit" and last_hit is not None and (
            event.stated.get("stroke") == "serve"
            or (
                last_hit.side == event.side and event.t_s - last_hit.t_s > DOUBLED_HIT_S
                and looks_like_serve(event) and looks_like_serve(last_hit)
            )
        )
        if not same or again:
            groups.append([])
            last_hit = None
        rally_now = rally_id
        groups[-1].append(event)
        if event.kind == "hit":
            last_hit = event
    return groups


def _without_doubles(events: list[Event]) -> list[Event]:
    """Events less the weaker of two hits of one side that lie closer than a reply could."""
    kept: list[Event] = []
    for event in events:
        hits = [k for k, before in enumerate(kept) if before.kind == "hit"]
        if event.kind == "hit" and hits:
            before = kept[hits[-1]]
            close = before.side == event.side and event.t_s - before.t_s < DOUBLED_HIT_S
            if close and not (before.by_hand and event.by_hand):
                if (event.by_hand, event.confidence) > (before.by_hand, before.confidence):
                    kept[hits[-1]] = event
                continue
        kept.append(event)
    return kept


def _serve_came_before(events: list[Event], hit_at: int) -> bool:
    """Whether a serve was struck unseen before the first hit: its bounce in the hitter's box is.

    ``hit_at`` is the place of the first hit among the events.
    """
    hit = events[hit_at]
    if hit.stated.get("stroke", "unknown") != "unknown":
        return bool(hit.stated["stroke"] == "return")
    for event in events[:hit_at]:
        if event.kind == "bounce" and event.side == hit.side:
            return abs(event.y_m) <= court.SERVICE_LINE_M + 0.5
    return False


def _clearly_out(stroke: Stroke, is_serve: bool) -> bool:
    """Whether a stroke's bounce lies beyond a line by more than 2.5 standard deviations."""
    bounce = stroke.bounce
    if stroke.hit.stated.get("in_court") is not None:
        return not stroke.hit.stated["in_court"]
    if bounce is None or bounce.x_m != bounce.x_m:
        return False
    limit = court.SERVICE_LINE_M if is_serve else court.HALF_LENGTH_M
    beyond = (
        (abs(bounce.x_m) - court.HALF_SINGLES_M - court.BALL_RADIUS_M, bounce.x_m_sd),
        (abs(bounce.y_m) - limit - court.BALL_RADIUS_M, bounce.y_m_sd),
    )
    return any(
        way > 2.5 * max(deviation if deviation == deviation else 0.1, CLEAR_M)
        for way, deviation in beyond
    )


def _without_dead_ball(strokes: list[Stroke], starts_with_serve: bool) -> list[Stroke]:
    """Strokes less a last one that met a ball already out: it was stopped, not played."""
    if len(strokes) < 2 or strokes[-1].hit.by_hand:
        return strokes
    before = strokes[-2]
    played_serve = starts_with_serve and len(strokes) == 2
    return strokes[:-1] if _clearly_out(before, played_serve) else strokes


def rallies(events: Sequence[tuple[int, Event]], arcs: Mapping[int, Arc]) -> list[Rally]:
    """Rallies in time order, each with its strokes; groups without a hit are left out."""
    found: list[Rally] = []
    for members in group(events):
        members = _without_doubles(members)
        hits = [k for k, event in enumerate(members) if event.kind == "hit" and event.side]
        if not hits:
            continue
        first = members[hits[0]]
        serve_before = _serve_came_before(members, hits[0])
        unseen_serve = not looks_like_serve(first) or serve_before
        count = 1 if unseen_serve else 0
        strokes: list[Stroke] = []
        for k, at in enumerate(hits):
            hit = members[at]
            end = hits[k + 1] if k + 1 < len(hits) else len(members)
            count += 1
            if strokes and strokes[-1].hit.side == hit.side:
                count += 1  # The opponent's stroke between the two was not seen.
            strokes.append(Stroke(
                hit, count,
                arcs.get(hit.arc_before) if hit.arc_before is not None else None,
                arcs.get(hit.arc_after) if hit.arc_after is not None else None,
                members[at + 1:end],
            ))
        strokes = _without_dead_ball(strokes, not unseen_serve)
        found.append(Rally(len(found), strokes, not unseen_serve, serve_before))
    return found
