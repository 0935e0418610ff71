"""A small clip with truth by hand: four frames a view, one rally of three strokes."""

from __future__ import annotations

import pyarrow as pa

from rallymill import tableio, tables
from rallymill.camera import Camera

MATCH = "lantern"
RATE = 50
WIDTH, HEIGHT = 1280, 720
CAMERA = Camera.looking_at((0.5, -26.0, 9.0), (0.0, 1.0, 0.0), 1500.0, WIDTH, HEIGHT)
N_MAIN = 200
"""Frames 0 to 199 are a main view, 200 to 249 a replay."""


def frames(camera: Camera = CAMERA, n: int = N_MAIN) -> pa.Table:
    return tableio.from_rows(
        tables.FRAMES,
        [
            {
                "match_id": MATCH,
                "frame": i,
                "t_s": i / RATE,
                "view_id": 0,
                "camera": camera.matrix.ravel().tolist(),
                "k1": camera.k1,
                "court_status": "found",
                "width_px": camera.width_px,
                "height_px": camera.height_px,
            }
            for i in range(n)
        ],
    )


def views() -> pa.Table:
    row = {
        "match_id": MATCH,
        "view_id": 0,
        "first_frame": 0,
        "last_frame": N_MAIN - 1,
        "start_s": 0.0,
        "end_s": N_MAIN / RATE,
        "label": "main",
    }
    other = {
        "match_id": MATCH,
        "view_id": 1,
        "first_frame": N_MAIN,
        "last_frame": N_MAIN + 49,
        "start_s": N_MAIN / RATE,
        "end_s": (N_MAIN + 50) / RATE,
        "label": "replay",
    }
    return tableio.from_rows(tables.VIEWS, [row, other])


def tracks(shift_px: float = 0.0, shift_m: float = 0.0, observed: bool = True) -> pa.Table:
    rows = []
    for i in range(N_MAIN):
        base = {
            "match_id": MATCH,
            "frame": i,
            "t_s": i / RATE,
            "observed": observed,
            "visible": True,
        }
        near_z = 0.2 if 60 <= i < 72 else 0.0
        rows += [
            base
            | {"track_id": 1, "role": "near", "x_m": 1.0 + shift_m, "y_m": -12.0, "z_m": near_z},
            base | {"track_id": 2, "role": "far", "x_m": -1.0, "y_m": 12.0 + shift_m, "z_m": 0.0},
            base | {"track_id": 3, "role": "ball", "u_px": 500.0 + i + shift_px, "v_px": 300.0},
        ]
    return tableio.from_rows(tables.TRACKS, rows)


EVENTS = (
    ("hit", "near", 0.40, -11.9),
    ("bounce", "far", 0.90, 5.0),
    ("hit", "far", 1.40, 12.0),
    ("bounce", "near", 1.90, -9.0),
    ("hit", "near", 2.40, -11.5),
    ("bounce", "far", 2.90, 10.0),
)


def events(later_s: float = 0.0, shift_m: float = 0.0) -> pa.Table:
    return tableio.from_rows(
        tables.EVENTS,
        [
            {
                "match_id": MATCH,
                "event_id": i,
                "rally_id": 0,
                "t_s": t + later_s,
                "kind": kind,
                "side": side,
                "x_m": 1.0 + shift_m,
                "y_m": y,
                "z_m": 0.0335,
            }
            for i, (kind, side, t, y) in enumerate(EVENTS)
        ],
    )


STROKES = (
    (0.40, "near", "serve", "unknown", "wide"),
    (1.40, "far", "return", "backhand", "cross_court"),
    (2.40, "near", "groundstroke", "forehand", "down_the_line"),
)


def shots(later_s: float = 0.0, faster: float = 1.0, **replaced: object) -> pa.Table:
    return tableio.from_rows(
        tables.SHOTS,
        [
            {
                "match_id": MATCH,
                "point_id": 0,
                "shot_id": i,
                "shot_number": i + 1,
                "t_contact_s": t + later_s,
                "hitter": hitter,
                "stroke": stroke,
                "wing": wing,
                "direction": direction,
                "depth": "deep",
                "ended_point": i == 2,
                "speed_mps": 30.0 * faster,
                "contact_z_m": 1.0,
                "net_clearance_m": 0.8,
            }
            | replaced
            for i, (t, hitter, stroke, wing, direction) in enumerate(STROKES)
        ],
    )


def points(**replaced: object) -> pa.Table:
    return tableio.from_rows(
        tables.POINTS,
        [
            {
                "match_id": MATCH,
                "point_id": 0,
                "start_s": 0.4,
                "end_s": 3.2,
                "server": "near",
                "n_shots": 3,
                "ended_by": "winner",
            }
            | replaced
        ],
    )


def truth() -> dict[str, pa.Table]:
    return {
        "views": views(),
        "frames": frames(),
        "tracks": tracks(),
        "events": events(),
        "shots": shots(),
        "points": points(),
    }


def detections(shift_px: float = 0.0) -> pa.Table:
    return tableio.from_rows(tables.DETECTIONS, [
        {"match_id": MATCH, "frame": i, "t_s": i / RATE, "label": "ball",
         "x1_px": 495.0 + i + shift_px, "x2_px": 505.0 + i + shift_px, "y1_px": 295.0,
         "y2_px": 305.0, "confidence": 0.9}
        for i in range(N_MAIN)
    ])
