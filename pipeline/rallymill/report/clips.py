"""Films to show: a clip of each point with a flag, of each flag, and a reel of all cases of one.

Points are decoded and encoded once; clips of flags and reels are copies of their seconds. A clip
that stands and was made of the same rows and recording is kept.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from rallymill import video
from rallymill.errors import InputError
from rallymill.report import cards, clipdraw, clipfile, content, films, habits, overlay, scene
from rallymill.report import moment as moments
from rallymill.report.content import OTHER, Match, Played, Row
from rallymill.report.files import sweep, write
from rallymill.report.habits import BISECTED, SPACE

VERSION = 2
WIDTH_PX = 960
LONGEST_POINT_S = 180.0
MOST_HZ = 30
"""Frames a second of a clip; of a faster recording every second frame is taken."""
Progress = Callable[[float], None]


@dataclass(frozen=True)
class Wanted:
    """A point to cut: its seconds, its flags, the recording and the rows that the clip rests on."""

    played: Played
    start_s: float
    end_s: float
    flags: tuple[Row, ...]
    made_of: str
    rows: str


def plan(match: Match, recording: Path) -> list[Wanted]:
    """Points with flags, in order; a point's film spans the seconds of all its flags."""
    stat = recording.stat()
    made_of = films.digest(
        [VERSION, WIDTH_PX, MOST_HZ, clipfile.OPTIONS, stat.st_size, stat.st_mtime_ns])
    found = []
    for played in match.played:
        flags = tuple(flag for row in played.rows for flag in match.flags_of(row["point_id"]))
        if not flags:
            continue
        row = played.row
        start = min(float(row["start_s"]) - films.BEFORE_S,
                    *(float(flag["clip_start_s"]) for flag in flags))
        end = max(float(row["end_s"]) + films.AFTER_S,
                  *(float(flag["clip_end_s"]) for flag in flags))
        start = max(start, 0.0)
        end = min(end, start + LONGEST_POINT_S)
        found.append(
            Wanted(played, start, end, flags, made_of, films.rows_of(match, played)))
    return found


class _Rows:
    """Rows of ``frames`` and ``tracks`` by time, read once and taken in pieces."""

    def __init__(self, folder: Path) -> None:
        self._frames = _sorted(folder / "frames.parquet", None)
        self._tracks = _sorted(folder / "tracks.parquet", [
            "frame", "t_s", "role", "x_m", "y_m", "u_px", "v_px", "observed",
        ])

    def within(
        self, start_s: float, end_s: float
    ) -> tuple[list[dict[str, Any]], dict[int, list[dict[str, Any]]]]:
        """Rows of frames in time order, and rows of tracks by frame, a little before too."""
        frames = _between(self._frames, start_s, end_s)
        by_frame: dict[int, list[dict[str, Any]]] = {}
        for row in _between(self._tracks, start_s - overlay.TRAIL_S, end_s):
            if row["role"] != "other":
                by_frame.setdefault(int(row["frame"]), []).append(row)
        return frames, by_frame


def _sorted(path: Path, columns: list[str] | None) -> pa.Table | None:
    try:
        return pq.read_table(path, columns=columns).sort_by("t_s")
    except (OSError, pa.ArrowException):
        return None


def _between(table: pa.Table | None, start_s: float, end_s: float) -> list[dict[str, Any]]:
    if table is None:
        return []
    times = table["t_s"].to_numpy()
    low, high = np.searchsorted(times, [start_s - 1e-6, end_s + 1e-6])
    return list(table.slice(low, high - low).to_pylist())


def build(out_dir: Path, match_id: str, progress: Progress | None = None) -> dict[str, int]:
    """Cut the clips of a match into the ``clips`` folder of its page; how many of each kind.

    ``progress`` is called with the share of the work that is done.

    Raises
    ------
    InputError
        The match is not there, or its recording is not where it was read.
    """
    match = content.load(out_dir, match_id)
    recording = match.recording
    if recording is None or not recording.is_file():
        raise InputError(
            f"the recording of {match_id} is not where it was read: {recording or 'not known'}",
            "bring it back, or read it again from where it is now",
        )
    folder = out_dir / "matches" / match_id / "page" / films.FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    before = films.read_list(folder)
    wanted = plan(match, recording)
    titles = {
        rule: card.title
        for rule, card in cards.of_rules({flag["rule"] for flag in match.flags}).items()
    }
    rows = _Rows(out_dir / "matches" / match_id)
    rate = min(video.probe(recording).rate, MOST_HZ)
    listed: dict[str, dict[str, Any]] = {}
    total = sum(one.end_s - one.start_s for one in wanted) or 1.0
    done = 0.0
    for one in wanted:
        length = one.end_s - one.start_s
        if not _kept(one, before, folder, listed):
            so_far = done

            def told(share: float, so_far: float = so_far, length: float = length) -> None:
                if progress is not None:
                    progress((so_far + share * length) / total)

            _cut(match, one, recording, rate, rows, titles, folder, listed, told)
        done += length
        if progress is not None:
            progress(done / total)
        _write_list(folder, before | listed)
    _reels(match, folder, listed)
    _write_list(folder, listed)
    sweep(folder, "*.mp4", [folder / name for name in listed])
    kinds = ("point", "flag", "reel")
    return {kind: sum(name.startswith(f"{kind}-") for name in listed) for kind in kinds}


def _names(one: Wanted) -> list[str]:
    return [
        films.point_name(one.played.number),
        *(films.flag_name(int(flag["flag_id"])) for flag in one.flags),
    ]


