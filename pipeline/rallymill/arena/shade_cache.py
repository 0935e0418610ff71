"""Throw compiled shaders away that are older than what they were compiled from.

numba keeps compiled code by the file that a function stands in; functions of other files that were
compiled into it may have changed since. So all code of a family goes when one of its files is
newer. Called before the first shader is defined.
"""

from __future__ import annotations

import contextlib
from pathlib import Path

FAMILIES = ("shade", "body")
"""Prefixes of modules that are compiled into one another, within a family alone."""


def drop_stale(folder: Path) -> int:
    """Remove outdated indexes of compiled code of the modules in a folder; their number."""
    dropped = 0
    for prefix in FAMILIES:
        times = [path.stat().st_mtime for path in folder.glob(f"{prefix}*.py")]
        for index in (folder / "__pycache__").glob(f"{prefix}*.nbi"):
            # Another process may have removed it, or the folder may be closed to us.
            with contextlib.suppress(OSError):
                if times and index.stat().st_mtime < max(times):
                    index.unlink()
                    dropped += 1
    return dropped
