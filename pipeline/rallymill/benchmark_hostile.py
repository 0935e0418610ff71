"""Ten thousand hostile inputs: none may end in a traceback, write elsewhere, or hang.

Inputs are made by seeded chance (:mod:`rallymill.hostile_kinds`) and tried in processes of their
own (:mod:`rallymill.hostile_worker`), a slice of each kind at a time.
"""

from __future__ import annotations

import multiprocessing
import shutil
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from rallymill.hostile_worker import LONGEST_S, serve

SHARES: Mapping[str, float] = {
    "container": 0.16, "match sheet": 0.13, "configuration": 0.13, "court points": 0.14,
    "correction": 0.14, "SQL": 0.15, "named question": 0.05, "clip of a row": 0.04,
    "season and event": 0.006, "file name": 0.05, "command line": 0.004,
}  # fmt: skip
"""How inputs are shared out among the kinds."""
SLICE = 400
GRACE_S = 30.0
MOST_SHOWN = 20

Say = Callable[[str], None]


@dataclass
class Tally:
    """Inputs of a kind that were tried and taken, and what was wrong with which of them."""

    tried: int = 0
    taken: int = 0
    faults: dict[int, str] = field(default_factory=dict)


@dataclass
class HostileReport:
    """What came of a campaign."""

    tallies: dict[str, Tally]
    seconds: float

    @property
    def tried(self) -> int:
        """Inputs that were tried."""
        return sum(tally.tried for tally in self.tallies.values())

    @property
    def good(self) -> bool:
        """Whether none of them did harm."""
        return bool(self.tried) and not any(tally.faults for tally in self.tallies.values())

    def text(self) -> str:
        """The report as a Markdown table, and what went wrong below it."""
        lines = ["| kind of input | tried | taken | refused | faults |",
                 "| --- | ---: | ---: | ---: | ---: |"]  # fmt: skip
        whole = Tally(self.tried)
        for kind, tally in self.tallies.items():
            lines.append(_line(kind, tally))
            whole.taken += tally.taken
            whole.faults |= {len(whole.faults) + k: "" for k in range(len(tally.faults))}
        lines.append(_line("all", whole))
        lines.append(f"\n{self.seconds:.0f} s")
        for kind, tally in self.tallies.items():
            shown = list(tally.faults.items())[:MOST_SHOWN]
            lines += [f"- {kind} {number}: {fault}" for number, fault in shown]
        return "\n".join(lines) + "\n"


def _line(kind: str, tally: Tally) -> str:
    faults = len(tally.faults)
    refused = tally.tried - tally.taken - faults
    return f"| {kind} | {tally.tried} | {tally.taken} | {refused} | {faults} |"


def counts_of(count: int) -> dict[str, int]:
    """So many inputs shared out among the kinds."""
    counts = {kind: int(share * count) for kind, share in SHARES.items()}
    counts["SQL"] += count - sum(counts.values())
    return counts


def run(
    folder: Path, counts: Mapping[str, int], seed: int, say: Say, first: int = 0
) -> HostileReport:
    """Try so many inputs of each kind, from number ``first`` on."""
    shutil.rmtree(folder, ignore_errors=True)
    began = time.monotonic()
    tallies: dict[str, Tally] = {}
    for kind, count in counts.items():
        tally = tallies[kind] = Tally()
        number, end = first, first + count
        while number < end:
            number = _slice(folder.resolve(), kind, number, min(SLICE, end - number), seed, tally)
        if count:
            say(f"{kind}: {tally.tried} tried, {len(tally.faults)} faults")
    return HostileReport(tallies, time.monotonic() - began)


def _slice(folder: Path, kind: str, first: int, count: int, seed: int, tally: Tally) -> int:
    """Try inputs in one process; the number of the next one, also where the process died."""
    sandbox = folder / "sandbox"
    shutil.rmtree(sandbox, ignore_errors=True)
    inside = sandbox / "inside"
    inside.mkdir(parents=True)
    (sandbox / "outside").mkdir()
    (sandbox / "outside" / "kept.txt").write_text("nobody may write here\n", encoding="utf-8")
    context = multiprocessing.get_context("spawn")
    hear, tell = context.Pipe(duplex=False)
    process = context.Process(target=serve, args=(kind, first, count, str(inside), seed, tell))
    process.start()
    tell.close()
    now = first - 1
    try:
        while True:
            # The first one waits for libraries to be loaded.
            if not hear.poll(LONGEST_S + GRACE_S + (120.0 if now < first else 0.0)):
                process.kill()
                return _lost(tally, now, first, "it stood still and could not be interrupted")
            what, number, taken, fault = hear.recv()
            if what == "over":
                return first + count
            now = number
            if what == "end":
                tally.tried += 1
                tally.taken += taken
                if fault:
                    tally.faults[number] = fault
    except EOFError:
        process.join()
        return _lost(tally, now, first, f"the process ended with code {process.exitcode}")
    finally:
        process.join(GRACE_S)
        if process.is_alive():
            process.kill()
        hear.close()
        shutil.rmtree(sandbox, ignore_errors=True)


def _lost(tally: Tally, now: int, first: int, why: str) -> int:
    """Count an input with which its process was lost; the number of the next."""
    number = max(now, first)
    tally.tried += 1
    tally.faults[number] = why
    return number + 1
