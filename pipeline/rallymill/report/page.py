"""The match page: one folder with an ``index.html`` that opens from disk, without a network.

Everything that the page says comes from the tables of the match. Styles, script and drawings are in
the file itself; pictures of the views are files beside it; the recording stays where it is and is
linked to.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

import rallymill
from rallymill.report import cards, content, scene, svg, timeline, viewpictures, words
from rallymill.report.content import Match, Row

FIRST_LOOKS = 8
"""Faults that are shown at once at the top of the page; the others unfold."""


@dataclass(frozen=True)
class Look:
    """A flag with its letter in its point."""

    row: Row
    letter: str
    name: str
    anchor: str


@dataclass(frozen=True)
class PointPart:
    """What the page shows of a point."""

    row: Row
    shots: list[Row]
    looks: list[Look]
    drawing: Markup
    title: str
    outcome: str

    def looks_at(self, shot_id: int) -> list[Look]:
        """Flags at a stroke."""
        return [look for look in self.looks if look.row["shot_id"] == shot_id]


def environment() -> Environment:
    """Templates of the page, with escaping on and missing names as errors."""
    found = Environment(
        loader=PackageLoader("rallymill.report", "templates"), autoescape=True,
        undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True,
    )
    found.globals.update(words=words, symbol=svg.symbol_alone)
    return found


def sentence_of_shot(match: Match, shot: Row) -> str:
    """A stroke in words, for those who cannot see the drawing."""
    parts = [
        f"Stroke {shot['shot_number']}: {match.name_of(shot['player'], shot['hitter'])}",
        words.stroke(shot),
        words.label(shot["direction"], words.DIRECTIONS | {"unknown": "direction unknown"}),
    ]
    if not words.is_missing(shot["speed_mps"]):
        parts.append(words.speed(shot["speed_mps"]))
    bounce = words.bounce(shot)
    parts.append("bounce not measured" if bounce == words.UNKNOWN else f"bounce {bounce}")
    return ", ".join(parts)


def outcome(match: Match, point: Row) -> str:
    """How a point ended, in words."""
    ended = words.label(point["ended_by"], words.ENDINGS)
    if point["won_by"] is None:
        return f"{ended}; winner of the point not known" if ended != "fault" else ended
    return f"{ended}; won by {match.name_of(point['won_by_player'], point['won_by'])}"


def point_parts(match: Match) -> list[PointPart]:
    """Every point with its drawing."""
    parts = []
    for point in sorted(match.points, key=lambda row: row["point_id"]):
        point_id = int(point["point_id"])
        shots, flags = match.shots_of(point_id), match.flags_of(point_id)
        looks = [
            Look(
                flag, letter, match.name_of(flag["player"], flag["side"]),
                f"flag-{flag['flag_id']}",
            )
            for flag, letter in zip(flags, scene.letters(len(flags)), strict=True)
        ]
        title = f"Point {point_id + 1}"
        said = outcome(match, point)
        described = ". ".join(
            [*(sentence_of_shot(match, shot) for shot in shots), f"Ended by: {said}"]
        )
        drawn = scene.build(shots, flags, match.arcs, match.slot_of, float(point["end_s"]))
        drawing = svg.draw(
            drawn, f"drawing-{point_id}",
            f"Plan and profile of point {point_id + 1}, "
            f"{words.count(len(shots), 'stroke')}", described,
        )
        parts.append(PointPart(point, shots, looks, drawing, title, said))
    return parts


def ranked(parts: list[PointPart]) -> Mapping[str, list[Look]]:
    """All flags by kind, those that most deserve a look first."""
    looks = sorted(
        (look for part in parts for look in part.looks), key=lambda look: -content.weight(look.row)
    )
    return {
        kind: [look for look in looks if look.row["kind"] == kind]
        for kind in ("fault", "credit", "note")
    }


def _timeline(match: Match) -> timeline.Timeline | None:
    row = match.row
    ends = [0.0, *(view["end_s"] for view in match.views), *(p["end_s"] for p in match.points)]
    duration = row["duration_s"] if not words.is_missing(row["duration_s"]) else max(ends)
    main = sum(v["end_s"] - v["start_s"] for v in match.views if v["label"] == "main")
    share = words.percent(main / duration) if match.views and duration else words.DASH
    summary = (
        f"Recording of {words.duration(duration)}: main camera {share} of the time, "
        f"{words.count(len(match.points), 'point')}, {words.count(len(match.flags), 'flag')}."
    )
    return timeline.draw(match.views, match.points, match.flags, duration or 0.0, summary)


def _link_to(recording: Path | None, folder: Path) -> str | None:
    """Address of the recording relative to the page, None if there is none."""
    if recording is None or not recording.is_file():
        return None
    try:
        relative = os.path.relpath(recording, folder)
    except ValueError:  # another drive: there is no relative path
        return recording.resolve().as_uri()
    return quote(Path(relative).as_posix())


def build(out_dir: Path, match_id: str, recording: Path | None = None) -> Path:
    """Write the page of a match to ``<out_dir>/matches/<match_id>/page/index.html``.

    ``recording`` is the video; left out, it is the one that the run read, if it is still there.
    Without it the page has no pictures and no links into the film. Returns the page.

    Raises
    ------
    InputError
        The match is not in ``matches.parquet``.
    """
    match = content.load(out_dir, match_id)
    recording = recording or match.recording
    folder = out_dir / "matches" / match_id / "page"
    folder.mkdir(parents=True, exist_ok=True)
    parts = point_parts(match)
    pictures = viewpictures.write(out_dir, match_id, match.views, recording, folder / "views")
    text = environment().get_template("page.html.j2").render(
        match=match, row=match.row, parts=parts, looks=ranked(parts),
        first_looks=FIRST_LOOKS, trust=content.trust(match), summaries=content.summaries(match),
        timeline=_timeline(match), video=_link_to(recording, folder), pictures=pictures,
        version=rallymill.__version__, heading=heading(match),
        cards=cards.of_rules(sorted({flag["rule"] for flag in match.flags})),
    )
    path = folder / "index.html"
    part = folder / ".index.html.part"
    part.write_text(text, encoding="utf-8")
    os.replace(part, path)
    return path


def heading(match: Match) -> str:
    """Who played, or the file name where that is not known."""
    row: Mapping[str, Any] = match.row
    names = [row["player_near"], row["player_far"]]
    if all(names):
        return f"{names[0]} against {names[1]}"
    return str(names[0] or names[1] or Path(str(row["file"])).stem)
