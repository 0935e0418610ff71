"""The fault campaign: runs are killed, starved and lied to, and must come out whole afterwards.

Every run is a process of its own over small films with small stages. After the fault, whatever
table stands must be a whole one; after one more run in peace everything must be as in a run without
faults, with no match missing, none listed twice and nothing left over.
"""

from __future__ import annotations

import multiprocessing
import os
import random
import resource
import shutil
import signal
import subprocess
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from rallymill import config as configuration
from rallymill import tableio, video
from rallymill.errors import RallymillError
from rallymill.fault_stages import REGISTRY, STAGES
from rallymill.runner.night import Night
from rallymill.runner.rowhash import rows_hash
from rallymill.runner.store import MATCHES_FOLDER, SCRATCH_NAME, MatchStore
from rallymill.runner.summary import MATCHES_NAME
from rallymill.season import joining
from rallymill.season.layout import SEASON_TABLES
from rallymill.season.query import ask, connect_season
from rallymill.season.store import SeasonStore
from rallymill.tables import ALL, MATCHES

FILM_FRAMES = (40, 60)
CHUNK_FRAMES = 10
LONGEST_S = 120.0
SMALL_FILES = (300, 30_000)
"""Bytes after which a full disk lets a file grow no more."""

Say = Callable[[str], None]


@dataclass
class Place:
    """Folders of a run: films and their whole copies, output, season."""

    root: Path
    originals: Path

    def __post_init__(self) -> None:
        self.films, self.out = self.root / "films", self.root / "out"
        self.season = self.root / "season"
        shutil.rmtree(self.root, ignore_errors=True)
        shutil.copytree(self.originals, self.films)

    def mend_films(self) -> None:
        """Put the films back as they were, times of change included."""
        shutil.rmtree(self.films)
        shutil.copytree(self.originals, self.films)

    def tables(self) -> list[Path]:
        """Tables of matches that are in place."""
        return sorted((self.out / MATCHES_FOLDER).glob("*/*.parquet"))


@dataclass
class Tally:
    """What came of the runs of one kind of fault."""

    runs: int = 0
    hit: int = 0
    skipped: str = ""
    faults: list[str] = field(default_factory=list)


# What a run does, in a process of its own.


def read_films(films: str, out: str, most_bytes: int | None = None) -> None:
    """Run the small stages over a folder; files may grow to ``most_bytes`` only."""
    given = {
        "execution": {"copying_wait_s": 0, "chunk_frames": CHUNK_FRAMES, "threads": 1},
        "detect": {"input_width_px": 320},
    }
    config = configuration.build(given, STAGES, Path(films), None)
    if most_bytes is not None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (most_bytes, most_bytes))
    os.environ["RALLYMILL_NO_REPORT"] = "1"
    result = Night(Path(films), Path(out), config, registry=REGISTRY, isolated=False).run()
    if result.unread:
        raise SystemExit(1)


def join_season(out: str, root: str) -> None:
    """Add all matches to a season and sum it up."""
    joining.add(Path(out), Path(root))
    joining.roll_up(Path(root))


class _Runs:
    """Starts processes from a server that has everything loaded, so that each starts at once."""

    def __init__(self) -> None:
        self.context = multiprocessing.get_context("forkserver")
        self.context.set_forkserver_preload([__name__])

    def start(self, work: Callable[..., None], *given: Any) -> Any:
        process = self.context.Process(target=_quiet, args=(work, *given))
        process.start()
        return process

    def whole(self, work: Callable[..., None], *given: Any) -> int:
        """Run to the end; the exit code."""
        process = self.start(work, *given)
        process.join(LONGEST_S)
        if process.exitcode is None:
            process.kill()
            process.join()
            return -99
        return int(process.exitcode)

    def killed(self, work: Callable[..., None], after_s: float, *given: Any) -> bool:
        """Kill after a while; False if it came to its end before."""
        process = self.start(work, *given)
        process.join(after_s)
        alive = process.exitcode is None
        process.kill()
        process.join()
        return alive


