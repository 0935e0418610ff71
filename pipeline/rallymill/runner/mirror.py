"""An output folder in storage elsewhere: made on the local disk, written there match by match.

Tables are put in place by renames, and locks and checkpoints are files too, which storage need not
offer. So a run works in a folder of this machine that mirrors the one in storage: it begins with
what the storage has, and what a match came to is written back when the match is through, its
tables before the record that speaks of them. A run that was ended goes on from what this machine
holds; one on another machine from the last match that was written back.

Checkpoints, recordings and locks stay here. Pages are written but not brought, for no stage reads
them. A file that is gone from the storage is taken away here too.
"""

from __future__ import annotations

import hashlib
import json
import logging
import os
import socket
import tempfile
import threading
import time
import uuid
from pathlib import Path
from types import TracebackType
from typing import Any

from rallymill.errors import RallymillError
from rallymill.runner.folder import HASHES_NAME
from rallymill.runner.lock import FolderBusyError
from rallymill.runner.storage import PART, Storage
from rallymill.runner.store import MATCHES_FOLDER, RECORD_NAME, write_json

log = logging.getLogger(__name__)

BOOK_NAME = ".mirror.json"
"""What the storage and this machine had when they were last the same, by name."""
LOCK_NAME = ".rallymill-lock.json"
REFRESH_S = 120.0
STALE_S = 900.0
"""A lock that was not renewed for so long belongs to a run that is no more."""
SETTLE_S = 0.5
"""Two runs that begin in the same moment both write a lock; after so long the last one stands."""
PAGE = "page"


def place_for(url: str) -> Path:
    """Folder of this machine that mirrors an output folder in storage."""
    cache = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    return cache / "rallymill" / "outputs" / hashlib.sha256(url.encode()).hexdigest()[:16]


