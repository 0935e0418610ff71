"""The plainest way to read contacts, which the fits have to beat: bends of the ball's image path.

The most confident box of each frame is the ball. Where its path in the picture bends, something
happened: a hit where a player can reach it, else a bounce, at the place on the ground that is seen
there.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pyarrow as pa

from rallymill import court, tableio, tables
from rallymill.flightfit import segments
from rallymill.stages.flight import candidates, contacts, path

MIN_CONFIDENCE = 0.1
SIGMA_PX = 1.5


def events(measured: Mapping[str, pa.Table]) -> pa.Table:
    """Events table from ``frames``, ``detections`` and ``people`` alone."""
    frames = tableio.to_pandas(measured["frames"])
    detections = tableio.to_pandas(measured["detections"])
    people = tableio.to_pandas(measured["people"])
    rows: list[dict[str, Any]] = []
    for _, group in frames.groupby("view_id", sort=True):
        group = group.sort_values("frame")
        view = candidates.picture(group)
        inside = detections["frame"].between(view.frame[0], view.frame[-1])
        balls = candidates.gather(detections[inside], view, MIN_CONFIDENCE, 6)
        who = contacts.players(
            people[people["frame"].between(view.frame[0], view.frame[-1])]
        )
        whole = balls.take(path.most_confident(balls)[0])
        if len(whole) < 6:
            continue
        sigma = np.full(len(whole), SIGMA_PX * view.width_px / 1280)
        starts = segments.cuts(whole.t_s, whole.steady_px, sigma)
        met_s, met_px = segments.meetings(whole.t_s, whole.steady_px, starts, view.period_s)
        for t_s, steady in zip(met_s, met_px, strict=True):
            image, matrix = contacts.in_picture(float(t_s), steady, view)
            x, y = contacts.ground_point(matrix, image)
            side = _reached(float(t_s), image, who)
            if side is None and not (abs(x) < 10 and abs(y) < 20):
                continue
            rows.append({
                "match_id": str(group["match_id"].iloc[0]), "rally_id": 0, "t_s": float(t_s),
                "kind": "bounce" if side is None else "hit",
                "side": side or court.side_of(float(y)), "x_m": float(x), "y_m": float(y),
                "z_m": court.BALL_RADIUS_M, "confidence": 0.5,
            })
    rows.sort(key=lambda row: row["t_s"])
    return tableio.from_rows(
        tables.EVENTS, [row | {"event_id": k} for k, row in enumerate(rows)]
    )


def _reached(t_s: float, image_px: np.ndarray, who: Mapping[str, contacts.Player]) -> str | None:
    """Player who can reach an image point at a moment, the nearest in the picture, None if none."""
    best, least = None, np.inf
    for role, player in who.items():
        found = player.at(t_s, 0.3)
        if found is None or not contacts.within_reach(found[1], image_px):
            continue
        box = found[1]
        off = float(np.hypot(*(image_px - (box[:2] + box[2:]) / 2)) / (box[3] - box[1]))
        if off < least:
            best, least = role, off
    return best
