"""Maps of where balls came down and where players stood, the player at the bottom, playing upward.

A mark is a stroke; it carries what the filters of the page ask for, so that what they leave out can
be hidden. What a map shows is said in words beside it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from rallymill import court
from rallymill.report import words
from rallymill.report.content import Match, Player, Row
from rallymill.report.svg import element

Place = tuple[float, float]

MARK_PX = 4.2
RALLY = ("groundstroke", "return", "approach", "drop_shot", "lob", "unknown")


@dataclass(frozen=True)
class Sheet:
    """A cut-out of the court: metres left and right of the middle, from ``low_m`` to ``high_m``."""

    half_width_m: float
    low_m: float
    high_m: float
    scale: float

    def at(self, place: Place) -> Place:
        """Drawing point of a place, which is moved to the edge where it lies outside."""
        x = min(max(place[0], -self.half_width_m + 0.15), self.half_width_m - 0.15)
        y = min(max(place[1], self.low_m + 0.15), self.high_m - 0.15)
        return (x + self.half_width_m) * self.scale, (self.high_m - y) * self.scale

    @property
    def size(self) -> Place:
        """Width and height of the drawing."""
        return 2 * self.half_width_m * self.scale, (self.high_m - self.low_m) * self.scale


SERVES = Sheet(5.4, -0.4, 8.2, 26.0)
LANDINGS = Sheet(6.9, -0.4, 13.4, 17.0)
RETURNS = Sheet(6.6, -17.2, 13.2, 12.0)
STANDS = Sheet(7.4, -17.2, 0.4, 15.0)


def own_place(row: Row, prefix: str, side: str) -> Place | None:
    """A place of a stroke as the player of a side sees it: that player at y < 0."""
    x, y = row.get(f"{prefix}_x_m"), row.get(f"{prefix}_y_m")
    if words.is_missing(x) or words.is_missing(y):
        return None
    turn = 1.0 if side == "near" else -1.0
    return turn * float(x), turn * float(y)  # type: ignore[arg-type]


def ground(sheet: Sheet) -> Markup:
    """Surround, court and lines within a cut-out."""
    width, height = sheet.size

    def box(x1: float, y1: float, x2: float, y2: float, kind: str) -> Markup:
        left, right = max(min(x1, x2), -sheet.half_width_m), min(max(x1, x2), sheet.half_width_m)
        low, high = max(min(y1, y2), sheet.low_m), min(max(y1, y2), sheet.high_m)
        if right <= left or high <= low:
            return Markup("")
        return element(
            "rect", x=(left + sheet.half_width_m) * sheet.scale,
            y=(sheet.high_m - high) * sheet.scale, width=(right - left) * sheet.scale,
            height=(high - low) * sheet.scale, class_=kind,
        )

    parts = [
        element("rect", x=0.0, y=0.0, width=width, height=height, rx=6.0, class_="surround"),
        box(-court.HALF_DOUBLES_M, -court.HALF_LENGTH_M, court.HALF_DOUBLES_M,
            court.HALF_LENGTH_M, "court"),
    ]
    least = 1.2 / sheet.scale
    for line in court.lines():
        corners = line.corners()
        low, high = corners.min(0)[:2], corners.max(0)[:2]
        spread = np.maximum(least - (high - low), 0) / 2
        (x1, y1), (x2, y2) = low - spread, high + spread
        parts.append(box(float(x1), float(y1), float(x2), float(y2), "line"))
    post = min(court.DOUBLES_POST_X_M, sheet.half_width_m)
    if sheet.low_m < 0 < sheet.high_m:
        y = sheet.high_m * sheet.scale
        parts.append(element(
            "line", x1=(sheet.half_width_m - post) * sheet.scale,
            x2=(sheet.half_width_m + post) * sheet.scale, y1=y, y2=y, class_="net",
        ))
    return Markup("").join(parts)


def mark(slot: str, x: float, y: float, kind: str = "", radius: float = MARK_PX) -> Markup:
    """A circle for slot a, a square for slot b, a cross for what went out."""
    if kind == "out":
        r = radius * 0.85
        return element(
            "path", d=f"M{x - r:.1f} {y - r:.1f}l{2 * r:.1f} {2 * r:.1f}m0 {-2 * r:.1f}"
            f"l{-2 * r:.1f} {2 * r:.1f}", class_=f"spot out {slot}",
        )
    name = f"spot {slot} {kind}".strip()
    if slot == "a":
        return element("circle", cx=x, cy=y, r=radius, class_=name)
    half = radius * 0.9
    return element("rect", x=x - half, y=y - half, width=2 * half, height=2 * half, class_=name)


def tagged(inner: Markup, match: Match, shot: Row, player: str | None, tip: str) -> Markup:
    """A mark with what the filters ask for, and a tip."""
    played = match.played_by_row.get(shot["point_id"])
    return element(
        "g", element("title", tip) + inner, class_="m", data_p=player, data_s=shot["stroke"],
        data_n=played.number if played else None,
    )


def _svg(sheet: Sheet, identifier: str, title: str, said: str, body: Iterable[Markup]) -> Markup:
    width, height = sheet.size
    parts = [
        element("title", title, id=f"{identifier}-t"), element("desc", said, id=f"{identifier}-d"),
        ground(sheet), *body,
    ]
    return element(
        "svg", Markup("").join(parts), class_="map", role="img",
        viewBox=f"0 0 {width:.0f} {height:.0f}",
        aria_labelledby=f"{identifier}-t {identifier}-d", xmlns="http://www.w3.org/2000/svg",
    )


def _tip(match: Match, shot: Row, *more: str) -> str:
    played = match.played_by_row.get(shot["point_id"])
    number = f"point {played.number}, " if played else ""
    speed = [] if words.is_missing(shot["speed_mps"]) else [words.speed(shot["speed_mps"])]
    return ", ".join([f"{number}{words.clock(shot['t_contact_s'])}", *speed, *more])


def serves(match: Match, player: Player, said: str) -> Markup | None:
    """Where a player's serves came down; None where none is known."""
    endings = {row["point_id"]: row for row in match.points}
    marks = []
    for shot in match.shots:
        if shot["player"] != player.code or shot["stroke"] != "serve":
            continue
        place = own_place(shot, "bounce", shot["hitter"])
        point = endings.get(shot["point_id"])
        if place is None or place[1] < 0:
            continue
        second = point is not None and point["serve_number"] == 2
        ace = point is not None and point["ended_by"] == "ace"
        out = shot["in_court"] is False
        kind = "out" if out else "ace" if ace else "second" if second else ""
        word = "fault" if out else "ace" if ace else "in"
        x, y = SERVES.at(place)
        inner = mark(player.slot, x, y, kind)
        if ace:
            inner += element("circle", cx=x, cy=y, r=MARK_PX + 2.6, class_=f"ring {player.slot}")
        marks.append(tagged(inner, match, shot, player.code, _tip(
            match, shot, "second serve" if second else "first serve", word)))
    if not marks:
        return None
    return _svg(SERVES, f"serve-{player.letter}", f"Serves of {player.name}", said, marks)


