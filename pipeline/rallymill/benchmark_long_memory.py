"""The memory that the stages after detection take in a short and in a long match.

A process of its own runs the stages one after the other over tables on the disk, as the runner does
(columns that a stage looks at, memory given back after it), and notes the most that each held.
Flights are dear to fit and are left out: they are given a view at a time, as people are.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import psutil
import pyarrow as pa

from rallymill import tableio
from rallymill.benchmark_long import MEMORY_GOAL_MIB
from rallymill.benchmark_long_tables import MATCH_ID, Tables, laid_out
from rallymill.runner.memory import give_back
from rallymill.runner.registry import columns_of, pipeline
from rallymill.runner.rowhash import rows_hash
from rallymill.stages.base import MatchContext
from rallymill.tables import ALL

GIVEN = ("views", "frames", "detections", "people", "arcs")
LENGTHS = (12, 48)
"""Films that a short and a long match are made of: 8 and 32 minutes."""
TOLD_MIN = 120.0
"""Length of the match for which the memory is reckoned from the growth between the two."""
LEFT_OUT = ("views", "calibrate", "detect", "flight")
PEAK, RESET = Path("/proc/self/status"), Path("/proc/self/clear_refs")

Say = Callable[[str], None]


@dataclass(frozen=True)
class Held:
    """MiB of the process before a stage and at most during it."""

    stage: str
    before_mib: float
    most_mib: float


def one_camera_a_frame(frames: pa.Table) -> pa.Table:
    """The same cameras with other numbers in each frame, as those of a camera that moves."""
    numbers = frames["camera"].combine_chunks()
    known = np.asarray(numbers.is_valid())
    scaled = np.full((len(known), 12), np.nan)
    found = numbers.flatten().to_numpy().reshape(-1, 12)
    scaled[known] = found * (1 + 1e-9 * np.arange(len(found)))[:, None]
    at = frames.column_names.index("camera")
    made = pa.FixedSizeListArray.from_arrays(pa.array(scaled.ravel()), 12, mask=pa.array(~known))
    return frames.set_column(at, frames.schema.field(at), made)


def _peak_mib() -> float:
    if PEAK.exists():
        for line in PEAK.read_text().splitlines():
            if line.startswith("VmHWM"):
                return int(line.split()[1]) / 1024
    return float(psutil.Process().memory_info().rss / 2**20)


def run(folder: Path, sheet: Mapping[str, object], stages: Sequence[str]) -> list[Held]:
    """Run stages over the tables of a folder, which gains theirs."""
    match = MatchContext(MATCH_ID, Path("none"), sheet=sheet)
    found = []
    for stage in pipeline():
        if stage.name not in stages:
            continue
        if RESET.exists():
            RESET.write_text("5")  # the peak starts from here, see proc(5)
        before = psutil.Process().memory_info().rss / 2**20
        inputs = {
            name: tableio.read(folder / f"{name}.parquet", ALL[name], columns_of(stage, name))
            for name in stage.reads
        }
        table = stage.run(match, inputs, stage.config_class())
        rows_hash(table)
        tableio.write(folder / f"{stage.writes.name}.parquet", stage.writes, table)
        found.append(Held(stage.name, before, _peak_mib()))
        del table, inputs
        give_back()
    return found


def measure(
    say: Say, made: Sequence[Tables], sheet: Mapping[str, object],
    lengths: Sequence[int] = LENGTHS,
) -> dict[float, list[Held]]:
    """What each stage held, by the minutes of the match."""
    found = {}
    stages = [stage.name for stage in pipeline() if stage.name not in LEFT_OUT]
    for count in lengths:
        with TemporaryDirectory(prefix="rallymill-memory-") as place:
            tables = laid_out(made, count, GIVEN, one_view=False)
            tables["frames"] = one_camera_a_frame(tables["frames"])
            minutes = float(tables["views"]["end_s"].to_pylist()[-1]) / 60
            for name, table in tables.items():
                tableio.write(Path(place) / f"{name}.parquet", ALL[name], table)
            del tables, table
            done = subprocess.run(
                [sys.executable, "-m", __name__, place, json.dumps(sheet), *stages],
                check=True, capture_output=True, text=True,
            )
            found[minutes] = [Held(*row) for row in json.loads(done.stdout)]
            most = max(one.most_mib for one in found[minutes])
            say(f"memory, {minutes:.1f} minutes: {most:.0f} MiB")
    return found


def told_mib(found: Mapping[float, Sequence[Held]]) -> list[tuple[str, float]]:
    """What each stage would hold at most in a match of ``TOLD_MIN``, by its growth."""
    (short, few), (long, many) = sorted(found.items())
    return [
        (a.stage, b.most_mib + (b.most_mib - a.most_mib) / (long - short) * (TOLD_MIN - long))
        for a, b in zip(few, many, strict=True)
    ]


def text(found: Mapping[float, Sequence[Held]]) -> str:
    """The memory as a Markdown table."""
    (short, few), (long, many) = sorted(found.items())
    lines = [
        f"| stage | {short:.0f} minutes: before, most | {long:.0f} minutes: before, most "
        f"| {TOLD_MIN:.0f} minutes, by growth |",
        "| --- | ---: | ---: | ---: |",
    ]
    for a, b, (stage, told) in zip(few, many, told_mib(found), strict=True):
        lines.append(
            f"| {stage} | {a.before_mib:.0f}, {a.most_mib:.0f} MiB "
            f"| {b.before_mib:.0f}, {b.most_mib:.0f} MiB | {told:.0f} MiB |"
        )
    return "\n".join(lines) + "\n"


def good(found: Mapping[float, Sequence[Held]]) -> bool:
    """Whether a long match stays within the memory that is allowed."""
    return all(told <= MEMORY_GOAL_MIB for _, told in told_mib(found))


def main() -> None:
    """Run stages in this process and write what they held to standard output."""
    folder, sheet, *stages = sys.argv[1:]
    held = run(Path(folder), json.loads(sheet), stages)
    sys.stdout.write(json.dumps([[one.stage, one.before_mib, one.most_mib] for one in held]))


if __name__ == "__main__":
    main()
