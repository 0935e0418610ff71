"""The correction file of a match, with every point and stroke as the tables have it, to be edited.

Cells that are left as they are correct nothing, so the file may be edited, applied, edited further
and applied again.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from typing import Any

from rallymill.corrections.rows import (
    KEY_COLUMNS,
    PLAYERS_COLUMNS,
    POINT_COLUMNS,
    SHOT_COLUMNS,
    TEMPLATE_COLUMN,
    TEXT_COLUMNS,
    UNREAD_COLUMNS,
)

Row = Mapping[str, Any]

LEFT_OUT = ("t_contact_s", "hitter")
"""They stand in ``t_s`` and ``side``; a column of that name may be added to change them."""
COLUMNS = (
    *KEY_COLUMNS, *UNREAD_COLUMNS,
    *(name for name in SHOT_COLUMNS if name not in LEFT_OUT),
    *POINT_COLUMNS, *PLAYERS_COLUMNS, *TEXT_COLUMNS, TEMPLATE_COLUMN,
)  # fmt: skip


def template(shots: Sequence[Row], points: Sequence[Row], number: int) -> str:
    """The file as CSV: who stands where at first, then each point and its strokes in order.

    ``number`` tells templates of a match apart. With the one that a row came from it can be told
    which of its cells were changed, also when the tables have changed since.
    """
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, COLUMNS, restval="", lineterminator="\n")
    writer.writeheader()
    if shots:
        writer.writerow(_players(shots[0]) | {TEMPLATE_COLUMN: number})
    by_point: dict[int, list[Row]] = {}
    for shot in shots:
        by_point.setdefault(shot["point_id"], []).append(shot)
    for point in points:
        writer.writerow(_head("point", point["start_s"], point["server"], "")
                        | {name: cell(point[name]) for name in POINT_COLUMNS}
                        | {TEMPLATE_COLUMN: number})  # fmt: skip
        for shot in by_point.get(point["point_id"], []):
            writer.writerow(row_of(shot) | {TEMPLATE_COLUMN: number})
    return out.getvalue()


def row_of(shot: Row) -> dict[str, str]:
    """The template's row of a stroke, by column."""
    return _head("shot", shot["t_contact_s"], shot["hitter"], shot["player"]) | {
        name: cell(shot[name]) for name in SHOT_COLUMNS if name not in LEFT_OUT
    }


def _players(first: Row) -> dict[str, str]:
    sides = {first["hitter"]: first["player"]}
    sides["far" if first["hitter"] == "near" else "near"] = first["opponent"]
    return _head("players", 0.0, None, "") | {side: sides[side] or "" for side in PLAYERS_COLUMNS}


def _head(what: str, t_s: float, side: str | None, player: str | None) -> dict[str, str]:
    return {
        "what": what, "do": "", "t_s": f"{t_s:.3f}", "side": side or "", "clock": clock(t_s),
        "player": player or "",
    }  # fmt: skip


def clock(t_s: float) -> str:
    """A time of the recording as players of video show it: ``1:02:03``."""
    minutes, seconds = divmod(int(t_s), 60)
    return f"{minutes // 60}:{minutes % 60:02d}:{seconds:02d}"


def cell(value: Any) -> str:
    """A value as it stands in a cell; what was not measured is empty."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    return f"{value:.2f}" if isinstance(value, float) else str(value)
