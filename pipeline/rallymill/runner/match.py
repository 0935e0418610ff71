"""Run one match: decide for every stage whether it must run, say why, and run it."""

from __future__ import annotations

import hashlib
import importlib
import logging
import os
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import pyarrow as pa

from rallymill import matchsheet, video
from rallymill.config import AppConfig
from rallymill.corrections import store as correction_store
from rallymill.corrections.rows import Correction
from rallymill.errors import InputError, RallymillError
from rallymill.runner.fingerprint import (
    Ingredients,
    corrections_for,
    difference,
    gather,
    sheet_hash,
)
from rallymill.runner.job import Job as Job
from rallymill.runner.memory import give_back
from rallymill.runner.registry import columns_of, uses_sheet
from rallymill.runner.spans import run_helpers, shares_views
from rallymill.runner.store import (
    CONFIG_NAME,
    STAMPS_NAME,
    MatchRecord,
    MatchStore,
    TableState,
    write_json,
)
from rallymill.stages.base import MatchContext, Stage
from rallymill.tables import ALL, VIEWS

log = logging.getLogger(__name__)

KEPT = "kept"
FORCE_ALL = "all"
PROGRESS_INTERVAL_S = 0.5
REPORT_MODULE = "rallymill.report.page"
NO_REPORT_VARIABLE = "RALLYMILL_NO_REPORT"
REPORT_REMEDY = "see the log of the match; the rest of the folder is not touched"

Emit = Callable[[Mapping[str, Any]], None]


def decide(state: TableState, ingredients: Ingredients, forced: bool, ran_before: bool) -> str:
    """Why a stage must run, or :data:`KEPT`."""
    if not state.exists:
        return "output missing" if ran_before else "new"
    if state.edited:
        return "output edited"
    changed = difference(state.ingredients, ingredients)
    if changed:
        return changed
    return "forced" if forced else KEPT


def open_match(job: Job, store: MatchStore) -> MatchRecord:
    """Look at the recording and its sheet; what was found before is not looked up again.

    Raises
    ------
    InputError
        The recording cannot be read.
    """
    old = store.read_record()
    record = MatchRecord(job.match_id, job.file, str(job.path.resolve()), job.content_hash)
    if old is not None:
        record.finished, record.report = old.finished, old.report
        record.resumed = old.resumed
    if old is not None and old.content_hash == job.content_hash and old.video:
        record.video = old.video
    else:
        record.video = describe_video(job.path)
    try:
        record.sheet = matchsheet.for_video(job.path)
    except InputError as error:
        record.sheet_problem, record.sheet_remedy = error.problem, error.remedy
    if old is not None and record.sheet and old.sheet_refused == sheet_hash(record.sheet):
        record.sheet, record.sheet_refused = {}, old.sheet_refused
        record.sheet_problem, record.sheet_remedy = old.sheet_problem, old.sheet_remedy
    return record


def describe_video(path: Path) -> dict[str, Any]:
    """What a survey of a recording found, as plain data.

    Raises
    ------
    InputError
        The recording cannot be read.
    """
    found = video.survey(path)
    info = found.info
    return {
        "duration_s": info.duration_s,
        "read_s": found.read_s,
        "truncated": found.truncated,
        "packets": found.packets,
        "width_px": info.width_px,
        "height_px": info.height_px,
        "rate": str(info.rate),
        "interlaced": info.interlaced,
        "variable_rate": info.variable_rate,
        "rotation_deg": info.rotation_deg,
        "pixel_aspect": str(info.pixel_aspect),
        "codec": info.codec,
        "container": info.container,
    }


