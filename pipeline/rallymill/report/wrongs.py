"""What the "this is wrong" control of the pages offers: rows of a correction file.

The columns and words are those of the tables, as ``rallymill correct`` takes them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from rallymill import tables
from rallymill.report import words

Offer = tuple[str, str, Sequence[str], Mapping[str, str]]

SHOT: tuple[Offer, ...] = (
    ("stroke", "Stroke", tables.STROKES, words.STROKES),
    ("wing", "Wing", tables.WINGS, {}),
    ("direction", "Direction", tables.DIRECTIONS, words.DIRECTIONS),
    ("depth", "Depth of the bounce", tables.DEPTHS, {}),
    ("in_court", "In or out", ("true", "false", "none"),
     {"true": "in", "false": "out", "none": "not to be told"}),
    ("hitter", "Who struck", tables.SIDES, {"near": "the near player", "far": "the far player"}),
    ("opponent_state", "What the opponent was doing", tables.MOVEMENT, {}),
)
POINT: tuple[Offer, ...] = (
    ("ended_by", "How it ended", tables.ENDINGS, words.ENDINGS),
    ("won_by", "Who won it", tables.SIDES, {"near": "the near player", "far": "the far player"}),
    ("server", "Who served", tables.SIDES, {"near": "the near player", "far": "the far player"}),
    ("serve_number", "First or second serve", ("1", "2"), {"1": "first", "2": "second"}),
    ("score", "Score before the point", (), {}),
)


def _text(value: Any) -> str:
    if value is None or value != value:
        return "none"
    if isinstance(value, bool):
        return "true" if value else "false"
    return str(value)


def choices() -> dict[str, list[dict[str, Any]]]:
    """What can be corrected, for the dialog: columns with their words and values."""
    return {
        what: [
            {"column": column, "label": label,
             "values": [[value, names.get(value, words.plain(value))] for value in values]}
            for column, label, values, names in columns
        ]
        for what, columns in (("shot", SHOT), ("point", POINT))
    }


def of_shot(shot: Mapping[str, Any], said: str) -> dict[str, Any]:
    """What the dialog must know of a stroke."""
    return {
        "what": "shot", "t_s": f"{shot['t_contact_s']:.2f}", "side": shot["hitter"], "said": said,
        "now": {column: _text(shot[column]) for column, *_ in SHOT},
    }


def of_point(point: Mapping[str, Any], said: str) -> dict[str, Any]:
    """What the dialog must know of a point."""
    middle = (float(point["start_s"]) + float(point["end_s"])) / 2
    return {
        "what": "point", "t_s": f"{middle:.2f}", "side": "", "said": said,
        "now": {column: _text(point[column]) for column, *_ in POINT},
    }
