"""Tell recordings that are still being copied from those that stand still."""

from __future__ import annotations

import time
from collections.abc import Iterable
from pathlib import Path

YOUNG_S = 60.0
"""A file that was not written to for so long is taken to be whole."""

Mark = tuple[int, int]


def mark(path: Path) -> Mark | None:
    """Size and time of the last change of a file; None if it cannot be seen."""
    try:
        stat = path.stat()
    except OSError:
        return None
    return stat.st_size, stat.st_mtime_ns


def young(path: Path, now_s: float | None = None) -> bool:
    """Whether a file was written to a short while ago; a time in the future counts as old."""
    found = mark(path)
    if found is None:
        return False
    age_s = (time.time() if now_s is None else now_s) - found[1] / 1e9
    return 0.0 <= age_s < YOUNG_S


def still_growing(files: Iterable[Path], wait_s: float) -> set[Path]:
    """Files that change within ``wait_s`` seconds; only young ones are watched."""
    first = {path: mark(path) for path in files if young(path)}
    if not first or wait_s <= 0:
        return set()
    time.sleep(wait_s)
    return {path for path, before in first.items() if mark(path) != before}
