"""How long a season of simulated matches takes to be added, rolled up and asked."""

from __future__ import annotations

import resource
import shutil
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from rallymill import simulated_season
from rallymill.config import home
from rallymill.runner.summary import read_matches
from rallymill.season import joining, questions
from rallymill.season.query import ask, connect_season

REPEATS = 5
ADD_GOAL_S, MEMORY_GOAL_MIB = 2.0, 1024.0
QUESTION_GOAL_S = {100: 0.3, 1000: 1.0}
"""Seconds that a named question may take, by the number of matches up to which it holds."""
LAST = 5
"""Matches that are added one by one to a season that holds all the others."""

Say = Callable[[str], None]


@dataclass(frozen=True)
class Figure:
    """A measured quantity and what it should not be above; None where nothing is asked."""

    quantity: str
    value: float
    unit: str
    goal: float | None

    @property
    def good(self) -> bool:
        """Whether it is not above its goal."""
        return self.goal is None or self.value <= self.goal


@dataclass(frozen=True)
class SeasonReport:
    """What a run measured."""

    n_matches: int
    n_shots: int
    figures: tuple[Figure, ...]

    @property
    def good(self) -> bool:
        """Whether every figure keeps to its goal."""
        return all(figure.good for figure in self.figures)

    def text(self) -> str:
        """The report as a Markdown table."""
        lines = [f"{self.n_matches} matches, {self.n_shots} strokes", "",
                 "| quantity | value | goal |", "| --- | ---: | ---: |"]  # fmt: skip
        for one in self.figures:
            goal = "" if one.goal is None else f"<= {one.goal:g} {one.unit}"
            lines.append(f"| {one.quantity} | {one.value:.3g} {one.unit} | {goal} |")
        return "\n".join(lines) + "\n"


def _timed(work: Callable[[], Any]) -> float:
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


def _peak_mib() -> float:
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / 1024 if sys.platform == "linux" else peak / 2**20


def _asked(root: Path, player: str) -> list[Figure]:
    known = questions.load(home() / "configs" / "questions")
    n_matches = len(list((root / "matches").glob("*/*/*")))
    goal = next((g for n, g in sorted(QUESTION_GOAL_S.items()) if n_matches <= n), None)
    figures = []
    for name, question in known.items():
        slowest = 0.0
        for given in ([], [f"player={player}"] if "player" in question.arguments else []):
            values = question.values(given)

            def once(sql: str = question.sql, values: dict[str, Any] = values) -> None:
                # As the command does: open, ask, close.
                connection = connect_season(root)
                ask(connection, sql, values)
                connection.close()

            slowest = max(slowest, statistics.median(_timed(once) for _ in range(REPEATS)))
        figures.append(Figure(f"question {name}", slowest, "s", goal))
    return figures


def run(folder: Path, n_matches: int, seed: int, say: Say) -> SeasonReport:
    """Simulate a season, add all but the last matches, add those one by one, ask all questions.

    Measured in this process; the memory is the most that it ever held after simulating, which is
    done by another process.
    """
    out, root = folder / "outputs", folder / "season"
    for old in (out, root):
        shutil.rmtree(old, ignore_errors=True)
    script = (
        "import sys; from pathlib import Path; from rallymill import simulated_season as s; "
        "s.write_outputs(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))"
    )
    took_s = _timed(lambda: subprocess.run(
        [sys.executable, "-c", script, str(out), str(seed), str(n_matches)], check=True
    ))  # fmt: skip
    rows = read_matches(out).to_pylist()
    n_shots = sum(row["n_shots"] for row in rows)
    say(f"{n_matches} matches with {n_shots} strokes simulated in {took_s:.0f} s")
    ids = [row["match_id"] for row in rows]
    many, last = ids[:-LAST], ids[-LAST:]
    all_s = _timed(lambda: joining.add(out, root, many))
    say(f"{len(many)} matches added in {all_s:.1f} s")
    single = [_timed(partial(joining.add, out, root, [one])) for one in last]
    again_s = _timed(lambda: joining.add(out, root, [last[0]]))
    rollup_s = _timed(lambda: joining.roll_up(root))
    first = simulated_season.players(1)[0]["code"]
    asked = _asked(root, first)
    size_mib = sum(path.stat().st_size for path in root.rglob("*") if path.is_file()) / 2**20
    return SeasonReport(n_matches, n_shots, (
        Figure(f"add {len(many)} matches at once, each", all_s / max(len(many), 1), "s",
               ADD_GOAL_S),
        Figure("add one match, slowest of the last", max(single), "s", ADD_GOAL_S),
        Figure("add a match that is there already", again_s, "s", ADD_GOAL_S),
        Figure("sum up the players, all matches new", rollup_s, "s", None),
        *asked,
        Figure("most memory", _peak_mib(), "MiB", MEMORY_GOAL_MIB),
        Figure("size on disk", size_mib, "MiB", None),
    ))  # fmt: skip
