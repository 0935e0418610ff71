"""Several processes for one match: each makes the chunks of some views, one puts them together.

A stage that keeps finished chunks (:mod:`rallymill.stages.checkpoints`) takes up those that are
there. So helpers run it over a share of the views each, into the same scratch folder, and what they
return is thrown away; then the stage runs over all views and makes what is lacking. A helper that
dies costs its share of the time and nothing else. Helpers go straight to their spans, by the
stamps that the first pass over the recording has counted.

A helper is ``python -m rallymill.runner.spans``. Its job is one line of JSON; it tells shares of
its work, one a line, and goes when standard input closes.
"""

from __future__ import annotations

import json
import logging
import os
import subprocess
import sys
import threading
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import IO, Any

import cv2
import pyarrow as pa
import pyarrow.compute as pc

from rallymill import config as configuration
from rallymill import video
from rallymill.config import AppConfig
from rallymill.runner.job import PARENT_GONE, THREAD_VARIABLES, Job, job_of, job_to_json
from rallymill.runner.logs import match_log
from rallymill.runner.registry import columns_of, load_stages
from rallymill.runner.store import MatchStore
from rallymill.stages.base import MatchContext, Stage
from rallymill.tables import ALL, VIEWS

log = logging.getLogger(__name__)

SPAN_STAGES = frozenset({"detect"})
"""Stages whose chunks of one view do not depend on other views; others say so by ``by_view``."""


def shared_out(views: pa.Table, most: int, least_frames: int) -> list[list[int]]:
    """Main-camera views, in order, in at most ``most`` runs of about as many frames.

    Nothing is shared out where a run would have fewer frames than ``least_frames``, for a process
    takes seconds to start.
    """
    rows = [row for row in views.to_pylist() if row["label"] == "main"]
    rows.sort(key=lambda row: row["first_frame"])
    lengths = [row["last_frame"] - row["first_frame"] + 1 for row in rows]
    total = sum(lengths)
    n_shares = min(most, total // least_frames) if total else 0
    shares: dict[int, list[int]] = {}
    done = 0
    for row, length in zip(rows, lengths, strict=True):
        if n_shares:
            middle = done + length / 2
            shares.setdefault(int(middle * n_shares / total), []).append(row["view_id"])
        done += length
    found = list(shares.values())
    return found if len(found) > 1 else []


def shares_views(stage: Stage) -> bool:
    """Whether several processes may run a stage over some views each."""
    may = bool(getattr(stage, "by_view", stage.name in SPAN_STAGES))
    return may and VIEWS.name in stage.reads


def run_helpers(
    stage: Stage, context: MatchContext, views: pa.Table, job: Job, config: AppConfig,
    registry: str,
) -> None:
    """Let other processes make the chunks of a stage, if it is so wished and pays."""
    execution = config.execution
    shares = shared_out(views, execution.span_workers, 2 * execution.chunk_frames)
    if not shares or context.scratch is None:
        return
    log.info("stage %s: %d processes share %d views", stage.name, len(shares),
             sum(len(share) for share in shares))  # fmt: skip
    threads = max(1, execution.threads // len(shares))
    told = [0.0] * len(shares)
    guard = threading.Lock()
    helpers: list[subprocess.Popen[str]] = []

    def hear(number: int, said: IO[str]) -> None:
        for line in said:
            with guard:
                told[number] = float(line)
                # The end is told by the stage itself, when it has put all together.
                context.progress(0.99 * sum(told) / len(told))

    try:
        listeners = []
        for number, share in enumerate(shares):
            order = {
                "job": job_to_json(job, config.with_execution(threads=threads), registry),
                "stage": stage.name, "scratch": str(context.scratch), "views": share,
            }
            helper = _start(threads)
            helpers.append(helper)
            assert helper.stdin is not None and helper.stdout is not None
            helper.stdin.write(json.dumps(order) + "\n")
            helper.stdin.flush()
            listeners.append(threading.Thread(target=hear, args=(number, helper.stdout),
                                              daemon=True))  # fmt: skip
            listeners[-1].start()
        for number, helper in enumerate(helpers):
            if helper.wait():
                log.warning("stage %s: process %d of %d ended with code %d; what it left undone is "
                            "done by this one", stage.name, number + 1, len(shares),
                            helper.returncode)  # fmt: skip
        for listener in listeners:
            listener.join()
    except OSError as error:
        log.warning("stage %s: helpers are gone: %s", stage.name, error)
    finally:
        for helper in helpers:
            _end(helper)


def _start(threads: int) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", __name__], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        text=True, encoding="utf-8",
        env=dict(os.environ) | dict.fromkeys(THREAD_VARIABLES, str(threads)),
    )


def _end(helper: subprocess.Popen[str]) -> None:
    if helper.poll() is None:
        helper.kill()
        helper.wait()
    for pipe in (helper.stdin, helper.stdout):
        if pipe is not None:
            try:
                pipe.close()
            except OSError as error:
                log.debug("a pipe of process %d: %s", helper.pid, error)


def _hear_parent() -> None:
    """End with the parent, who closes standard input by being gone."""
    for _ in sys.stdin:
        continue
    os._exit(PARENT_GONE)


def help_with(order: Mapping[str, Any], tell: Callable[[float], None]) -> None:
    """Make the chunks of some views of a stage."""
    given = json.loads(order["job"])
    job = job_of(given)
    stages = load_stages(given["registry"])
    config = configuration.build(given["config"], stages, Path("/"), None)
    video.set_threads(config.execution.threads)
    cv2.setNumThreads(config.execution.threads)
    stage = next(one for one in stages if one.name == order["stage"])
    store = MatchStore(job.out, job.match_id)
    store.tell_stamps(job.content_hash, job.path)
    inputs = {name: store.read_table(ALL[name], columns_of(stage, name)) for name in stage.reads}
    inputs[VIEWS.name] = of_views(inputs[VIEWS.name], order["views"])
    context = MatchContext(
        job.match_id, job.path, models=config.models, scratch=Path(order["scratch"]),
        execution=config.execution.for_stage(), progress=tell,
    )
    stage.run(context, inputs, config.stages[stage.name])


def of_views(views: pa.Table, wanted: Sequence[int]) -> pa.Table:
    """Rows of some views."""
    return views.filter(pc.is_in(views["view_id"], pa.array(wanted, views["view_id"].type)))


def main() -> int:
    """Take an order from standard input and carry it out."""
    said = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)  # whatever libraries print goes to the log of the match
    order = json.loads(sys.stdin.readline())
    threading.Thread(target=_hear_parent, daemon=True).start()

    def tell(share: float) -> None:
        said.write(f"{share:.6f}\n")
        said.flush()

    job = job_of(json.loads(order["job"]))
    logging.captureWarnings(True)
    with match_log(MatchStore(job.out, job.match_id).folder):
        help_with(order, tell)
    return 0


if __name__ == "__main__":
    sys.exit(main())
