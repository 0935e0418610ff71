"""A small match by hand: a point of three strokes and a fault, with flags; and a film of it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from rallymill import flight, tableio, tables, video
from rallymill.camera import Camera

MATCH = "lantern"
RATE = 25
CAMERA = Camera.looking_at((0.5, -27.0, 9.0), (0.0, -2.0, 0.0), 640.0, 640, 360)

SHOTS: list[dict[str, Any]] = [
    {
        "point_id": 0, "shot_id": 0, "shot_number": 1, "t_contact_s": 1.0, "hitter": "near",
        "player": "MAR", "opponent": "ORR", "stroke": "serve", "wing": "unknown",
        "contact_x_m": 0.5, "contact_y_m": -11.9, "contact_z_m": 2.75, "hitter_x_m": 0.4,
        "hitter_y_m": -12.0, "opponent_x_m": 3.0, "opponent_y_m": 12.5, "direction": "wide",
        "direction_confidence": 0.97, "bounce_x_m": -3.5, "bounce_y_m": 5.2, "depth": "short",
        "in_court": True, "speed_mps": 50.0, "speed_mps_sd": 0.8, "net_clearance_m": 0.21,
        "net_clearance_m_sd": 0.03, "ended_point": False,
    },
    {
        "point_id": 0, "shot_id": 1, "shot_number": 2, "t_contact_s": 1.8, "hitter": "far",
        "player": "ORR", "opponent": "MAR", "stroke": "return", "wing": "backhand",
        "contact_x_m": -4.5, "contact_y_m": 12.2, "contact_z_m": 1.1, "hitter_x_m": -4.0,
        "hitter_y_m": 12.4, "opponent_x_m": 0.2, "opponent_y_m": -12.6, "direction": "unknown",
        "bounce_x_m": 2.0, "bounce_y_m": -10.0, "depth": "deep", "in_court": None,
        "speed_mps": None, "ended_point": False,
    },
    {
        "point_id": 0, "shot_id": 2, "shot_number": 3, "t_contact_s": 3.1, "hitter": "near",
        "player": "MAR", "opponent": "ORR", "stroke": "groundstroke", "wing": "forehand",
        "contact_x_m": 2.4, "contact_y_m": -12.3, "contact_z_m": 0.9, "hitter_x_m": 1.8,
        "hitter_y_m": -12.5, "opponent_x_m": None, "opponent_y_m": None,
        "direction": "cross_court", "bounce_x_m": -4.6, "bounce_y_m": 7.0, "depth": "middle",
        "in_court": False, "speed_mps": 31.0, "ended_point": True,
    },
    {
        "point_id": 1, "shot_id": 3, "shot_number": 1, "t_contact_s": 8.0, "hitter": "near",
        "player": "MAR", "opponent": "ORR", "stroke": "serve", "wing": "unknown",
        "direction": "unknown", "depth": "unknown", "ended_point": True,
    },
]
POINTS: list[dict[str, Any]] = [
    {
        "point_id": 0, "start_s": 1.0, "end_s": 3.9, "server": "near", "server_player": "MAR",
        "serve_side": "deuce", "serve_number": 1, "n_shots": 3, "ended_by": "error_wide",
        "won_by": "far", "won_by_player": "ORR", "score": "15-0",
    },
    {
        "point_id": 1, "start_s": 8.0, "end_s": 8.6, "server": "near", "server_player": "MAR",
        "n_shots": 1, "ended_by": "fault",
    },
]
FLAGS: list[dict[str, Any]] = [
    {
        "flag_id": 0, "rule": "recovery_position", "kind": "fault", "severity": 0.4,
        "confidence": 0.9, "point_id": 0, "shot_id": 1, "side": "near", "player": "MAR",
        "evidence": [{"name": "recovery_error", "value": 1.8, "unit": "m"}],
        "sentence": "Marrec waited 1.8 m too far to the left.", "clip_start_s": 1.0,
        "clip_end_s": 3.0,
    },
    {
        "flag_id": 1, "rule": "change_of_direction", "kind": "fault", "severity": 0.9,
        "confidence": 0.8, "point_id": 0, "shot_id": 2, "side": "near", "player": "MAR",
        "evidence": [], "sentence": "Marrec changed direction on the run.", "clip_start_s": 2.5,
        "clip_end_s": 4.0,
    },
    {
        "flag_id": 2, "rule": "deep_return", "kind": "credit", "severity": 0.5, "confidence": 0.7,
        "point_id": 0, "shot_id": 1, "side": "far", "player": "ORR", "evidence": None,
        "sentence": "Orrow returned deep.", "clip_start_s": 1.2, "clip_end_s": 2.4,
    },
]
VIEWS: list[dict[str, Any]] = [
    {"view_id": 0, "first_frame": 0, "last_frame": 99, "start_s": 0.0, "end_s": 4.0,
     "label": "main"},
    {"view_id": 1, "first_frame": 100, "last_frame": 149, "start_s": 4.0, "end_s": 6.0,
     "label": "replay"},
]
ROW: dict[str, Any] = {
    "match_id": MATCH, "file": "day one/lantern.mp4", "status": "read", "duration_s": 10.0,
    "in_view_s": 4.0, "in_play_s": 3.5, "coverage": 0.98, "ball_coverage": 0.91, "n_points": 2,
    "n_shots": 4, "n_flags": 3, "player_near": "Ilva Marrec", "player_far": "Tamsin Orrow",
    "date": "2026-08-14", "surface": "hard", "event": "Lantern Quay Open",
}
SERVE_STATE = (0.5, -11.9, 2.75, -9.8, 47.5, -4.6)


def arcs() -> list[dict[str, Any]]:
    """The serve's flight to its bounce."""
    spin = (100.0, 20.0)
    length, _ = flight.fall_to(SERVE_STATE, spin)
    x, y, z, vx, vy, vz = SERVE_STATE
    return [{
        "rally_id": 0, "arc_id": 0, "start_s": 1.0, "end_s": 1.0 + length, "start_kind": "hit",
        "end_kind": "bounce", "x_m": x, "y_m": y, "z_m": z, "vx_mps": vx, "vy_mps": vy,
        "vz_mps": vz, "topspin_radps": spin[0], "sidespin_radps": spin[1],
    }]


