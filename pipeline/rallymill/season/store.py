"""Add, replace and remove matches of a season dataset so that no kill leaves half a match.

A change is staged beside the dataset and then written into a journal that lists what goes where;
from the moment the journal stands the change will be made, by this run or by the next. A change is
thus whole over all tables.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from rallymill import tableio, tables
from rallymill.errors import InputError, RallymillError, TableError
from rallymill.runner.lock import folder_lock
from rallymill.runner.store import write_json
from rallymill.season.layout import (
    JOURNAL_NAME,
    LATER,
    PART_NAME,
    SEASON_TABLES,
    STAGING_NAME,
    STATE_NAME,
    Partition,
    partitions,
)
from rallymill.season.match import VERSION_KEY, SeasonMatch
from rallymill.tables import MATCHES

IDENTITY_KEY = "rallymill.season_identity"

Migration = Callable[[str, pa.Table], pa.Table]


def _same_rows(_name: str, rows: pa.Table) -> pa.Table:
    """For versions in which no table of a season changed."""
    return rows


MIGRATIONS: dict[int, Migration] = {
    1: _same_rows,  # only frames changed, which a season does not hold
}
"""By schema version: takes the name and the rows of a table, gives them in the next version."""


class SeasonVersionError(RallymillError):
    """A season dataset has another schema version than this rallymill."""


@dataclass(frozen=True)
class State:
    """What ``season.json`` says: the schema version, and how many changes were made."""

    schema_version: int
    generation: int


class SeasonStore:
    """Reads and changes the files of a dataset."""

    def __init__(self, root: Path) -> None:
        self.root = root

    def state(self) -> State:
        """Version and count of changes; that of this rallymill and 0 where there is no dataset.

        Raises
        ------
        InputError
            ``season.json`` cannot be read.
        """
        path = self.root / STATE_NAME
        if not path.exists():
            return State(tables.SCHEMA_VERSION, 0)
        try:
            given = json.loads(path.read_text(encoding="utf-8"))
            return State(int(given["schema_version"]), int(given["generation"]))
        except (OSError, ValueError, KeyError, TypeError) as error:
            raise InputError(f"{path} cannot be read", "take it from a backup") from error

    def require_version(self) -> None:
        """Raise :class:`SeasonVersionError` unless the dataset has our schema version."""
        found = self.state().schema_version
        if found > tables.SCHEMA_VERSION:
            raise SeasonVersionError(
                f"{self.root} has schema version {found}, this rallymill knows up to "
                f"{tables.SCHEMA_VERSION}",
                "use the newer rallymill that wrote it",
            )
        if found < tables.SCHEMA_VERSION:
            raise SeasonVersionError(
                f"{self.root} has schema version {found}, this rallymill writes "
                f"{tables.SCHEMA_VERSION}, and a season never mixes them",
                f"run rallymill season migrate --season-dir {self.root}",
            )

    @contextmanager
    def changing(self) -> Iterator[None]:
        """Hold the dataset for changes; what an earlier run left undone is done first."""
        with folder_lock(self.root):
            self._finish()
            yield

    def interrupted(self) -> bool:
        """Whether a change was begun that the next :meth:`changing` will finish."""
        return (self.root / JOURNAL_NAME).exists()

    def matches(self) -> dict[str, Partition]:
        """Where the matches of the dataset stand."""
        return {partition.match_id: partition for partition in partitions(self.root)}

    def identity(self, partition: Partition) -> str:
        """Identity of the match that stands there; empty where none does."""
        path = self.root / partition.file(MATCHES.name)
        return tableio.read_metadata(path).get(IDENTITY_KEY, "")

    def read(self, partition: Partition, table: str) -> pa.Table:
        """Rows of a table of a match; raises :class:`TableError` if they are not as they should.

        A season that is older than a table has no rows of it.
        """
        path = self.root / partition.file(table)
        if table in LATER and not path.exists():
            return SEASON_TABLES[table].empty()
        version = tableio.read_metadata(path).get(VERSION_KEY)
        if version is not None and version != str(tables.SCHEMA_VERSION):
            raise TableError(
                f"{path} has schema version {version}, the season has {tables.SCHEMA_VERSION}",
                "add the match again",
            )
        try:
            # As a file, not as a data set: the folders' values are no columns here.
            found = pq.ParquetFile(path).read()
        except (pa.ArrowInvalid, OSError) as error:
            raise TableError(f"{path}: not a whole Parquet file", "add the match again") from error
        tableio.check(SEASON_TABLES[table], found)
        return found

    def add(self, match: SeasonMatch) -> bool:
        """Put a match in place of what there is of it; False if it is there already.

        To be called within :meth:`changing`.
        """
        self.require_version()
        standing = self.matches().get(match.partition.match_id)
        if standing == match.partition and self.identity(standing) == match.identity:
            return False
        moves = self._stage(match)
        gone = [] if standing in (None, match.partition) else self._files(standing)
        self._commit(moves, gone)
        return True

    def remove(self, match_ids: Iterable[str]) -> list[str]:
        """Take matches out; those that were there. To be called within :meth:`changing`."""
        standing = self.matches()
        found = [match_id for match_id in match_ids if match_id in standing]
        if found:
            self._commit([], [path for name in found for path in self._files(standing[name])])
        return found

    def migrate(self) -> int:
        """Bring every match into our schema version; the number of steps taken.

        To be called within :meth:`changing`.

        Raises
        ------
        SeasonVersionError
            No migration is known from the dataset's version.
        """
        state = self.state()
        if state.schema_version > tables.SCHEMA_VERSION:
            self.require_version()
        steps = range(state.schema_version, tables.SCHEMA_VERSION)
        missing = [version for version in steps if version not in MIGRATIONS]
        if missing:
            raise SeasonVersionError(
                f"nothing is known that brings schema version {missing[0]} forward",
                "read the matches again with rallymill process and add them to a new season",
            )
        if not steps:
            return 0
        moves: list[tuple[str, str]] = []
        for partition in self.matches().values():
            for name in SEASON_TABLES:
                path = self.root / partition.file(name)
                if name in LATER and not path.exists():
                    continue
                table = pq.ParquetFile(path).read()
                metadata = {key: value for key, value in tableio.read_metadata(path).items()
                            if key == IDENTITY_KEY}  # fmt: skip
                for version in steps:
                    table = MIGRATIONS[version](name, table)
                at = table.column_names.index("schema_version")
                now = pa.array([tables.SCHEMA_VERSION] * table.num_rows, pa.int32())
                table = table.set_column(at, table.schema.field(at), now)
                moves.append(self._stage_table(partition, name, table, metadata))
        self._commit(moves, [])
        return len(steps)

    def _files(self, partition: Partition) -> list[str]:
        return [str(partition.file(name)) for name in SEASON_TABLES]

    def _stage(self, match: SeasonMatch) -> list[tuple[str, str]]:
        metadata = {IDENTITY_KEY: match.identity}
        return [
            self._stage_table(match.partition, name, table, metadata)
            for name, table in match.tables.items()
        ]

    def _stage_table(
        self, partition: Partition, name: str, table: pa.Table, metadata: Mapping[str, str]
    ) -> tuple[str, str]:
        place = partition.file(name)
        staged = Path(STAGING_NAME) / place
        spec = SEASON_TABLES[name]
        table = table.sort_by([(column, "ascending") for column in spec.sort])
        tableio.write(self.root / staged, spec, table, metadata)
        return str(staged), str(place)

    def _commit(self, moves: list[tuple[str, str]], gone: list[str]) -> None:
        generation = self.state().generation + 1
        journal = {"moves": moves, "gone": gone, "generation": generation,
                   "schema_version": tables.SCHEMA_VERSION}  # fmt: skip
        write_json(self.root / JOURNAL_NAME, journal)
        self._finish()

    def _finish(self) -> None:
        """Make the change that the journal lists; once more does no harm."""
        path = self.root / JOURNAL_NAME
        if path.exists():
            journal: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
            for staged, place in journal["moves"]:
                source, target = self._inside(staged), self._inside(place)
                if source.exists():
                    target.parent.mkdir(parents=True, exist_ok=True)
                    os.replace(source, target)
            for place in journal["gone"]:
                target = self._inside(place)
                target.unlink(missing_ok=True)
                _prune(target.parent, self.root)
            write_json(self.root / STATE_NAME, {
                "schema_version": journal["schema_version"], "generation": journal["generation"],
            })  # fmt: skip
            path.unlink()
        shutil.rmtree(self.root / STAGING_NAME, ignore_errors=True)

    def _inside(self, place: str) -> Path:
        path = self.root / place
        if path.name != PART_NAME or ".." in Path(place).parts or Path(place).is_absolute():
            raise InputError(
                f"the journal of {self.root} names {place}", f"take {JOURNAL_NAME} away"
            )
        return path


def _prune(folder: Path, root: Path) -> None:
    """Take empty folders away, upwards to the dataset."""
    while folder != root and folder.is_dir() and not any(folder.iterdir()):
        folder.rmdir()
        folder = folder.parent
