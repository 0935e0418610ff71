"""How far machine and corrected tables agree, so that one knows how far to trust the rest.

Two shares are told. Of **all** rows, the share that a person changed: a lower bound for what is
wrong, since nobody looked at every row. Of the rows that a person **looked at**, that is changed,
removed, added or marked ``right``, the share that was wrong, with its 95 % interval: an
estimate for the rest, as far as those rows were not picked for looking wrong.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import pyarrow as pa

from rallymill.corrections.difference import same
from rallymill.corrections.rows import POINT_COLUMNS, SHOT_COLUMNS, TOLERANCE_S

Row = Mapping[str, Any]

LEAST_CHECKED = 10
"""Rows that must have been looked at before a share of them is worth telling."""


@dataclass(frozen=True)
class Share:
    """``wrong`` of ``rows``, and the 95 % interval of the share; all None with no rows."""

    wrong: int
    rows: int
    share: float | None
    low: float | None
    high: float | None


def share_of(wrong: int, rows: int) -> Share:
    """A share with its interval."""
    if not rows:
        return Share(wrong, rows, None, None, None)
    # The rules, on which rates rest, take a while to load: not for everybody who asks for a status.
    from rallymill.intervals import wilson

    low, high = wilson(wrong, rows)
    return Share(wrong, rows, wrong / rows, float(low), float(high))


@dataclass(frozen=True)
class TableAgreement:
    """One table, machine's and corrected: rows, how many differ, by column, and of those seen."""

    table: str
    machine_rows: int
    corrected_rows: int
    added: int
    removed: int
    changed: Share
    columns: Mapping[str, Share] = field(default_factory=dict)
    looked_at: Share = field(default_factory=lambda: share_of(0, 0))


@dataclass(frozen=True)
class Agreement:
    """Both tables, and how many corrections stand, agree with the machine by now, do not fit."""

    shots: TableAgreement
    points: TableAgreement
    status: Mapping[str, int]

    @property
    def n_corrections(self) -> int:
        """Corrected cells, and rows without cells."""
        return sum(self.status.values())

    def plain(self) -> dict[str, Any]:
        """As plain data."""
        return asdict(self)

    def sentences(self) -> list[str]:
        """The agreement in words, most important first."""
        said = []
        for one, name in ((self.shots, "strokes"), (self.points, "points")):
            seen = one.looked_at
            if seen.rows >= LEAST_CHECKED and seen.share is not None:
                said.append(
                    f"of {seen.rows} {name} looked at {seen.wrong} were wrong: {seen.share:.0%} "
                    f"(95 % interval {seen.low:.0%} to {seen.high:.0%})"
                )
            elif one.changed.wrong or one.added or one.removed:
                said.append(
                    f"{one.changed.wrong} of {one.changed.rows} {name} changed, {one.added} added, "
                    f"{one.removed} removed; mark rows that are right, to learn how many are wrong"
                )
        if unfit := self.status.get("unfit"):
            said.append(f"{unfit} of {self.n_corrections} corrections do not fit any more")
        return said


def agreement(
    machine_shots: pa.Table, shots: pa.Table, machine_points: pa.Table, points: pa.Table,
    corrections: pa.Table,
) -> Agreement:
    """Compare the tables of a match before and after its corrections."""
    rows = corrections.to_pylist()
    status: dict[str, int] = {}
    for row in rows:
        status[row["status"]] = status.get(row["status"], 0) + 1
    return Agreement(
        _compare("shots", machine_shots.to_pylist(), shots.to_pylist(), "t_contact_s",
                 SHOT_COLUMNS, _looked_at(rows, "shot")),
        _compare("points", machine_points.to_pylist(), points.to_pylist(), "start_s",
                 POINT_COLUMNS, _looked_at(rows, "point")),
        status,
    )  # fmt: skip


def _looked_at(rows: Sequence[Row], what: str) -> Share:
    """Rows of the machine's, or missed by it, that somebody looked at, and how many were wrong."""
    wrong: dict[tuple[float, str | None], bool] = {}
    for row in rows:
        if row["what"] != what or row["status"] == "unfit":
            continue
        key = (round(row["t_s"], 2), row["side"])
        holds = row["action"] != "right" and row["status"] != "agrees"
        # What a later correction set right again was looked at, and the later one counts.
        wrong[key] = wrong.get(key, False) or (holds and row["status"] != "replaced")
    return share_of(sum(wrong.values()), len(wrong))


def _compare(
    table: str, machine: Sequence[Row], corrected: Sequence[Row], time: str,
    columns: Sequence[str], looked_at: Share,
) -> TableAgreement:
    pairs = pair(machine, corrected, time)
    changed = {
        name: sum(not same(new[name], old[name]) for old, new in pairs) for name in columns
    }
    any_changed = sum(
        any(not same(new[name], old[name]) for name in columns) for old, new in pairs
    )
    return TableAgreement(
        table, len(machine), len(corrected), len(corrected) - len(pairs),
        len(machine) - len(pairs), share_of(any_changed, len(pairs)),
        {name: share_of(count, len(pairs)) for name, count in changed.items()}, looked_at,
    )


def pair(
    machine: Sequence[Row], corrected: Sequence[Row], time: str
) -> list[tuple[Row, Row]]:
    """Rows of both tables that mean the same: nearest in time, none used twice."""
    pairs: list[tuple[Row, Row]] = []
    left = sorted(machine, key=lambda row: row[time])
    first = 0
    for new in sorted(corrected, key=lambda row: row[time]):
        while first < len(left) and left[first][time] < new[time] - 2 * TOLERANCE_S:
            first += 1
        near = [
            (abs(left[k][time] - new[time]), k)
            for k in range(first, len(left)) if left[k][time] <= new[time] + 2 * TOLERANCE_S
        ]
        if near and min(near)[0] <= 2 * TOLERANCE_S:
            pairs.append((left.pop(min(near)[1]), new))
    return pairs
