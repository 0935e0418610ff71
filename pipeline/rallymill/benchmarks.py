"""Longer measurements that anyone can rerun: accuracy on fresh films, runs that are killed."""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import pyarrow.parquet as pq

from rallymill import scoring
from rallymill.arena import film
from rallymill.arena.film_config import FilmConfig
from rallymill.runner.rowhash import rows_hash
from rallymill.runner.store import MATCHES_FOLDER
from rallymill.scoring.rows import ALL_CLIPS, Row, goal_text

TEST_SEEDS = (200_000, 209_999)
TIERS = ("broadcast", "club", "broadcast", "hostile", "broadcast")
RATES = (Fraction(25), Fraction(30000, 1001), Fraction(50), Fraction(24), Fraction(30))


def fresh_configs(first_seed: int, count: int, seconds: float) -> list[FilmConfig]:
    """Configurations of films that differ in seed, tier, frame rate and compression.

    Raises
    ------
    ValueError
        Seeds outside the range that is kept for tests.
    """
    if not TEST_SEEDS[0] <= first_seed <= first_seed + count - 1 <= TEST_SEEDS[1]:
        raise ValueError(f"seeds for tests are {TEST_SEEDS[0]} to {TEST_SEEDS[1]}")
    configs = []
    for index in range(count):
        tier = TIERS[index % len(TIERS)]
        hostile, club = tier == "hostile", tier == "club"
        configs.append(
            FilmConfig(
                name=f"fresh_{first_seed + index}",
                seed=first_seed + index,
                tier=tier,
                n_points=3,
                width_px=854 if hostile else 1280,
                height_px=480 if hostile else 720,
                rate=RATES[index % len(RATES)],
                shutter_s=0.012 if hostile else 0.006,
                crf=31 if hostile else 22,
                cutaways=0.0 if club else 0.5,
                replays=0.0 if club else 0.3,
                score_graphic=not club,
                pause_s=(2.5, 4.0),
                max_duration_s=seconds,
            )
        )
    return configs


