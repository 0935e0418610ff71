"""Contacts of the ball, from the flights that meet at them.

A flight's end and the next flight's start in the same rally are one event. Where a rally starts
with the ball already in the air, or the ball is lost, there is no event: nothing was seen.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray
from pydantic import Field

from rallymill import court, tableio, tables
from rallymill.stages.base import Columns, MatchContext, StageConfig

SAME_S = 1e-6


class EventsConfig(StageConfig):
    """Options of the events stage."""

    min_confidence: float = Field(0.05, description="flights below it give no events")
    reach_m: float = Field(2.5, description="usual distance of a stroke from the feet, m")
    reach_sd_m: float = Field(0.7, description="how fast confidence falls beyond it, m")


class EventsStage:
    """Hits, bounces, net contacts and balls out of play."""

    name = "events"
    version = 2
    reads: tuple[str, ...] = ("arcs", "people", "frames")
    columns: ClassVar[Columns] = {
        "people": ("role", "t_s", "x_m", "y_m"), "frames": (),
    }
    writes = tables.EVENTS
    needs_video = False
    config_class: type[StageConfig] = EventsConfig

    def model_files(self, config: EventsConfig) -> tuple[str, ...]:
        """No weights."""
        return ()

    def run(
        self, match: MatchContext, inputs: Mapping[str, pa.Table], config: EventsConfig
    ) -> pa.Table:
        """Events of all rallies, in time order."""
        arcs = tableio.to_pandas(inputs["arcs"])
        people = tableio.to_pandas(inputs["people"].select(["role", "t_s", "x_m", "y_m"]))
        rows: list[dict[str, Any]] = []
        for _, group in arcs.groupby("rally_id", sort=True):
            rally_id = int(group["rally_id"].iloc[0])
            rows += rally_events(group.sort_values("start_s"), rally_id, config)
        rows = [row for row in rows if row["confidence"] >= config.min_confidence]
        by_role = {
            str(role): theirs[["t_s", "x_m", "y_m"]].to_numpy(float)
            for role, theirs in people.sort_values("t_s", kind="stable").groupby("role")
        }
        for row in rows:
            if row["kind"] == "hit":
                row["confidence"] *= _near_hitter(row, by_role.get(row["side"]), config)
        rows.sort(key=lambda row: row["t_s"])
        for number, row in enumerate(rows):
            row.update(match_id=match.match_id, event_id=number)
        return tableio.from_rows(tables.EVENTS, rows)


def _near_hitter(
    row: dict[str, Any], hitter: NDArray[np.float64] | None, config: EventsConfig
) -> float:
    """Factor for a hit's confidence: 1 within reach of the hitter's feet, less beyond.

    ``hitter`` holds time, x and y of the player on that side, in order of time. Without an
    observation within half a second there is nothing to compare with: 0.8.
    """
    if hitter is None:
        return 0.8
    after = int(np.searchsorted(hitter[:, 0], row["t_s"]))
    about = hitter[max(after - 1, 0):after + 1]
    t_s, x_m, y_m = about[np.argmin(np.abs(about[:, 0] - row["t_s"]))]
    if abs(t_s - row["t_s"]) > 0.5 or not np.isfinite(x_m):
        return 0.8
    apart_m = float(np.hypot(x_m - row["x_m"], y_m - row["y_m"]))
    beyond = max(apart_m - config.reach_m, 0.0) / config.reach_sd_m
    return float(np.exp(-0.5 * beyond**2))


def rally_events(arcs: pd.DataFrame, rally_id: int, config: EventsConfig) -> list[dict[str, Any]]:
    """Events of one rally's flights, given in time order; rows without number and match."""
    rows: list[dict[str, Any]] = []
    before: Any = None
    for arc in arcs.itertuples():
        joined = before is not None and abs(arc.start_s - before.end_s) < SAME_S
        if before is not None and not joined:
            _add(rows, rally_id, before, None)
        _add(rows, rally_id, before if joined else None, arc)
        before = arc
    if before is not None:
        _add(rows, rally_id, before, None)
    return rows


def _add(rows: list[dict[str, Any]], rally_id: int, before: Any, after: Any) -> None:
    """One event from the flight that ends at it, the flight that starts at it, or both."""
    kind = after.start_kind if after is not None else before.end_kind
    if kind == "lost":
        return
    row: dict[str, Any] = {"rally_id": rally_id, "kind": kind}
    if after is not None:
        row.update(t_s=after.start_s, x_m=after.x_m, y_m=after.y_m, z_m=after.z_m,
                   x_m_sd=after.x_m_sd, y_m_sd=after.y_m_sd, z_m_sd=after.z_m_sd,
                   side=after.start_side, arc_after=int(after.arc_id), t_s_sd=after.start_s_sd)
    else:
        row.update(t_s=before.end_s, x_m=before.end_x_m, y_m=before.end_y_m, z_m=before.end_z_m,
                   x_m_sd=before.end_x_m_sd, y_m_sd=before.end_y_m_sd,
                   z_m_sd=before.end_z_m_sd, side=court.side_of(before.end_y_m),
                   t_s_sd=before.end_s_sd)
    if before is not None:
        row["arc_before"] = int(before.arc_id)
    known = [arc for arc in (before, after) if arc is not None]
    row["confidence"] = float(np.mean([arc.confidence for arc in known]))
    if len(known) == 1:
        # Seen from one side only: less sure that there was a contact at all.
        row["confidence"] *= 0.9
    rows.append({name: _null(value) for name, value in row.items()})


def _null(value: Any) -> Any:
    return None if isinstance(value, float) and not np.isfinite(value) else value


STAGE = EventsStage()
