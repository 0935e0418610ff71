"""A case of a habit as a small plan: the ball that was played, both players, the line that matters.
"""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from rallymill.report import moment as moments
from rallymill.report import momentsvg, scene, words
from rallymill.report.content import OTHER, Match
from rallymill.report.courtmaps import Sheet, ground, mark
from rallymill.report.habits import BISECTED, SPACE, Case
from rallymill.report.scene import Scene
from rallymill.report.svg import Layout, element

SHEET = Sheet(7.0, -16.4, 16.4, 20.0)
LAYOUT = Layout(Scene(half_width_m=7.0, near_m=-16.4, far_m=16.4))


def sheet_symbol() -> Markup:
    """The empty court as a symbol that all small plans use; once a page."""
    width, height = SHEET.size
    return element(
        "symbol", ground(SHEET), id="sheet", viewBox=f"0 0 {width:.0f} {height:.0f}",
    )


LONGEST_SAID = 34


@dataclass(frozen=True)
class Thumb:
    """A small plan and what it shows in words."""

    drawing: Markup
    said: str


def draw(match: Match, case: Case) -> Thumb | None:
    """The small plan of a case; None where the stroke is not known."""
    shot = case.moment
    if shot is None:
        return None
    width, height = SHEET.size
    parts = [element("use", href="#sheet", width=width, height=height)]
    found = moments.build(shot)
    if found is not None:
        with_open = case.flag["rule"] in SPACE
        if with_open and found.open_m:
            shape = "".join(momentsvg.outline(LAYOUT, corners) for corners in found.open_m)
            parts.append(element("path", d=shape, class_="reach"))
        if case.flag["rule"] in BISECTED:
            parts += [_line(*line, "passing") for line in found.passing]
            parts.append(_line(*found.bisector, "bisector"))
    shots = match.shots_of(shot["point_id"])
    at = shots.index(shot)
    slot = match.slot(shot)
    for k in (at - 1, at):
        if k < 0:
            continue
        following = shots[k + 1] if k + 1 < len(shots) else None
        end = float(following["t_contact_s"]) if following else float(shots[k]["t_contact_s"]) + 1.5
        own = match.slot(shots[k])
        start = float(shots[k]["t_contact_s"]) - scene.EARLY_S
        for path in scene.shot_paths(shots[k], following, match.arcs_between(start, end), end):
            kind = f"ball {own}{' after' if path.after_bounce else ''}{' past' if k < at else ''}"
            points = " ".join(f"{x:.0f},{y:.0f}" for x, y in LAYOUT.plan(path.points_m)[::2])
            parts.append(element("polyline", points=points, class_=kind, fill="none"))
    other = "b" if slot == "a" else "a"
    for prefix, who in (("hitter", slot), ("opponent", other)):
        x, y = shot.get(f"{prefix}_x_m"), shot.get(f"{prefix}_y_m")
        if not (words.is_missing(x) or words.is_missing(y)):
            at_m = (float(x), float(y))  # type: ignore[arg-type]
            parts.append(mark(who, *SHEET.at(at_m), "", 17.0))
    if found is not None and case.flag["rule"] in BISECTED:
        parts.append(momentsvg.off(LAYOUT, found, with_words=False))
    drawing = element(
        "svg", Markup("").join(parts), class_="thumb", viewBox=f"0 0 {width:.0f} {height:.0f}",
        aria_hidden="true", focusable="false", xmlns="http://www.w3.org/2000/svg",
    )
    return Thumb(drawing, said(case, found))


def _line(start: moments.Place, end: moments.Place, kind: str) -> Markup:
    (x1, y1), (x2, y2) = (
        (LAYOUT.across(place[0]), LAYOUT.along(place[1])) for place in (start, end)
    )
    return element("line", x1=x1, y1=y1, x2=x2, y2=y2, class_=kind)


def said(case: Case, found: moments.Moment | None) -> str:
    """The one number that a case is about, for the line under its plan."""
    evidence = case.flag["evidence"] or []
    rule = case.flag["rule"]
    if rule in BISECTED and found is not None:
        side = case.flag["side"]
        stands = found.waits[1] < 0
        if side in OTHER and stands == (side == "near"):
            return f"{words.number(abs(found.off_m), 1, 'm')} off"
    if rule in SPACE and found is not None and found.spare_s is not None:
        if found.spare_s < 0:
            return f"out of reach by {words.number(-found.spare_s, 1, 's')}"
        return f"{words.number(found.spare_s, 1, 's')} to spare"
    if not evidence:
        return words.sure(case.flag["confidence"])
    told = words.evidence(evidence[0])
    return told if len(told) <= LONGEST_SAID else words.sure(case.flag["confidence"])