def render_films(configs: Sequence[FilmConfig], folder: Path) -> list[Path]:
    """Render films that are not there yet; returns their paths."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for config in configs:
        path = folder / f"{config.name}.mp4"
        if not path.exists():
            film.render(film.make(config), path)
        paths.append(path)
    return paths


def run_process(folder: Path, out: Path, workers: int = 1) -> int:
    """``rallymill process`` in a process of its own; its exit code."""
    return subprocess.run(_command(folder, out, workers), check=False).returncode


def _command(folder: Path, out: Path, workers: int = 1) -> list[str]:
    return [
        sys.executable, "-m", "rallymill.cli", "process", str(folder), "--out", str(out),
        "--workers", str(workers),
    ]


def side_by_side(columns: dict[str, Sequence[Row]]) -> str:
    """Markdown table of the overall rows of several scores, one column pair each."""
    names = list(columns)
    overall = {
        name: {row.quantity: row for row in rows if row.clip == ALL_CLIPS}
        for name, rows in columns.items()
    }
    quantities = list(dict.fromkeys(q for rows in overall.values() for q in rows))
    lines = [
        "| quantity | " + " | ".join(f"{name} | count" for name in names) + " | goal |",
        "| --- | " + "---: | ---: | " * len(names) + "--- |",
    ]
    for quantity in quantities:
        cells = []
        goal = ""
        for name in names:
            row = overall[name].get(quantity)
            if row is None or row.value is None:
                cells.append("not measured | 0")
                continue
            unit = f" {row.unit}" if row.unit else ""
            cells.append(f"{row.value:.4g}{unit} | {row.count}")
            goal = goal_text(row.goal) or goal
        lines.append(f"| {quantity} | " + " | ".join(cells) + f" | {goal} |")
    return "\n".join(lines) + "\n"


def fresh(
    folder: Path, first_seed: int, count: int, seconds: float, workers: int,
    samples: tuple[Path, Path],
) -> str:
    """Render, process and score fresh films; a table beside the score of the samples."""
    films, out = folder / "films", folder / "outputs"
    render_films(fresh_configs(first_seed, count, seconds), films)
    run_process(films, out, workers)
    columns: dict[str, Sequence[Row]] = {}
    if samples[0].is_dir():
        columns["sample clips"] = scoring.score(*samples)
    columns["fresh clips"] = scoring.score(out, films)
    return side_by_side(columns)


@dataclass(frozen=True)
class KillReport:
    """What came of a run that was killed over and over."""

    kills: int
    kill_times_s: tuple[float, ...]
    finished_at_kill: tuple[int, ...]
    tables: int
    different: tuple[str, ...]
    again: tuple[str, ...]

    def text(self) -> str:
        """The report in lines."""
        times = ", ".join(f"{seconds:.1f}" for seconds in self.kill_times_s)
        return (
            f"killed {self.kills} times, after {times} s\n"
            f"stages finished at each kill: {', '.join(map(str, self.finished_at_kill))}\n"
            f"tables compared with an uninterrupted run: {self.tables}, "
            f"different: {', '.join(self.different) or 'none'}\n"
            f"stages that ran again after they were finished: {', '.join(self.again) or 'none'}\n"
        )


def _tables(out: Path) -> dict[str, Path]:
    """Files of every table of every match that are in place, by match and table name."""
    files = (out / MATCHES_FOLDER).glob("*/*.parquet")
    return {f"{path.parent.name}/{path.stem}": path for path in sorted(files)}


def table_hashes(out: Path) -> dict[str, str]:
    """Hash of the rows of every table of every match, by match and table name."""
    return {name: rows_hash(pq.read_table(path)) for name, path in _tables(out).items()}


def _written(out: Path) -> dict[str, int]:
    """Time of writing, in nanoseconds, of every table that is in place."""
    return {name: path.stat().st_mtime_ns for name, path in _tables(out).items()}


def kill_and_resume(
    films: Path, folder: Path, kills: int, seed: int, say: Callable[[str], None]
) -> KillReport:
    """Kill a run at random moments, run it to the end, compare with an uninterrupted run."""
    whole, killed = folder / "whole", folder / "killed"
    for out in (whole, killed):
        shutil.rmtree(out, ignore_errors=True)
    began = time.monotonic()
    run_process(films, whole)
    length_s = time.monotonic() - began
    say(f"an uninterrupted run takes {length_s:.0f} s")
    chance = random.Random(seed)
    times, finished, again = [], [], []
    standing: dict[str, int] = {}
    for _ in range(kills):
        # Long enough that stages come to their end between kills: the rest of a run shrinks.
        wait_s = chance.uniform(3.0, max(6.0, 0.5 * length_s))
        process = subprocess.Popen(
            _command(films, killed), start_new_session=True, stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        try:
            process.wait(wait_s)
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()
        _end_children(killed)
        now = _written(killed)
        again += [name for name, stamp in standing.items() if now.get(name) != stamp]
        standing = now
        times.append(wait_s)
        finished.append(len(now))
        say(f"killed after {wait_s:.1f} s, {len(now)} tables in place")
    run_process(films, killed)
    now = _written(killed)
    again += [name for name, stamp in standing.items() if now.get(name) != stamp]
    left, right = table_hashes(whole), table_hashes(killed)
    different = [n for n in sorted(left.keys() | right.keys()) if left.get(n) != right.get(n)]
    return KillReport(
        kills, tuple(times), tuple(finished), len(left), tuple(different), tuple(again)
    )


def _end_children(out: Path) -> None:
    """Kill workers of an output folder that outlived their parent."""
    import psutil

    for process in psutil.process_iter(["cmdline"]):
        line = process.info["cmdline"] or []
        if any(str(out) in part for part in line) and process.pid != os.getpid():
            process.kill()


