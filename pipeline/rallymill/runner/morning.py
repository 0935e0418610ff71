"""What a night came to, for the morning: ``summary.json`` and ``summary.html``."""

from __future__ import annotations

import datetime
import os
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined

import rallymill
from rallymill.report import words
from rallymill.runner.night import NightResult
from rallymill.runner.storage import Storage
from rallymill.runner.store import LOG_NAME, MATCHES_FOLDER, MatchStore, write_json

JSON_NAME = "summary.json"
HTML_NAME = "summary.html"
STATUS_ORDER = ("not_read", "partly_read", "read")
SHOWN = (
    "match_id", "file", "status", "reason", "remedy", "duration_s", "in_view_s", "in_play_s",
    "coverage", "ball_coverage", "n_points", "n_shots", "n_flags",
)  # fmt: skip


def content(
    result: NightResult, out: Path, folder: Path | Storage, again: str
) -> dict[str, Any]:
    """The summary as plain data; ``again`` is the command that goes on."""
    matches = []
    for row in result.rows:
        folder_of = MatchStore(out, row["match_id"]).folder
        page = folder_of / "page" / "index.html"
        log = folder_of / LOG_NAME
        matches.append({
            **{name: row.get(name) for name in SHOWN},
            "took_s": result.took_s.get(row["match_id"]),
            "page": str(page.relative_to(out)) if page.exists() else None,
            "log": str(log.relative_to(out)) if log.exists() else None,
        })  # fmt: skip
    return {
        "folder": str(folder),
        "started": result.started,
        "ended": result.ended,
        "took_s": result.all_took_s,
        "counts": {name: sum(one["status"] == name for one in matches) for name in STATUS_ORDER},
        "matches": matches,
        "doubles": dict(result.doubles),
        "waiting": list(result.waiting),
        "again": again,
        "software_version": rallymill.__version__,
    }


def environment() -> Environment:
    """Templates of the summary, in the style of the match pages."""
    loaders = [PackageLoader("rallymill.runner"), PackageLoader("rallymill.report")]
    found = Environment(
        loader=ChoiceLoader(loaders), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )
    found.globals.update(words=words)
    return found


def html(summary: Mapping[str, Any]) -> str:
    """The summary as a page that needs no other file."""
    rank = {name: number for number, name in enumerate(STATUS_ORDER)}
    ordered = sorted(summary["matches"], key=lambda one: (rank[one["status"]], one["file"]))
    ended = datetime.datetime.fromisoformat(summary["ended"])
    return environment().get_template("morning.html.j2").render(
        night=summary, matches=ordered, day=ended.strftime("%Y-%m-%d"),
        until=ended.strftime("%H:%M"), folder_name=MATCHES_FOLDER,
    )  # fmt: skip


def write(result: NightResult, out: Path, folder: Path | Storage, again: str) -> Path:
    """Write both files into an output folder; the path of the page."""
    summary = content(result, out, folder, again)
    write_json(out / JSON_NAME, summary)
    path = out / HTML_NAME
    handle, name = tempfile.mkstemp(prefix=f".{HTML_NAME}.", suffix=".part", dir=out)
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(html(summary))
        os.chmod(name, 0o644)
        os.replace(name, path)
    finally:
        if os.path.exists(name):
            os.unlink(name)
    return path
