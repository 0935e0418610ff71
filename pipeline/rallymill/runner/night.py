"""Run a folder of recordings: several matches at a time, each in its own process."""

from __future__ import annotations

import datetime
import logging
import threading
import time
from collections.abc import Callable, Collection, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from rallymill.config import AppConfig
from rallymill.errors import InputError, RallymillError
from rallymill.runner import plan
from rallymill.runner.child import Outcome, Stopped, run_child
from rallymill.runner.cluster import Cluster
from rallymill.runner.copying import still_growing
from rallymill.runner.folder import (
    NO_TEXT,
    HashBook,
    StillChangingError,
    is_text,
    known_matches,
    match_id_for,
    printable,
    recordings,
)
from rallymill.runner.lock import folder_lock
from rallymill.runner.logs import match_log
from rallymill.runner.match import FORCE_ALL, KEPT, Job, MatchRun
from rallymill.runner.registry import load_stages, registry_name
from rallymill.runner.store import MatchRecord, MatchStore
from rallymill.runner.summary import match_row, update_matches

log = logging.getLogger(__name__)

Listen = Callable[[str, Mapping[str, Any]], None]
"""Takes a match identifier and an event of that match."""


@dataclass
class NightResult:
    """What came of a run.

    ``rows`` has a row a match, ``doubles`` the files that hold the same recording as another,
    ``waiting`` those that were still being copied. ``took_s`` are seconds by match; ``started`` and
    ``ended`` local times in ISO 8601. A dry run puts what it would do into ``works``.
    """

    rows: list[dict[str, Any]] = field(default_factory=list)
    doubles: dict[str, str] = field(default_factory=dict)
    waiting: list[str] = field(default_factory=list)
    works: list[plan.Work] = field(default_factory=list)
    took_s: dict[str, float] = field(default_factory=dict)
    all_took_s: float = 0.0
    started: str = ""
    ended: str = ""

    @property
    def unread(self) -> list[dict[str, Any]]:
        """Rows of matches that could not be read."""
        return [row for row in self.rows if row["status"] == "not_read"]


def _now() -> str:
    return datetime.datetime.now().astimezone().isoformat(timespec="seconds")


