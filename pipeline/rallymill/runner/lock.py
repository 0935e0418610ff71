"""One run at a time for an output folder."""

from __future__ import annotations

import fcntl
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from rallymill.errors import RallymillError

LOCK_NAME = ".lock"
WAIT_S = 5.0
POLL_S = 0.1


class FolderBusyError(RallymillError):
    """Another run is writing to the output folder."""


@contextmanager
def folder_lock(out: Path, wait_s: float = WAIT_S) -> Iterator[int]:
    """Hold an output folder; gives the lock's file descriptor, for children to hold too.

    The lock goes with the last process that holds the descriptor, however that ends, so a killed
    run leaves nothing to clear away. Its workers may live a moment longer; hence ``wait_s``.

    Raises
    ------
    FolderBusyError
        Another run holds it.
    """
    out.mkdir(parents=True, exist_ok=True)
    handle = os.open(out / LOCK_NAME, os.O_RDWR | os.O_CREAT, 0o644)
    try:
        _take(handle, out, wait_s)
        os.ftruncate(handle, 0)
        os.pwrite(handle, f"{os.getpid()}\n".encode(), 0)
        yield handle
    finally:
        os.close(handle)


def _take(handle: int, out: Path, wait_s: float) -> None:
    end = time.monotonic() + wait_s
    while True:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            if time.monotonic() < end:
                time.sleep(POLL_S)
                continue
            holder = os.pread(handle, 32, 0).decode(errors="replace").strip() or "unknown"
            raise FolderBusyError(
                f"another run is writing to {out} (process {holder})",
                "wait for it, or give another folder with --out",
            ) from error
        return