def frames() -> list[dict[str, Any]]:
    return [
        {"frame": i, "t_s": i / RATE, "view_id": 0, "camera": CAMERA.matrix.ravel().tolist(),
         "court_status": "found", "court_rms_px": 0.4, "width_px": 640, "height_px": 360}
        for i in range(100)
    ]


def tracks() -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = []
    for i in range(100):
        base = {"frame": i, "t_s": i / RATE, "observed": True}
        ball = CAMERA.project([0.5 - i / 25, -11.0 + i / 5, 1.0])
        rows += [
            base | {"track_id": 1, "role": "near", "x_m": 0.5, "y_m": -12.0},
            base | {"track_id": 2, "role": "far", "x_m": -2.0, "y_m": 12.0},
            base | {"track_id": 3, "role": "ball", "u_px": ball[0], "v_px": ball[1]},
        ]
    return rows


def table(name: str, rows: list[dict[str, Any]]) -> pa.Table:
    spec = tables.ALL[name]
    own = {"match_id": MATCH} if name != "matches" else {}
    return tableio.from_rows(spec, [own | row for row in rows])


def write(out: Path, row: dict[str, Any] | None = None, **replaced: list[dict[str, Any]]) -> None:
    """Write the match to an output folder; ``replaced`` gives other rows for a table."""
    rows = {
        "views": VIEWS, "arcs": arcs(), "shots": SHOTS, "points": POINTS, "flags": FLAGS,
        "frames": frames(), "tracks": tracks(), "events": [],
    } | replaced
    for name, content in rows.items():
        path = out / "matches" / MATCH / f"{name}.parquet"
        tableio.write(path, tables.ALL[name], table(name, content))
    write_match(out, row)


def write_match(out: Path, row: dict[str, Any] | None = None) -> None:
    tableio.write(
        out / "matches.parquet", tables.MATCHES, table("matches", [ROW | (row or {})])
    )


def film(path: Path) -> Path:
    """A plain grey film of 150 frames."""
    with video.Writer(path, 640, 360, RATE) as writer:
        for _ in range(150):
            writer.write(np.full((360, 640, 3), 90, np.uint8))
    return path
