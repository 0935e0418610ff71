"""One picture that shows the job: a frame with what was found, beside the drawing of its point."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from rallymill import tableio, tables
from rallymill.errors import InputError
from rallymill.report import (
    cards,
    clipdraw,
    clips,
    content,
    overlay,
    raster,
    scene,
    svg,
    words,
)
from rallymill.report.content import Match, Row
from rallymill.video import frames

Image = NDArray[np.uint8]

HEIGHT_PX = 720
MARGIN_PX = 20
TABLE_ROW_PX = 30
AFTER_CONTACT_S = 0.45
"""The frame is taken this long after a contact, when the ball's trail is there to be seen."""
SHOWN_S = 0.6
"""How long after the contact that a finding is about the frame may be."""


def build(
    out_dir: Path, match_id: str, point_id: int, video_path: Path, path: Path
) -> Path:
    """Write a picture (PNG) of a point: a frame of it with our overlay, and plan and profile.

    The frame is that of the point in which the ball's trail, both players and the court are best
    seen: the one with most of them known, as close as may be to the middle of the point. Where a
    rule about the bisector found something, it is one of that moment, and the lines are drawn.

    Raises
    ------
    InputError
        The match or the point is not there, or the film has no frame of it.
    TableError
        The tables ``frames`` or ``tracks`` cannot be read.
    """
    match = content.load(out_dir, match_id)
    point = next((row for row in match.points if row["point_id"] == point_id), None)
    if point is None:
        known = ", ".join(str(row["point_id"]) for row in match.points) or "none"
        raise InputError(f"no point {point_id} in match {match_id}", f"points there: {known}")
    folder = out_dir / "matches" / match_id
    frame_rows = _within(tableio.read(folder / "frames.parquet", tables.FRAMES), point)
    track_rows = _within(tableio.read(folder / "tracks.parquet", tables.TRACKS), point)
    remark = remark_of(match, point_id)
    if remark is not None:
        at_moment = [row for row in frame_rows if 0 <= row["t_s"] - remark.at_s <= SHOWN_S]
        frame_rows = at_moment or frame_rows
    chosen = best_frame(frame_rows, track_rows, match.shots_of(point_id))
    if chosen is None:
        raise InputError(
            f"no frame of point {point_id} in match {match_id}", "pick another point"
        )
    number = int(chosen["frame"])
    found = list(frames(video_path, spans=[(number, number)]))
    if not found:
        raise InputError(f"{video_path.name} has no frame {number}", "give the film of this match")
    frame: Any = found[0].image
    if frame.shape[0] < HEIGHT_PX:
        width = round(frame.shape[1] * HEIGHT_PX / frame.shape[0])
        frame = cv2.resize(frame, (width, HEIGHT_PX), interpolation=cv2.INTER_CUBIC)
    side_slots = slots_at(match, point_id)
    drawn = overlay.draw(frame, chosen, track_rows, side_slots)
    if remark is not None:
        clipdraw.draw(drawn, chosen, [remark], float(chosen["t_s"]))
    path.parent.mkdir(parents=True, exist_ok=True)
    if not cv2.imwrite(str(path), compose(match, point, drawn, remark)):
        raise InputError(f"{path} cannot be written", "give a path that ends in .png")
    return path


def slots_at(match: Match, point_id: int) -> dict[str, str]:
    """Slot of each side in a point, by who plays there."""
    slots = {side: match.slot_of[side] for side in ("near", "far")}
    for shot in match.shots_of(point_id):
        slots[shot["hitter"]] = match.slot(shot)
        slots[scene.OTHER[shot["hitter"]]] = "b" if match.slot(shot) == "a" else "a"
    return slots


def _within(table: pa.Table, point: Row) -> list[dict[str, Any]]:
    inside = pc.and_(
        pc.greater_equal(table["t_s"], point["start_s"] - overlay.TRAIL_S),
        pc.less_equal(table["t_s"], point["end_s"] + 0.2),
    )
    return list(table.filter(inside).to_pylist())


def best_frame(
    frame_rows: list[dict[str, Any]], track_rows: list[dict[str, Any]], shots: list[Row]
) -> dict[str, Any] | None:
    """The frame that shows most: court, both players, the ball's trail after a contact."""
    if not frame_rows:
        return None
    roles: dict[int, set[str]] = {}
    for row in track_rows:
        if row["observed"]:
            roles.setdefault(int(row["frame"]), set()).add(str(row["role"]))
    balls = np.array([r["t_s"] for r in track_rows if r["role"] == "ball" and r["observed"]])
    contacts = np.array([shot["t_contact_s"] for shot in shots])
    middle = np.mean([row["t_s"] for row in frame_rows])

    def merit(row: Mapping[str, Any]) -> float:
        seen = roles.get(int(row["frame"]), set())
        trail = np.sum((balls <= row["t_s"]) & (balls > row["t_s"] - overlay.TRAIL_S))
        since = row["t_s"] - contacts
        since = since[since > 0]
        early = abs(since.min() - AFTER_CONTACT_S) if len(since) else 1.0
        return (
            4.0 * (row["court_status"] != "lost") + len(seen & {"near", "far", "ball"})
            + min(float(trail), 15.0) / 15.0 - early - 0.05 * abs(row["t_s"] - float(middle))
        )

    return max(frame_rows, key=merit)


