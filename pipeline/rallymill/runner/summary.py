"""The row of a match in ``matches.parquet``, from its tables and its record."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

import rallymill
from rallymill import tableio
from rallymill.corrections.store import REMEDY_BROKEN
from rallymill.errors import TableError
from rallymill.runner.fingerprint import Ingredients
from rallymill.runner.store import INGREDIENTS_KEY, MatchRecord, MatchStore, records
from rallymill.tables import ALL, MATCHES
from rallymill.video_info import REMEDY_COPY

log = logging.getLogger(__name__)

MATCHES_NAME = "matches.parquet"

LEAST_COVERAGE = 0.5
"""Share of main-camera frames with the court found below which a match is only partly read."""

MOST_DAMAGE = 0.01
"""Share of undecodable packets above which a match is only partly read."""

LEAST_BALL = 0.5
"""Share of in-play frames with the ball seen below which a match is only partly read."""

NOTHING_FOUND = "the court is in sight, but neither a player nor the ball was found"
NOTHING_FOUND_REMEDY = "see rallymill doctor for the weights, and the match page for the pictures"
NO_STROKE = "no stroke was found"
NO_STROKE_REMEDY = "see the match page: is a rally in the recording, and is the ball sharp?"
LOST_BALL = "the ball was seen in {share:.0%} of the frames in play"
LOST_BALL_REMEDY = "more light, a shorter shutter or a higher resolution helps"
UNFIT_WORDS = "no longer fit"
UNFIT_REMEDY = "see which: rallymill correct {match_id} --list"
NO_COURT = "no court in sight: no span of it shows a whole court from behind a baseline"
NO_COURT_REMEDY = "film from behind a baseline with all lines of the court in the picture"
LOST_COURT = "the court was found in {share:.0%} of the frames that show it"
LOST_COURT_REMEDY = "see the match page for the spans; a steadier or higher camera helps"


def spans_s(table: pa.Table, start: str, end: str) -> float:
    """Summed length of the spans of a table, nulls left out."""
    lengths = pc.subtract(table[end], table[start])
    return float(pc.sum(lengths).as_py() or 0.0)


def _read(store: MatchStore, name: str) -> pa.Table:
    """A table of the match, empty if there is none that can be read."""
    try:
        return store.read_table(ALL[name])
    except TableError:
        return ALL[name].empty()


def court_coverage(frames: pa.Table) -> float | None:
    """Share of main-camera frames in which the court was found; None if there are no frames."""
    if not frames.num_rows:
        return None
    lost = pc.sum(pc.equal(frames["court_status"], "lost")).as_py() or 0
    return 1.0 - float(lost) / frames.num_rows


def ball_coverage(frames: pa.Table, tracks: pa.Table, points: pa.Table) -> float | None:
    """Share of the frames within points in which the ball was observed; None if there are none."""
    starts = points["start_s"].to_numpy(zero_copy_only=False).astype(float)
    ends = points["end_s"].to_numpy(zero_copy_only=False).astype(float)
    inside = _inside(frames["t_s"].to_numpy(zero_copy_only=False), starts, ends)
    if not inside.any():
        return None
    ball = tracks.filter(pc.and_(pc.equal(tracks["role"], "ball"), tracks["observed"]))
    seen = np.unique(ball["frame"].to_numpy())
    return float(np.isin(frames["frame"].to_numpy()[inside], seen).mean())


def _inside(times_s: np.ndarray, starts_s: np.ndarray, ends_s: np.ndarray) -> np.ndarray:
    """Which times (N,) lie in any of the spans."""
    inside = np.zeros(len(times_s), bool)
    for start, end in zip(starts_s, ends_s, strict=True):
        inside |= (times_s >= start) & (times_s <= end)
    return inside


def share_damaged(record: MatchRecord) -> float:
    """Share of the packets of a recording that could not be decoded."""
    packets = record.video.get("packets") or 0
    return float(record.video.get("bad_packets", 0)) / packets if packets else 0.0


def notes(record: MatchRecord) -> list[str]:
    """What is unusual about a recording that was read all the same."""
    found = record.video
    said = []
    if found.get("variable_rate"):
        said.append("variable frame rate, read by its own times")
    if found.get("rotation_deg"):
        said.append(f"turned by {found['rotation_deg']} degrees as the file asks")
    if found.get("interlaced"):
        said.append("interlaced, read field by field")
    if found.get("pixel_aspect", "1") != "1":
        said.append(f"pixels {found['pixel_aspect']} wide made square")
    width, height = found.get("width_px") or 0, found.get("height_px") or 0
    if height and abs(width / height - 4 / 3) < 0.02:
        said.append("picture 4:3")
    if 0.0 < share_damaged(record) <= MOST_DAMAGE:
        said.append(f"{record.video['bad_packets']} damaged packets passed over")
    if not record.sheet and not record.sheet_problem:
        said.append("no match sheet, players are called A and B")
    return said


def correction_notes(corrections: pa.Table) -> list[str]:
    """How many rows were corrected by hand, and how many of these corrections do not fit."""
    rows = corrections.filter(pc.not_equal(corrections["action"], "right"))
    unfit = rows.filter(pc.equal(rows["status"], "unfit")).num_rows
    held = rows.num_rows - unfit
    said = [f"{held} cell{'s' * (held > 1)} corrected by hand"] if held else []
    return said + ([f"{unfit} correction{'s' * (unfit > 1)} {UNFIT_WORDS}"] if unfit else [])


@dataclass(frozen=True)
class Yield:
    """What a run got out of a recording; a coverage is None where there is nothing to cover."""

    main_views: int
    coverage: float | None
    n_detections: int
    n_shots: int
    ball_coverage: float | None


def verdict(record: MatchRecord, got: Yield) -> tuple[str, list[str], list[str]]:
    """Status, reasons and remedies of a match."""
    if record.problem:
        return "not_read", [record.problem], [record.remedy]
    if not got.main_views:
        return "not_read", [NO_COURT], [NO_COURT_REMEDY]
    if not got.coverage:
        return "not_read", [LOST_COURT.format(share=0.0)], [LOST_COURT_REMEDY]
    if not got.n_detections:
        return "not_read", [NOTHING_FOUND], [NOTHING_FOUND_REMEDY]
    faults: list[tuple[str, str]] = []
    if record.video.get("truncated"):
        missing_s = record.video["duration_s"] - record.video["read_s"]
        faults.append((f"cut off: the last {missing_s:.0f} s are missing", REMEDY_COPY))
    if share_damaged(record) > MOST_DAMAGE:
        share = share_damaged(record)
        faults.append((f"damaged: {share:.0%} of the frames cannot be decoded", REMEDY_COPY))
    if record.sheet_problem:
        faults.append((f"read without its sheet: {record.sheet_problem}", record.sheet_remedy))
    if record.corrections_problem:
        faults.append((record.corrections_problem, REMEDY_BROKEN))
    if got.coverage < LEAST_COVERAGE:
        faults.append((LOST_COURT.format(share=got.coverage), LOST_COURT_REMEDY))
    if not got.n_shots:
        faults.append((NO_STROKE, NO_STROKE_REMEDY))
    elif got.ball_coverage is not None and got.ball_coverage < LEAST_BALL:
        faults.append((LOST_BALL.format(share=got.ball_coverage), LOST_BALL_REMEDY))
    remedies = dict.fromkeys(remedy for _, remedy in faults)
    return ("partly_read" if faults else "read"), [fault for fault, _ in faults], list(remedies)


def match_row(out: Path, record: MatchRecord) -> dict[str, Any]:
    """Row of a match for :data:`rallymill.tables.MATCHES`."""
    store = MatchStore(out, record.match_id)
    failed = bool(record.problem)
    views, frames, detections, tracks, shots, points, flags = (
        ALL[name].empty() if failed else _read(store, name)
        for name in ("views", "frames", "detections", "tracks", "shots", "points", "flags")
    )
    main = views.filter(pc.equal(views["label"], "main"))
    coverage = court_coverage(frames)
    ball = ball_coverage(frames, tracks, points)
    got = Yield(main.num_rows, coverage, detections.num_rows, shots.num_rows, ball)
    status, reasons, remedies = verdict(record, got)
    said = [] if failed else correction_notes(_read(store, "corrections"))
    if any(UNFIT_WORDS in note for note in said):
        remedies.append(UNFIT_REMEDY.format(match_id=record.match_id))
    sheet = record.sheet
    duration_s = record.video.get("duration_s")
    if record.video.get("truncated"):
        duration_s = record.video["read_s"]
    return {
        "match_id": record.match_id,
        "file": record.file,
        "content_hash": record.content_hash or None,
        "status": status,
        "reason": "; ".join(
            reasons + (notes(record) + said if status != "not_read" else [])) or None,
        "remedy": "; ".join(remedies) or None,
        "duration_s": duration_s,
        "in_view_s": None if failed else spans_s(main, "start_s", "end_s"),
        "in_play_s": None if failed else spans_s(points, "start_s", "end_s"),
        "coverage": coverage,
        "ball_coverage": ball,
        "n_points": None if failed else points.num_rows,
        "n_shots": None if failed else shots.num_rows,
        "n_flags": None if failed else flags.num_rows,
        "player_near": _name_of(sheet, "near"),
        "player_far": _name_of(sheet, "far"),
        "date": sheet.get("date"),
        "surface": sheet.get("surface"),
        "event": sheet.get("event"),
        "software_version": rallymill.__version__,
        "model": _weights(store) or None,
    }


def _name_of(sheet: Mapping[str, Any], side: str) -> str | None:
    player = (sheet.get("players") or {}).get(side)
    return player["name"] if player else None


def _weights(store: MatchStore) -> str:
    """Files of weights that the tables were made with, each with the start of its hash."""
    used: dict[str, str] = {}
    for name in ALL:
        metadata = tableio.read_metadata(store.table_path(name))
        ingredients = Ingredients.from_json(metadata.get(INGREDIENTS_KEY, ""))
        if ingredients is not None:
            used.update(ingredients.models)
    return ", ".join(f"{name} ({digest[:8]})" for name, digest in sorted(used.items()))


def read_matches(out: Path) -> pa.Table:
    """The table of matches of an output folder, empty if there is none that can be read.

    Matches whose folder was taken away are left out.
    """
    try:
        table = tableio.read(out / MATCHES_NAME, MATCHES)
    except TableError:
        return MATCHES.empty()
    return table.filter(pa.array([_stands(out, row) for row in table.to_pylist()], pa.bool_()))


def _stands(out: Path, row: Mapping[str, Any]) -> bool:
    """Whether the folder of a match is there; a file that could not be opened never had one."""
    return not row["content_hash"] or MatchStore(out, row["match_id"]).folder.is_dir()


def _old_rows(out: Path, new_ids: set[str]) -> list[dict[str, Any]]:
    if not (out / MATCHES_NAME).exists():
        return []
    try:
        return list(tableio.read(out / MATCHES_NAME, MATCHES).to_pylist())
    except TableError as error:
        log.warning("the list of matches is made again: %s", error)
        return [match_row(out, record) for record in records(out) if record.match_id not in new_ids]


def update_matches(out: Path, rows: list[dict[str, Any]]) -> pa.Table:
    """Put rows into ``matches.parquet``; rows of other matches stay.

    Where the file is broken, the rows of other matches are made again from their folders. A row
    goes when its folder is gone, and when another recording stands in the place of its own; the
    tables of that match stay on disk and are listed again if the recording comes back. A match
    that could not be read goes when its file has been replaced by one with other content.
    """
    new_ids = {row["match_id"] for row in rows}
    files = {row["file"] for row in rows}
    taken = {record.path for match_id in new_ids if (record := _record(out, match_id))}

    def stays(row: Mapping[str, Any]) -> bool:
        if row["match_id"] in new_ids or not _stands(out, row):
            return False
        if row["status"] == "not_read" and row["file"] in files:
            return False
        record = _record(out, row["match_id"])
        return record is None or record.path not in taken

    kept = [row for row in _old_rows(out, new_ids) if stays(row)]
    merged = sorted(kept + rows, key=lambda row: (row["file"], row["match_id"]))
    table = tableio.from_rows(MATCHES, merged)
    tableio.write(out / MATCHES_NAME, MATCHES, table)
    return table


def _record(out: Path, match_id: str) -> MatchRecord | None:
    return MatchStore(out, match_id).read_record()
