"""Figures of the match page: shares with intervals, and what the maps show, in words."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from rallymill import court, intervals
from rallymill.report import courtmaps, words
from rallymill.report.content import Match, Player, Row

RECOVERED_M = 1.0
BINS_M = np.arange(-3.0, 3.01, 0.5)
LONGEST_SHOWN = 16
GROUPS = (("1 to 4", 1, 4), ("5 to 8", 5, 8), ("9 and more", 9, 10_000))
ZONES = ("wide", "body", "t")
HALVES = ("deuce", "ad")


@dataclass(frozen=True)
class Share:
    """``part`` of ``whole`` with its 95 % interval."""

    part: int
    whole: int

    @property
    def text(self) -> str:
        """``34 % (26 to 43)``; a dash without trials."""
        if not self.whole:
            return words.DASH
        low, high = (float(end) for end in intervals.wilson(self.part, self.whole))
        return (
            f"{words.percent(self.part / self.whole)} "
            f"({words.number(100 * low, 0)} to {words.number(100 * high, 0)})"
        )

    @property
    def said(self) -> str:
        """The share in words: ``12 of 35, 34 % (20 to 51)``."""
        return f"{self.part} of {self.whole}, {self.text}" if self.whole else "none measured"


def share(flags: Iterable[bool]) -> Share:
    """Share of what is true."""
    held = list(flags)
    return Share(sum(held), len(held))


@dataclass(frozen=True)
class Zone:
    """A line of the table of serves: where to, how often, how often in, how often won."""

    half: str
    zone: str
    serves: int
    went_in: Share
    won: Share


@dataclass(frozen=True)
class Unit:
    """A unit of a plot of units, with what the filters ask for."""

    slot: str
    player: str | None
    stroke: str | None
    point: int
    tip: str


@dataclass(frozen=True)
class Column:
    """A column of units and the label under it."""

    label: str
    units: tuple[Unit, ...]
    wide: bool = False


@dataclass(frozen=True)
class OfPlayer:
    """What the page shows of one player: maps with their words, and tables."""

    player: Player
    serve_map: Markup | None
    serve_said: str
    zones: tuple[Zone, ...]
    return_map: Markup | None
    return_said: str
    stand_map: Markup | None
    stand_said: str
    recovery: tuple[Column, ...]
    recovery_said: str
    land_map: Markup | None
    land_said: str
    won_by_length: tuple[tuple[str, Share], ...]


def _serves(match: Match, player: Player) -> list[tuple[Row, Row]]:
    endings = {row["point_id"]: row for row in match.points}
    return [
        (shot, endings[shot["point_id"]]) for shot in match.shots
        if shot["player"] == player.code and shot["stroke"] == "serve"
        and shot["point_id"] in endings
    ]


def _in(shot: Row, point: Row) -> bool | None:
    """Whether a serve was in; None where it is not known, or a let."""
    if point["ended_by"] == "let":
        return None
    if point["ended_by"] in ("fault", "double_fault"):
        return False
    known: bool | None = shot["in_court"]
    return True if known is None and point["n_shots"] > 1 else known


def zones(match: Match, player: Player) -> tuple[Zone, ...]:
    """Table of serves by half and direction."""
    found = []
    for half in HALVES:
        for zone in ZONES:
            rows = [
                (shot, point) for shot, point in _serves(match, player)
                if shot["direction"] == zone and point["serve_side"] == half
            ]
            known = [inside for row in rows if (inside := _in(*row)) is not None]
            won = [
                point["won_by_player"] == player.code for _, point in rows
                if point["won_by_player"] is not None
            ]
            if rows:
                found.append(Zone(half, zone, len(rows), share(known), share(won)))
    return tuple(found)


def serve_words(match: Match, player: Player) -> str:
    """What the map of serves shows."""
    rows = _serves(match, player)
    if not rows:
        return "No serves were read."
    firsts = [_in(*row) for row in rows if row[1]["serve_number"] == 1]
    inside = share(known for known in firsts if known is not None)
    won = share(
        point["won_by_player"] == player.code for _, point in rows
        if point["won_by_player"] is not None
    )
    speeds = [shot["speed_mps"] for shot, _ in rows if not words.is_missing(shot["speed_mps"])]
    pace = f" Median pace {words.speed(float(np.median(speeds)))}." if speeds else ""
    unseen = sum(words.is_missing(shot["bounce_y_m"]) for shot, _ in rows)
    rest = f" {words.count(unseen, 'serve has', 'serves have')} no bounce on the map." \
        if unseen else ""
    return (
        f"{words.count(len(rows), 'serve')}. First serves in: {inside.said}. "
        f"Points won on serve: {won.said}.{pace}{rest}"
    )


def return_words(match: Match, player: Player) -> str:
    """What the map of returns shows."""
    rows = [
        shot for shot in match.shots
        if shot["player"] == player.code and shot["stroke"] == "return"
    ]
    if not rows:
        return "No returns were read."
    inside = share(bool(shot["in_court"]) for shot in rows if shot["in_court"] is not None)
    deep = share(shot["depth"] == "deep" for shot in rows if shot["in_court"])
    depth = [
        -place[1] - court.HALF_LENGTH_M for shot in rows
        if (place := courtmaps.own_place(shot, "contact", shot["hitter"]))
    ]
    where = ""
    if depth:
        middle = float(np.median(depth))
        word = "behind" if middle >= 0 else "inside"
        where = f" Met {words.number(abs(middle), 1, 'm')} {word} the baseline (median)."
    return (
        f"{words.count(len(rows), 'return')}. In: {inside.said}. Deep, of those in: {deep.said}."
        f"{where}"
    )


def stand_words(match: Match, player: Player) -> str:
    """What the map of places shows."""
    depth = []
    for shot in match.shots:
        side = "far" if shot["hitter"] == "near" else "near"
        if shot["opponent"] == player.code and shot["stroke"] != "serve" and (
            place := courtmaps.own_place(shot, "opponent", side)
        ):
            depth.append(-place[1] - court.HALF_LENGTH_M)
    if not depth:
        return "Not measured."
    inside = share(value < 0 for value in depth)
    middle = float(np.median(depth))
    word = "behind" if middle >= 0 else "inside"
    return (
        f"When the opponent strikes in a rally, {player.short} stands "
        f"{words.number(abs(middle), 1, 'm')} {word} the baseline (median of {len(depth)}); inside "
        f"it {inside.text} of the time."
    )


def errors(match: Match, player: Player) -> list[tuple[Row, float]]:
    """Strokes with the distance from the recovery position, positive to the player's own right."""
    return [
        (shot, float(shot["recovery_error_m"]) * (1.0 if shot["hitter"] == "near" else -1.0))
        for shot in match.shots
        if shot["player"] == player.code and not words.is_missing(shot["recovery_error_m"])
    ]


