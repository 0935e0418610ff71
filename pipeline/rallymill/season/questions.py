"""Questions that have a name: YAML files with a sentence, arguments and the SQL that answers it.

::

    question: How often are short balls taken cross-court?
    arguments:
      player: {about: code of the player}
      least: {about: strokes that a player must have, kind: number, default: 5}
    sql: |
      SELECT ... WHERE ($player IS NULL OR s.player = $player) ...

An argument without a default is null unless it is given, and the SQL says what that means. Values
are bound, never pasted into the text.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from rallymill.config import read_yaml
from rallymill.errors import ConfigError, InputError, did_you_mean

KEYS = {"question", "sql"}
MAY_HAVE = {"arguments"}
ARGUMENT_KEYS = {"about", "kind", "default"}
KINDS = ("text", "number", "date")


@dataclass(frozen=True)
class Argument:
    """An argument of a question: ``text``, a ``number`` or a ``date`` like 2026-08-14."""

    name: str
    about: str
    kind: str = "text"
    default: Any = None

    def value(self, given: str) -> Any:
        """What a text stands for.

        Raises
        ------
        InputError
            It is not of the argument's kind.
        """
        try:
            if self.kind == "number":
                return float(given)
            if self.kind == "date":
                return datetime.date.fromisoformat(given).isoformat()
        except ValueError as error:
            example = "12.5" if self.kind == "number" else "2026-08-14"
            raise InputError(
                f"{self.name}={given}: not a {self.kind}", f"write it like {self.name}={example}"
            ) from error
        return given


@dataclass(frozen=True)
class Question:
    """A question by name."""

    name: str
    question: str
    sql: str
    arguments: Mapping[str, Argument] = field(default_factory=dict)

    def values(self, given: Iterable[str] = ()) -> dict[str, Any]:
        """Values of all arguments from texts ``name=value``; defaults for those left out.

        Raises
        ------
        InputError
            A text is not of that form, names no argument, or gives a value of another kind.
        """
        found = {name: argument.default for name, argument in self.arguments.items()}
        for text in given:
            name, sign, value = text.partition("=")
            if not sign:
                raise InputError(f"{text} is no argument", "write arguments as name=value")
            if name not in self.arguments:
                raise InputError(
                    f"{self.name} has no argument {name}", did_you_mean(name, self.arguments)
                )
            found[name] = self.arguments[name].value(value)
        return found


def load(folder: Path) -> dict[str, Question]:
    """Questions of a folder by name, which is the file's; none if there is no such folder.

    Raises
    ------
    ConfigError
        A file lacks ``question`` or ``sql``, or says something else.
    """
    return {path.stem: _read(path) for path in sorted(folder.glob("*.yaml"))}


def _read(path: Path) -> Question:
    given = read_yaml(path)
    texts = [given.get(key) for key in sorted(KEYS)]
    if not KEYS <= set(given) <= KEYS | MAY_HAVE or not all(isinstance(t, str) for t in texts):
        raise ConfigError(
            f"question {path.name} must hold the texts question and sql, may hold arguments, and "
            "nothing else",
            "see the other files of the folder",
        )
    arguments = given.get("arguments") or {}
    if not isinstance(arguments, dict):
        raise ConfigError(f"question {path.name}: arguments holds no names", "see the other files")
    return Question(
        path.stem, given["question"].strip(), given["sql"],
        {name: _argument(path, str(name), about) for name, about in arguments.items()},
    )


def _argument(path: Path, name: str, given: Any) -> Argument:
    if (
        not name.isidentifier()
        or not isinstance(given, dict)
        or not set(given) <= ARGUMENT_KEYS
        or not isinstance(given.get("about"), str)
        or given.get("kind", "text") not in KINDS
    ):
        raise ConfigError(
            f"question {path.name}: argument {name} must hold about, may hold default and a kind "
            f"({', '.join(KINDS)})",
            "see the other files of the folder",
        )
    return Argument(name, given["about"], given.get("kind", "text"), given.get("default"))
