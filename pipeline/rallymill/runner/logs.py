"""The log file of a match."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from rallymill.runner.store import LOG_NAME

LOG_FORMAT = "%(asctime)s %(levelname)s %(name)s: %(message)s"
PACKAGE = "rallymill"


@contextmanager
def match_log(folder: Path) -> Iterator[None]:
    """Write what is logged in this process to ``log.txt`` of a match, after what is there.

    Our own messages are written from DEBUG on, those of libraries from WARNING on.
    """
    folder.mkdir(parents=True, exist_ok=True)
    handler = logging.FileHandler(folder / LOG_NAME, encoding="utf-8")
    handler.setFormatter(logging.Formatter(LOG_FORMAT))
    handler.addFilter(
        lambda record: record.name.startswith(PACKAGE) or record.levelno >= logging.WARNING
    )
    root, ours = logging.getLogger(), logging.getLogger(PACKAGE)
    before = ours.level
    root.addHandler(handler)
    ours.setLevel(logging.DEBUG)
    try:
        yield
    finally:
        ours.setLevel(before)
        root.removeHandler(handler)
        handler.close()