def _quiet(work: Callable[..., None], *given: Any) -> None:
    """Do some work; errors that a user would be told end the process with code 1."""
    try:
        work(*given)
    except (RallymillError, OSError):
        raise SystemExit(1) from None


# Faults: each does its harm to a run or to what a run left; True if the harm was felt.

Fault = Callable[[Place, "_Runs", random.Random, float], bool]


def kill(place: Place, runs: _Runs, chance: random.Random, length_s: float) -> bool:
    """SIGKILL at a random moment of a run."""
    return runs.killed(read_films, chance.uniform(0.02, length_s), str(place.films),
                       str(place.out))  # fmt: skip


def kill_twice(place: Place, runs: _Runs, chance: random.Random, length_s: float) -> bool:
    """SIGKILL of a run and of the one that goes on."""
    return kill(place, runs, chance, length_s) | kill(place, runs, chance, length_s)


def full_disk(place: Place, runs: _Runs, chance: random.Random, length_s: float) -> bool:
    """No file can grow beyond a random size."""
    most = round(np.exp(chance.uniform(*np.log(SMALL_FILES))))
    return runs.whole(read_films, str(place.films), str(place.out), most) != 0


def read_only(place: Place, runs: _Runs, chance: random.Random, length_s: float) -> bool:
    """The output folder, or that of a match, becomes read-only in the middle of a run."""
    kill(place, runs, chance, length_s)
    folders = [place.out, *sorted((place.out / MATCHES_FOLDER).glob("*"))]
    folder = chance.choice([one for one in folders if one.is_dir()] or [place.root])
    lock, unlock = _locks(folder)
    lock()
    try:
        return runs.whole(read_films, str(place.films), str(place.out)) != 0
    finally:
        unlock()


def _locks(folder: Path) -> tuple[Callable[[], Any], Callable[[], Any]]:
    """How a folder is made read-only and writable again; the administrator needs a file flag."""
    if os.geteuid() != 0:
        return lambda: folder.chmod(0o555), lambda: folder.chmod(0o755)
    return (
        lambda: subprocess.run(["chattr", "+i", str(folder)], check=True, capture_output=True),
        lambda: subprocess.run(["chattr", "-i", str(folder)], check=True, capture_output=True),
    )


def read_only_can_be_made(folder: Path) -> bool:
    """Whether :func:`read_only` can make a folder read-only here."""
    folder.mkdir(parents=True, exist_ok=True)
    lock, unlock = _locks(folder)
    try:
        lock()
        unlock()
    except (OSError, subprocess.CalledProcessError):
        return False
    return True


def _damaged_film(harm: Callable[[Path, random.Random], None]) -> Fault:
    def fault(place: Place, runs: _Runs, chance: random.Random, length_s: float) -> bool:
        film = chance.choice(sorted(place.films.iterdir()))
        harm(film, chance)
        code = runs.whole(read_films, str(place.films), str(place.out))
        listed = {row["file"]: row["status"] for row in _rows(place.out)}
        place.mend_films()
        return code != 0 or listed.get(film.name) != "read"

    return fault


def _truncate(film: Path, chance: random.Random) -> None:
    os.truncate(film, round(film.stat().st_size * chance.uniform(0.0, 0.95)))


def _zero_middle(film: Path, chance: random.Random) -> None:
    data = bytearray(film.read_bytes())
    length = round(len(data) * chance.uniform(0.1, 0.4))
    start = chance.randrange(64, len(data) - length)
    data[start : start + length] = bytes(length)
    film.write_bytes(data)


def film_removed(place: Place, runs: _Runs, chance: random.Random, length_s: float) -> bool:
    """A film goes while it is read."""
    film = chance.choice(sorted(place.films.iterdir()))
    process = runs.start(read_films, str(place.films), str(place.out))
    time.sleep(chance.uniform(0.0, length_s))
    film.unlink()
    process.join(LONGEST_S)
    code = process.exitcode
    place.mend_films()
    return code != 0


