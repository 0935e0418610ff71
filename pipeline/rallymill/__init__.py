"""Rallymill: from recorded tennis matches to flagged shot tables."""

__version__ = "0.1.0"
