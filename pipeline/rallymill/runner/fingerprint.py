"""What a stage's table depends on, and in what two such lists differ."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

from rallymill.corrections.rows import Correction, bearing_upon
from rallymill.errors import ModelMissingError
from rallymill.stages.base import Stage, StageConfig
from rallymill.tables import SCHEMA_VERSION
from rallymill.video import content_hash

MAX_CHANGES = 3
"""Changed options that a reason names; the others are counted."""


@dataclass(frozen=True)
class Ingredients:
    """All that the result of a stage depends on.

    ``models`` maps files of weights to their hashes, ``video`` and ``sheet`` are hashes or empty
    where the stage does not use them, ``inputs`` maps tables to the hashes of their rows.
    ``beside`` maps endings of files beside the recording that a stage reads to their hashes.
    ``corrections`` is the hash of those that the stage must know, empty where there are none.
    """

    stage: str
    version: int
    schema: int
    config: Mapping[str, Any]
    models: Mapping[str, str]
    video: str
    sheet: str
    inputs: Mapping[str, str]
    beside: Mapping[str, str] = field(default_factory=dict)
    corrections: str = ""

    def to_json(self) -> str:
        """The ingredients as JSON with sorted keys."""
        return json.dumps(asdict(self), sort_keys=True, ensure_ascii=False)

    @classmethod
    def from_json(cls, text: str) -> Ingredients | None:
        """The ingredients again; None if the text holds others than this version knows."""
        try:
            return cls(**json.loads(text))
        except (ValueError, TypeError):
            return None

    def fingerprint(self) -> str:
        """SHA-256 of the ingredients."""
        return hashlib.sha256(self.to_json().encode()).hexdigest()


def gather(
    stage: Stage,
    config: StageConfig,
    models: Path,
    video: str,
    sheet: str,
    inputs: Mapping[str, str],
    recording: Path | None = None,
    corrections: Sequence[Correction] = (),
) -> Ingredients:
    """Ingredients of a stage's table.

    Raises
    ------
    ModelMissingError
        Weights that the stage needs are not in the models folder.
    """
    weights = {name: model_hash(models, name) for name in stage.model_files(config)}
    return Ingredients(
        stage=stage.name,
        version=stage.version,
        schema=SCHEMA_VERSION,
        config=config.model_dump(mode="json"),
        models=weights,
        video=video if stage.needs_video else "",
        sheet=sheet,
        inputs=dict(inputs),
        beside=beside(stage, recording),
        corrections=corrections_hash(corrections),
    )


def corrections_for(stage: Stage, rows: Sequence[Correction]) -> tuple[Correction, ...]:
    """Corrections that bear upon what a stage names in ``corrects``."""
    return bearing_upon(rows, getattr(stage, "corrects", ()))


def corrections_hash(rows: Sequence[Correction]) -> str:
    """SHA-256 of what corrections say, and of where each stands; empty for none."""
    if not rows:
        return ""
    text = json.dumps([[row.number, row.plain()] for row in rows], sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()


def beside(stage: Stage, recording: Path | None) -> dict[str, str]:
    """SHA-256 of the files beside a recording that a stage reads, by their endings."""
    found: dict[str, str] = {}
    if recording is None:
        return found
    for suffix in getattr(stage, "beside", ()):
        path = recording.with_name(recording.stem + suffix)
        if path.is_file():
            found[suffix] = hashlib.sha256(path.read_bytes()).hexdigest()
    return found


def model_hash(models: Path, name: str) -> str:
    """SHA-256 of a file of weights.

    Raises
    ------
    ModelMissingError
        It is not there.
    """
    path = models / name
    try:
        stat = path.stat()
    except OSError as error:
        raise ModelMissingError(
            f"weights {name} are not in {models}", "put them there, or name others in the config"
        ) from error
    return _hash_once(path, stat.st_size, stat.st_mtime_ns)


@lru_cache(maxsize=64)
def _hash_once(path: Path, size: int, mtime_ns: int) -> str:
    # A change of size or time makes another cache entry, so a replaced file is hashed again.
    return content_hash(path)


def sheet_hash(sheet: Mapping[str, Any]) -> str:
    """SHA-256 of what a match sheet says; empty for no sheet."""
    if not sheet:
        return ""
    text = json.dumps(sheet, sort_keys=True, ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()


def difference(before: Ingredients | None, now: Ingredients) -> str:
    """One line that says in what the ingredients differ; empty if they do not."""
    if before is None:
        return "recorded by another version of rallymill"
    if before.schema != now.schema:
        return f"schema version {before.schema} -> {now.schema}"
    if before.stage != now.stage:
        return f"made by stage {before.stage} -> {now.stage}"
    if before.version != now.version:
        return f"stage version {before.version} -> {now.version}"
    if before.config != now.config:
        return "config changed: " + _config_changes(now.stage, before.config, now.config)
    if before.models != now.models:
        changed = [name for name, found in now.models.items() if before.models.get(name) != found]
        return "model changed: " + ", ".join(changed or sorted(before.models))
    if before.video != now.video:
        return "recording changed"
    if before.sheet != now.sheet:
        return "match sheet changed"
    if before.beside != now.beside:
        changed = sorted(
            suffix for suffix in before.beside.keys() | now.beside.keys()
            if before.beside.get(suffix) != now.beside.get(suffix)
        )
        return "file beside the recording changed: " + ", ".join(f"*{name}" for name in changed)
    if before.corrections != now.corrections:
        return "corrections changed"
    if before.inputs != now.inputs:
        changed = [name for name, found in now.inputs.items() if before.inputs.get(name) != found]
        return "input changed: " + ", ".join(changed or sorted(before.inputs))
    return ""


def _config_changes(stage: str, before: Mapping[str, Any], now: Mapping[str, Any]) -> str:
    old, new = dict(_leaves(before, stage)), dict(_leaves(now, stage))
    changes = [
        f"{place} {old.get(place, 'nothing')} -> {new.get(place, 'nothing')}"
        for place in dict.fromkeys([*new, *old])
        if old.get(place) != new.get(place) or (place in old) != (place in new)
    ]
    more = len(changes) - MAX_CHANGES
    return ", ".join(changes[:MAX_CHANGES]) + (f" and {more} more" if more > 0 else "")


def _leaves(values: Mapping[str, Any], place: str) -> Iterator[tuple[str, Any]]:
    for key, value in values.items():
        if isinstance(value, Mapping):
            yield from _leaves(value, f"{place}.{key}")
        else:
            yield f"{place}.{key}", value
