"""Errors that a user can act on.

RallymillError
├── InputError          a file or match sheet cannot be read
├── ConfigError         the configuration is wrong
├── ModelMissingError   weights are not where they should be
└── TableError          a table does not follow its schema

Each carries what was wrong and what to do, both written for the person who reads the listing.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable


class RallymillError(Exception):
    """Base of all errors that are reported without a traceback."""

    def __init__(self, problem: str, remedy: str = "") -> None:
        super().__init__(problem, remedy)
        self.problem = problem
        self.remedy = remedy

    def __str__(self) -> str:
        """Problem and remedy on one line."""
        return f"{self.problem} ({self.remedy})" if self.remedy else self.problem


class InputError(RallymillError):
    """A recording or a match sheet cannot be read."""


class ConfigError(RallymillError):
    """The configuration is wrong."""


class ModelMissingError(RallymillError):
    """Weights are not where the configuration says."""


class TableError(RallymillError):
    """A table does not follow its schema."""


def did_you_mean(word: object, known: Iterable[str], otherwise: str | None = None) -> str:
    """Remedy for a name that is not known: the nearest known one, else ``otherwise``.

    Without ``otherwise`` all known names are listed.
    """
    names = list(known)
    close = difflib.get_close_matches(str(word), names, n=1)
    if close:
        return f"did you mean {close[0]}?"
    return f"known are {', '.join(names) or 'none'}" if otherwise is None else otherwise