class MatchRun:
    """A run of one match through a sequence of stages."""

    def __init__(
        self, job: Job, stages: Sequence[Stage], config: AppConfig, emit: Emit, dry: bool = False,
        with_report: bool = True, registry: str | None = None,
    ) -> None:
        """``registry`` tells helpers where the stages come from; None does without helpers."""
        self.registry = registry
        self.job, self.stages, self.config, self.emit, self.dry = job, stages, config, emit, dry
        self.with_report = with_report and not os.environ.get(NO_REPORT_VARIABLE)
        self.store = MatchStore(job.out, job.match_id)
        self.rows: dict[str, str] = {}
        self.corrections: tuple[Correction, ...] = ()
        self.stage_name = "open"

    def run(self) -> bool:
        """Run what must be run; False if the match did not come through. Errors are recorded."""
        if not self.dry:
            self.store.folder.mkdir(parents=True, exist_ok=True)
            self.store.clean()
        record = MatchRecord(
            self.job.match_id, self.job.file, str(self.job.path), self.job.content_hash
        )
        try:
            record = open_match(self.job, self.store)
            kept = correction_store.load(self.store.folder)
            self.corrections, record.corrections_problem = kept.rows, kept.problem
            self.emit({"event": "opened", "video": record.video})
            self._save(record)
            if not self.dry:
                write_json(self.store.folder / CONFIG_NAME, self.config.resolved())
            with video.collect_reports() as reports:
                # Of a run that was ended while the recording was read.
                self.store.tell_stamps(self.job.content_hash, self.job.path)
                self._stages(record)
            if not self.dry:
                self.store.drop_scratch(STAMPS_NAME)
            found = [report.n_bad_packets for report in reports]
            record.video["bad_packets"] = max([record.video.get("bad_packets", 0), *found])
            self._save(record)
            self.emit({"event": "tables"})
            self.stage_name = "report"
            self._report(record)
        except RallymillError as error:
            return self._fail(record, error.problem, error.remedy)
        except (MemoryError, OSError) as error:
            log.exception("stage %s failed", self.stage_name)
            return self._fail(
                record,
                f"stage {self.stage_name} failed: {error}",
                "make room in memory or on disk and run again; what is done is kept",
            )
        except Exception as error:
            # A fault of ours in one match must not end the night for the others.
            log.exception("stage %s failed", self.stage_name)
            return self._fail(
                record,
                f"stage {self.stage_name} failed: {type(error).__name__}: {error}",
                f"send {self.store.folder / 'log.txt'} to the developers",
            )
        self._save(record)
        return True

    def page_alone(self) -> None:
        """Make the match page where tables changed since it was made; run no stage."""
        record = self.store.read_record()
        if record is not None:
            self.rows = {
                stage.writes.name: self.store.state(stage.writes).rows for stage in self.stages
            }
            self._report(record)
            self._save(record)

    def _stages(self, record: MatchRecord) -> None:
        """All stages in order; once more without the sheet where one cannot make sense of it."""
        for stage in self.stages:
            self.stage_name = stage.name
            try:
                self._stage(stage, record)
            except InputError as error:
                # A stage that does not see the recording can only mean the sheet.
                if stage.needs_video or not uses_sheet(stage) or not record.sheet:
                    raise
                log.warning("going on without the match sheet: %s", error)
                record.sheet_refused = sheet_hash(record.sheet)
                record.sheet_problem, record.sheet_remedy = error.problem, error.remedy
                record.sheet = {}
                self._stages(record)
                return

    def _fail(self, record: MatchRecord, problem: str, remedy: str) -> bool:
        log.error("%s (%s)", problem, remedy)
        record.failed_stage, record.problem, record.remedy = self.stage_name, problem, remedy
        self._save(record)
        self.emit({"event": "failed", "stage": self.stage_name, "problem": problem,
                   "remedy": remedy})  # fmt: skip
        return False

    def _save(self, record: MatchRecord) -> None:
        if not self.dry:
            self.store.write_record(record)

    def _stage(self, stage: Stage, record: MatchRecord) -> None:
        sheet = record.sheet if uses_sheet(stage) else {}
        config = self.config.stages[stage.name]
        ingredients = gather(
            stage,
            config,
            self.config.models,
            self.job.content_hash,
            sheet_hash(sheet),
            {table: self.rows[table] for table in stage.reads},
            self.job.path,
            corrections_for(stage, self.corrections),
        )
        state = self.store.state(stage.writes)
        forced = bool({stage.name, FORCE_ALL} & self.job.force)
        reason = decide(state, ingredients, forced, stage.name in record.finished)
        self.emit({"event": "stage", "stage": stage.name, "reason": reason})
        if reason == KEPT:
            self.rows[stage.writes.name] = state.rows
            if not self.dry:
                # A kill may have come between the table and the removal of its checkpoints.
                self.store.drop_scratch(stage.name)
        elif self.dry:
            # What it will give is not known, so those who read it must expect something else.
            self.rows[stage.writes.name] = f"to be made by {stage.name}"
        else:
            self._run_stage(stage, sheet, ingredients, record)

    def _run_stage(
        self,
        stage: Stage,
        sheet: Mapping[str, Any],
        ingredients: Ingredients,
        record: MatchRecord,
    ) -> None:
        log.info("stage %s starts", stage.name)
        started = time.monotonic()
        inputs = {
            table: self.store.read_table(ALL[table], columns_of(stage, table))
            for table in stage.reads
        }
        scratch = self.store.scratch(stage.name, ingredients.fingerprint())
        resumed = any(scratch.iterdir())
        context = MatchContext(
            match_id=self.job.match_id,
            video=self.job.path,
            sheet=sheet,
            models=self.config.models,
            scratch=scratch,
            execution=self.config.execution.for_stage(),
            progress=self._progress_of(stage.name),
            corrections=corrections_for(stage, self.corrections),
        )
        if self.registry is not None and shares_views(stage):
            run_helpers(
                stage, context, inputs[VIEWS.name], self.job, self.config, self.registry
            )
        table: pa.Table = stage.run(context, inputs, self.config.stages[stage.name])
        seconds = time.monotonic() - started
        self.rows[stage.writes.name] = self.store.write_table(
            stage.writes, table, ingredients, seconds
        )
        record.finished[stage.name] = round(seconds, 3)
        record.resumed = [name for name in record.resumed if name != stage.name]
        record.resumed += [stage.name] * resumed
        self._save(record)
        self.store.drop_scratch(stage.name)
        if stage.needs_video:
            self.store.keep_stamps(self.job.content_hash, self.job.path)
        n_rows = table.num_rows
        del table, inputs
        give_back()
        log.info("stage %s: %d rows in %.1f s", stage.name, n_rows, seconds)
        self.emit({"event": "done", "stage": stage.name, "rows": n_rows,
                   "seconds": seconds})  # fmt: skip

    def _progress_of(self, stage: str) -> Callable[[float], None]:
        last = 0.0

        def progress(share: float) -> None:
            nonlocal last
            now = time.monotonic()
            if now - last >= PROGRESS_INTERVAL_S or share >= 1.0:
                last = now
                self.emit({"event": "progress", "stage": stage, "share": min(max(share, 0.0), 1.0)})

        return progress

    def _report(self, record: MatchRecord) -> None:
        """Make the match page where tables changed; a page that fails does not fail the match."""
        if not self.with_report:
            return
        try:
            page = importlib.import_module(REPORT_MODULE)
        except ModuleNotFoundError as error:
            log.info("no match page: %s is not installed", error.name)
            return
        current = hashlib.sha256(repr(sorted(self.rows.items())).encode()).hexdigest()
        wanted = current != record.report or bool({"report", FORCE_ALL} & self.job.force)
        reason = KEPT if not wanted else "input changed" if record.report else "new"
        self.emit({"event": "stage", "stage": "report", "reason": reason})
        if not wanted or self.dry:
            return
        started = time.monotonic()
        try:
            page.build(self.job.out, self.job.match_id)
        except Exception:
            # The tables are what the night is for; the page can be made again from them.
            log.exception("the match page could not be made")
            self.emit({"event": "warning", "stage": "report",
                       "problem": "the match page could not be made",
                       "remedy": REPORT_REMEDY})  # fmt: skip
            return
        record.report = current
        self.emit({"event": "done", "stage": "report", "rows": 0,
                   "seconds": time.monotonic() - started})  # fmt: skip
