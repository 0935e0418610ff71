"""What a process that works for a run is told: the match, the configuration, the stages."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from rallymill.config import AppConfig

PARENT_GONE = 3
"""Exit code of a process whose parent has gone."""
THREAD_VARIABLES = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


@dataclass(frozen=True)
class Job:
    """A match to be run: where it is, where its tables go, and what is to be forced."""

    path: Path
    file: str
    content_hash: str
    match_id: str
    out: Path
    force: frozenset[str] = field(default_factory=frozenset)


def job_to_json(job: Job, config: AppConfig, registry: str) -> str:
    """One line of JSON that :func:`job_of` reads."""
    return json.dumps(
        {
            "path": str(job.path),
            "file": job.file,
            "content_hash": job.content_hash,
            "match_id": job.match_id,
            "out": str(job.out),
            "force": sorted(job.force),
            "config": config.resolved(),
            "registry": registry,
        }
    )


def job_of(given: Mapping[str, Any]) -> Job:
    """The job that :func:`job_to_json` wrote."""
    return Job(
        path=Path(given["path"]),
        file=given["file"],
        content_hash=given["content_hash"],
        match_id=given["match_id"],
        out=Path(given["out"]),
        force=frozenset(given["force"]),
    )
