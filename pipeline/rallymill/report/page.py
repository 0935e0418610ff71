"""The match page: a folder that opens from disk, without a network, and can be sent as it is.

``index.html`` is the match, ``points/`` has a page a point, ``clips/`` the films that were cut.
Everything that the pages say comes from the tables of the match. The recording stays where it is
and is linked to.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

import rallymill
from rallymill.report import (
    cards,
    content,
    figures,
    files,
    habits,
    motion,
    plots,
    pointpage,
    scorestate,
    svg,
    thumbs,
    timeline,
    unread,
    viewpictures,
    words,
    wrongs,
)
from rallymill.report.content import Match, Row
from rallymill.report.films import Film, Films
from rallymill.report.habits import Habit, Worklist
from rallymill.report.pointpage import PointPage
from rallymill.report.thumbs import Thumb
from rallymill.runner.agreeing import agreement_of

ASSETS = ("style.css", "print.css", "common.js", "match.js", "point.js")
SHOWN_CASES = 6
"""Cases of a habit that are drawn at once; the others unfold."""


@dataclass(frozen=True)
class ShownCase:
    """A case with its small plan and its film."""

    case: habits.Case
    thumb: Thumb | None
    film: Film | None


@dataclass(frozen=True)
class ShownHabit:
    """A habit with its cases as they are shown."""

    habit: Habit
    cases: tuple[ShownCase, ...]
    reel: Film | None


@dataclass(frozen=True)
class PointLine:
    """A line of the list of points, with what the filters ask for."""

    page: PointPage
    strokes: str
    rules: str
    state: str


def environment() -> Environment:
    """Templates of the pages, with escaping on and missing names as errors."""
    found = Environment(
        loader=PackageLoader("rallymill.report", "templates"), autoescape=True,
        undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True,
    )
    found.globals.update(
        words=words, symbol=svg.symbol_alone, whisker=plots.whisker, version=rallymill.__version__,
    )
    return found


def _shown(match: Match, films: Films, found: Mapping[str, list[Habit]]) -> dict[str, Any]:
    return {
        code: [
            ShownHabit(
                habit,
                tuple(
                    ShownCase(case, thumbs.draw(match, case), films.of_flag(case.flag))
                    for case in habit.cases
                ),
                films.reel(habit.key),
            )
            for habit in own
        ]
        for code, own in found.items()
    }


def _timeline(match: Match) -> timeline.Timeline | None:
    row = match.row
    ends = [0.0, *(view["end_s"] for view in match.views), *(p["end_s"] for p in match.points)]
    duration = row["duration_s"] if not words.is_missing(row["duration_s"]) else max(ends)
    main = sum(v["end_s"] - v["start_s"] for v in match.views if v["label"] == "main")
    share = words.percent(main / duration) if match.views and duration else words.DASH
    summary = (
        f"Recording of {words.duration(duration)}: main camera {share} of the time, "
        f"{words.count(len(match.played), 'point')}, {words.count(len(match.flags), 'flag')}."
    )
    return timeline.draw(match.views, match.played, match.flags, duration or 0.0, summary)


def _lines(match: Match, pages: list[PointPage]) -> list[PointLine]:
    lines = []
    for page in pages:
        shots = [shot for row in page.point.rows for shot in match.shots_of(row["point_id"])]
        strokes = sorted({f"{shot['player']}/{shot['stroke']}" for shot in shots})
        rules = sorted({
            f"{look.row['player']}/{look.row['rule']}/{look.row['kind']}" for look in page.looks
        })
        lines.append(PointLine(
            page, " ".join(strokes), " ".join(rules), scorestate.state(page.point.row["score"]),
        ))
    return lines


def build(out_dir: Path, match_id: str, recording: Path | None = None) -> Path:
    """Write the pages of a match to ``<out_dir>/matches/<match_id>/page/``; returns the first.

    ``recording`` is the video; left out, it is the one that the run read, if it is still there.
    Without it the pages have no pictures, and no film but clips that were cut before.

    Raises
    ------
    InputError
        The match is not in ``matches.parquet``.
    """
    match = content.load(out_dir, match_id)
    recording = recording or match.recording
    folder = out_dir / "matches" / match_id / "page"
    folder.mkdir(parents=True, exist_ok=True)
    films = Films.find(folder, recording, match)
    ways = motion.Ways.read(out_dir / "matches" / match_id / "tracks.parquet")
    pictures = viewpictures.write(out_dir, match_id, match.views, recording, folder / "views")
    known = cards.of_rules(sorted({flag["rule"] for flag in match.flags}
                                  | {row["rule"] for row in match.opportunities}))
    templates = environment()
    shared = {
        "match": match, "row": match.row, "heading": heading(match), "cards": known,
        "choices": pointpage.as_json(wrongs.choices()), "first": habits.FIRST,
    }
    for name in ASSETS:
        files.write(folder / name, files.asset(name))
    pages = [pointpage.build(match, played, films, ways) for played in match.played]
    point_template = templates.get_template("point.html.j2")
    written = [
        files.write(folder / "points" / page.file, point_template.render(
            page=page, before=pages[k - 1] if k else None,
            after=pages[k + 1] if k + 1 < len(pages) else None, total=len(pages), **shared,
        ))
        for k, page in enumerate(pages)
    ]
    files.sweep(folder / "points", "*.html", written)
    worklist = habits.build(match)
    text = templates.get_template("match.html.j2").render(
        lines=_lines(match, pages), work=_work(match, films, worklist), worklist=worklist,
        trust=content.trust(match), summaries=content.summaries(match),
        timeline=_timeline(match), pictures=pictures, of_players=figures.of_players(match),
        lengths=figures.lengths(match), length_said=figures.length_words(match),
        strokes=sorted({shot["stroke"] for shot in match.shots}), states=scorestate.STATES,
        shown_cases=SHOWN_CASES, sheet=thumbs.sheet_symbol(), unread=unread.build(match),
        scored=any(row["score"] for row in match.points), films=films,
        corrected=corrected(out_dir, match_id), **shared,
    )
    return files.write(folder / "index.html", text)


def _work(match: Match, films: Films, worklist: Worklist) -> dict[str, Any]:
    return {
        "faults": _shown(match, films, worklist.faults),
        "credits": _shown(match, films, worklist.credits),
        "notes": _shown(match, films, worklist.notes),
    }


def corrected(out_dir: Path, match_id: str) -> list[str]:
    """What corrections by hand say of the machine's tables, in sentences; none without any."""
    found = agreement_of(out_dir, match_id)
    if found is None:
        return []
    said = [f"{words.count(found.n_corrections, 'correction')} by hand", *found.sentences()]
    return [f"{line[:1].upper()}{line[1:]}." for line in said]


def heading(match: Match) -> str:
    """Who played, or the file name where that is not known."""
    row: Row = match.row
    names = [row["player_near"], row["player_far"]]
    if all(names):
        return f"{names[0]} against {names[1]}"
    return str(names[0] or names[1] or Path(str(row["file"])).stem)
