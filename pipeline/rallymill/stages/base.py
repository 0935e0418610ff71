"""What a stage is: a function from tables (and the video) to one table.

A stage knows nothing of files, runs, the command line or the report. The runner gives it its
inputs and its own slice of the configuration, and writes what it returns.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

import pyarrow as pa
from pydantic import BaseModel, ConfigDict

from rallymill.corrections.rows import Correction
from rallymill.tables import TableSpec


class StageConfig(BaseModel):
    """Options of a stage that change its result; unknown names are an error."""

    model_config = ConfigDict(extra="forbid", frozen=True)


@dataclass(frozen=True)
class Execution:
    """Options that change how a stage runs but never its result."""

    device: str = "auto"
    batch: int = 8
    threads: int = 2
    chunk_frames: int = 250


Columns = Mapping[str, tuple[str, ...]]
"""Columns that a stage looks at, by the table that they belong to."""
Progress = Callable[[float], None]


def no_progress(share: float) -> None:
    """Take the share done (0 to 1) and ignore it."""


@dataclass(frozen=True)
class MatchContext:
    """What a stage may know of the match besides its input tables.

    ``sheet`` is the match sheet as a dictionary (see :mod:`rallymill.matchsheet`), empty where
    there is none. ``scratch`` is a folder of the stage's own for checkpoints, kept between runs of
    the same fingerprint; None means no checkpoints. ``models`` is the folder of weights.
    ``corrections`` are those that bear upon what the stage names in ``corrects``.
    """

    match_id: str
    video: Path
    sheet: Mapping[str, Any] = field(default_factory=dict)
    models: Path = Path("models")
    scratch: Path | None = None
    execution: Execution = Execution()
    progress: Progress = no_progress
    corrections: tuple[Correction, ...] = ()


class Stage(Protocol):
    """A stage of the pipeline.

    ``version`` goes up when the result would change. ``reads`` names the tables it is given,
    ``needs_video`` says whether its result depends on the pictures (and so on the content hash),
    ``model_files`` the weights under the models folder that its result depends on. What else it may
    ask for, by attributes that can be left out: ``uses_sheet``, ``beside`` (endings of files beside
    the recording), ``section`` (of the configuration, if not its own), ``corrects`` (what
    corrections by hand must bear upon for it to be given them), ``columns`` (of a table that it
    reads, by its name, those it looks at; it may be given no others).
    """

    name: str
    version: int
    reads: tuple[str, ...]
    writes: TableSpec
    needs_video: bool
    config_class: type[StageConfig]

    def model_files(self, config: Any) -> tuple[str, ...]:
        """Weights that the result depends on, relative to the models folder."""
        ...

    def run(
        self, match: MatchContext, inputs: Mapping[str, pa.Table], config: Any
    ) -> pa.Table:
        """Compute the stage's table."""
        ...
