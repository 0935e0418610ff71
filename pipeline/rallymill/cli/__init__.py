"""The command ``rallymill``."""

from rallymill.cli.main import main

__all__ = ["main"]
