"""The stages in the order in which they run."""

from __future__ import annotations

import importlib
import os
from collections.abc import Mapping, Sequence
from typing import Any, cast

from rallymill.errors import ConfigError
from rallymill.stages.base import Stage

STAGE_NAMES = (
    "views",
    "calibrate",
    "detect",
    "people",
    "flight",
    "track",
    "events",
    "shots",
    "points",
    "corrected_shots",
    "corrected_points",
    "corrections",
    "flags",
    "opportunities",
    "alternatives",
)
PIPELINE = "rallymill.runner.registry:pipeline"
STAGES_VARIABLE = "RALLYMILL_STAGES"

SHEET_STAGES = frozenset({"shots", "points"})
"""Stages that know the match sheet; others ask for it with an attribute ``uses_sheet``."""


def pipeline() -> tuple[Stage, ...]:
    """All stages; importing them takes a moment, so they are imported when asked for.

    Raises
    ------
    ConfigError
        A stage is not installed.
    """
    stages = []
    for name in STAGE_NAMES:
        module_name = f"rallymill.stages.{name}"
        try:
            module = importlib.import_module(module_name)
        except ModuleNotFoundError as error:
            raise ConfigError(
                f"stage {name} cannot be loaded: {error.name} is missing", "install rallymill again"
            ) from error
        stages.append(cast(Stage, module.STAGE))
    return tuple(stages)


def registry_name() -> str:
    """Where the stages come from: the environment variable RALLYMILL_STAGES, else ours."""
    return os.environ.get(STAGES_VARIABLE) or PIPELINE


def load_stages(where: str | None = None) -> tuple[Stage, ...]:
    """Stages from ``module:name``, where the name is a sequence of stages or gives one if called.

    None means :func:`registry_name`. The stages are checked: every table that is read must be
    written by an earlier stage, and no table may be written twice.

    Raises
    ------
    ConfigError
        The stages do not fit together.
    """
    module_name, _, attribute = (where or registry_name()).partition(":")
    found: Any = getattr(importlib.import_module(module_name), attribute)
    stages = tuple(found() if callable(found) else found)
    check_order(stages)
    return stages


def check_order(stages: Sequence[Stage]) -> None:
    """Raise :class:`ConfigError` unless every table is written once and before it is read."""
    written: set[str] = set()
    for stage in stages:
        missing = [table for table in stage.reads if table not in written]
        if missing:
            raise ConfigError(
                f"stage {stage.name} reads {', '.join(missing)}, which no earlier stage writes",
                "reorder the stages",
            )
        if stage.writes.name in written:
            raise ConfigError(f"table {stage.writes.name} is written twice", "rename one")
        written.add(stage.writes.name)


def columns_of(stage: Stage, table: str) -> tuple[str, ...] | None:
    """Columns that a stage looks at in a table that it reads; None for all."""
    named: Mapping[str, tuple[str, ...]] = getattr(stage, "columns", {})
    return named.get(table)


def uses_sheet(stage: Stage) -> bool:
    """Whether a stage is given the match sheet."""
    return bool(getattr(stage, "uses_sheet", stage.name in SHEET_STAGES))
