"""Which files of a folder are recordings, and what their matches are called."""

from __future__ import annotations

import json
import re
import unicodedata
from pathlib import Path

from rallymill.errors import InputError
from rallymill.matchsheet import plain_letters
from rallymill.runner.store import records, write_json
from rallymill.video import content_hash

VIDEO_SUFFIXES = frozenset(
    {".mp4", ".mov", ".mkv", ".avi", ".m4v", ".webm", ".mts", ".m2ts", ".ts", ".mpg", ".mpeg",
     ".wmv"}
)  # fmt: skip
SLUG_LENGTH = 40
HASH_LENGTH = 8
HASHES_NAME = ".hashes.json"


def recordings(folder: Path, out: Path | None = None) -> list[Path]:
    """Files with the suffix of a video in a folder and below, in order of name.

    Hidden files and folders are passed over. A link that leads nowhere is given too, so that it
    is listed as not read. What stands in the output folder ``out`` (clips of pages) is no
    recording. A single file stands for itself.

    Raises
    ------
    InputError
        The folder is not there or holds no recording.
    """
    if folder.is_file():
        return [folder]
    if not folder.is_dir():
        raise InputError(f"{folder}: no such folder", "check the path")
    apart = None if out is None else out.resolve()
    found = [
        path
        for path in folder.rglob("*")
        if path.suffix.lower() in VIDEO_SUFFIXES
        and (path.is_file() or path.is_symlink())
        and not any(part.startswith(".") for part in path.relative_to(folder).parts)
        and not (apart is not None and apart in path.absolute().parents)
    ]
    if not found:
        raise no_recording(str(folder))
    return sorted(found)


def no_recording(folder: str) -> InputError:
    """What is said of a folder without a recording."""
    kinds = " ".join(sorted(VIDEO_SUFFIXES))
    return InputError(f"{folder} holds no recording", f"files ending in {kinds} are read")


TURNING = frozenset({"LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"})
"""Signs that turn the direction of what follows, so that a name can seem another."""
NO_TEXT = "the name of the file or of a folder above it is not UTF-8"


def is_text(path: str) -> bool:
    """Whether a path is text, and not bytes of which the system can make none."""
    try:
        path.encode()
    except UnicodeEncodeError:
        return False
    return True


def printable(name: str) -> str:
    """A name of a file with a sign for what no one can show, moves a cursor or turns a text."""
    text = name.encode("utf-8", "replace").decode()
    return "".join("\ufffd" if _unseen(letter) else letter for letter in text)


def _unseen(letter: str) -> bool:
    turns = unicodedata.bidirectional(letter) in TURNING
    return turns or unicodedata.category(letter) in ("Cc", "Zl", "Zp")


def slug(stem: str) -> str:
    """Lower-case letters, digits and hyphens from a file stem; ``match`` if none are left."""
    words = re.findall(r"[a-z0-9]+", plain_letters(stem).lower())
    return "-".join(words)[:SLUG_LENGTH].strip("-") or "match"


def match_id_for(path: Path, digest: str) -> str:
    """Identifier of a match: slug of the file's stem and the start of its content hash."""
    return f"{slug(path.stem)}-{digest[:HASH_LENGTH]}"


class StillChangingError(InputError):
    """A recording was written to while it was read."""


class HashBook:
    """Content hashes of recordings, remembered by path, size and time of change."""

    def __init__(self, out: Path) -> None:
        self.path = out / HASHES_NAME
        try:
            self.known: dict[str, list[int | str]] = json.loads(self.path.read_text())
        except (OSError, ValueError):
            self.known = {}

    def hash_of(self, path: Path) -> str:
        """SHA-256 of a file.

        Raises
        ------
        StillChangingError
            It was written to meanwhile.
        InputError
            It cannot be read.
        """
        key = str(path.resolve())
        try:
            stat = path.stat()
        except OSError as error:
            raise InputError(
                f"{path.name} cannot be read: {error.strerror}", "check the link or the disk"
            ) from error
        mark: list[int | str] = [stat.st_size, stat.st_mtime_ns]
        if self.known.get(key, [])[:2] != mark:
            digest = content_hash(path)
            after = path.stat()
            if [after.st_size, after.st_mtime_ns] != mark:
                raise StillChangingError(f"{path.name} is still being copied", "run again later")
            self.known[key] = [*mark, digest]
        return str(self.known[key][2])

    def recall(self, key: str, mark: list[int | str]) -> str | None:
        """Hash that was remembered under a key, if the mark is still the same."""
        found = self.known.get(key, [])
        return str(found[2]) if found[:2] == mark else None

    def remember(self, key: str, mark: list[int | str], digest: str) -> None:
        """Remember a hash under a key until the mark changes."""
        self.known[key] = [*mark, digest]

    def save(self) -> None:
        """Write the book down for the next run."""
        write_json(self.path, self.known)


def known_matches(out: Path) -> dict[str, str]:
    """Match identifiers of an output folder by content hash: a renamed file keeps its match."""
    return {record.content_hash: record.match_id for record in records(out)}