class Night:
    """A run over a folder.

    Parameters
    ----------
    folder
        Folder of recordings, searched with all below it, or one recording.
    out
        Output folder.
    config
        The configuration.
    force
        Stages to run whatever their fingerprints say; ``all`` means each of them.
    registry
        Where the stages come from, see :func:`rallymill.runner.registry.load_stages`.
    listen
        Called with every event of every match, from several threads but never two at a time.
    isolated
        Run each match in a process of its own; without, a crash ends the whole run, but a debugger
        can look in.
    cluster
        Address of a Dask scheduler whose workers run the matches; None to run them here.
    done
        Called with the identifier of each match when all is written that came of it.
    """

    def __init__(
        self,
        folder: Path,
        out: Path,
        config: AppConfig,
        force: Sequence[str] = (),
        registry: str | None = None,
        listen: Listen = lambda match_id, event: None,
        isolated: bool = True,
        cluster: str | None = None,
        done: Callable[[str], None] = lambda match_id: None,
    ) -> None:
        self.folder, self.out, self.config = folder, out, config
        self._done = done
        self.force, self.registry = frozenset(force), registry or registry_name()
        self._listen, self.isolated = listen, isolated
        self._address = cluster
        self._cluster: Cluster | None = None
        self._guard = threading.Lock()
        self._identify = threading.Lock()
        self._stop = threading.Event()
        self.result = NightResult()

    def run(self, dry: bool = False) -> NightResult:
        """Run every recording of the folder; with ``dry`` only say what would be run and why.

        Raises
        ------
        InputError
            The folder is not there or holds no recording.
        FolderBusyError
            Another run is writing to the output folder.
        NoRoomError
            The disk has not enough room for what the run will write.
        """
        began = time.monotonic()
        self.result.started = _now()
        with ExitStack() as held:
            files = self._files(held, dry)
            handle = None if dry else held.enter_context(folder_lock(self.out))
            book = HashBook(self.out)
            self._begin(held, dry)
            if not dry:
                plan.require_room(self._room_needed(files, book), self.out)
            growing = self._growing([] if dry else files)
            names = known_matches(self.out)
            claimed: dict[str, str] = {}
            self._cluster = Cluster(self._address) if self._address and not dry else None
            try:
                self._all([path for path in files if path not in growing], book, names, claimed,
                          handle, dry)  # fmt: skip
                # What was still being copied may be whole by now; what is not waits for a next run.
                left = self._growing(growing)
                self._all(sorted(growing - left), book, names, claimed, handle, dry)
            finally:
                if self._cluster is not None:
                    self._cluster.close()
                if not dry:
                    book.save()
            self.result.rows.sort(key=lambda row: row["file"])
        for path in sorted(left):
            self.result.waiting.append(self._file_of(path))
        self.result.works.sort(key=lambda work: work.file)
        self.result.ended, self.result.all_took_s = _now(), time.monotonic() - began
        return self.result

    def _files(self, held: ExitStack, dry: bool) -> list[Path]:
        """Recordings of the folder."""
        return recordings(self.folder, self.out)

    def _begin(self, held: ExitStack, dry: bool) -> None:
        """What comes before all recordings, once the output folder is ours."""

    def _room_needed(self, files: Sequence[Path], book: HashBook) -> int:
        """Bytes that the run will write."""
        return plan.room_needed(files, self.out, load_stages(self.registry))

    def _hash_of(self, path: Path, book: HashBook) -> str:
        """Content hash of a recording."""
        return book.hash_of(path)

    def _growing(self, files: Collection[Path]) -> set[Path]:
        """Files that are still being copied."""
        return still_growing(files, self.config.execution.copying_wait_s)

    def _all(
        self,
        files: Sequence[Path],
        book: HashBook,
        names: Mapping[str, str],
        claimed: dict[str, str],
        handle: int | None,
        dry: bool,
    ) -> None:
        """Run some recordings, several at a time."""
        # Without processes of their own, matches would mix their logs and block each other.
        workers = 1 if dry or not self.isolated else self.config.execution.workers
        if self._cluster is not None:
            # More than there are, so that workers that come later find work.
            workers = 2 * self._cluster.n_workers
        pool = ThreadPoolExecutor(workers, thread_name_prefix="match")
        try:
            futures = [
                pool.submit(self._one, path, book, names, claimed, handle, dry) for path in files
            ]
            for future in as_completed(futures):
                future.result()
        except BaseException:
            self._stop.set()
            raise
        finally:
            pool.shutdown(wait=True, cancel_futures=True)

    def _file_of(self, path: Path) -> str:
        base = self.folder if self.folder.is_dir() else self.folder.parent
        return printable(str(path.relative_to(base)))

    def _tell(self, match_id: str, event: Mapping[str, Any]) -> None:
        with self._guard:
            self._listen(match_id, event)

    def _one(
        self,
        path: Path,
        book: HashBook,
        names: Mapping[str, str],
        claimed: dict[str, str],
        handle: int | None,
        dry: bool,
    ) -> None:
        """Identify a recording, run it unless its like was run, and put its row down."""
        began = time.monotonic()
        file = self._file_of(path)
        if not is_text(str(path.resolve())):
            # No table, page or terminal could hold the name.
            record = MatchRecord(match_id_for(path, "unreadable"), file, printable(str(path)), "")
            record.problem, record.remedy = f"{file}: {NO_TEXT}", "give it another name"
            self._put_down(record, dry)
            return
        try:
            with self._identify:
                digest = self._hash_of(path, book)
                first = claimed.setdefault(digest, file)
        except StillChangingError:
            with self._guard:
                self.result.waiting.append(file)
            return
        except InputError as error:
            record = MatchRecord(match_id_for(path, "unreadable"), file, str(path), "")
            record.problem, record.remedy = error.problem, error.remedy
            self._put_down(record, dry)
            return
        match_id = names.get(digest) or match_id_for(path, digest)
        if first != file:
            with self._guard:
                self.result.doubles[file] = first
            self._tell(match_id, {"event": "double", "file": file, "of": first})
            return
        job = Job(path, file, digest, match_id, self.out, self.force)
        self._tell(match_id, {"event": "start", "file": file})
        record = self._plan(job) if dry else self._run(job, handle)
        if not dry:
            self.result.took_s[match_id] = time.monotonic() - began
        self._put_down(record, dry)
        if not dry:
            self._done(match_id)

    def _plan(self, job: Job) -> MatchRecord:
        """Say what would be run; nothing is written."""
        problems: list[Mapping[str, Any]] = []
        stages: list[str] = []
        found: dict[str, Any] = {}

        def emit(event: Mapping[str, Any]) -> None:
            if event["event"] == "failed":
                problems.append(event)
            elif event["event"] == "opened":
                found.update(event["video"])
            elif event["event"] == "stage" and event["reason"] != KEPT:
                stages.append(event["stage"])
            self._tell(job.match_id, event)

        MatchRun(job, load_stages(self.registry), self.config, emit, dry=True).run()
        record = MatchRecord(job.match_id, job.file, str(job.path), job.content_hash)
        work = plan.Work(job.file, job.path, plan.frames_of(found), tuple(stages))
        with self._guard:
            self.result.works.append(work)
        for event in problems:
            record.problem, record.remedy = event["problem"], event["remedy"]
        return record

    def _run(self, job: Job, handle: int | None) -> MatchRecord:
        store = MatchStore(job.out, job.match_id)

        def tell(event: Mapping[str, Any]) -> None:
            if event["event"] == "tables" and (record := store.read_record()):
                # The match page is made from the list of matches too, so that comes first.
                self._list(self._row(record))
            self._tell(job.match_id, event)

        empty = MatchRecord(job.match_id, job.file, str(job.path), job.content_hash)
        if self._cluster is not None:
            outcome = self._cluster.run(job, self.config, self.registry, tell, self._stop)
            record = self._finish(job, outcome)
            if outcome.ok:
                self._page(record)
            return record
        if not self.isolated:
            with match_log(store.folder):
                MatchRun(job, load_stages(self.registry), self.config, tell).run()
            return store.read_record() or empty
        try:
            outcome = run_child(
                job,
                self.config,
                self.registry,
                tell,
                self._stop,
                handle,
            )
        except OSError as error:
            raise RallymillError(
                f"no process could be started: {error.strerror}", "free memory and run again"
            ) from error
        return self._finish(job, outcome)

    def _finish(self, job: Job, outcome: Outcome) -> MatchRecord:
        """The record of a match whose process has ended, with what went wrong."""
        store = MatchStore(job.out, job.match_id)
        record = store.read_record()
        if record is None:
            record = MatchRecord(job.match_id, job.file, str(job.path), job.content_hash)
        if not outcome.ok:
            record.failed_stage = outcome.stage
            record.problem, record.remedy = outcome.problem, outcome.remedy
            store.write_record(record)
        return record

    def _page(self, record: MatchRecord) -> None:
        """Make the page of a match that was read elsewhere; a page that fails fails alone."""
        self._list(self._row(record))
        job = Job(Path(record.path), record.file, record.content_hash, record.match_id, self.out)
        with match_log(MatchStore(self.out, record.match_id).folder):
            MatchRun(job, load_stages(self.registry), self.config,
                     lambda event: self._tell(record.match_id, event)).page_alone()  # fmt: skip

    def _put_down(self, record: MatchRecord, dry: bool) -> None:
        if dry:
            status = "not_read" if record.problem else "read"
            row = {"match_id": record.match_id, "file": record.file, "status": status,
                   "reason": record.problem or None, "remedy": record.remedy or None}  # fmt: skip
        else:
            row = self._row(record)
        self._list(row, dry)
        # A row has a column of that name too, the event that was played.
        self._tell(record.match_id, {**row, "event": "row"})

    def _row(self, record: MatchRecord) -> dict[str, Any]:
        """Row of a match; tables that cannot be summed up make it unread, not the night."""
        try:
            return match_row(self.out, record)
        except Exception as error:
            log.exception("%s cannot be listed", record.match_id)
            record.problem = f"its tables cannot be summed up: {type(error).__name__}: {error}"
            record.remedy = f"run again with --force {FORCE_ALL}"
            return match_row(self.out, record)

    def _list(self, row: dict[str, Any], dry: bool = False) -> None:
        """Put a row into the result, and into ``matches.parquet`` after every match."""
        with self._guard:
            others = [old for old in self.result.rows if old["match_id"] != row["match_id"]]
            self.result.rows = [*others, row]
            if not dry:
                update_matches(self.out, self.result.rows)


__all__ = ["Night", "NightResult", "Stopped"]
