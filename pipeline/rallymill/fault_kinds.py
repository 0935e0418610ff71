"""Faults of the campaign: what runs do in processes of their own, and the harm done to them."""

from __future__ import annotations

import logging
import multiprocessing
import os
import random
import resource
import shutil
import signal
import subprocess
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from rallymill import config as configuration
from rallymill import tableio
from rallymill.benchmark_resume import tables_of
from rallymill.errors import RallymillError
from rallymill.fault_stages import REGISTRY, STAGES
from rallymill.runner.match import NO_REPORT_VARIABLE
from rallymill.runner.night import Night
from rallymill.runner.store import MATCHES_FOLDER
from rallymill.runner.summary import MATCHES_NAME
from rallymill.season import joining
from rallymill.season.store import SeasonStore
from rallymill.tables import MATCHES

CHUNK_FRAMES = 10
LONGEST_S = 600.0
"""After this a run counts as standing still; on a starved machine one may take minutes."""

SMALL_FILES = (300, 30_000)
"""Bytes after which a full disk lets a file grow no more."""


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
        return list(tables_of(self.out).values())


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
    os.environ[NO_REPORT_VARIABLE] = "1"
    logging.raiseExceptions = False  # a log that cannot grow either is no news
    result = Night(Path(films), Path(out), config, registry=REGISTRY, isolated=False).run()
    if result.unread:
        raise SystemExit(1)


def join_season(out: str, root: str) -> None:
    """Add all matches to a season and sum it up."""
    joining.add(Path(out), Path(root))
    joining.roll_up(Path(root))


class Runs:
    """Starts processes from a server that has everything loaded, so that each starts at once."""

    def __init__(self) -> None:
        self.context = multiprocessing.get_context("forkserver")
        self.context.set_forkserver_preload([__name__])

    def start(self, work: Callable[..., None], *given: Any) -> Any:
        """Start some work; its process."""
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


def listed_rows(out: Path) -> list[dict[str, Any]]:
    """Rows of the list of matches; none where it cannot be read."""
    try:
        return list(tableio.read(out / MATCHES_NAME, MATCHES).to_pylist())
    except RallymillError:
        return []


# Faults: each does its harm to a run or to what a run left; True if the harm was felt.

Fault = Callable[[Place, Runs, random.Random, float], bool]


def kill(place: Place, runs: Runs, chance: random.Random, length_s: float) -> bool:
    """SIGKILL at a random moment of a run."""
    return runs.killed(read_films, chance.uniform(0.02, length_s), str(place.films),
                       str(place.out))  # fmt: skip


def kill_twice(place: Place, runs: Runs, chance: random.Random, length_s: float) -> bool:
    """SIGKILL of a run and of the one that goes on."""
    return kill(place, runs, chance, length_s) | kill(place, runs, chance, length_s)


def full_disk(place: Place, runs: Runs, chance: random.Random, length_s: float) -> bool:
    """No file can grow beyond a random size."""
    most = round(np.exp(chance.uniform(*np.log(SMALL_FILES))))
    return runs.whole(read_films, str(place.films), str(place.out), most) != 0


def read_only(place: Place, runs: Runs, chance: random.Random, length_s: float) -> bool:
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
    def fault(place: Place, runs: Runs, chance: random.Random, length_s: float) -> bool:
        film = chance.choice(sorted(place.films.iterdir()))
        harm(film, chance)
        code = runs.whole(read_films, str(place.films), str(place.out))
        listed = {row["file"]: row["status"] for row in listed_rows(place.out)}
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


def film_removed(place: Place, runs: Runs, chance: random.Random, length_s: float) -> bool:
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
    def fault(place: Place, runs: Runs, chance: random.Random, length_s: float) -> bool:
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


def season_killed(place: Place, runs: Runs, chance: random.Random, length_s: float) -> bool:
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
