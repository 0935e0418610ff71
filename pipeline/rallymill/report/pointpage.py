"""The page of a point: the drawing with every moment of contact, its strokes, and its film."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from rallymill.report import moment as moments
from rallymill.report import momentsvg, motion, scene, svg, whatif, words, wrongs
from rallymill.report.content import OTHER, Match, Played, Row
from rallymill.report.films import Film, Films
from rallymill.report.moment import Moment
from rallymill.report.svg import Layout, element

BEFORE_S, AFTER_S = 1.0, 1.0


@dataclass(frozen=True)
class Look:
    """A flag at its stroke: its letter in the drawing and the player concerned."""

    row: Row
    letter: str
    name: str
    slot: str
    film: Film | None


@dataclass(frozen=True)
class Stroke:
    """A stroke of the point: its words, its moment in words, and its flags."""

    row: Row
    name: str
    slot: str
    what: str
    numbers: tuple[str, ...]
    moment: str
    looks: tuple[Look, ...]
    wrong: str
    options: tuple[whatif.Option, ...]


@dataclass(frozen=True)
class PointPage:
    """All that the template shows of a point."""

    point: Played
    title: str
    outcome: str
    sure: str
    facts: tuple[str, ...]
    before: tuple[str, ...]
    strokes: tuple[Stroke, ...]
    loose: tuple[Look, ...]
    drawing: Markup
    film: Film | None
    data: str
    wrong: str

    @property
    def file(self) -> str:
        """Name of the page."""
        return f"{self.point.number:03d}.html"

    @property
    def has_options(self) -> bool:
        """Whether anything is known of what else might have been played."""
        return any(option.letter for stroke in self.strokes for option in stroke.options)

    @property
    def looks(self) -> list[Look]:
        """All flags of the point."""
        return [*(look for stroke in self.strokes for look in stroke.looks), *self.loose]


def outcome(match: Match, point: Row) -> str:
    """How a point ended, in words."""
    ended = words.label(point["ended_by"], words.ENDINGS)
    if point["won_by"] is None:
        return f"{ended}; winner of the point not known" if ended != "fault" else ended
    return f"{ended}; won by {match.name_of(point['won_by_player'], point['won_by'])}"


def what_of(shot: Row) -> str:
    """Stroke and direction in words, with how sure the direction is."""
    direction = words.label(shot["direction"], words.DIRECTIONS | {"unknown": "direction unknown"})
    return f"{words.stroke(shot)}, {direction}"


def numbers_of(shot: Row) -> tuple[str, ...]:
    """What was measured of a stroke, each with its standard deviation."""
    found = []
    if not words.is_missing(shot["speed_mps"]):
        found.append(words.speed(shot["speed_mps"], shot["speed_mps_sd"]))
    if not words.is_missing(shot["net_clearance_m"]):
        over = words.measured(shot["net_clearance_m"], shot["net_clearance_m_sd"], 2, "m")
        found.append(f"{over} over the net")
    bounce = words.bounce(shot)
    found.append("bounce not measured" if bounce == words.UNKNOWN else f"bounce {bounce}")
    if not words.is_missing(shot["contact_z_m"]):
        height = words.measured(shot["contact_z_m"], shot["contact_z_m_sd"], 2, "m")
        found.append(f"met at {height}")
    for column, name in (("direction", "direction"), ("stroke", "stroke")):
        value = shot[f"{column}_confidence"]
        if shot[column] != "unknown" and not words.is_missing(value) and value < 0.9:
            found.append(f"{name} {words.sure(value)}")
    return tuple(found)


def sentence_of_shot(match: Match, shot: Row) -> str:
    """A stroke in words, for those who cannot see the drawing."""
    parts = [
        f"Stroke {shot['shot_number']}: {match.name_of(shot['player'], shot['hitter'])}",
        what_of(shot), *numbers_of(shot),
    ]
    return ", ".join(parts)


def _described(
    match: Match, shots: Sequence[Row], found: dict[int, Moment], said: str
) -> str:
    parts = []
    for shot in shots:
        moment = found.get(int(shot["shot_id"]))
        told = f"; at the contact {', '.join(moments.words_of(moment))}" if moment else ""
        parts.append(f"{sentence_of_shot(match, shot)}{told}")
    return ". ".join([*parts, f"Ended by: {said}."])


def build(match: Match, played: Played, films: Films, ways: motion.Ways) -> PointPage:
    """The page of a point played."""
    row = played.row
    shots = match.shots_of(row["point_id"])
    flags = [flag for one in played.rows for flag in match.flags_of(one["point_id"])]
    letters = scene.letters(len(flags))
    looks = [
        Look(
            flag, letter, match.name_of(flag["player"], flag["side"]),
            scene.slot(match.slot_of, flag["player"], flag["side"] or "near"),
            films.of_flag(flag),
        )
        for flag, letter in zip(flags, letters, strict=True)
    ]
    said = outcome(match, row)
    found = {
        int(shot["shot_id"]): moment for shot in shots if (moment := moments.build(shot))
    }
    arcs = match.arcs_between(float(row["start_s"]) - 1.0, float(row["end_s"]) + 1.0)
    drawn = scene.build(shots, flags, arcs, match.slot_of, float(row["end_s"]))
    layout = Layout(drawn)
    under = [
        element("defs", momentsvg.hatching()),
        *(momentsvg.draw(layout, moment) for moment in found.values()),
    ]
    strokes = tuple(_stroke(match, shot, looks, found) for shot in shots)
    drawing = svg.draw(
        drawn, "drawing", f"Plan and profile of point {played.number}, "
        f"{words.count(len(shots), 'stroke')}", _described(match, shots, found, said),
        under, [
            *(whatif.draw(layout, one.row, one.options) for one in strokes if one.options),
            _live(match, row),
        ],
    )
    film = films.of_point(played.number, float(row["start_s"]), float(row["end_s"]))
    shown = {int(shot["shot_id"]) for shot in shots}
    return PointPage(
        played, f"Point {played.number}", said, _sure(row), _facts(match, row),
        tuple(_attempt(match, one) for one in played.before),
        strokes, tuple(look for look in looks if look.row["shot_id"] not in shown),
        drawing, film, _data(layout, row, shots, film, ways),
        as_json(wrongs.of_point(row, f"point {played.number}, {said}")),
    )


def as_json(content: Any) -> str:
    """JSON that may stand in a page."""
    return json.dumps(content, ensure_ascii=False, separators=(",", ":"))


def _live(match: Match, row: Row) -> Markup:
    """Marks that move with the film: both players and the ball; the script shows them."""
    slots = {side: match.slot_of[side] for side in OTHER}
    for shot in match.shots_of(row["point_id"]):
        slots[shot["hitter"]] = match.slot(shot)
        slots[OTHER[shot["hitter"]]] = "b" if match.slot(shot) == "a" else "a"
    parts = []
    for side, slot in slots.items():
        kind = f"live-man {slot}"
        parts.append(
            element("circle", r=7.5, class_=kind, data_side=side) if slot == "a" else
            element("rect", x=-7.0, y=-7.0, width=14.0, height=14.0, class_=kind, data_side=side)
        )
    parts.append(element("circle", r=4.5, class_="live-ball"))
    return element(
        "g", Markup("").join(parts), class_="live", visibility="hidden", aria_hidden="true"
    )


def _sure(row: Row) -> str:
    value = row["ended_by_confidence"]
    if row["ended_by"] == "unknown" or words.is_missing(value) or value >= 0.9:
        return ""
    return f"the ending is {words.sure(value)}"


def _facts(match: Match, row: Row) -> tuple[str, ...]:
    facts = []
    if row["score"]:
        facts.append(f"at {row['score']}")
    if row["server"]:
        number = {1: "first serve", 2: "second serve"}.get(row["serve_number"])
        half = f"from the {row['serve_side']} half" if row["serve_side"] else ""
        name = match.name_of(row["server_player"], row["server"])
        facts.append(" ".join(filter(None, [f"{name} serves", half])))
        if number:
            facts.append(number)
    else:
        facts.append("server not known")
    facts.append(words.count(row["n_shots"], "stroke"))
    facts.append(words.duration(row["end_s"] - row["start_s"]))
    facts.append(f"{words.clock(row['start_s'])} in the recording")
    return tuple(facts)


def _attempt(match: Match, row: Row) -> str:
    """A fault or let before the point, in words."""
    shots = match.shots_of(row["point_id"])
    told = f": {', '.join(numbers_of(shots[0]))}" if shots else ""
    name = {1: "First serve", 2: "Second serve"}.get(row["serve_number"], "Serve")
    return f"{name} at {words.clock(row['start_s'])}, {row['ended_by']}{told}"


def _stroke(
    match: Match, shot: Row, looks: list[Look], found: dict[int, Moment]
) -> Stroke:
    name = match.short_name_of(shot["player"], shot["hitter"])
    moment = found.get(int(shot["shot_id"]))
    other = match.short_name_of(shot["opponent"], OTHER[shot["hitter"]])
    told = ""
    if moment is not None:
        told = "; ".join(moments.words_of(moment)).replace("the player who waits", other)
        told = told[:1].upper() + told[1:] + "."
    what = what_of(shot)
    return Stroke(
        shot, name, match.slot(shot), what, numbers_of(shot), told,
        tuple(look for look in looks if look.row["shot_id"] == shot["shot_id"]),
        as_json(wrongs.of_shot(shot, f"stroke {shot['shot_number']}, {name}, {what}")),
        tuple(whatif.options(match.alternatives_of(shot["shot_id"]))),
    )


def _data(
    layout: Layout, row: Row, shots: Sequence[Row], film: Film | None, ways: motion.Ways
) -> str:
    """What the script needs to step through the point, as JSON that may stand in a script."""
    start, end = float(row["start_s"]) - BEFORE_S, float(row["end_s"]) + AFTER_S
    content = {
        "start": round(start, 3), "end": round(end, 3),
        "offset": film.offset_s if film else 0.0,
        "strokes": [
            {"id": int(shot["shot_id"]), "t": round(float(shot["t_contact_s"]), 3)}
            for shot in shots
        ],
        "step": motion.STEP_S,
        "men": {
            side: motion.in_drawing(layout, ways.within(side, start, end)) for side in OTHER
        },
    }
    return as_json(content).replace("</", "<\\/")

