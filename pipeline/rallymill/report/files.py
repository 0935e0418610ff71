"""Files of a page: written whole or not at all, and none left over from before."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterable
from importlib import resources
from pathlib import Path

TEMPLATES = resources.files("rallymill.report") / "templates"


def write(path: Path, text: str) -> Path:
    """Write a text file in UTF-8 by temporary file and rename; the path again."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as out:
            out.write(text)
        os.chmod(name, 0o644)
        os.replace(name, path)
    finally:
        if os.path.exists(name):
            os.unlink(name)
    return path


def asset(name: str) -> str:
    """Text of a style sheet or script that is delivered with the pages."""
    return (TEMPLATES / name).read_text("utf-8")


def sweep(folder: Path, pattern: str, kept: Iterable[Path]) -> None:
    """Delete the files of a folder that match a pattern and are not among those kept."""
    names = {path.name for path in kept}
    for old in folder.glob(pattern):
        if old.name not in names:
            old.unlink()
