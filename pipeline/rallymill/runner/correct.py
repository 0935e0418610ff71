"""Apply corrections to a match: examine a file, keep what is new, run what depends on it."""

from __future__ import annotations

import json
import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from rallymill import config as configuration
from rallymill import courtpoints
from rallymill.config import AppConfig
from rallymill.corrections import store as kept_files
from rallymill.corrections.difference import Standing, against
from rallymill.corrections.reading import Fault, read
from rallymill.corrections.rows import COURT, Correction, bearing_upon
from rallymill.corrections.template import template
from rallymill.errors import ConfigError, InputError, TableError
from rallymill.runner.fingerprint import corrections_for
from rallymill.runner.lock import folder_lock
from rallymill.runner.logs import match_log
from rallymill.runner.match import KEPT, Emit, Job, MatchRun
from rallymill.runner.store import CONFIG_NAME, MatchRecord, MatchStore
from rallymill.runner.summary import match_row, update_matches
from rallymill.stages.base import Stage
from rallymill.stages.correcting import UNFIT, restate
from rallymill.stages.given import with_corrections
from rallymill.stages.shots_rally import read_arcs, read_events
from rallymill.tables import ALL

log = logging.getLogger(__name__)

class CorrectionError(InputError):
    """Rows of a correction file cannot be applied; ``faults`` has a line for each."""

    def __init__(self, problem: str, remedy: str, faults: Sequence[str] = ()) -> None:
        super().__init__(problem, remedy)
        self.faults = tuple(faults)


@dataclass(frozen=True)
class Examined:
    """What a file would do: its new rows, and faults of the others."""

    rows: tuple[Correction, ...]
    faults: tuple[Fault, ...]


@dataclass
class Done:
    """What came of it.

    ``stages`` were run; ``waiting`` are those that need the recording and were left to the next
    ``rallymill process``; ``why_waiting`` says so in words, and ``problem`` what went wrong.
    """

    applied: kept_files.Applied | None = None
    stages: list[str] = field(default_factory=list)
    waiting: list[str] = field(default_factory=list)
    why_waiting: str = ""
    problem: str = ""
    remedy: str = ""


