"""The folder of a match: its tables, what they were made from, checkpoints and the record.

``outputs/matches/<match_id>/`` holds ``<table>.parquet``, ``match.json`` (where the recording is,
what is known of it, how the last run ended), ``config.json`` (every option of the last run),
``log.txt`` and, while a stage runs, ``.scratch``. What a table was made from stands in its own
Parquet metadata, so a table and its record come into being in one rename: no kill can part them.
"""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from collections.abc import Collection, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

import rallymill
from rallymill import tableio, video
from rallymill.corrections.store import FOLDER as CORRECTIONS_FOLDER
from rallymill.errors import TableError
from rallymill.runner.fingerprint import Ingredients
from rallymill.runner.rowhash import columns_hash, rows_hash
from rallymill.tables import TableSpec

MATCHES_FOLDER = "matches"
RECORD_NAME = "match.json"
CONFIG_NAME = "config.json"
LOG_NAME = "log.txt"
SCRATCH_NAME = ".scratch"

STAMPS_NAME = "stamps"
"""Folder in the scratch folder for the stamps of frames; no stage is called so."""

INGREDIENTS_KEY = "rallymill.ingredients"
FINGERPRINT_KEY = "rallymill.fingerprint"
ROWS_KEY = "rallymill.rows_sha256"
SECONDS_KEY = "rallymill.seconds"
SOFTWARE_KEY = "rallymill.software"


@dataclass
class MatchRecord:
    """What is kept of a match beside its tables.

    ``file`` is relative to the folder given, ``path`` absolute. ``video`` is what a survey of the
    recording found; ``sheet_refused`` is the hash of a sheet that reads well but that a stage could
    not make sense of; ``finished`` maps stages to the seconds that they took, ``resumed`` names
    those of which an earlier run had done a part; ``problem`` and ``remedy`` say why the last run
    did not come through, empty if it did; ``report`` is the hash of the tables that the match page
    was made from; ``corrections_problem`` names files of corrections that cannot be read.
    """

    match_id: str
    file: str
    path: str
    content_hash: str
    video: dict[str, Any] = field(default_factory=dict)
    sheet: dict[str, Any] = field(default_factory=dict)
    sheet_problem: str = ""
    sheet_remedy: str = ""
    sheet_refused: str = ""
    finished: dict[str, float] = field(default_factory=dict)
    failed_stage: str = ""
    problem: str = ""
    remedy: str = ""
    report: str = ""
    resumed: list[str] = field(default_factory=list)
    corrections_problem: str = ""


@dataclass(frozen=True)
class TableState:
    """What stands on disk for a stage: ``rows`` is the hash of its rows, empty if there is none.

    ``edited`` is true where a file is there but is not what a run wrote.
    """

    exists: bool
    edited: bool
    ingredients: Ingredients | None
    rows: str


