"""How the stages after detection grow with the length of a match, without drawing it.

Boxes of simulated films are laid one after the other, a short and a long time, as spans between
cuts and as one span of hours. A stage that takes longer a minute of a long match looks at all of it
too often. Flights are dear to fit, so the stages after them are also given tables that are laid
after each other behind the flights, for a whole match.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from time import process_time

import pyarrow as pa
import pyarrow.compute as pc

from rallymill.arena.boxes import boxed
from rallymill.benchmark_shots import film_of
from rallymill.runner.registry import pipeline
from rallymill.stages.base import MatchContext

FIRST_SEED, N_FILMS, FILM_S = 200_700, 2, 40.0
MATCH_ID = "long-match"
ROUNDS = (2, 8)
"""Films that a short and a long match are made of, where flights are fitted."""
BEHIND = (12, 96)
"""The same for the stages behind the flights: 8 and 64 minutes."""
TOLERATED = 1.3
"""A stage may take so many times as long a minute in the long match: clocks waver."""
LEAST_S = 0.05
"""Less than this is not compared."""

Tables = dict[str, pa.Table]
Say = Callable[[str], None]


def films(first_seed: int = FIRST_SEED) -> tuple[list[Tables], Mapping[str, object]]:
    """Tables before and behind the flights of some films, and a match sheet."""
    found = []
    sheet: Mapping[str, object] = {}
    for seed in range(first_seed, first_seed + N_FILMS):
        made = boxed(film_of(seed, "broadcast", FILM_S))
        sheet = made.sheet
        given = {name: made.measured[name] for name in ("views", "frames", "detections")}
        for name, table in given.items():
            at = table.column_names.index("match_id")
            ids = pa.array([MATCH_ID] * table.num_rows, pa.string())
            given[name] = table.set_column(at, table.schema.field(at), ids)
        _run(given, sheet, ("people", "flight"))
        found.append(given)
    return found, sheet


def laid_out(given: Sequence[Tables], count: int, names: Sequence[str], one_view: bool) -> Tables:
    """Tables of ``count`` films one after the other; with ``one_view`` there are no cuts."""
    parts: dict[str, list[pa.Table]] = {name: [] for name in names}
    offset: dict[str, float] = dict.fromkeys(("frame", "t_s", "view", "arc", "rally", "track"), 0)
    for number in range(count):
        one = given[number % len(given)]
        for name in names:
            parts[name].append(_moved(one[name], offset, one_view))
        offset["frame"] += one["views"]["last_frame"].to_pylist()[-1] + 1
        offset["t_s"] += one["views"]["end_s"].to_pylist()[-1]
        offset["view"] += one["views"].num_rows
        for name, table in (("arc", "arcs"), ("rally", "arcs"), ("track", "people")):
            offset[name] += (pc.max(one[table][f"{name}_id"]).as_py() or 0) + 1
    return {name: pa.concat_tables(tables).combine_chunks() for name, tables in parts.items()}


def _moved(table: pa.Table, offset: Mapping[str, float], one_view: bool) -> pa.Table:
    kinds = {
        "frame": "frame", "first_frame": "frame", "last_frame": "frame", "t_s": "t_s",
        "start_s": "t_s", "end_s": "t_s", "view_id": "view", "arc_id": "arc", "rally_id": "rally",
        "track_id": "track",
    }  # fmt: skip
    for at, column in enumerate(table.schema):
        if column.name == "view_id" and one_view:
            values = pa.array([0] * table.num_rows, column.type)
        elif column.name in kinds:
            values = pc.add(table[column.name],
                            pa.scalar(offset[kinds[column.name]], column.type))  # fmt: skip
        else:
            continue
        table = table.set_column(at, column, values)
    return table


def _run(given: Tables, sheet: Mapping[str, object], names: Sequence[str]) -> dict[str, float]:
    """Run stages over tables, which gain theirs; seconds of the processor of each."""
    seconds = {}
    match = MatchContext(MATCH_ID, Path("none"), sheet=sheet)
    for stage in pipeline():
        if stage.name not in names:
            continue
        began = process_time()
        inputs = {name: given[name] for name in stage.reads if name in given}
        given[stage.writes.name] = stage.run(match, inputs, stage.config_class())
        seconds[stage.name] = process_time() - began
    return seconds


def growth(
    say: Say, made: Sequence[Tables], sheet: Mapping[str, object]
) -> list[tuple[str, str, float, float, float]]:
    """Kind of match, stage, seconds a minute of the short and of the long one, and their ratio."""
    names = [stage.name for stage in pipeline()]
    fitted, behind = names[names.index("people"):], names[names.index("track"):]
    before = ("views", "frames", "detections")
    rows = []
    for kind, counts, given, stages, one_view in (
        ("spans between cuts", BEHIND, (*before, "people", "arcs"), behind, False),
        ("spans between cuts", ROUNDS, before, fitted[:2], False),
        ("one span", ROUNDS, before, fitted[:2], True),
    ):
        taken = []
        # Once before, so that nothing is loaded or compiled while it is timed.
        _run(laid_out(made, counts[0], given, one_view), sheet, stages)
        for count in counts:
            tables = laid_out(made, count, given, one_view)
            taken.append((tables["views"]["end_s"].to_pylist()[-1] / 60, _run(tables, sheet,
                                                                              stages)))  # fmt: skip
            say(f"{kind}, {taken[-1][0]:.1f} minutes: {sum(taken[-1][1].values()):.0f} s")
        (short, few), (long, many) = taken
        for stage in stages:
            a, b = few[stage] / short, many[stage] / long
            ratio = b / a if few[stage] >= LEAST_S else float("nan")
            rows.append((f"{kind}, {short:.1f} and {long:.1f} minutes", stage, a, b, ratio))
    return rows


def text(rows: Sequence[tuple[str, str, float, float, float]]) -> str:
    """The growth as a Markdown table."""
    lines = [
        "| match | stage | processor a minute, short | long | long over short |",
        "| --- | --- | ---: | ---: | ---: |",
    ]
    for kind, stage, a, b, ratio in rows:
        said = f"{ratio:.2f}" if ratio == ratio else "too short to tell"
        lines.append(f"| {kind} | {stage} | {a:.3f} s | {b:.3f} s | {said} |")
    return "\n".join(lines) + "\n"


def good(rows: Sequence[tuple[str, str, float, float, float]]) -> bool:
    """Whether no stage takes longer a minute of the long match."""
    return not any(ratio > TOLERATED for *_, ratio in rows)
