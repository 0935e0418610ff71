"""What a match must keep to before it may join a season: ranges and references between tables.

Keys, types, nulls and the ranges of single columns are checked with the schema when a table is
read; here is what no single column can tell.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import pyarrow as pa
import pyarrow.compute as pc

from rallymill.errors import TableError

Tables = Mapping[str, pa.Table]

LIMITS: Mapping[str, Mapping[str, tuple[float, float]]] = {
    "shots": {
        # The fastest serves are near 75 m/s; positions reach well past the run-back.
        "speed_mps": (0.0, 90.0),
        "contact_x_m": (-25.0, 25.0),
        "contact_y_m": (-30.0, 30.0),
        "contact_z_m": (-0.5, 6.0),
        "hitter_x_m": (-25.0, 25.0),
        "hitter_y_m": (-30.0, 30.0),
        "opponent_x_m": (-25.0, 25.0),
        "opponent_y_m": (-30.0, 30.0),
        "bounce_x_m": (-40.0, 40.0),
        "bounce_y_m": (-60.0, 60.0),
        "shot_number": (1, 400),
    },
    "points": {"n_shots": (0, 400)},
}
"""What can occur on a court at all (common practice, no source)."""

SLACK_S = 1.0
"""How far a stroke may lie outside its point."""
MAX_FAULTS = 8


def check_match(match_id: str, tables: Tables) -> None:
    """Raise :class:`TableError` with every rule that the tables of a match break."""
    faults = [*_wrong_match(match_id, tables), *_out_of_range(tables), *_references(tables)]
    if faults:
        more = len(faults) - MAX_FAULTS
        said = "; ".join(faults[:MAX_FAULTS]) + (f"; and {more} more" if more > 0 else "")
        raise TableError(
            f"{match_id} does not join the season: {said}",
            "read the match again with rallymill process --force all, or leave it out",
        )


def _wrong_match(match_id: str, tables: Tables) -> Iterator[str]:
    for name, table in tables.items():
        others = set(pc.unique(table["match_id"]).to_pylist()) - {match_id}
        if others:
            yield f"{name} holds rows of {sorted(others)[0]}"


def _out_of_range(tables: Tables) -> Iterator[str]:
    for name, limits in LIMITS.items():
        for column, (low, high) in limits.items():
            values = tables[name][column]
            if len(values) == values.null_count:
                continue
            found = pc.min_max(values).as_py()
            if found["min"] < low or found["max"] > high:
                worst = found["min"] if found["min"] < low else found["max"]
                yield f"{name}.{column}: {worst:g} is not within {low:g} to {high:g}"
    for name, start, end in (("points", "start_s", "end_s"), ("flags", "clip_start_s",
                                                              "clip_end_s")):
        table = tables[name]
        backward = pc.sum(pc.less(table[end], table[start])).as_py() or 0
        if backward:
            yield f"{name}: {backward} rows end before they start"


def _references(tables: Tables) -> Iterator[str]:
    points = {row["point_id"]: row for row in tables["points"].to_pylist()}
    shots = tables["shots"].select(["shot_id", "point_id", "shot_number", "t_contact_s"])
    # Strokes that nobody saw are counted, so the last one's number is what counts.
    counted: dict[int, int] = {}
    numbers: set[tuple[int, int]] = set()
    lost = outside = doubled = 0
    for row in shots.to_pylist():
        point = points.get(row["point_id"])
        if point is None:
            lost += 1
            continue
        counted[row["point_id"]] = max(counted.get(row["point_id"], 0), row["shot_number"])
        doubled += (row["point_id"], row["shot_number"]) in numbers
        numbers.add((row["point_id"], row["shot_number"]))
        t_s = row["t_contact_s"]
        outside += not point["start_s"] - SLACK_S <= t_s <= point["end_s"] + SLACK_S
    if lost:
        yield f"shots: {lost} strokes of points that are not in points"
    if outside:
        yield f"shots: {outside} strokes outside the time of their point"
    if doubled:
        yield f"shots: {doubled} stroke numbers stand twice in a point"
    wrong = sum(row["n_shots"] != counted.get(key, 0) for key, row in points.items())
    if wrong:
        yield f"points: n_shots of {wrong} points is not the number of their strokes"
    shot_ids = set(shots["shot_id"].to_pylist())
    for name, rows in (("flags", "findings"), ("opportunities", "opportunities")):
        told = tables[name].select(["shot_id", "point_id"]).to_pylist()
        loose = sum(row["shot_id"] not in shot_ids or row["point_id"] not in points for row in told)
        if loose:
            yield f"{name}: {loose} {rows} about strokes or points that are not there"