def recovery(match: Match, player: Player) -> tuple[Column, ...]:
    """Columns of strokes by the distance from the recovery position."""
    columns: list[list[Unit]] = [[] for _ in range(len(BINS_M) + 1)]
    for shot, off in errors(match, player):
        played = match.played_by_row.get(shot["point_id"])
        columns[int(np.searchsorted(BINS_M, off))].append(Unit(
            player.slot, player.code, shot["stroke"], played.number if played else 0,
            f"{words.clock(shot['t_contact_s'])}: {words.number(abs(off), 1, 'm')} "
            f"{'right' if off > 0 else 'left'}",
        ))
    labels = [""]
    labels += [words.number(low, 0) if low == round(low) else "" for low in BINS_M[:-1]]
    labels.append("")
    return tuple(
        Column(label, tuple(units)) for label, units in zip(labels, columns, strict=True)
    )


def recovery_words(match: Match, player: Player) -> str:
    """How near to the recovery position a player is."""
    found = [off for _, off in errors(match, player)]
    if not found:
        return "The distance from the recovery position was never measured."
    near = share(abs(off) <= RECOVERED_M for off in found)
    return (
        f"Within {RECOVERED_M:g} m of the recovery position when the opponent strikes: "
        f"{near.said}. "
        f"Median distance {words.number(float(np.median(np.abs(found))), 1, 'm')}."
    )


def land_words(match: Match, player: Player) -> str:
    """How deep a player's rally balls come down."""
    depths = [
        shot["depth"] for shot in match.shots
        if shot["player"] == player.code and shot["stroke"] in courtmaps.RALLY
        and shot["depth"] != "unknown" and shot["in_court"]
    ]
    if not depths:
        return "No depth was measured."
    parts = [f"{name} {share(d == name for d in depths).text}" for name in
             ("deep", "middle", "short")]
    return f"Of {words.count(len(depths), 'rally ball')} in: {', '.join(parts)}."


def lengths(match: Match) -> tuple[Column, ...]:
    """Columns of points by number of strokes, marked by who won them."""
    most = min(max((p.row["n_shots"] for p in match.played), default=0), LONGEST_SHOWN)
    columns: list[list[Unit]] = [[] for _ in range(most)]
    for point in match.played:
        n = min(max(point.row["n_shots"], 1), most)
        winner = point.row["won_by_player"]
        slot = match.slot_of.get(winner, "none") if winner else "none"
        name = match.name_of(winner) if winner else "winner not known"
        columns[n - 1].append(Unit(
            slot, winner, None, point.number,
            f"point {point.number}: {words.count(point.row['n_shots'], 'stroke')}, {name}",
        ))
    order = {"a": 0, "b": 1}
    return tuple(
        Column(f"{n}+" if n == LONGEST_SHOWN else str(n),
               tuple(sorted(units, key=lambda unit: order.get(unit.slot, 2))))
        for n, units in enumerate(columns, 1)
    )


def length_words(match: Match) -> str:
    """How long the rallies are."""
    counts: Sequence[int] = [point.row["n_shots"] for point in match.played]
    if not counts:
        return "No points were read."
    return (
        f"Half of {words.count(len(counts), 'point')} were over within "
        f"{words.count(int(np.median(counts)), 'stroke')}; the longest had {max(counts)}."
    )


def won_by_length(match: Match, player: Player) -> tuple[tuple[str, Share], ...]:
    """Points won by length of the rally."""
    return tuple(
        (name, share(
            point.row["won_by_player"] == player.code for point in match.played
            if low <= point.row["n_shots"] <= high and point.row["won_by_player"] is not None
        ))
        for name, low, high in GROUPS
    )


def of_players(match: Match) -> list[OfPlayer]:
    """Maps and tables of each player."""
    found = []
    for player in match.players:
        said = {
            "serve": serve_words(match, player), "return": return_words(match, player),
            "stand": stand_words(match, player), "land": land_words(match, player),
        }
        found.append(OfPlayer(
            player, courtmaps.serves(match, player, said["serve"]), said["serve"],
            zones(match, player), courtmaps.returns(match, player, said["return"]), said["return"],
            courtmaps.stands(match, player, said["stand"]), said["stand"],
            recovery(match, player), recovery_words(match, player),
            courtmaps.landings(match, player, said["land"]), said["land"],
            won_by_length(match, player),
        ))
    return found
