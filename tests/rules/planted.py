"""Hand-made rallies for the tests of rules: rows of shots and points, and tracks of players."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from rallymill import tactics
from rallymill.rules.base import Clear, Finding, NotMeasurable, Play
from rallymill.rules.registry import all_rules
from rallymill.tables import POINTS, SHOTS
from rallymill.tactics_motion import PlayerTrack

Row = dict[str, Any]
OTHER = {"near": "far", "far": "near"}
SD_M = 0.05


def shot(**changes: Any) -> Row:
    """A plain groundstroke of the near player from the baseline to a set opponent."""
    row: Row = dict.fromkeys(SHOTS.names())
    row |= {
        "match_id": "m", "point_id": 0, "shot_id": 0, "shot_number": 3, "t_contact_s": 10.0,
        "t_contact_s_sd": 0.005, "hitter": "near", "player": "MAR", "opponent": "ORR",
        "stroke": "groundstroke", "stroke_confidence": 1.0, "wing": "forehand",
        "wing_confidence": 1.0, "contact_x_m": 0.5, "contact_y_m": -12.0, "contact_z_m": 1.0,
        "hitter_x_m": 0.0, "hitter_y_m": -12.3, "hitter_vx_mps": 0.0, "hitter_vy_mps": 0.0,
        "opponent_x_m": 0.0, "opponent_y_m": 12.8, "opponent_vx_mps": 0.0, "opponent_vy_mps": 0.0,
        "opponent_state": "set", "opponent_state_confidence": 1.0, "hitter_state": "set",
        "direction": "middle", "direction_confidence": 1.0, "bounce_x_m": 0.3, "bounce_y_m": 9.5,
        "t_bounce_s": 11.0, "depth": "deep", "in_court": True, "in_court_confidence": 1.0,
        "speed_mps": 27.0, "speed_mps_sd": 0.3, "net_clearance_m": 0.8, "flight_time_s": 1.0,
        "incoming_depth": "deep", "incoming_speed_mps": 15.0, "incoming_bounce_x_m": 0.0,
        "incoming_bounce_y_m": -9.5, "time_to_prepare_s": 1.4, "recovery_x_m": 0.0,
        "recovery_error_m": 0.1, "ended_point": False, "confidence": 1.0,
    }
    row |= {
        name: SD_M for name in SHOTS.names()
        if name.endswith("_m_sd") and row[name.removesuffix("_sd")] is not None
    }
    return row | changes


def reply_to(row: Row, **changes: Any) -> Row:
    """The far player's plain stroke 1.4 s after ``row``, with the near player set and in place."""
    plain = shot(
        hitter=OTHER[row["hitter"]], player=row["opponent"], opponent=row["player"],
        shot_number=row["shot_number"] + 1, t_contact_s=row["t_contact_s"] + 1.4,
        contact_x_m=row["bounce_x_m"], contact_y_m=12.0, hitter_x_m=row["bounce_x_m"] - 0.6,
        hitter_y_m=12.4, opponent_x_m=0.0, opponent_y_m=-12.8, bounce_y_m=-9.5,
        incoming_bounce_x_m=row["bounce_x_m"], incoming_bounce_y_m=row["bounce_y_m"],
        incoming_depth=row["depth"],
    )
    return plain | changes


def point(**changes: Any) -> Row:
    """A point served by the near player from the deuce half, won by nobody known."""
    row: Row = dict.fromkeys(POINTS.names())
    row |= {
        "match_id": "m", "point_id": 0, "start_s": 5.0, "end_s": 20.0, "server": "near",
        "server_player": "MAR", "serve_number": 1, "serve_side": "deuce", "n_shots": 4,
        "ended_by": "unknown", "ended_by_confidence": 1.0, "confidence": 1.0,
    }
    return row | changes


def numbered(rows: Sequence[Row]) -> list[Row]:
    """Rows with shot_id in order."""
    return [row | {"shot_id": k} for k, row in enumerate(rows)]


def play(
    rows: Sequence[Row], points: Sequence[Row] | None = None,
    tracks: dict[str, PlayerTrack] | None = None,
) -> Play:
    """Play of rows, numbered, with one plain point unless points are given."""
    return Play.of_rows(numbered(rows), [point()] if points is None else points, tracks)


def look(name: str, seen: Play, level: str = "college") -> tuple[list[Finding], list[str]]:
    """Findings of a rule and its reasons for not telling."""
    rule = next(rule for rule in all_rules() if rule.name == name)
    results = list(rule.look(seen, rule.thresholds[level]))
    return (
        [item for item in results if isinstance(item, Finding)],
        [item.reason for item in results if isinstance(item, NotMeasurable)],
    )


def clear(name: str, seen: Play, level: str = "college") -> int:
    """At how many strokes a rule's question arose and there was nothing to say."""
    rule = next(rule for rule in all_rules() if rule.name == name)
    return sum(isinstance(item, Clear) for item in rule.look(seen, rule.thresholds[level]))


def standing(
    x_m: float, y_m: float, hop_landings_s: Sequence[float] = (), rate_hz: float = 50.0,
    air_s: float = 0.24, start_s: float = 5.0, end_s: float = 20.0,
) -> PlayerTrack:
    """Track of a player who stands and hops, with the height of the feet measured."""
    t = np.arange(start_s, end_s, 1 / rate_hz)
    z = np.zeros_like(t)
    for landing in hop_landings_s:
        share = np.clip((t - landing + air_s) / air_s, 0, 1)
        z += 4 * 9.81 * air_s**2 / 8 * share * (1 - share)
    flat = np.zeros_like(t)
    return PlayerTrack(
        t, flat + x_m, flat + y_m, flat, flat, flat + SD_M, flat + SD_M, z, flat * np.nan,
        flat * np.nan, np.ones(len(t), dtype=bool),
    )


def bisector_x_m(reply: Row, own_y_m: float) -> float:
    """Place that bisects the replies from the contact of ``reply``."""
    return tactics.recovery_place_m(reply["contact_x_m"], reply["contact_y_m"], own_y_m)
