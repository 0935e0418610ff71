"""What is true of a film, in the pipeline's own tables, in the film's clock."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any

import numpy as np
import pyarrow as pa

from rallymill import tableio, tables
from rallymill.arena.film_plan import Segment, frame_time_s
from rallymill.arena.render_seen import Picture
from rallymill.arena.world import World
from rallymill.camera import Camera

Row = dict[str, Any]
BALL_TRACK_ID = 0
MIN_SHARE = 0.25
RISE_STEP_S = 0.005
TIMES = {
    "events": ("t_s",),
    "arcs": ("start_s", "end_s"),
    "shots": ("t_contact_s", "t_bounce_s"),
    "points": ("start_s", "end_s"),
}
NAMES = {"shots": ("player", "opponent"), "points": ("server_player", "won_by_player")}


def views(match_id: str, segments: Sequence[Segment], rate: Fraction) -> pa.Table:
    """Table of the film's spans."""
    rows = [
        {
            "match_id": match_id,
            "view_id": number,
            "first_frame": segment.first_frame,
            "last_frame": segment.last_frame,
            "start_s": frame_time_s(segment.first_frame, rate),
            "end_s": frame_time_s(segment.last_frame + 1, rate),
            "label": segment.label,
            "confidence": 1.0,
            "reason": segment.kind,
        }
        for number, segment in enumerate(segments)
    ]
    return tableio.from_rows(tables.VIEWS, rows)


def frame_row(match_id: str, frame: int, t_s: float, view_id: int, camera: Camera) -> Row:
    """Row of the frames table."""
    return {
        "match_id": match_id,
        "frame": frame,
        "t_s": t_s,
        "view_id": view_id,
        "camera": [float(value) for value in camera.matrix.ravel()],
        "k1": float(camera.k1),
        "focal_px": float(camera.focal_px),
        "court_rms_px": 0.0,
        "court_status": "found",
        "position_sd_m": 0.0,
        "width_px": camera.width_px,
        "height_px": camera.height_px,
    }


def _rise_mps(world: World, index: int, world_s: float) -> float:
    """Velocity of a person's feet upwards, by differences."""
    low, high = world_s - RISE_STEP_S, world_s + RISE_STEP_S
    return (world.person(index, high).z_m - world.person(index, low).z_m) / (2 * RISE_STEP_S)


def track_rows(
    match_id: str, frame: int, t_s: float, world: World, world_s: float, camera: Camera,
    picture: Picture,
) -> list[Row]:
    """Rows of the tracks table: the ball in play, both players and whoever else is seen."""
    rows: list[Row] = []
    width, height = camera.width_px, camera.height_px
    ball = next((seen for seen in picture.balls if seen.index == 0), None)
    if ball is not None:
        u, v = ball.centre_px
        in_frame = -0.5 <= u < width - 0.5 and -0.5 <= v < height - 0.5
        visible = ball.visible and in_frame
        x1, y1, x2, y2 = ball.box_px
        rows.append(
            {
                "match_id": match_id, "frame": frame, "t_s": t_s, "track_id": BALL_TRACK_ID,
                "role": "ball", "u_px": u, "v_px": v, "x1_px": x1, "y1_px": y1, "x2_px": x2,
                "y2_px": y2, "x_m": ball.position_m[0], "y_m": ball.position_m[1],
                "z_m": ball.position_m[2], "vx_mps": ball.velocity_mps[0],
                "vy_mps": ball.velocity_mps[1], "vz_mps": ball.velocity_mps[2],
                "observed": visible, "visible": visible, "confidence": ball.visible_share,
            }
        )
    seen_people = {person.index: person for person in picture.people}
    for index, role in enumerate(world.roles):
        person = seen_people.get(index)
        if role == "other" and person is None:
            continue
        state = world.person(index, world_s)
        # With a rolling shutter people are seen at the moment of their own row.
        x_m, y_m, z_m = person.feet_m if person else (state.x_m, state.y_m, state.z_m)
        point = camera.project(np.array([x_m, y_m, 0.0]))
        row: Row = {
            "match_id": match_id, "frame": frame, "t_s": t_s, "track_id": index + 1, "role": role,
            "x_m": x_m, "y_m": y_m, "z_m": z_m, "vx_mps": state.vx_mps,
            "vy_mps": state.vy_mps, "vz_mps": _rise_mps(world, index, world_s),
        }
        if np.isfinite(point).all():
            row |= {"u_px": float(point[0]), "v_px": float(point[1])}
        share = person.visible_share if person is not None else 0.0
        if person is not None and share > 0.0:
            x1, y1, x2, y2 = person.box_px
            row |= {"x1_px": x1, "y1_px": y1, "x2_px": x2, "y2_px": y2}
        row |= {
            "observed": share > MIN_SHARE, "visible": share > MIN_SHARE, "confidence": share
        }
        rows.append(row)
    return rows


def _placed(
    spans: Sequence[tuple[float, float, float]], start_s: float, end_s: float
) -> float | None:
    """Shift to film time of the span that shows all of an interval, None where none does."""
    for low, high, shift in spans:
        if low <= start_s and end_s <= high:
            return shift
    return None


def play_tables(
    match_id: str, truth: Mapping[str, pa.Table], segments: Sequence[Segment], rate: Fraction,
    codes: Mapping[str, str],
) -> dict[str, pa.Table]:
    """Events, arcs, shots and points that the main camera shows, in film time.

    ``codes`` gives the code of each player's name. A stroke or point that is not shown whole is
    left out; an arc that is left out leaves a null in the events beside it.
    """
    spans = []
    for segment in segments:
        if segment.label == "main":
            shift = frame_time_s(segment.first_frame, rate) - segment.world_s
            end = frame_time_s(segment.last_frame + 1, rate) - shift
            spans.append((segment.world_s, end, shift))
    specs = {spec.name: spec for spec in (tables.EVENTS, tables.ARCS, tables.SHOTS, tables.POINTS)}
    kept: dict[str, list[Row]] = {name: [] for name in specs}
    for name in ("arcs", "points", "shots", "events"):
        table = truth.get(name, specs[name].empty())
        for row in table.to_pylist():
            first, *rest = TIMES[name]
            times = [row[first], *(row[column] for column in rest if row[column] is not None)]
            placed = _placed(spans, min(times), max(times))
            if placed is None:
                continue
            row["match_id"] = match_id
            for column in TIMES[name]:
                if row[column] is not None:
                    row[column] += placed
            for column in NAMES.get(name, ()):
                row[column] = codes.get(row[column], row[column])
            kept[name].append(row)
    points = {row["point_id"] for row in kept["points"]}
    arcs = {row["arc_id"] for row in kept["arcs"]}
    kept["shots"] = [row for row in kept["shots"] if row["point_id"] in points]
    for row in kept["events"]:
        for column in ("arc_before", "arc_after"):
            if row[column] not in arcs:
                row[column] = None
    return {name: tableio.from_rows(specs[name], rows) for name, rows in kept.items()}
