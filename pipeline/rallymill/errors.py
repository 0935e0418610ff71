"""Errors that a user can act on.

RallymillError
├── InputError          a file or match sheet cannot be read
├── ConfigError         the configuration is wrong
├── ModelMissingError   weights are not where they should be
└── TableError          a table does not follow its schema

Each carries what was wrong and what to do, both written for the person who reads the listing.
"""

from __future__ import annotations


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