def _damaged_output(harm: Callable[[Path, random.Random], None], *patterns: str) -> Fault:
    def fault(place: Place, runs: _Runs, chance: random.Random, length_s: float) -> bool:
        runs.whole(read_films, str(place.films), str(place.out))
        found = sorted({path for one in patterns for path in place.out.glob(one)})
        for path in chance.sample(found, min(len(found), chance.randint(1, 3))):
            harm(path, chance)
        return bool(found)

    return fault


def _overwrite(path: Path, chance: random.Random) -> None:
    data = bytearray(path.read_bytes())
    start = chance.randrange(len(data))
    data[start : start + 40] = chance.randbytes(len(data[start : start + 40]))
    path.write_bytes(data)


def _remove(path: Path, chance: random.Random) -> None:
    path.unlink()


def season_killed(place: Place, runs: _Runs, chance: random.Random, length_s: float) -> bool:
    """SIGKILL while matches join a season; half of the times one of them is there already."""
    runs.whole(read_films, str(place.films), str(place.out))
    if chance.random() < 0.5:
        runs.whole(join_season, str(place.out), str(place.season))
        for partition in list(SeasonStore(place.season).matches().values())[:1]:
            (place.season / partition.file("shots")).write_bytes(b"torn")
            (place.season / partition.file("matches")).unlink()
    return runs.killed(join_season, chance.uniform(0.02, length_s), str(place.out),
                       str(place.season))  # fmt: skip


TABLES = f"{MATCHES_FOLDER}/*/*.parquet"
FAULTS: dict[str, Fault] = {
    "killed": kill,
    "killed, and again": kill_twice,
    "disk full": full_disk,
    "output read-only": read_only,
    "film truncated": _damaged_film(_truncate),
    "film damaged in the middle": _damaged_film(_zero_middle),
    "film removed while read": film_removed,
    "tables overwritten": _damaged_output(_overwrite, TABLES),
    "tables truncated": _damaged_output(_truncate, TABLES),
    "tables removed": _damaged_output(_remove, TABLES),
    "lists and records truncated": _damaged_output(
        _truncate, MATCHES_NAME, ".hashes.json", f"{MATCHES_FOLDER}/*/match.json"
    ),
    "killed while joining a season": season_killed,
}
DAMAGED_BY_US = ("tables overwritten", "tables truncated", "tables removed")


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
    server = _Runs()
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
        problems += _compare(wanted, _state(place.out)) + _left_over(place.root)
        if seasonal:
            code = server.whole(join_season, str(place.out), str(place.season))
            problems += [f"joining in peace ended with code {code}"] * bool(code)
            problems += _compare(wanted_season, _season_state(place.season))
        if problems:
            tally.faults.append(f"run {number}: " + "; ".join(problems))
            say(f"{name}, {tally.faults[-1]}")
    return FaultReport(tallies, time.monotonic() - began)


def _rows(out: Path) -> list[dict[str, Any]]:
    try:
        return list(tableio.read(out / MATCHES_NAME, MATCHES).to_pylist())
    except RallymillError:
        return []


def _state(out: Path) -> dict[str, str]:
    """Hash of every table of every match that is listed, and the rows of the list.

    A damaged film is a recording of its own, whose folder stays; it is listed no more.
    """
    found = {}
    listed = {row["match_id"] for row in _rows(out)}
    for path in sorted((out / MATCHES_FOLDER).glob("*/*.parquet")):
        if path.parent.name not in listed:
            continue
        state = MatchStore(out, path.parent.name).state(ALL[path.stem])
        found[f"{path.parent.name}/{path.stem}"] = "edited" if state.edited else state.rows
    for number, row in enumerate(_rows(out)):
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


def _left_over(root: Path) -> list[str]:
    left = [*root.rglob(".*.part"), *root.rglob(SCRATCH_NAME)]
    return [f"{path.relative_to(root)} is left over" for path in left]
