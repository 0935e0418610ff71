"""What of a correction file is new: rows held against the tables that stand."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from rallymill.corrections.matching import SAME_S, point_at, stroke_at
from rallymill.corrections.reading import Fault
from rallymill.corrections.rows import TOLERANCE_S, Correction, Value, text_of

Row = Mapping[str, Any]

HALF_A_STEP = 0.0051
"""The template gives two decimals; what lies closer than half a step was not changed."""


@dataclass(frozen=True)
class Standing:
    """What a file is held against: rows of ``shots`` and ``points`` as they stand, corrections that
    were applied before, and codes of the players that the match sheet names."""

    shots: Sequence[Row]
    points: Sequence[Row]
    applied: Sequence[Correction] = ()
    codes: Sequence[str] = ()

    def players_at(self, t_s: float) -> dict[str, str]:
        """Code by side of the stroke nearest in time to a moment."""
        if not self.shots:
            return {}
        row = min(self.shots, key=lambda shot: abs(shot["t_contact_s"] - t_s))
        other = "far" if row["hitter"] == "near" else "near"
        return {row["hitter"]: row["player"], other: row["opponent"]}


def against(
    rows: Sequence[Correction], standing: Standing
) -> tuple[list[Correction], list[Fault]]:
    """Rows that would change something, without cells that stand already; and faults.

    Times are brought to those of the strokes that they mean.
    """
    new: list[Correction] = []
    faults: list[Fault] = []
    seen: dict[tuple[str, Hashable], list[Correction]] = {}
    for row in rows:
        found = _target(row, standing)
        if isinstance(found, str):
            if not (_applied_before(row, standing.applied) or _point_removed(row, standing)):
                faults.append(Fault(row.row, found, _REMEDIES[row.what]))
            continue
        kept, place = found
        rivals = seen.setdefault((row.what, place), [])
        rival = next((old for old in rivals if _contradict(old, row)), None)
        if rival is not None:
            faults.append(Fault(
                row.row, f"contradicts row {rival.row}", "keep one of the two rows"))  # fmt: skip
            continue
        rivals.append(row)
        if kept is not None and not (
            kept.action == "right" and _applied_before(kept, standing.applied)
        ):
            new.append(kept)
    return new, faults


_REMEDIES = {
    "shot": "take t_s and side from the table of shots, or write do = add",
    "point": "write a time within the point",
    "players": "write a code of the match sheet, or add the player there",
    "court": "correct the row",
}


def _target(
    row: Correction, standing: Standing
) -> tuple[Correction | None, Hashable] | str:
    """The row less what stands, and what it is about; or why it does not fit."""
    if row.what == "shot":
        return _shot(row, standing)
    if row.what == "point":
        spans = [(point["start_s"], point["end_s"]) for point in standing.points]
        number = point_at(spans, row.t_s)
        if isinstance(number, str):
            return number
        start_s, end_s = spans[number]
        row = replace(row, t_s=min(max(row.t_s, start_s), end_s))
        return _without(row, standing.points[number]), number
    if row.what == "players":
        for side, code in row.values.items():
            if standing.codes and code not in standing.codes:
                return f"{side} is {code}, but the match sheet has {', '.join(standing.codes)}"
        stands = standing.players_at(row.t_s)
        same = all(stands.get(side) == code for side, code in row.values.items())
        # Who stands there already may still be news after an earlier row that says otherwise.
        return (None if same and not _players_before(standing.applied) else row), row.t_s
    applied = _applied_before(row, standing.applied)
    return (None if applied else row), (
        round(row.t_s, 3), row.values.get("court_point"))


def _players_before(applied: Sequence[Correction]) -> bool:
    return any(old.what == "players" for old in applied)


def _point_removed(row: Correction, standing: Standing) -> bool:
    """Whether a point is gone because the stroke at its beginning was removed by hand."""
    return row.what == "point" and any(
        old.action == "remove" and abs(old.t_s - row.t_s) <= TOLERANCE_S
        for old in standing.applied
    )


def _shot(
    row: Correction, standing: Standing
) -> tuple[Correction | None, Hashable] | str:
    keys = [[(shot["t_contact_s"], shot["hitter"])] for shot in standing.shots]
    assert row.side is not None
    number = stroke_at(keys, row.t_s, row.side)
    if row.action == "add":
        if isinstance(number, str):
            return (row, -row.t_s) if number.startswith("no ") else number
        shot = standing.shots[number]
        if _without(replace(row, action="change"), shot) is None:
            return None, number
        return (
            f"there is a stroke of the {row.side} player at {shot['t_contact_s']:.2f} s already; "
            "leave do empty to change it"
        )
    if isinstance(number, str):
        return number
    shot = standing.shots[number]
    row = replace(row, t_s=float(shot["t_contact_s"]))
    return _without(row, shot), number


def _without(row: Correction, stands: Row) -> Correction | None:
    """The row without the cells that say what stands; None where nothing is left of it."""
    if row.action in ("remove", "right"):
        return replace(row, values={})
    values = {
        name: value for name, value in row.values.items() if not same(value, stands[name])
    }
    return replace(row, values=values) if values or row.action == "add" else None


def same(value: Value, stands: Any) -> bool:
    """Whether a cell says what stands already, but for the rounding of the template."""
    if isinstance(value, float) and isinstance(stands, int | float):
        return abs(value - stands) <= HALF_A_STEP
    return bool(value == stands)


def _contradict(one: Correction, other: Correction) -> bool:
    """Whether two rows about the same thing cannot both be right."""
    actions = {one.action, other.action}
    if len(actions) > 1 and "remove" in actions:
        return True
    if "right" in actions and (one.values or other.values):
        return True
    both = one.values.keys() & other.values.keys()
    return any(text_of(one.values[name]) != text_of(other.values[name]) for name in both)


def _applied_before(row: Correction, applied: Sequence[Correction]) -> bool:
    """Whether the same row holds already; cells of a row to be removed say nothing."""
    values = {} if row.action in ("remove", "right") and row.what != "court" else dict(row.values)
    return any(
        (old.what, old.action, old.side, dict(old.values))
        == (row.what, row.action, row.side, values)
        and abs(old.t_s - row.t_s) <= SAME_S
        for old in applied
    )
