"""Start a match's process, pass on what it tells, and end it if it stands still."""

from __future__ import annotations

import contextlib
import json
import logging
import os
import queue
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import IO, Any

from rallymill.config import AppConfig
from rallymill.runner.job import THREAD_VARIABLES, Job, job_to_json
from rallymill.runner.store import LOG_NAME, MatchStore
from rallymill.runner.worker import ACKNOWLEDGED

log = logging.getLogger(__name__)

POLL_S = 0.2
STARTUP_S = 180.0
"""Least time that a process gets to load its libraries, which takes long on a busy machine."""

ATTEMPTS = 2
MEMORY_REMEDY = "memory may have run out: run again with fewer --workers"

Listen = Callable[[Mapping[str, Any]], None]


@dataclass(frozen=True)
class Outcome:
    """How a match's process ended; ``problem`` is empty if it came through."""

    ok: bool
    stage: str = ""
    problem: str = ""
    remedy: str = ""
    lost: bool = False


class Stopped(Exception):
    """The run was asked to stop while a match was being read."""


def run_child(
    job: Job,
    config: AppConfig,
    registry: str,
    listen: Listen,
    stop: threading.Event,
    lock_handle: int | None = None,
) -> Outcome:
    """Run a match in a process of its own; one that crashes or stands still is tried once more.

    Raises
    ------
    Stopped
        ``stop`` was set; the process has been ended.
    """
    outcome = Outcome(False)
    for attempt in range(ATTEMPTS):
        outcome = _attempt(job, config, registry, listen, stop, lock_handle)
        if not outcome.lost:
            return outcome
        log.warning("%s: %s", job.match_id, outcome.problem)
        if attempt + 1 < ATTEMPTS:
            listen({"event": "warning", "stage": outcome.stage, "problem": outcome.problem,
                    "remedy": "trying once more"})  # fmt: skip
    return outcome


def _attempt(
    job: Job,
    config: AppConfig,
    registry: str,
    listen: Listen,
    stop: threading.Event,
    lock_handle: int | None,
) -> Outcome:
    folder = MatchStore(job.out, job.match_id).folder
    folder.mkdir(parents=True, exist_ok=True)
    with open(folder / LOG_NAME, "a", encoding="utf-8") as errors:
        process = _start(config, errors, lock_handle)
        try:
            assert process.stdin is not None and process.stdout is not None
            with contextlib.suppress(BrokenPipeError):
                process.stdin.write(job_to_json(job, config, registry) + "\n")
                process.stdin.flush()
            return _follow(process, config.execution.stall_minutes * 60.0, listen, stop)
        finally:
            _end(process)


def _start(config: AppConfig, errors: IO[str], lock_handle: int | None) -> subprocess.Popen[str]:
    environment = dict(os.environ)
    for name in THREAD_VARIABLES:
        environment.setdefault(name, str(config.execution.threads))
    return subprocess.Popen(
        [sys.executable, "-m", "rallymill.runner.worker"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=errors,
        text=True,
        encoding="utf-8",
        env=environment,
        pass_fds=() if lock_handle is None else (lock_handle,),
    )


def _end(process: subprocess.Popen[str]) -> None:
    if process.poll() is None:
        process.kill()
    process.wait()
    for pipe in (process.stdin, process.stdout):
        if pipe is not None:
            with contextlib.suppress(OSError):
                pipe.close()


def _follow(
    process: subprocess.Popen[str], stall_s: float, listen: Listen, stop: threading.Event
) -> Outcome:
    """Pass events on until the process ends; what it said last decides the outcome."""
    lines: queue.Queue[str | None] = queue.Queue()

    def pump() -> None:
        try:
            for line in process.stdout or ():
                lines.put(line)
        except (OSError, ValueError):
            log.debug("the events of process %d broke off", process.pid)
        finally:
            lines.put(None)

    threading.Thread(target=pump, daemon=True).start()
    last_news = time.monotonic()
    allowed_s = max(stall_s, STARTUP_S)
    stage = "start"
    outcome: Outcome | None = None
    while True:
        if stop.is_set():
            raise Stopped
        try:
            line = lines.get(timeout=POLL_S)
        except queue.Empty:
            if time.monotonic() - last_news > allowed_s:
                return Outcome(
                    False,
                    stage,
                    f"stage {stage} made no progress for {allowed_s / 60:.3g} minutes",
                    "see the log of the match; execution.stall_minutes sets how long to wait",
                    lost=True,
                )
            continue
        if line is None:
            break
        last_news, allowed_s = time.monotonic(), stall_s
        event = json.loads(line)
        stage = event.get("stage", stage)
        if event["event"] == "failed":
            outcome = Outcome(False, stage, event["problem"], event["remedy"])
        elif event["event"] == "end" and event["ok"]:
            outcome = Outcome(True)
        listen(event)
        if event["event"] == ACKNOWLEDGED and process.stdin is not None:
            with contextlib.suppress(BrokenPipeError):
                process.stdin.write("\n")
                process.stdin.flush()
    return outcome or _crashed(process.wait(), stage)


def _crashed(code: int, stage: str) -> Outcome:
    if code < 0:
        how = f"was ended by {signal.Signals(-code).name}"
        remedy = MEMORY_REMEDY if -code == signal.SIGKILL else "see the log of the match"
    else:
        how, remedy = f"ended with code {code}", "see the log of the match"
    return Outcome(False, stage, f"the process {how} in stage {stage}", remedy, lost=True)
