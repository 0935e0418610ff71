"""Checkpoints of a long stage: finished chunks of its table, kept until the table is whole.

A chunk is a Parquet file in the stage's scratch folder, written by temporary file and rename, so
that it is there as a whole or not at all. The folder belongs to one fingerprint: the runner takes
it away when the stage's table is in place, and when the stage comes to depend on something else.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass
from pathlib import Path

import pyarrow as pa

from rallymill import tableio
from rallymill.errors import TableError
from rallymill.tables import TableSpec

logger = logging.getLogger(__name__)

KEPT_CHUNK = "chunk %s is kept"
"""What the log of a match says once for every chunk that is done."""


@dataclass(frozen=True)
class Checkpoints:
    """Finished chunks of a table under names; without a folder nothing is kept."""

    folder: Path | None
    spec: TableSpec

    def read(self, name: str) -> pa.Table | None:
        """The rows of a chunk; None if it is not there, or is not whole and so made again."""
        if self.folder is None:
            return None
        path = self.folder / f"{name}.parquet"
        if not path.exists():
            return None
        try:
            return tableio.read(path, self.spec)
        except TableError as error:
            logger.warning("chunk %s is not used: %s", name, error)
            return None

    def keep(self, name: str, rows: pa.Table) -> None:
        """Write the rows of a finished chunk."""
        if self.folder is not None:
            tableio.write(self.folder / f"{name}.parquet", self.spec, rows)
            logger.debug(KEPT_CHUNK, name)


@dataclass(frozen=True)
class Chunk:
    """Frames ``first`` to ``last`` (included) of the view that ends with ``view_last``."""

    first: int
    last: int
    view_first: int
    view_last: int

    @property
    def name(self) -> str:
        """What it is called in a scratch folder."""
        return f"frames{self.first:08d}-{self.last:08d}"

    def with_neighbours(self, step: int) -> tuple[int, int]:
        """First and last frame that are needed to look ``step`` frames around each of its own."""
        return max(self.view_first, self.first - step), min(self.view_last, self.last + step)


def chunks(first: int, last: int, most: int) -> list[Chunk]:
    """Cut the frames of a view into chunks of at most ``most``, the same whatever is done."""
    return [
        Chunk(start, min(start + most - 1, last), first, last)
        for start in range(first, last + 1, most)
    ]
