"""Run matches on the workers of a Dask cluster, each in a process of its own there.

Scheduler and workers see the same recordings, output folder and weights under the same paths. The
scheduler gives a match whose worker died to another one, where it goes on from what is in place.
Start workers with one thread each (``dask worker ADDRESS --nthreads 1``).
"""

from __future__ import annotations

import json
import logging
import os
import threading
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

from rallymill import config as configuration
from rallymill.config import AppConfig
from rallymill.errors import InputError, RallymillError
from rallymill.runner.child import ATTEMPTS, Listen, Outcome, Stopped, run_child
from rallymill.runner.job import Job, job_of, job_to_json
from rallymill.runner.match import NO_REPORT_VARIABLE
from rallymill.runner.registry import load_stages

log = logging.getLogger(__name__)

TOPIC = "rallymill"
CONNECT_S = 20.0
POLL_S = 0.3
WATCH_S = 0.5
AT_WORK = ("executing", "long-running")


class ClusterError(RallymillError):
    """A cluster cannot be used."""


def run_match(payload: str) -> dict[str, Any]:
    """On a worker: run the match of a job as JSON; its outcome as plain data."""
    from distributed import get_worker

    given = json.loads(payload)
    registry = given["registry"]
    config = configuration.build(given["config"], load_stages(registry), Path("/"), None)
    worker = get_worker()
    key = worker.get_current_task()
    # The page is made from the list of matches, which only the one who started the run writes.
    os.environ[NO_REPORT_VARIABLE] = "1"
    stop, over = threading.Event(), threading.Event()

    def watch() -> None:
        # A task that was cancelled, or whose client is gone, is told by nothing else.
        while not over.wait(WATCH_S):
            task = worker.state.tasks.get(key)
            if task is None or task.state not in AT_WORK:
                stop.set()

    def listen(event: Mapping[str, Any]) -> None:
        worker.log_event(TOPIC, {"match_id": given["match_id"], "said": dict(event)})

    threading.Thread(target=watch, daemon=True).start()
    try:
        return asdict(run_child(job_of(given), config, registry, listen, stop))
    except Stopped:
        return asdict(Outcome(False, "start", "the run was stopped", "run again", lost=True))
    finally:
        over.set()


class Cluster:
    """A client of a scheduler.

    Raises
    ------
    InputError
        The extra ``cluster`` is not installed.
    ClusterError
        No scheduler answers, or it has no workers.
    """

    def __init__(self, address: str) -> None:
        try:
            from distributed import Client
        except ModuleNotFoundError as error:
            raise InputError(
                f"--cluster needs {error.name}", "install it with pip install rallymill[cluster]"
            ) from error
        try:
            self.client = Client(address, timeout=CONNECT_S, set_as_default=False)
        except (OSError, TimeoutError, ValueError) as error:
            raise ClusterError(
                f"no scheduler answers at {address}", "start one with dask scheduler"
            ) from error
        self.listeners: dict[str, Listen] = {}
        self.client.subscribe_topic(TOPIC, self._hear)
        if not self.n_workers:
            self.close()
            raise ClusterError(f"{address} has no workers", f"start some: dask worker {address}")

    @property
    def n_workers(self) -> int:
        """Workers that are there now."""
        return len(self.client.scheduler_info(n_workers=-1)["workers"])

    def _hear(self, event: tuple[float, Mapping[str, Any]]) -> None:
        said = event[1]
        if listen := self.listeners.get(said["match_id"]):
            listen(said["said"])

    def run(
        self,
        job: Job,
        config: AppConfig,
        registry: str,
        listen: Listen,
        stop: threading.Event,
    ) -> Outcome:
        """Run a match somewhere; as :func:`rallymill.runner.child.run_child`.

        Raises
        ------
        Stopped
            ``stop`` was set.
        """
        self.listeners[job.match_id] = listen
        payload = job_to_json(_absolute(job), config, registry)
        outcome = Outcome(False)
        try:
            for _ in range(ATTEMPTS):
                outcome = self._attempt(payload, stop)
                if not outcome.lost:
                    break
                log.warning("%s: %s", job.match_id, outcome.problem)
            return outcome
        finally:
            self.listeners.pop(job.match_id, None)

    def _attempt(self, payload: str, stop: threading.Event) -> Outcome:
        future = self.client.submit(run_match, payload, pure=False)
        while not future.done():
            if stop.wait(POLL_S):
                future.cancel()
                raise Stopped
        if future.status == "finished":
            return Outcome(**future.result())
        why = future.exception() if future.status == "error" else future.status
        return Outcome(
            False, "start", f"no worker could run it: {why}", "see the logs of the workers",
            lost=True,
        )  # fmt: skip

    def close(self) -> None:
        """Let the scheduler go."""
        self.client.close()


def _absolute(job: Job) -> Job:
    """The job with paths that hold on other machines too."""
    return Job(job.path.resolve(), job.file, job.content_hash, job.match_id, job.out.resolve(),
               job.force)  # fmt: skip
