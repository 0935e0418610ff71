"""What was applied to a match: numbered files that are never changed.

``outputs/matches/<match_id>/corrections/0001.json`` and so on: what was said, by whom, when and
from which file. A file may take earlier ones back (``withdraws``); nothing is deleted. So any state
can be told again, and the tables of the match can be made anew from the recording and these files.
"""

from __future__ import annotations

import datetime
import json
import os
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from rallymill.corrections.rows import Correction
from rallymill.errors import InputError

FOLDER = "corrections"
FORMAT = 1
TEMPLATE = "template-"
MAX_NUMBER = 9999
REMEDY_BROKEN = "bring it back from a copy, or take it away to do without what it says"


@dataclass(frozen=True)
class Applied:
    """A numbered file: its rows, or the numbers that it takes back."""

    number: int
    applied_at: str
    by: str = ""
    note: str = ""
    source: str = ""
    rows: tuple[Correction, ...] = ()
    withdraws: tuple[int, ...] = ()

    def plain(self) -> dict[str, Any]:
        """The file's content as plain data."""
        return {
            "format": FORMAT, "number": self.number, "applied_at": self.applied_at,
            "by": self.by, "note": self.note, "source": self.source,
            "withdraws": list(self.withdraws), "rows": [row.plain() for row in self.rows],
        }  # fmt: skip


@dataclass(frozen=True)
class Kept:
    """All that was applied to a match, and what cannot be read of it."""

    files: tuple[Applied, ...] = ()
    broken: tuple[str, ...] = ()

    @property
    def withdrawn(self) -> frozenset[int]:
        """Numbers of files that were taken back; a file that takes back may be taken back too."""
        gone: set[int] = set()
        for file in sorted(self.files, key=lambda file: -file.number):
            if file.number not in gone:
                gone |= set(file.withdraws)
        return frozenset(gone)

    @property
    def rows(self) -> tuple[Correction, ...]:
        """Rows that hold, in the order in which they were applied."""
        gone = self.withdrawn
        return tuple(row for file in self.files if file.number not in gone for row in file.rows)

    @property
    def problem(self) -> str:
        """What cannot be read, empty if all can."""
        return "; ".join(self.broken)


def load(match_folder: Path) -> Kept:
    """What was applied to the match of a folder; a file that is not whole is named, not raised."""
    folder = match_folder / FOLDER
    files, broken = [], []
    for path in sorted(folder.glob("[0-9]*.json")) if folder.is_dir() else []:
        try:
            files.append(_applied(json.loads(path.read_text(encoding="utf-8"))))
        except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
            broken.append(f"{FOLDER}/{path.name} cannot be read: {_short(error)}")
    return Kept(tuple(sorted(files, key=lambda file: file.number)), tuple(broken))


def _short(error: Exception) -> str:
    return str(error).splitlines()[0][:200] if str(error) else type(error).__name__


def _applied(given: Any) -> Applied:
    if given["format"] != FORMAT:
        raise ValueError(f"it is of format {given['format']}, this rallymill knows {FORMAT}")
    number = int(given["number"])
    return Applied(
        number, str(given["applied_at"]), str(given.get("by", "")), str(given.get("note", "")),
        str(given.get("source", "")),
        tuple(Correction.of_plain(row, number) for row in given["rows"]),
        tuple(int(other) for other in given["withdraws"]),
    )  # fmt: skip


def templates(match_folder: Path) -> dict[int, str]:
    """Templates that were written for the match of a folder, by number."""
    found = {}
    for path in sorted((match_folder / FOLDER).glob(f"{TEMPLATE}[0-9]*.csv")):
        digits = path.stem.removeprefix(TEMPLATE)
        if digits.isdecimal():
            try:
                found[int(digits)] = path.read_text(encoding="utf-8")
            except (OSError, UnicodeDecodeError):
                continue
    return found


def keep_template(match_folder: Path, text_of: Callable[[int], str]) -> str:
    """Write the next template, whose text depends on its number, and give the text."""
    number = max(templates(match_folder), default=0) + 1
    text = text_of(number)
    _write(match_folder / FOLDER, f"{TEMPLATE}{number:04d}.csv", text)
    return text


def replace_texts(match_folder: Path, other: Callable[[str], str]) -> None:
    """Put other texts in the place of notes and names of those who corrected, in every file.

    The one thing that may change a numbered file: people have a right to be forgotten.
    """
    for file in load(match_folder).files:
        rows = tuple(replace(row, by=other(row.by), note=other(row.note)) for row in file.rows)
        changed = replace(file, by=other(file.by), note=other(file.note),
                          source=other(file.source), rows=rows)  # fmt: skip
        if changed != file:
            text = json.dumps(changed.plain(), indent=1, ensure_ascii=False)
            _write(match_folder / FOLDER, f"{file.number:04d}.json", text)


def _write(folder: Path, name: str, text: str) -> None:
    """Write a file of the folder by temporary file and rename."""
    folder.mkdir(parents=True, exist_ok=True)
    handle, temporary = tempfile.mkstemp(prefix=".", suffix=".part", dir=folder)
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as out:
            out.write(text)
            out.flush()
            os.fsync(out.fileno())
        os.chmod(temporary, 0o644)
        os.replace(temporary, folder / name)
    finally:
        if os.path.exists(temporary):
            os.unlink(temporary)


def add(
    match_folder: Path,
    rows: Sequence[Correction] = (),
    withdraws: Sequence[int] = (),
    by: str = "",
    note: str = "",
    source: str = "",
) -> Applied:
    """Write the next numbered file; the caller holds the lock of the output folder.

    Raises
    ------
    InputError
        There is no room for another number, or an earlier number that is to be taken back is not
        there.
    OSError
        The file cannot be written.
    """
    folder = match_folder / FOLDER
    kept = load(match_folder)
    unknown = set(withdraws) - {file.number for file in kept.files}
    if unknown:
        known = ", ".join(str(file.number) for file in kept.files) or "none"
        raise InputError(f"no corrections {min(unknown)} were applied", f"there are: {known}")
    folder.mkdir(parents=True, exist_ok=True)
    taken = [int(path.stem) for path in folder.glob("[0-9]*.json") if path.stem.isdecimal()]
    number = max(taken, default=0) + 1
    if number > MAX_NUMBER:
        raise InputError(f"{folder} is full", "put its files together into one")
    now = datetime.datetime.now().astimezone().isoformat(timespec="seconds")
    applied = Applied(number, now, by, note, source, tuple(rows), tuple(withdraws))
    text = json.dumps(applied.plain(), indent=1, ensure_ascii=False)
    _write(folder, f"{number:04d}.json", text)
    return _applied(applied.plain())
