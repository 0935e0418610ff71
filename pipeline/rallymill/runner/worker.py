"""The process of one match: takes a job on standard input, tells what happens on standard output.

Run as ``python -m rallymill.runner.worker``. The job is one line of JSON, each event another. The
parent answers the event ``tables`` with a line once the match is listed, since the match page is
made from that list too. It keeps standard input open: when it closes, the parent is gone, and so
this process goes too rather than write on beside the next run.
"""

from __future__ import annotations

import json
import logging
import os
import signal
import sys
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import IO, Any

import cv2

from rallymill import config as configuration
from rallymill import video
from rallymill.errors import RallymillError
from rallymill.runner.job import PARENT_GONE, job_of
from rallymill.runner.logs import match_log
from rallymill.runner.match import MatchRun
from rallymill.runner.registry import load_stages
from rallymill.runner.store import MatchStore

ACKNOWLEDGED = "tables"
"""The event after which the worker waits for a line from the parent, who lists the match."""


def _take_over_output() -> IO[str]:
    """A private copy of standard output; whatever libraries print goes to standard error."""
    events = os.fdopen(os.dup(1), "w", encoding="utf-8")
    sys.stdout.flush()
    os.dup2(2, 1)
    return events


def _hear_parent(go_on: threading.Event) -> None:
    """Set ``go_on`` for every line that the parent sends; end with the parent."""
    for _ in sys.stdin:
        go_on.set()
    os._exit(PARENT_GONE)


def main() -> int:
    """Run one job; 0 if the match came through, 1 if not."""
    events = _take_over_output()
    # Ctrl-C reaches the whole group; the parent decides when a worker ends.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    given = json.loads(sys.stdin.readline())
    go_on = threading.Event()
    threading.Thread(target=_hear_parent, args=(go_on,), daemon=True).start()
    job = job_of(given)
    folder = MatchStore(job.out, job.match_id).folder
    logging.captureWarnings(True)

    def emit(event: Mapping[str, Any]) -> None:
        events.write(json.dumps(event) + "\n")
        events.flush()
        if event["event"] == ACKNOWLEDGED:
            go_on.wait()
            go_on.clear()

    with match_log(folder):
        try:
            stages = load_stages(given["registry"])
            config = configuration.build(given["config"], stages, Path("/"), None)
        except RallymillError as error:
            emit({"event": "failed", "stage": "start", "problem": error.problem,
                  "remedy": error.remedy})  # fmt: skip
            return 1
        video.set_threads(config.execution.threads)
        cv2.setNumThreads(config.execution.threads)
        came_through = MatchRun(
            job, stages, config, emit, registry=given["registry"]
        ).run()
    emit({"event": "end", "ok": came_through})
    return 0 if came_through else 1


if __name__ == "__main__":
    sys.exit(main())
