"""Rows of the ``arcs`` table from fitted rallies."""

from __future__ import annotations

from typing import Any

import numpy as np

from rallymill import court
from rallymill.stages.flight.contacts import HITS, KIND_NAMES, NEAR_HITS
from rallymill.stages.flight.rallies import Rally


def confidence(n_points: int, n_offered: int, mean_cost: float, meet_m: float) -> float:
    """Confidence in a flight, 0 to 1: enough points, met as well as their noise lets expect."""
    if n_points < 1:
        return 0.05
    enough = min(1.0, (n_points + 1) / 6)
    met = n_points / max(n_offered, 1)
    # A point of a good fit costs about one (two coordinates of half a unit each).
    close = float(np.exp(-max(mean_cost - 1.3, 0.0)))
    joined = float(np.exp(-max(meet_m - 0.05, 0.0) / 0.2))
    return float(np.clip(enough * met * close * joined, 0.0, 1.0))


def arc_rows(match_id: str, found: list[Rally]) -> list[dict[str, Any]]:
    """Rows in time order; a toss is no flight in play and is left out."""
    rows: list[dict[str, Any]] = []
    rally_id = -1
    for item in found:
        if not item.goes_on or rally_id < 0:
            rally_id += 1
        fit = item.fit
        for i in range(1 if item.toss else 0, len(fit.velocity)):
            start_kind, end_kind = item.kinds[i], item.kinds[i + 1]
            side = court.side_of(fit.place[i, 1])
            if start_kind in HITS:
                side = "near" if start_kind in NEAR_HITS else "far"
            row: dict[str, Any] = {
                "match_id": match_id, "rally_id": rally_id, "arc_id": len(rows),
                "start_s": fit.time_s[i], "end_s": fit.time_s[i + 1],
                "start_s_sd": fit.time_sd[i], "end_s_sd": fit.time_sd[i + 1],
                "start_kind": KIND_NAMES[start_kind], "end_kind": KIND_NAMES[end_kind],
                "start_side": side,
                "rms_px": float(fit.rms_px[i]) if np.isfinite(fit.rms_px[i]) else None,
                "n_points": int(fit.n_points[i]),
                "confidence": confidence(
                    int(fit.n_points[i]), int(fit.n_offered[i]), float(fit.mean_cost[i]),
                    float(fit.meet_m[i])),
            }
            for axis, name in enumerate("xyz"):
                row[f"{name}_m"] = fit.place[i, axis]
                row[f"{name}_m_sd"] = fit.place_sd[i, axis]
                row[f"v{name}_mps"] = fit.velocity[i, axis]
                row[f"v{name}_mps_sd"] = fit.velocity_sd[i, axis]
                row[f"end_{name}_m"] = fit.place[i + 1, axis]
                row[f"end_{name}_m_sd"] = fit.place_sd[i + 1, axis]
            for axis, name in enumerate(("topspin", "sidespin")):
                row[f"{name}_radps"] = fit.spin[i, axis]
                row[f"{name}_radps_sd"] = fit.spin_sd[i, axis]
            rows.append(row)
    return rows
