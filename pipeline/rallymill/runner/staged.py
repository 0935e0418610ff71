"""Recordings that lie in storage elsewhere: each on the local disk only while it is read.

A recording is brought when its turn comes and something is to be done with it, and taken away
after. What lies beside it (match sheet, court points) is small and brought at once, since what is
to be done depends on it. The content hash is remembered by what the storage says of the file, so
that a recording that was read is not brought again to find that nothing is to be done.
"""

from __future__ import annotations

import shutil
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path, PurePosixPath

from rallymill.errors import InputError
from rallymill.runner import plan
from rallymill.runner.folder import VIDEO_SUFFIXES, HashBook, no_recording
from rallymill.runner.storage import Entry, Storage
from rallymill.video import content_hash

FOLDER = ".staged"
"""Where recordings are while they are read, in the output folder."""
BESIDE_SUFFIX = ".yaml"
BYTES_A_FRAME = 25_000
"""Of a recording that was never looked at: 5 Mbit a second at 25 frames."""


class Staged:
    """The recordings of a folder in storage, and the place on the local disk for them."""

    def __init__(self, storage: Storage, place: Path) -> None:
        self.storage, self.place = storage, place
        self._entries: dict[Path, Entry] = {}
        self._beside: list[Entry] = []
        self._guard = threading.Lock()
        self._promised = 0

    def recordings(self) -> list[Path]:
        """Paths at which the recordings will be while they are read, in order of name.

        Raises
        ------
        InputError
            The storage cannot be reached, or holds no recording.
        """
        for entry in self.storage.entries():
            name = PurePosixPath(entry.name)
            # A name that climbs out of the place would be written wherever it says.
            if any(part.startswith(".") for part in name.parts) or name.is_absolute():
                continue
            if name.suffix.lower() in VIDEO_SUFFIXES:
                self._entries[self.place / name] = entry
            elif name.suffix.lower() == BESIDE_SUFFIX:
                self._beside.append(entry)
        if not self._entries:
            raise no_recording(str(self.storage))
        return sorted(self._entries)

    def clear(self) -> None:
        """Take away what is left of this or an earlier run."""
        shutil.rmtree(self.place, ignore_errors=True)

    def bring_beside(self) -> None:
        """Bring the files that lie beside recordings.

        Raises
        ------
        InputError
            One of them cannot be brought.
        """
        stems = {str(path.with_suffix("")) for path in self._entries}
        for entry in self._beside:
            to = self.place / entry.name
            if any(str(to).startswith(f"{stem}.") for stem in stems):
                self.storage.fetch(entry, to)

    def size(self, path: Path) -> int:
        """Bytes of a recording."""
        return self._entries[path].size

    def frames(self, path: Path) -> int:
        """Frames that a recording may have, by its size."""
        return max(self.size(path) // BYTES_A_FRAME, 1)

    def known_hash(self, path: Path, book: HashBook) -> str | None:
        """Content hash of a recording that was read before and has not changed since."""
        return book.recall(*self._mark(path))

    def hash_of(self, path: Path, book: HashBook) -> str:
        """Content hash of a recording, which is read for it unless it is known.

        Raises
        ------
        InputError
            It is not here or cannot be read.
        """
        known = self.known_hash(path, book)
        if known is not None:
            return known
        digest = content_hash(path)
        book.remember(*self._mark(path), digest)
        return digest

    def _mark(self, path: Path) -> tuple[str, list[int | str]]:
        entry = self._entries[path]
        return f"{self.storage}/{entry.name}", [entry.size, entry.mark]

    @contextmanager
    def brought(self, path: Path) -> Iterator[None]:
        """A recording on the local disk, taken away at the end.

        Raises
        ------
        InputError
            It cannot be brought.
        NoRoomError
            The disk has no room for it beside those that are there or on their way.
        """
        entry = self._entries[path]
        with self._guard:
            plan.require_room(self._promised + entry.size, self.place)
            self._promised += entry.size
        try:
            # What is known of it may be as old as the list of files.
            now = self.storage.entry(entry.name)
            if (now.size, now.mark) != (entry.size, entry.mark):
                raise InputError(
                    f"{entry.name} has changed since it was listed", "run again later"
                )
            self.storage.fetch(entry, path)
        finally:
            with self._guard:
                self._promised -= entry.size
        try:
            yield
        finally:
            path.unlink(missing_ok=True)