def _kept(
    one: Wanted, before: Mapping[str, dict[str, Any]], folder: Path,
    listed: dict[str, dict[str, Any]],
) -> bool:
    """Whether all clips of a point stand as they would be made now; they are listed then."""
    found = {name: before[name] for name in _names(one) if name in before}
    made = (one.made_of, one.rows)
    if any((entry.get("made_of"), entry.get("rows")) != made for entry in found.values()):
        return False
    if len(found) < len(_names(one)) or not all((folder / name).is_file() for name in found):
        return False
    listed.update(found)
    return True


def _cut(
    match: Match, one: Wanted, recording: Path, rate: Any, rows: _Rows,
    titles: Mapping[str, str], folder: Path, listed: dict[str, dict[str, Any]], told: Progress,
) -> None:
    path = folder / films.point_name(one.played.number)
    starts = [float(flag["clip_start_s"]) for flag in one.flags]
    times: list[float] = []

    def drawn() -> Iterator[tuple[float, np.ndarray]]:
        for t_s, image in _drawn(match, one, recording, rows, titles):
            times.append(t_s)
            told((t_s - one.start_s) / (one.end_s - one.start_s))
            yield t_s, image

    length = clipfile.encode(path, drawn(), rate, starts)
    if not length:
        return
    begin = times[0]
    listed[path.name] = _entry(begin, length, one.made_of, one.rows)
    for flag in one.flags:
        # The key frame is the first frame at or after the flag's start; a hair later it is found.
        key = next((t_s for t_s in times if t_s >= float(flag["clip_start_s"]) - 1e-6), None)
        if key is None:
            continue
        name = films.flag_name(int(flag["flag_id"]))
        piece = (path, key - begin + 1e-3, float(flag["clip_end_s"]) - begin)
        if flag_length := clipfile.join(folder / name, [piece]):
            listed[name] = _entry(key, flag_length, one.made_of, one.rows)


def _entry(start_s: float, length_s: float, made_of: str, rows: str) -> dict[str, Any]:
    return {
        "start_s": round(start_s, 4), "length_s": round(length_s, 4), "made_of": made_of,
        "rows": rows,
    }


def _write_list(folder: Path, listed: Mapping[str, dict[str, Any]]) -> None:
    write(folder / films.LIST_NAME, json.dumps(dict(sorted(listed.items())), indent=1) + "\n")


def remarks_of(
    match: Match, flags: Sequence[Row], titles: Mapping[str, str]
) -> list[clipdraw.Remark]:
    """What a film shows of the flags of a point, lettered as in its drawing."""
    remarks = []
    for flag, letter in zip(flags, scene.letters(len(flags)), strict=True):
        shot = habits.moment_of(match, flag)
        at = float(shot["t_contact_s"]) if shot else float(flag["clip_start_s"]) + 1.0
        remarks.append(clipdraw.Remark(
            at, flag["kind"], letter, titles[flag["rule"]], moments.build(shot) if shot else None,
            flag["rule"] in BISECTED, flag["rule"] in SPACE,
        ))
    return remarks


def _drawn(
    match: Match, one: Wanted, recording: Path, rows: _Rows, titles: Mapping[str, str]
) -> Iterator[tuple[float, np.ndarray]]:
    """Frames of a point with our drawing, both sides even."""
    frame_rows, by_frame = rows.within(one.start_s, one.end_s)
    times = np.array([row["t_s"] for row in frame_rows])
    remarks = remarks_of(match, one.flags, titles)
    slots = {side: match.slot_of[side] for side in OTHER}
    for shot in match.shots_of(one.played.row["point_id"]):
        slots[shot["hitter"]] = match.slot(shot)
        slots[OTHER[shot["hitter"]]] = "b" if match.slot(shot) == "a" else "a"
    numbers = sorted(by_frame)
    width = min(WIDTH_PX, video.probe(recording).width_px)
    last = -1.0
    for t_s, image in video.moments(recording, one.start_s, one.end_s, width):
        if t_s - last < 0.9 / MOST_HZ:
            continue
        last = t_s
        even = image[: image.shape[0] // 2 * 2, : image.shape[1] // 2 * 2]
        row = _nearest(frame_rows, times, t_s)
        if row is not None:
            low = np.searchsorted(numbers, int(row["frame"]) - 60)
            high = np.searchsorted(numbers, int(row["frame"]), side="right")
            near = [track for number in numbers[low:high] for track in by_frame[number]]
            even = overlay.draw(even, row, near, slots)
            clipdraw.draw(even, row, remarks, t_s)
        yield t_s, even


def _nearest(
    frame_rows: list[dict[str, Any]], times: np.ndarray, t_s: float
) -> dict[str, Any] | None:
    """The row of a frame by its time; None where the frame was not read."""
    if not len(times):
        return None
    k = int(np.clip(np.searchsorted(times, t_s), 1, max(len(times) - 1, 1)))
    best = min((k - 1, min(k, len(times) - 1)), key=lambda i: abs(times[i] - t_s))
    return frame_rows[best] if abs(times[best] - t_s) < 0.012 else None


def _reels(match: Match, folder: Path, listed: dict[str, dict[str, Any]]) -> None:
    """All cases of a rule and player after each other, in the order of the match."""
    for habit in films.all_habits(match):
        cases = sorted(habit.cases, key=lambda case: float(case.flag["clip_start_s"]))
        pieces = [
            (folder / name, 0.0, float(listed[name]["length_s"]))
            for case in cases
            if (name := films.flag_name(int(case.flag["flag_id"]))) in listed
        ]
        name = films.reel_name(habit.key)
        if len(pieces) > 1 and (length := clipfile.join(folder / name, pieces)):
            listed[name] = _entry(0.0, length, "", films.reel_rows(match, habit))