class Correcting:
    """The corrections of one match of an output folder.

    Raises
    ------
    InputError
        The match was not read, or by an earlier version that kept no machine tables.
    """

    def __init__(self, out: Path, match_id: str) -> None:
        self.out, self.store = out, MatchStore(out, match_id)
        record = self.store.read_record()
        if record is None:
            raise InputError(f"{match_id} is not in {out}", "run rallymill process first")
        self.record: MatchRecord = record

    def kept(self) -> kept_files.Kept:
        """What was applied so far."""
        return kept_files.load(self.store.folder)

    def _rows(self, name: str) -> list[dict[str, Any]]:
        try:
            rows: list[dict[str, Any]] = self.store.read_table(ALL[name]).to_pylist()
        except TableError as error:
            raise InputError(
                f"{self.store.match_id} has no table {name} yet", "run rallymill process first"
            ) from error
        return rows

    def template(self) -> str:
        """A new correction file of the match, to be edited; a copy is kept with the match."""
        shots, points = self._rows("shots"), self._rows("points")
        return kept_files.keep_template(
            self.store.folder, lambda number: template(shots, points, number))

    def standing(self) -> Standing:
        """What a file is held against."""
        players = (self.record.sheet.get("players") or {}).values()
        codes = [player["code"] for player in players if player]
        return Standing(self._rows("shots"), self._rows("points"), self.kept().rows,
                        codes if len(codes) == 2 else ())  # fmt: skip

    def examine(self, path: Path) -> Examined:
        """Read a file and hold it against the match; nothing is changed.

        Raises
        ------
        InputError
            The file as a whole cannot be used, or the match has no tables.
        """
        found = read(path, kept_files.templates(self.store.folder))
        new, faults = against(found.rows, self.standing())
        faults = [*found.faults, *faults]
        bad = {fault.row for fault in faults}
        unfit = [fault for fault in (*self._unfit(new), *self._court(new)) if fault.row not in bad]
        faults = sorted([*faults, *unfit], key=lambda fault: fault.row)
        wrong = {fault.row for fault in unfit}
        return Examined(tuple(row for row in new if row.row not in wrong), tuple(faults))

    def _unfit(self, new: Sequence[Correction]) -> list[Fault]:
        """Rows that would not fit when all corrections are replayed."""
        number = max((row.number for row in self.kept().rows), default=0) + 1
        rows = [*self.kept().rows, *(replace(row, number=number) for row in new)]
        restated = restate(
            read_events(self.store.read_table(ALL["events"])),
            read_arcs(self.store.read_table(ALL["arcs"])), rows, self.record.sheet,
        )
        reasons = {
            outcome.row.row: outcome.reason for outcome in restated.outcomes
            if outcome.row.number == number and outcome.status == UNFIT
        }
        return [Fault(row, reason, "correct the row") for row, reason in sorted(reasons.items())]

    def _court(self, new: Sequence[Correction]) -> list[Fault]:
        """Court points of which no camera could be made, which would end the next run."""
        court = [row for row in new if row.what == "court"]
        if not court:
            return []
        video = Path(self.record.path)
        rows = [*bearing_upon(self.kept().rows, [COURT]), *court]
        size = self.record.video["width_px"], self.record.video["height_px"]
        try:
            for frame in with_corrections(courtpoints.for_video(video), rows).frames:
                courtpoints.camera_of(frame, *size)
        except InputError as error:
            return [Fault(court[0].row, error.problem, error.remedy)]
        return []

    def apply(
        self, path: Path, stages: Sequence[Stage], config: AppConfig, emit: Emit,
        partly: bool = False, by: str = "",
    ) -> Done:
        """Keep the new rows of a file and run what depends on them.

        All rows or none, unless ``partly``: then those without fault.

        Raises
        ------
        CorrectionError
            Rows cannot be applied.
        InputError
            As :meth:`examine`.
        FolderBusyError
            A run is writing to the output folder.
        """
        with folder_lock(self.out):
            found = self.examine(path)
            if found.faults and not partly:
                lines = [fault.text(path.name) for fault in found.faults]
                raise CorrectionError(
                    f"{path.name}: {len(lines)} "
                    f"{'row' if len(lines) == 1 else 'rows'} cannot be applied, so none was",
                    "correct them, or apply the others with --partly", lines,
                )
            if not found.rows:
                return Done()
            rows = [replace(row, by=row.by or by) for row in found.rows]
            applied = kept_files.add(self.store.folder, rows, by=by, source=path.name)
            return self._run(applied, stages, config, emit)

    def withdraw(
        self, numbers: Sequence[int], stages: Sequence[Stage], config: AppConfig, emit: Emit,
        by: str = "",
    ) -> Done:
        """Take earlier corrections back, by the numbers of their files, and run what depends on it.

        Raises
        ------
        InputError
            There is no such number.
        """
        with folder_lock(self.out):
            applied = kept_files.add(self.store.folder, withdraws=numbers, by=by)
            return self._run(applied, stages, config, emit)

    def _run(
        self, applied: kept_files.Applied, stages: Sequence[Stage], config: AppConfig, emit: Emit
    ) -> Done:
        done = Done(applied)
        if not Path(self.record.path).exists():
            done.why_waiting = f"the recording is not at {self.record.path}"
            rows = applied.rows or self.kept().rows
            done.waiting = [stage.name for stage in stages if corrections_for(stage, rows)]
            return done
        job = Job(Path(self.record.path), self.record.file, self.record.content_hash,
                  self.record.match_id, self.out)  # fmt: skip
        due: list[str] = []

        def plan(event: Mapping[str, Any]) -> None:
            if event["event"] == "stage" and event["reason"] != KEPT:
                due.append(event["stage"])

        MatchRun(job, stages, config, plan, dry=True).run()
        looking = [stage.name for stage in stages if stage.needs_video and stage.name in due]
        if looking:
            done.waiting = due
            done.why_waiting = f"{', '.join(looking)} must look at the recording again"
            return done

        def listen(event: Mapping[str, Any]) -> None:
            if event["event"] == "tables":
                self._list()
            elif event["event"] == "done":
                done.stages.append(event["stage"])
            elif event["event"] == "failed":
                done.problem, done.remedy = event["problem"], event["remedy"]
            emit(event)

        with match_log(self.store.folder):
            MatchRun(job, stages, config, listen).run()
        self._list()
        return done

    def _list(self) -> None:
        record = self.store.read_record()
        if record is not None:
            update_matches(self.out, [match_row(self.out, record)])

    def config(self, stages: Sequence[Stage], path: Path | None) -> AppConfig:
        """The configuration of the match's last run, so that nothing else changes; or the given.

        Raises
        ------
        ConfigError
            The given one is wrong.
        """
        if path is None:
            try:
                given = json.loads((self.store.folder / CONFIG_NAME).read_text(encoding="utf-8"))
                return configuration.build(given, stages, Path("/"), None)
            except (OSError, ValueError, ConfigError) as error:
                log.info("the last run's configuration is not used: %s", error)
        return configuration.load(path, stages)
