"""The fault campaign: runs are killed, starved and lied to, and must come out whole afterwards.

Every run is a process of its own over small films with small stages. After the fault, whatever
table stands must be a whole one; after one more run in peace everything must be as in a run without
faults, with no match missing, none listed twice and nothing left over.
"""

from __future__ import annotations

import random
import shutil
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from rallymill import video
from rallymill.fault_kinds import (
    DAMAGED_BY_US,
    FAULTS,
    Place,
    Runs,
    join_season,
    listed_rows,
    read_films,
    read_only_can_be_made,
    season_killed,
)
from rallymill.runner.rowhash import rows_hash
from rallymill.runner.store import MATCHES_FOLDER, SCRATCH_NAME, MatchStore
from rallymill.runner.summary import MATCHES_NAME
from rallymill.season.layout import SEASON_TABLES
from rallymill.season.query import ask, connect_season
from rallymill.season.store import SeasonStore
from rallymill.tables import ALL

FILM_FRAMES = (40, 60)

Say = Callable[[str], None]


@dataclass
class Tally:
    """What came of the runs of one kind of fault."""

    runs: int = 0
    hit: int = 0
    skipped: str = ""
    faults: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class FaultReport:
    """What came of a campaign."""

    tallies: dict[str, Tally]
    seconds: float

    @property
    def runs(self) -> int:
        """Runs with a fault."""
        return sum(tally.runs for tally in self.tallies.values())

    @property
    def good(self) -> bool:
        """Whether every run came out whole."""
        return bool(self.runs) and not any(tally.faults for tally in self.tallies.values())

    def text(self) -> str:
        """The report as a Markdown table, and what went wrong below it."""
        lines = ["| fault | runs | felt by the run | not whole afterwards |",
                 "| --- | ---: | ---: | ---: |"]  # fmt: skip
        for name, tally in self.tallies.items():
            if tally.skipped:
                lines.append(f"| {name} | 0 | {tally.skipped} | |")
                continue
            lines.append(f"| {name} | {tally.runs} | {tally.hit} | {len(tally.faults)} |")
        lines.append(f"\n{self.runs} runs in {self.seconds:.0f} s")
        lines += [f"- {name}: {fault}" for name, tally in self.tallies.items()
                  for fault in tally.faults]  # fmt: skip
        return "\n".join(lines) + "\n"


def make_films(folder: Path) -> None:
    """Two small films of a moving bar."""
    folder.mkdir(parents=True)
    for number, count in enumerate(FILM_FRAMES):
        with video.Writer(folder / f"court {number}.mp4", 160, 120, 25) as film:
            for k in range(count):
                image = np.full((120, 160, 3), 60 + number, np.uint8)
                image[50:70, (4 * k) % 150 : (4 * k) % 150 + 10] = 250
                film.write(image)


def run(folder: Path, runs: int, seed: int, say: Say) -> FaultReport:
    """Make ``runs`` runs with faults of all kinds by turns, and check what came of each."""
    shutil.rmtree(folder, ignore_errors=True)
    originals = folder / "films"
    make_films(originals)
    chance = random.Random(seed)
    server = Runs()
    began = time.monotonic()
    peace = Place(folder / "peace", originals)
    server.whole(read_films, str(peace.films), str(peace.out))
    started = time.monotonic()
    again = Place(folder / "again", originals)
    server.whole(read_films, str(again.films), str(again.out))
    length_s = time.monotonic() - started
    started = time.monotonic()
    server.whole(join_season, str(peace.out), str(peace.season))
    season_s = time.monotonic() - started
    wanted, wanted_season = _state(peace.out), _season_state(peace.season)
    say(f"a run in peace takes {length_s:.2f} s, joining a season {season_s:.2f} s")
    tallies = {name: Tally() for name in FAULTS}
    if not read_only_can_be_made(folder / "lockable"):
        tallies["output read-only"].skipped = "cannot be made here"
    kinds = [name for name in FAULTS if not tallies[name].skipped]
    for number in range(runs):
        name = kinds[number % len(kinds)]
        tally = tallies[name]
        place = Place(folder / "run", originals)
        seasonal = FAULTS[name] is season_killed
        tally.runs += 1
        tally.hit += FAULTS[name](place, server, chance, season_s if seasonal else length_s)
        problems = [] if name in DAMAGED_BY_US else _half_written(place.out)
        code = server.whole(read_films, str(place.films), str(place.out))
        problems += [f"the run in peace ended with code {code}"] * bool(code)
        problems += _compare(wanted, _state(place.out))
        if seasonal:
            code = server.whole(join_season, str(place.out), str(place.season))
            problems += [f"joining in peace ended with code {code}"] * bool(code)
            problems += _compare(wanted_season, _season_state(place.season))
        problems += _left_over(place)
        if problems:
            tally.faults.append(f"run {number}: " + "; ".join(problems))
            say(f"{name}, {tally.faults[-1]}")
    return FaultReport(tallies, time.monotonic() - began)


def _state(out: Path) -> dict[str, str]:
    """Hash of every table of every match that is listed, and the rows of the list.

    A damaged film is a recording of its own, whose folder stays; it is listed no more.
    """
    found = {}
    listed = {row["match_id"] for row in listed_rows(out)}
    for path in sorted((out / MATCHES_FOLDER).glob("*/*.parquet")):
        if path.parent.name not in listed:
            continue
        state = MatchStore(out, path.parent.name).state(ALL[path.stem])
        found[f"{path.parent.name}/{path.stem}"] = "edited" if state.edited else state.rows
    for number, row in enumerate(listed_rows(out)):
        found[f"{MATCHES_NAME} row {number}"] = repr(sorted(row.items()))
    return found


def _season_state(root: Path) -> dict[str, str]:
    """Hash of every table of a season's files, and of its database."""
    store = SeasonStore(root)
    found = {}
    for match_id, partition in store.matches().items():
        for name in SEASON_TABLES:
            found[f"{match_id}/{name}"] = rows_hash(store.read(partition, name))
    connection = connect_season(root)
    for name in (*SEASON_TABLES, "player_rates"):
        answer = ask(connection, f"SELECT * FROM {name} ORDER BY ALL")
        found[f"season.duckdb {name}"] = answer.to_json()
    connection.close()
    return found


def _half_written(out: Path) -> list[str]:
    """Tables that can be opened but are not what a run wrote."""
    found = []
    for path in sorted((out / MATCHES_FOLDER).glob("*/*.parquet")):
        if MatchStore(out, path.parent.name).state(ALL[path.stem]).edited:
            found.append(f"{path.parent.name}/{path.name} is half written")
    return found


def _compare(wanted: dict[str, str], found: dict[str, str]) -> list[str]:
    lost = [f"{name} is lost" for name in wanted.keys() - found.keys()]
    more = [f"{name} is too many" for name in found.keys() - wanted.keys()]
    other = [f"{name} differs" for name in wanted.keys() & found.keys()
             if wanted[name] != found[name]]  # fmt: skip
    return sorted(lost + more + other)


def _left_over(place: Place) -> list[str]:
    """Half files, and checkpoints of matches that are listed as read.

    A damaged film that failed keeps its checkpoints: they are of use if it comes again.
    """
    read = {row["match_id"] for row in listed_rows(place.out) if row["status"] != "not_read"}
    left = [path for path in place.root.rglob(SCRATCH_NAME) if path.parent.name in read]
    left += place.root.rglob(".*.part")
    return [f"{path.relative_to(place.root)} is left over" for path in left]