def remark_of(match: Match, point_id: int) -> clipdraw.Remark | None:
    """The weightiest finding about the bisector in a point, None where there is none."""
    flags = match.flags_of(point_id)
    titles = {flag["rule"]: words.title(flag["rule"]) for flag in flags}
    titles |= {rule: card.title for rule, card in cards.of_rules(titles).items()}
    found = [
        (content.weight(flag), remark)
        for flag, remark in zip(flags, clips.remarks_of(match, flags, titles), strict=True)
        if remark.waits and remark.moment is not None
    ]
    return max(found, key=lambda item: item[0])[1] if found else None


def compose(
    match: Match, point: Row, frame: Any, remark: clipdraw.Remark | None = None
) -> Image:
    """Frame over a table of strokes, beside plan and profile, under a line of words."""
    point_id = int(point["point_id"])
    shots, flags = match.shots_of(point_id), match.flags_of(point_id)
    drawn = scene.build(shots, flags, match.arcs, match.slot_of, float(point["end_s"]))
    height = round(frame.shape[0] * HEIGHT_PX / frame.shape[0])
    width = round(frame.shape[1] * height / frame.shape[0])
    frame = cv2.resize(frame, (width, height), interpolation=cv2.INTER_AREA)
    strip = strip_of(match, shots, flags, width)
    left = np.vstack([frame, strip])
    plan = raster.draw(drawn, left.shape[0], remark.moment if remark else None)
    gap = np.full((left.shape[0], MARGIN_PX, 3), raster.PAPER, np.uint8)
    body = np.hstack([gap, left, gap, plan, gap])
    head = np.full((64, body.shape[1], 3), raster.PAPER, np.uint8)
    names = " against ".join(player.name for player in match.players) or str(match.row["file"])
    number = match.played_by_row[point_id].number
    said = f"Point {number}: {words.label(point['ended_by'], words.ENDINGS)}"
    raster.write(head, names, (MARGIN_PX, 42), 30, raster.INK, bold=True)
    raster.write(head, said, (MARGIN_PX + width + MARGIN_PX, 42), 24, raster.INK)
    foot = np.full((MARGIN_PX, body.shape[1], 3), raster.PAPER, np.uint8)
    return np.vstack([head, body, foot])


COLUMNS = (
    ("no.", 0.0), ("player", 0.05), ("stroke", 0.17), ("direction", 0.35), ("bounce", 0.52),
    ("km/h", 0.66), ("over net, m", 0.78), ("flags", 0.92),
)
GREATEST_ROWS = 9


def strip_of(match: Match, shots: list[Row], flags: list[Row], width: int) -> Image:
    """Table of the strokes as pixels; a long rally is cut, and says so."""
    shown = shots[:GREATEST_ROWS]
    n_lines = len(shown) + 1 + (len(shots) > len(shown))
    strip = np.full((n_lines * TABLE_ROW_PX + 16, width, 3), raster.PAPER, np.uint8)
    letter_of = dict(zip(
        [int(flag["flag_id"]) for flag in flags], scene.letters(len(flags)), strict=True
    ))

    def cell(text: str, share: float, line: int, soft: bool = False) -> None:
        raster.write(
            strip, text, (4 + share * width, 26 + line * TABLE_ROW_PX), 18,
            raster.SOFT if soft else raster.INK,
        )

    for name, share in COLUMNS:
        cell(name, share, 0, soft=True)
    for line, shot in enumerate(shown, start=1):
        own = [flag for flag in flags if flag["shot_id"] == shot["shot_id"]]
        texts = (
            str(shot["shot_number"]), match.short_name_of(shot["player"], shot["hitter"]),
            words.stroke(shot), words.label(shot["direction"], words.DIRECTIONS),
            words.bounce(shot),
            words.measured(shot["speed_mps"], shot["speed_mps_sd"], 0, "", words.KMH_PER_MPS),
            words.measured(shot["net_clearance_m"], shot["net_clearance_m_sd"], 2), "",
        )
        for text, (_, share) in zip(texts, COLUMNS, strict=True):
            cell(text, share, line)
        for index, flag in enumerate(own):
            x = 4 + COLUMNS[-1][1] * width + 10 + 26 * index
            y = 20.0 + line * TABLE_ROW_PX
            corners = np.round(svg.symbol_corners(flag["kind"], x, y, 10.0)).astype(np.int32)
            cv2.fillPoly(strip, [corners], raster.KINDS[flag["kind"]], cv2.LINE_AA)
            raster.write(
                strip, letter_of[int(flag["flag_id"])], (x, y + 4.0), 12, raster.PAPER, "middle",
                bold=True,
            )
    if len(shots) > len(shown):
        cell(f"and {words.count(len(shots) - len(shown), 'stroke')} more", 0.0, n_lines - 1, True)
    return strip