def returns(match: Match, player: Player, said: str) -> Markup | None:
    """Where a player met serves and where the returns came down; None where none is known."""
    marks = []
    for shot in match.shots:
        if shot["player"] != player.code or shot["stroke"] != "return":
            continue
        contact = own_place(shot, "contact", shot["hitter"])
        bounce = own_place(shot, "bounce", shot["hitter"])
        if contact is None or bounce is None or bounce[1] < 0:
            continue
        (x1, y1), (x2, y2) = RETURNS.at(contact), RETURNS.at(bounce)
        out = shot["in_court"] is False
        inner = element("line", x1=x1, y1=y1, x2=x2, y2=y2, class_=f"way {player.slot}")
        inner += mark(player.slot, x1, y1, "second", 2.4)
        inner += mark(player.slot, x2, y2, "out" if out else "", 3.6)
        marks.append(tagged(inner, match, shot, player.code, _tip(
            match, shot, words.stroke(shot), words.bounce(shot))))
    if not marks:
        return None
    return _svg(RETURNS, f"return-{player.letter}", f"Returns of {player.name}", said, marks)


def stands(match: Match, player: Player, said: str) -> Markup | None:
    """Where a player stood whenever the opponent struck; None where that is never known."""
    marks = []
    for shot in match.shots:
        if shot["opponent"] != player.code:
            continue
        side = "far" if shot["hitter"] == "near" else "near"
        place = own_place(shot, "opponent", side)
        if place is None:
            continue
        x, y = STANDS.at(place)
        kind = "second" if shot["stroke"] == "serve" else ""
        marks.append(tagged(
            mark(player.slot, x, y, kind, 3.4), match, shot, player.code,
            _tip(match, shot, f"{abs(place[1]) - court.HALF_LENGTH_M:+.1f} m behind the baseline"
                 if abs(place[1]) > court.HALF_LENGTH_M else
                 f"{court.HALF_LENGTH_M - abs(place[1]):.1f} m inside the baseline"),
        ))
    if not marks:
        return None
    return _svg(STANDS, f"stand-{player.letter}", f"Places of {player.name}", said, marks)


def landings(match: Match, player: Player, said: str) -> Markup | None:
    """Where a player's rally balls came down; None where that is never known."""
    marks = []
    for shot in match.shots:
        if shot["player"] != player.code or shot["stroke"] not in RALLY:
            continue
        place = own_place(shot, "bounce", shot["hitter"])
        if place is None or place[1] < 0:
            continue
        x, y = LANDINGS.at(place)
        out = shot["in_court"] is False
        marks.append(tagged(
            mark(player.slot, x, y, "out" if out else "", 3.4), match, shot, player.code,
            _tip(match, shot, words.stroke(shot), words.bounce(shot)),
        ))
    if not marks:
        return None
    middle = (court.SERVICE_LINE_M + court.HALF_LENGTH_M) / 2
    y = LANDINGS.at((0.0, middle))[1]
    edge = LANDINGS.half_width_m
    x1, x2 = ((edge + side * court.HALF_SINGLES_M) * LANDINGS.scale for side in (-1, 1))
    border = element("line", x1=x1, x2=x2, y1=y, y2=y, class_="guide")
    names = [
        element("text", name, x=LANDINGS.size[0] - 4.0, y=LANDINGS.at((0.0, depth))[1] + 4.0,
                class_="small", text_anchor="end")
        for name, depth in (("short", 3.2), ("middle", 7.7), ("deep", 10.5))
    ]
    return _svg(
        LANDINGS, f"land-{player.letter}", f"Depth of {player.name}", said,
        [border, *names, *marks],
    )