class MatchStore:
    """Reads and writes the folder of a match."""

    def __init__(self, out: Path, match_id: str) -> None:
        self.match_id = match_id
        self.folder = out / MATCHES_FOLDER / match_id

    def table_path(self, table: str) -> Path:
        """Where a table stands."""
        return self.folder / f"{table}.parquet"

    def read_table(self, spec: TableSpec, columns: Collection[str] | None = None) -> pa.Table:
        """A table of the match, or some columns of it.

        Raises
        ------
        TableError
            It is missing or broken.
        """
        return tableio.read(self.table_path(spec.name), spec, columns)

    def state(self, spec: TableSpec) -> TableState:
        """What stands on disk for a table, with its rows checked against the recorded hash."""
        path = self.table_path(spec.name)
        if not path.exists():
            return TableState(False, False, None, "")
        metadata = tableio.read_metadata(path)
        try:
            rows = columns_hash(tableio.by_column(path, spec))
        except TableError:
            rows = ""
        ingredients = Ingredients.from_json(metadata.get(INGREDIENTS_KEY, ""))
        edited = not rows or rows != metadata.get(ROWS_KEY)
        return TableState(True, edited, ingredients, rows)

    def write_table(
        self, spec: TableSpec, table: pa.Table, ingredients: Ingredients, seconds: float
    ) -> str:
        """Check and write a table with what it was made from; the hash of its rows."""
        # Chunks and bytes under nulls do not count, so the hash of what is read back is the same.
        rows = rows_hash(table)
        metadata = {
            INGREDIENTS_KEY: ingredients.to_json(),
            FINGERPRINT_KEY: ingredients.fingerprint(),
            ROWS_KEY: rows,
            SECONDS_KEY: f"{seconds:.3f}",
            SOFTWARE_KEY: rallymill.__version__,
        }
        tableio.write(self.table_path(spec.name), spec, table, metadata)
        return rows

    def scratch(self, stage: str, fingerprint: str) -> Path:
        """Checkpoint folder of a stage for this fingerprint; those of others are taken away."""
        mine = self.folder / SCRATCH_NAME / stage / fingerprint[:16]
        if mine.parent.exists():
            for other in mine.parent.iterdir():
                if other != mine:
                    shutil.rmtree(other, ignore_errors=True)
        mine.mkdir(parents=True, exist_ok=True)
        return mine

    def drop_scratch(self, stage: str) -> None:
        """Take a stage's checkpoints away, and with the last ones the folder that held them."""
        scratch = self.folder / SCRATCH_NAME
        shutil.rmtree(scratch / stage, ignore_errors=True)
        if scratch.is_dir() and not any(scratch.iterdir()):
            scratch.rmdir()

    def keep_stamps(self, content_hash: str, path: Path) -> None:
        """Keep the stamps of a recording's frames, if they are known by now, for other processes.
        """
        stamps, kept = video.known_stamps(path), self._stamps_path(content_hash)
        if stamps is None or kept.exists():
            return
        kept.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=".stamps.", suffix=".part", dir=kept.parent)
        with os.fdopen(handle, "wb") as out:
            np.lib.format.write_array(out, stamps, allow_pickle=False)
        os.replace(name, kept)

    def tell_stamps(self, content_hash: str, path: Path) -> bool:
        """Remember the stamps that were kept of a recording; whether there were any."""
        try:
            with open(self._stamps_path(content_hash), "rb") as kept:
                stamps = np.lib.format.read_array(kept, allow_pickle=False)
            return video.tell_stamps(path, stamps)
        except (OSError, ValueError):
            return False

    def _stamps_path(self, content_hash: str) -> Path:
        return self.folder / SCRATCH_NAME / STAMPS_NAME / f"{content_hash[:16]}.npy"

    def clean(self) -> int:
        """Take away what a killed run left half written; the number of files."""
        left = list(self.folder.glob(".*.part")) if self.folder.exists() else []
        left += self.folder.glob(f"{SCRATCH_NAME}/*/*/.*.part")
        left += self.folder.glob(f"{SCRATCH_NAME}/{STAMPS_NAME}/.*.part")
        left += self.folder.glob(f"{CORRECTIONS_FOLDER}/.*.part")
        for path in left:
            path.unlink(missing_ok=True)
        return len(left)

    def read_record(self) -> MatchRecord | None:
        """The match's record; None if there is none or it cannot be read."""
        return read_record(self.folder)

    def write_record(self, record: MatchRecord) -> None:
        """Write the match's record."""
        write_json(self.folder / RECORD_NAME, asdict(record))


def read_record(folder: Path) -> MatchRecord | None:
    """Record of the match in a folder; None if there is none or it cannot be read."""
    try:
        return MatchRecord(**json.loads((folder / RECORD_NAME).read_text(encoding="utf-8")))
    except (OSError, ValueError, TypeError):
        return None


def records(out: Path) -> list[MatchRecord]:
    """Records of all matches of an output folder, by folder name."""
    root = out / MATCHES_FOLDER
    folders = sorted(root.iterdir()) if root.is_dir() else []
    found = (read_record(folder) for folder in folders if folder.is_dir())
    return [record for record in found if record is not None]


def write_json(path: Path, content: Mapping[str, Any]) -> None:
    """Write JSON by temporary file and rename."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as out:
            json.dump(content, out, indent=2, ensure_ascii=False)
        os.chmod(name, 0o644)
        os.replace(name, path)
    finally:
        if os.path.exists(name):
            os.unlink(name)
