"""Which film shows a flag or a point: a clip that was cut, else the recording where it lies."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import quote

from rallymill.report import habits
from rallymill.report.content import Match, Played
from rallymill.report.habits import Habit

FOLDER = "clips"
LIST_NAME = "clips.json"
BEFORE_S, AFTER_S = 1.0, 1.0


@dataclass(frozen=True)
class Film:
    """A film relative to the match page.

    The recording's second ``offset_s`` is the film's second 0; ``from_s`` and ``to_s`` are what to
    look at, in seconds of the film. ``cut`` says whether it is a clip with our drawing.
    """

    src: str
    offset_s: float
    from_s: float
    to_s: float
    cut: bool

    def fragment(self) -> str:
        """Address with the seconds to play."""
        return f"{self.src}#t={self.from_s:.2f},{self.to_s:.2f}"


@dataclass(frozen=True)
class Films:
    """What there is to look at: clips by name with their start and length, and the recording."""

    clips: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    recording: str | None = None

    @staticmethod
    def find(folder: Path, recording: Path | None, match: Match) -> Films:
        """Clips in the page's folder that were made of the rows as they are now, and the recording.

        What was cut of other rows would show something else than the page says.
        """
        listed = read_list(folder / FOLDER)
        wanted = wanted_rows(match) if listed else {}
        there = {
            name: entry for name, entry in listed.items()
            if entry.get("rows") == wanted.get(name, "") and (folder / FOLDER / name).is_file()
        }
        return Films(there, link_to(recording, folder))

    def _clip(self, name: str) -> Film | None:
        entry = self.clips.get(name)
        if entry is None:
            return None
        length = float(entry["length_s"])
        return Film(f"{FOLDER}/{name}", float(entry["start_s"]), 0.0, length, True)

    def _of_recording(self, start_s: float, end_s: float) -> Film | None:
        if self.recording is None:
            return None
        return Film(self.recording, 0.0, max(start_s, 0.0), end_s, False)

    def of_flag(self, flag: Mapping[str, Any]) -> Film | None:
        """Seconds of a flag."""
        return self._clip(flag_name(int(flag["flag_id"]))) or self._of_recording(
            float(flag["clip_start_s"]), float(flag["clip_end_s"])
        )

    def of_point(self, number: int, start_s: float, end_s: float) -> Film | None:
        """Seconds of a point, from its first contact to the dead ball and a little more."""
        return self._clip(point_name(number)) or self._of_recording(
            start_s - BEFORE_S, end_s + AFTER_S
        )

    def reel(self, key: str) -> Film | None:
        """All cases of a rule and player in one film, if it was cut."""
        return self._clip(reel_name(key))


def flag_name(flag_id: int) -> str:
    """File of a flag's clip."""
    return f"flag-{flag_id:04d}.mp4"


def point_name(number: int) -> str:
    """File of a point's clip."""
    return f"point-{number:03d}.mp4"


def reel_name(key: str) -> str:
    """File of the reel of a rule and player."""
    return f"reel-{key}.mp4"


def digest(content: object) -> str:
    """Short hash of plain data."""
    return hashlib.sha256(json.dumps(content, default=str).encode()).hexdigest()[:16]


def rows_of(match: Match, played: Played) -> str:
    """Hash of what a point's clips show: its flags and strokes."""
    flags = [match.flags_of(row["point_id"]) for row in played.rows]
    return digest([played.number, flags, match.shots_of(played.row["point_id"])])


def reel_rows(match: Match, habit: Habit) -> str:
    """Hash of what a reel shows."""
    return digest(sorted(
        (int(case.flag["flag_id"]), rows_of(match, match.played[case.point - 1]))
        for case in habit.cases
    ))


def all_habits(match: Match) -> Iterable[Habit]:
    """Every habit of a match, of all kinds."""
    work = habits.build(match)
    for own in (work.faults, work.credits, work.notes):
        for found in own.values():
            yield from found


def wanted_rows(match: Match) -> dict[str, str]:
    """By file, the hash of rows that a clip must have been made of."""
    wanted = {}
    for played in match.played:
        rows = rows_of(match, played)
        wanted[point_name(played.number)] = rows
        for row in played.rows:
            for flag in match.flags_of(row["point_id"]):
                wanted[flag_name(int(flag["flag_id"]))] = rows
    return wanted | {reel_name(one.key): reel_rows(match, one) for one in all_habits(match)}


def read_list(folder: Path) -> dict[str, dict[str, Any]]:
    """The list of clips in a folder; empty where there is none."""
    try:
        found = json.loads((folder / LIST_NAME).read_text("utf-8"))
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def link_to(recording: Path | None, folder: Path) -> str | None:
    """Address of the recording relative to a folder, None if there is none."""
    if recording is None or not recording.is_file():
        return None
    try:
        relative = os.path.relpath(recording, folder)
    except ValueError:  # another drive: there is no relative path
        return recording.resolve().as_uri()
    return quote(Path(relative).as_posix())
