"""What else a stroke might have been: the targets that promised most, beside what was played."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from rallymill import court
from rallymill.report import words
from rallymill.report.content import Row
from rallymill.report.svg import Layout, element

DRAWN = 3
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
STEPS = 24


@dataclass(frozen=True)
class Option:
    """A target: its letter (empty where it is not drawn), what it is, and what would come of it."""

    row: Row
    letter: str
    name: str
    chances: str
    sentence: str


def _promise(row: Row) -> float:
    """How much a target promises: it goes in where the opponent cannot get to it, then that it goes
    in at all."""
    return float(row["open_share"] or 0.0) + 0.01 * float(row["in_share"] or 0.0)


def name_of(row: Row) -> str:
    """A target in words: ``cross-court, short``."""
    direction = words.label(row["direction"], words.DIRECTIONS)
    depth = {"middle": "middle depth", "unknown": ""}.get(row["depth"], row["depth"])
    return ", ".join(filter(None, [direction, depth]))


def _chances(row: Row) -> str:
    if words.is_missing(row["in_share"]):
        return str(row["reason"] or "could not be played through")
    return (
        f"goes in {words.percent(row['in_share'])}, out of reach {words.percent(row['open_share'])}"
    )


def options(rows: Sequence[Row]) -> list[Option]:
    """Targets of one stroke: what was played first, then the most promising; three get letters."""
    others = sorted((row for row in rows if not row["played"]), key=lambda row: -_promise(row))
    drawable = [row for row in others if not words.is_missing(row["in_share"])][:DRAWN]
    letters = {
        row["alternative_id"]: letter for row, letter in zip(drawable, LETTERS, strict=False)
    }
    ordered = [row for row in rows if row["played"]] + others
    return [
        Option(
            row, letters.get(row["alternative_id"], ""),
            f"as played, {name_of(row)}" if row["played"] else name_of(row),
            _chances(row), row["sentence"],
        )
        for row in ordered
    ]


def draw(layout: Layout, shot: Row, found: Sequence[Option]) -> Markup:
    """The lettered targets as dashed ways in plan and profile, for one stroke."""
    start = [shot["contact_x_m"], shot["contact_y_m"], shot["contact_z_m"]]
    if any(words.is_missing(value) for value in start):
        return Markup("")
    x0, y0, z0 = (float(value) for value in start)
    parts = []
    for option in found:
        x1, y1 = option.row["target_x_m"], option.row["target_y_m"]
        if not option.letter or words.is_missing(x1) or words.is_missing(y1):
            continue
        share = np.linspace(0.0, 1.0, STEPS + 1)
        plan = np.column_stack([
            x0 + share * (x1 - x0), y0 + share * (y1 - y0), np.zeros(len(share)),
        ])
        elevation = option.row["elevation_deg"]
        if not words.is_missing(elevation):
            # A parabola that leaves the contact at the fitted angle and comes down at the target.
            rise = np.tan(np.radians(float(elevation))) * np.hypot(x1 - x0, y1 - y0)
            fall = z0 + rise - court.BALL_RADIUS_M
            plan[:, 2] = z0 + rise * share - fall * share**2
            points = " ".join(f"{x:.1f},{y:.1f}" for x, y in layout.profile(plan))
            parts.append(element("polyline", points=points, class_="if-way", fill="none"))
        ends = layout.plan(plan[[0, -1]])
        (xa, ya), (xb, yb) = ends
        parts += [
            element("line", x1=float(xa), y1=float(ya), x2=float(xb), y2=float(yb),
                    class_="if-way"),
            element("circle", cx=float(xb), cy=float(yb), r=8.5, class_="if-target"),
            element("text", option.letter, x=float(xb), y=float(yb) + 4.2, class_="if-letter",
                    text_anchor="middle"),
        ]
    if not parts:
        return Markup("")
    return element("g", Markup("").join(parts), class_="what-if", data_shot=int(shot["shot_id"]))
