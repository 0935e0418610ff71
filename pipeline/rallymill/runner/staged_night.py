"""A run over recordings that lie in storage elsewhere."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from rallymill.config import AppConfig
from rallymill.errors import InputError, RallymillError
from rallymill.runner import plan
from rallymill.runner.folder import HashBook, match_id_for, printable
from rallymill.runner.match import KEPT, Job, MatchRun
from rallymill.runner.night import Night
from rallymill.runner.registry import load_stages
from rallymill.runner.staged import FOLDER, Staged
from rallymill.runner.storage import MOUNT, Storage
from rallymill.runner.store import MatchRecord


class StagedNight(Night):
    """A run whose recordings are on the local disk only while they are read; see :class:`Night`."""

    def __init__(
        self, storage: Storage, out: Path, config: AppConfig, force: Sequence[str] = (),
        **options: Any,
    ) -> None:
        """``storage`` holds the recordings; the rest is as for :class:`Night`."""
        super().__init__(out.resolve() / FOLDER, out, config, force, **options)
        self._source = Staged(storage, self.folder)

    def _files(self, held: ExitStack, dry: bool) -> list[Path]:
        if self._address:
            raise InputError(
                f"{self._source.storage} is not seen by all workers of a cluster", MOUNT
            )
        if dry:
            # A dry run leaves nothing behind.
            self.folder = Path(held.enter_context(
                tempfile.TemporaryDirectory(prefix="rallymill-plan-")
            ))
            self._source = Staged(self._source.storage, self.folder)
        return self._source.recordings()

    def _begin(self, held: ExitStack, dry: bool) -> None:
        if not dry:
            self._source.clear()
            held.callback(self._source.clear)
        self._source.bring_beside()

    def _room_needed(self, files: Sequence[Path], book: HashBook) -> int:
        new = [path for path in files if self._source.known_hash(path, book) is None]
        largest = sorted(map(self._source.size, new))[-self.config.execution.workers :]
        frames = sum(map(self._source.frames, new))
        return sum(largest) + round(frames * plan.bytes_a_frame(self.out))

    def _file_of(self, path: Path) -> str:
        # Where recordings will be there may be nothing yet.
        return printable(path.relative_to(self.folder).as_posix())

    def _hash_of(self, path: Path, book: HashBook) -> str:
        return self._source.hash_of(path, book)

    def _one(
        self, path: Path, book: HashBook, names: Mapping[str, str], claimed: dict[str, str],
        handle: int | None, dry: bool,
    ) -> None:
        """Bring a recording if anything is to be done with it, run it, and take it away."""
        known = self._source.known_hash(path, book)
        if dry and known is None:
            self._not_looked_at(path)
            return
        with ExitStack() as held:
            if known is None or not (dry or self._kept(path, known, names)):
                try:
                    held.enter_context(self._source.brought(path))
                except RallymillError as error:
                    file = self._file_of(path)
                    record = MatchRecord(match_id_for(path, "unreadable"), file, str(path), "")
                    record.problem, record.remedy = error.problem, error.remedy
                    self._put_down(record, dry)
                    return
            super()._one(path, book, names, claimed, handle, dry)

    def _kept(self, path: Path, digest: str, names: Mapping[str, str]) -> bool:
        """Whether nothing is to be done with a recording that was read before."""
        if digest not in names:
            return False
        reasons = set()

        def emit(event: Mapping[str, Any]) -> None:
            if event["event"] in ("stage", "failed"):
                reasons.add(event.get("reason"))

        job = Job(path, self._file_of(path), digest, names[digest], self.out, self.force)
        MatchRun(job, load_stages(self.registry), self.config, emit, dry=True).run()
        return reasons == {KEPT}

    def _not_looked_at(self, path: Path) -> None:
        """Say in a dry run what would be run for a recording that was never brought here."""
        file, match_id = self._file_of(path), match_id_for(path, "unknown")
        stages = tuple(stage.name for stage in load_stages(self.registry))
        self._tell(match_id, {"event": "start", "file": file})
        for stage in stages:
            self._tell(match_id, {"event": "stage", "stage": stage, "reason": "new"})
        with self._guard:
            self.result.works.append(plan.Work(file, path, self._source.frames(path), stages))
        self._put_down(MatchRecord(match_id, file, str(path), ""), dry=True)