class Mirror:
    """A folder of this machine that mirrors an output folder in storage, while it is entered."""

    def __init__(self, storage: Storage, place: Path | None = None, dry: bool = False) -> None:
        """``dry`` brings what the storage has and writes nothing back."""
        self.storage, self.dry = storage, dry
        self.place = place if place is not None else place_for(storage.url)
        self._owner = uuid.uuid4().hex
        self._guard = threading.Lock()
        self._ended = threading.Event()
        self._book: dict[str, list[Any]] = {}

    def __enter__(self) -> Mirror:
        """Lock the folder in storage and bring what it has.

        Raises
        ------
        FolderBusyError
            Another run is writing to it.
        InputError
            The storage cannot be reached.
        """
        self._lock()
        try:
            self.place.mkdir(parents=True, exist_ok=True)
            self._pull()
        except BaseException:
            self._unlock()
            raise
        if not self.dry:
            threading.Thread(target=self._renew, daemon=True).start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Write back what is not yet there, and give the folder free."""
        try:
            if not self.dry:
                self.push()
        except RallymillError:
            if kind is None:
                raise
            log.exception("what was made before the error is not all in %s", self.storage)
        finally:
            self._ended.set()
            self._unlock()

    def push_match(self, match_id: str) -> None:
        """Write back what came of a match; what fails is tried again at the end of the run."""
        try:
            self.push(f"{MATCHES_FOLDER}/{match_id}/")
        except RallymillError as error:
            log.warning("%s is not all in %s yet: %s", match_id, self.storage, error)

    def push(self, below: str = "") -> None:
        """Write back what changed here, below a part of the folder; take away what is gone.

        Raises
        ------
        InputError
            The storage cannot be written to.
        """
        with self._guard:
            here = {name for name in self._names() if name.startswith(below)}
            try:
                for name in sorted(here, key=_after_what_it_speaks_of):
                    path = self.place / name
                    mark = _mark(path)
                    if self._book.get(name, [])[2:] != mark:
                        entry = self.storage.put(path, name)
                        self._book[name] = [entry.size, entry.mark, *mark]
                for name in [name for name in self._book if name.startswith(below)]:
                    if name not in here:
                        self.storage.remove(name)
                        del self._book[name]
            finally:
                self._save()

    def _pull(self) -> None:
        self._book = _read(self.place / BOOK_NAME)
        there = {entry.name: entry for entry in self.storage.entries() if _belongs(entry.name)}
        for name, entry in there.items():
            path = self.place / name
            if PAGE in Path(name).parts and not path.exists():
                continue
            if self._book.get(name, [])[:2] != [entry.size, entry.mark] or not path.exists():
                self.storage.fetch(entry, path)
                self._book[name] = [entry.size, entry.mark, *_mark(path)]
        for name in [name for name in self._book if name not in there]:
            (self.place / name).unlink(missing_ok=True)
            del self._book[name]
        self._save()

    def _names(self) -> list[str]:
        found = [path for path in self.place.rglob("*") if path.is_file()]
        names = [path.relative_to(self.place).as_posix() for path in found]
        return [name for name in names if _belongs(name)]

    def _save(self) -> None:
        write_json(self.place / BOOK_NAME, self._book)

    def _lock(self) -> None:
        held = self._held()
        if held and held.get("owner") != self._owner and not _over(held):
            raise FolderBusyError(
                f"another run is writing to {self.storage} (process {held.get('process')} of "
                f"{held.get('machine')})",
                "wait for it, or give another folder with --out",
            )
        if self.dry:
            return
        self._write_lock()
        time.sleep(SETTLE_S)
        held = self._held()
        if held.get("owner") != self._owner:
            raise FolderBusyError(
                f"another run began to write to {self.storage} in the same moment",
                "wait for it, or give another folder with --out",
            )

    def _write_lock(self) -> None:
        content = {"owner": self._owner, "machine": socket.gethostname(), "process": os.getpid(),
                   "time_s": time.time()}  # fmt: skip
        with tempfile.TemporaryDirectory(prefix="rallymill-lock-") as folder:
            path = Path(folder) / "lock.json"
            path.write_text(json.dumps(content), encoding="utf-8")
            self.storage.put(path, LOCK_NAME)

    def _held(self) -> dict[str, Any]:
        """What the lock in storage says; empty where there is none."""
        entry = self.storage.find(LOCK_NAME)
        if entry is None:
            return {}
        with tempfile.TemporaryDirectory(prefix="rallymill-lock-") as folder:
            path = Path(folder) / "lock.json"
            self.storage.fetch(entry, path)
            return _read(path)

    def _renew(self) -> None:
        while not self._ended.wait(REFRESH_S):
            try:
                self._write_lock()
            except RallymillError as error:
                log.warning("the lock could not be renewed: %s", error)

    def _unlock(self) -> None:
        if self.dry:
            return
        try:
            if self._held().get("owner") == self._owner:
                self.storage.remove(LOCK_NAME)
        except RallymillError as error:
            log.warning("the lock could not be taken away: %s", error)


def _belongs(name: str) -> bool:
    """Whether a file is part of the output, and no checkpoint, lock or file half written."""
    parts = Path(name).parts
    hidden = any(part.startswith(".") for part in parts)
    return name == HASHES_NAME or not (hidden or PART in parts[-1] or ".." in parts)


def _after_what_it_speaks_of(name: str) -> tuple[int, str]:
    """Tables and pages, then the records of matches, then what speaks of all matches."""
    if "/" not in name:
        return 2, name
    return int(name.endswith(f"/{RECORD_NAME}")), name


def _mark(path: Path) -> list[Any]:
    stat = path.stat()
    return [stat.st_size, stat.st_mtime_ns]


def _read(path: Path) -> dict[str, Any]:
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def _over(held: dict[str, Any]) -> bool:
    """Whether the run that holds a lock is no more."""
    if time.time() - float(held.get("time_s", 0.0)) > STALE_S:
        return True
    if held.get("machine") != socket.gethostname():
        return False
    try:
        os.kill(int(held.get("process", 0)), 0)
    except (ProcessLookupError, ValueError):
        return True
    except PermissionError:
        return False
    return False
