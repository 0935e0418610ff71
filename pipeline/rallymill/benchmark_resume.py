"""What a kill costs: a run is killed over and over and then compared with an uninterrupted one."""

from __future__ import annotations

import os
import random
import re
import shutil
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import psutil
import pyarrow.parquet as pq
import yaml

from rallymill import config as configuration
from rallymill.runner.registry import load_stages
from rallymill.runner.rowhash import rows_hash
from rallymill.runner.store import LOG_NAME, MATCHES_FOLDER
from rallymill.stages.checkpoints import KEPT_CHUNK

POLL_S = 0.05
LEAST_WORK_S = 0.5
STARTED = re.compile(r"stage \S+ starts$", re.MULTILINE)
CHUNK = re.compile(KEPT_CHUNK.replace("%s", r"(\S+)") + "$", re.MULTILINE)

Say = Callable[[str], None]


@dataclass(frozen=True)
class KillReport:
    """What came of a run that was killed over and over.

    ``tables_at_kill`` and ``chunks_at_kill`` count what was finished when a kill came.
    ``different`` names tables that are not as in an uninterrupted run, ``again`` tables and
    ``chunks_again`` chunks that were made once more although they were finished.
    """

    kill_times_s: tuple[float, ...]
    tables_at_kill: tuple[int, ...]
    chunks_at_kill: tuple[int, ...]
    tables: int
    chunks: int
    different: tuple[str, ...]
    again: tuple[str, ...]
    chunks_again: tuple[str, ...]

    @property
    def good(self) -> bool:
        """Whether nothing was lost, changed or made twice."""
        return bool(self.tables) and not (self.different or self.again or self.chunks_again)

    def text(self) -> str:
        """The report in lines."""
        times = ", ".join(f"{seconds:.1f}" for seconds in self.kill_times_s)
        return (
            f"killed {len(self.kill_times_s)} times, after {times} s\n"
            f"tables finished at each kill: {_listed(self.tables_at_kill)}\n"
            f"chunks finished at each kill: {_listed(self.chunks_at_kill)} of {self.chunks}\n"
            f"tables compared with an uninterrupted run: {self.tables}, "
            f"different: {_listed(self.different)}\n"
            f"tables made again after they were finished: {_listed(self.again)}\n"
            f"chunks made again after they were finished: {_listed(self.chunks_again)}\n"
        )


def _listed(items: tuple[object, ...]) -> str:
    return ", ".join(map(str, items)) or "none"


def tables_of(out: Path) -> dict[str, Path]:
    """Files of every table of every match that are in place, by match and table name."""
    files = (out / MATCHES_FOLDER).glob("*/*.parquet")
    return {f"{path.parent.name}/{path.stem}": path for path in sorted(files)}


def table_hashes(out: Path) -> dict[str, str]:
    """Hash of the rows of every table of every match, by match and table name."""
    return {name: rows_hash(pq.read_table(path)) for name, path in tables_of(out).items()}


def finished_chunks(out: Path) -> Counter[str]:
    """How often each chunk was finished, as the logs of the matches tell."""
    found: Counter[str] = Counter()
    for path in (out / MATCHES_FOLDER).glob(f"*/{LOG_NAME}"):
        text = path.read_text(encoding="utf-8", errors="replace")
        found.update(f"{path.parent.name}/{name}" for name in CHUNK.findall(text))
    return found


def _started(out: Path) -> bool:
    logs = (out / MATCHES_FOLDER).glob(f"*/{LOG_NAME}")
    return any(STARTED.search(path.read_text(errors="replace")) for path in logs)


class _Runs:
    """Runs of ``rallymill process`` over some films with small chunks."""

    def __init__(self, films: Path, folder: Path, chunk_frames: int) -> None:
        stages = load_stages()
        config = configuration.load(None, stages).with_execution(chunk_frames=chunk_frames)
        self.films, self.config = films, folder / "config.yaml"
        folder.mkdir(parents=True, exist_ok=True)
        self.config.write_text(yaml.safe_dump(config.resolved()), encoding="utf-8")

    def start(self, out: Path) -> subprocess.Popen[bytes]:
        command = [
            sys.executable, "-m", "rallymill.cli", "process", str(self.films), "--out", str(out),
            "--config", str(self.config),
        ]
        quiet = subprocess.DEVNULL
        return subprocess.Popen(command, start_new_session=True, stdout=quiet, stderr=quiet)

    def whole(self, out: Path) -> tuple[float, float]:
        """Seconds until the first stage starts, and until the run is over."""
        began = time.monotonic()
        process = self.start(out)
        started_s = 0.0
        while process.poll() is None:
            if not started_s and _started(out):
                started_s = time.monotonic() - began
            time.sleep(POLL_S)
        return started_s, time.monotonic() - began

    def killed(self, out: Path, wait_s: float) -> bool:
        """Kill a run and its workers after a while; False if it came to its end before."""
        process = self.start(out)
        try:
            process.wait(wait_s)
            return False
        except subprocess.TimeoutExpired:
            workers = psutil.Process(process.pid).children(recursive=True)
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()
            psutil.wait_procs(workers, timeout=10.0)
            return True


def kill_and_resume(
    films: Path, folder: Path, kills: int, seed: int, say: Say, chunk_frames: int = 25
) -> KillReport:
    """Kill a run at random moments, run it to the end, compare with an uninterrupted run.

    The moments are drawn so that the kills spread over the work that is left. A run that comes to
    its end before its kill ends the killing.
    """
    whole, killed = folder / "whole", folder / "killed"
    for out in (whole, killed):
        shutil.rmtree(out, ignore_errors=True)
    runs = _Runs(films, folder, chunk_frames)
    started_s, length_s = runs.whole(whole)
    say(f"an uninterrupted run takes {length_s:.0f} s, its first stage starts after "
        f"{started_s:.0f} s")  # fmt: skip
    chance = random.Random(seed)
    left_s = length_s - started_s
    times: list[float] = []
    tables_at: list[int] = []
    chunks_at: list[int] = []
    again: list[str] = []
    standing: dict[str, int] = {}
    for number in range(kills):
        work_s = chance.uniform(LEAST_WORK_S, max(2 * LEAST_WORK_S, 2 * left_s / (kills - number)))
        wait_s = started_s + work_s
        if not runs.killed(killed, wait_s):
            say(f"came to its end within {wait_s:.1f} s")
            break
        left_s = max(left_s - work_s, LEAST_WORK_S)
        now = _written(killed)
        again += _rewritten(standing, now)
        standing = now
        times.append(wait_s)
        tables_at.append(len(now))
        chunks_at.append(len(finished_chunks(killed)))
        say(f"killed after {wait_s:.1f} s, {len(now)} tables in place, {chunks_at[-1]} chunks done")
    runs.whole(killed)
    again += _rewritten(standing, _written(killed))
    done = finished_chunks(killed)
    left, right = table_hashes(whole), table_hashes(killed)
    different = [n for n in sorted(left.keys() | right.keys()) if left.get(n) != right.get(n)]
    return KillReport(
        tuple(times), tuple(tables_at), tuple(chunks_at), len(left), len(done), tuple(different),
        tuple(again), tuple(sorted(name for name, times_done in done.items() if times_done > 1)),
    )


def _written(out: Path) -> dict[str, int]:
    """Time of writing, in nanoseconds, of every table that is in place."""
    return {name: path.stat().st_mtime_ns for name, path in tables_of(out).items()}


def _rewritten(before: dict[str, int], now: dict[str, int]) -> list[str]:
    return [name for name, stamp in before.items() if now.get(name) != stamp]
