"""Longer measurements that anyone can rerun: accuracy on fresh films."""

from __future__ import annotations

import multiprocessing
import subprocess
import sys
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numba

from rallymill import scoring
from rallymill.arena import film, film_tier
from rallymill.arena.film_config import FilmConfig
from rallymill.config import home
from rallymill.scoring.rows import ALL_CLIPS, Row, goal_text

TEST_SEEDS = (200_000, 209_999)
TIERS = ("broadcast", "club", "broadcast", "hostile", "broadcast")


def fresh_configs(first_seed: int, count: int, seconds: float) -> list[FilmConfig]:
    """Configurations of films of the tiers in ``configs/arena``, which take turns.

    Films are as ``rallymill arena render`` makes them for the test split, but no longer than
    ``seconds``.

    Raises
    ------
    ValueError
        Seeds outside the range that is kept for tests.
    """
    if not TEST_SEEDS[0] <= first_seed <= first_seed + count - 1 <= TEST_SEEDS[1]:
        raise ValueError(f"seeds for tests are {TEST_SEEDS[0]} to {TEST_SEEDS[1]}")
    folder = home() / "configs" / "arena"
    tiers = {name: film_tier.load_tier(folder / f"{name}.yaml") for name in set(TIERS)}
    configs = []
    for seed in range(first_seed, first_seed + count):
        made = film_tier.film_of(tiers[TIERS[(seed - first_seed) % len(TIERS)]], seed)
        longest_s = min(seconds, made.max_duration_s or seconds)
        configs.append(replace(made, max_duration_s=longest_s))
    return configs


def render_films(configs: Sequence[FilmConfig], folder: Path, workers: int = 1) -> list[Path]:
    """Render films that are not there yet, so many at a time; returns their paths."""
    folder.mkdir(parents=True, exist_ok=True)
    jobs = [(config, folder / f"{config.name}.mp4") for config in configs]
    todo = [job for job in jobs if not job[1].exists()]
    if workers > 1 and len(todo) > 1:
        context = multiprocessing.get_context("spawn")
        with context.Pool(min(workers, len(todo)), initializer=_one_thread) as pool:
            pool.map(_render, todo, chunksize=1)
    else:
        for job in todo:
            _render(job)
    return [path for _, path in jobs]


def _render(job: tuple[FilmConfig, Path]) -> None:
    config, path = job
    film.render(film.make(config), path)


def _one_thread() -> None:
    """Films are rendered side by side, so each of them with one thread."""
    numba.set_num_threads(1)


def run_process(folder: Path, out: Path, workers: int = 1) -> int:
    """``rallymill process`` in a process of its own; its exit code."""
    return subprocess.run(_command(folder, out, workers), check=False).returncode


def _command(folder: Path, out: Path, workers: int = 1) -> list[str]:
    return [
        sys.executable, "-m", "rallymill.cli", "process", str(folder), "--out", str(out),
        "--workers", str(workers),
    ]


def side_by_side(columns: Mapping[str, Sequence[Row]]) -> str:
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
    render_films(fresh_configs(first_seed, count, seconds), films, workers)
    run_process(films, out, workers)
    columns: dict[str, Sequence[Row]] = {}
    if samples[0].is_dir():
        columns["sample clips"] = scoring.score(*samples)
    columns["fresh clips"] = scoring.score(out, films)
    return side_by_side(columns)
