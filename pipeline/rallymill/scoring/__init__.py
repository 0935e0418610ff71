"""Accuracy of what a run wrote, against truth in the same schemas: tables against tables."""

from rallymill.scoring.rows import Goal, Row, text_table, to_json
from rallymill.scoring.run import score

__all__ = ["Goal", "Row", "score", "text_table", "to_json"]
