"""Try hostile inputs in a process of its own, watched: what it raises and writes, and how long.

A process may be killed by a decoder that a file crashes; the one that started it sees which input
was the last. Files that Python opens for writing are told by audit events; folders beside the one
that may be written to are compared before and after, for the libraries that do not go by Python.
"""

from __future__ import annotations

import os
import random
import signal
import sys
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from multiprocessing.connection import Connection
from pathlib import Path
from types import FrameType
from typing import Any

from rallymill.errors import RallymillError

LONGEST_S = 30.0
"""Time for one input; what takes longer hangs, as far as a user can tell."""
WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND
CHANGING = frozenset({"os.mkdir", "os.rename", "os.remove", "os.rmdir", "os.link", "os.symlink",
                      "os.truncate", "shutil.rmtree", "shutil.move", "os.chmod"})  # fmt: skip
STARTING = frozenset({"subprocess.Popen", "os.system", "os.exec", "os.posix_spawn"})

Try = Callable[[random.Random, Path], bool]
"""Makes an input by a seeded chance in a folder and gives it to the code that reads such input;
whether that took it."""


class TooLongError(Exception):
    """An input took longer than :data:`LONGEST_S`."""


class Watch:
    """What happens outside the one folder that may be written to."""

    def __init__(self, inside: Path, may_start: bool) -> None:
        self.inside, self.may_start = inside.resolve(), may_start
        self.seen: list[str] = []
        self.on = False
        sys.addaudithook(self._hear)

    def _hear(self, event: str, arguments: tuple[Any, ...]) -> None:
        if not self.on:
            return
        if event == "open":
            path, mode, flags = arguments
            writes = isinstance(flags, int) and bool(flags & WRITING)
            if isinstance(mode, str):
                writes = bool(set(mode) & set("wax+"))
            if writes:
                self._note(path)
        elif event in CHANGING:
            self._note(arguments[0])
            if event in ("os.rename", "os.link", "os.symlink", "shutil.move"):
                self._note(arguments[1])
        elif event in STARTING and not self.may_start:
            self.seen.append(f"started {arguments[0]!r}")

    def _note(self, path: Any) -> None:
        if isinstance(path, int):
            return
        self.on = False
        try:
            whole = Path(os.path.realpath(os.fsdecode(path)))
            allowed = whole.is_relative_to(self.inside) or "__pycache__" in whole.parts
            if not allowed and str(whole) != os.devnull:
                self.seen.append(f"wrote {whole}")
        except (ValueError, TypeError):
            self.seen.append(f"wrote {path!r}")
        finally:
            self.on = True

    @contextmanager
    def watching(self) -> Iterator[list[str]]:
        """Watch, and give what was seen."""
        self.seen.clear()
        before = listing(self.inside)
        self.on = True
        try:
            yield self.seen
        finally:
            self.on = False
            after = listing(self.inside)
            self.seen += [f"changed {name}" for name in before.keys() | after.keys()
                          if before.get(name) != after.get(name)]  # fmt: skip


def listing(inside: Path) -> dict[str, tuple[int, int]]:
    """Size and time of every file beside and above a folder, in its sandbox."""
    sandbox = inside.parent
    return {
        str(path.relative_to(sandbox)): (path.lstat().st_size, path.lstat().st_mtime_ns)
        for path in sandbox.rglob("*")
        if not path.is_relative_to(inside) and not path.is_dir()
    }


def _alarm(number: int, frame: FrameType | None) -> None:
    raise TooLongError(f"it took longer than {LONGEST_S:g} s")


def tried(trial: Try, chance: random.Random, inside: Path, watch: Watch) -> tuple[bool, str]:
    """Whether an input was taken, and what it did that it must not: in one line, empty if nothing.
    """
    signal.setitimer(signal.ITIMER_REAL, LONGEST_S)
    fault, taken = "", False
    with watch.watching() as seen:
        try:
            taken = trial(chance, inside)
        except RallymillError as error:
            # What the command line tells in two lines.
            if not error.problem or "\n" in error.problem:
                fault = f"a problem of no or several lines: {error.problem!r}"
        except Exception as error:
            places = traceback.extract_tb(error.__traceback__)
            own = [place for place in places if "rallymill" in place.filename]
            place = own[-1] if own else places[-1]
            fault = (f"{type(error).__name__} at {Path(place.filename).name}:{place.lineno}: "
                     f"{str(error)[:200]}")  # fmt: skip
        finally:
            signal.setitimer(signal.ITIMER_REAL, 0.0)
    return taken, " and ".join([*([fault] if fault else []), *seen[:3]]).replace("\n", " ")


def serve(kind: str, first: int, count: int, inside: str, seed: int, out: Connection) -> None:
    """Try inputs ``first`` to ``first + count - 1`` of a kind; tell each before and after."""
    import logging

    from rallymill.hostile_kinds import KINDS, prepare

    logging.disable(logging.CRITICAL)
    signal.signal(signal.SIGALRM, _alarm)
    folder = Path(inside)
    os.chdir(folder)
    # Libraries are loaded and caches written before anybody watches.
    prepare(kind, folder)
    watch = Watch(folder, may_start=kind == "command line")
    for number in range(first, first + count):
        out.send(("begin", number, False, ""))
        chance = random.Random(f"{seed} {kind} {number}")
        out.send(("end", number, *tried(KINDS[kind], chance, folder, watch)))
    out.send(("over", first + count, False, ""))
