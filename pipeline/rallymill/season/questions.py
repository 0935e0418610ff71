"""Questions that have a name: YAML files with a sentence and the SQL that answers it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from rallymill.config import read_yaml
from rallymill.errors import ConfigError

KEYS = {"question", "sql"}


@dataclass(frozen=True)
class Question:
    """A question by name."""

    name: str
    question: str
    sql: str


def load(folder: Path) -> dict[str, Question]:
    """Questions of a folder by name, which is the file's; none if there is no such folder.

    Raises
    ------
    ConfigError
        A file lacks ``question`` or ``sql``, or says something else.
    """
    found: dict[str, Question] = {}
    for path in sorted(folder.glob("*.yaml")):
        given = read_yaml(path)
        if set(given) != KEYS or not all(isinstance(value, str) for value in given.values()):
            raise ConfigError(
                f"question {path.name} must hold the texts question and sql and nothing else",
                "see the other files of the folder",
            )
        found[path.stem] = Question(path.stem, given["question"].strip(), given["sql"])
    return found
