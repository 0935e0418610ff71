"""Who stands where, with which hand, and what a player does at a moment."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from rallymill import tactics
from rallymill.court_directions import (
    AIRBORNE_FROM_M,
    RUN_FROM_MPS,
    SET_BELOW_MPS,
    movement_state,
)
from rallymill.errors import InputError
from rallymill.intervals import above
from rallymill.stages.shots_strokes import known
from rallymill.tactics_motion import PlayerTrack, Stance

OTHER = {"near": "far", "far": "near"}
UNNAMED = {"near": "A", "far": "B"}
CHANGE_SLACK_S = 0.5
"""A change of players holds for strokes that much earlier, lest a new reading part a point."""
VELOCITY_SD_MPS = 0.3
"""Deviation of a smoothed player velocity; the tracks table does not carry it."""
HEIGHT_SD_M = 0.02
BESIDE_M = 0.25
"""Nearer the middle of the box than this a contact is hardly to either side."""
SWING_M, SWING_MPS, SWING_SHARE = 0.08, 0.35, 0.08
"""What a stroke does to the middle of the hitter's box, which holds the racket and the arm: at the
contact it is so far on the racket's side of the body, and goes back so fast, faster by a share of
the speed of a run to that side (both sides and ends alike on films for validation)."""
TRACK_COLUMNS = (
    "t_s", "x_m", "y_m", "vx_mps", "vy_mps", "x_m_sd", "y_m_sd", "z_m", "z_m_sd",
    "v_px", "y1_px",
)
PLAYERS_COLUMNS = ("role", *TRACK_COLUMNS, "observed")
"""What :func:`player_tracks` looks at in the tracks table."""


def player_of(side: str, t_s: float, sheet: Mapping[str, Any]) -> str:
    """Code of the player on a side at a time: from the match sheet, otherwise A (near) or B (far).

    The sheet names the sides at the start of the recording. Where a person said who stands where
    from some time on, ``changes`` holds it: a list in order of time of ``from_s`` and the codes by
    side. Changes of ends are not read without that.
    """
    for change in reversed(sheet.get("changes") or ()):
        if change["from_s"] <= t_s + CHANGE_SLACK_S:
            return str(change[side])
    return str(_entry(side, sheet).get("code") or UNNAMED[side])


def hand_of(side: str, sheet: Mapping[str, Any], t_s: float = 0.0) -> float | None:
    """Probability that a side's player is right-handed by the match sheet, None if it is silent.

    Raises
    ------
    InputError
        The sheet gives a hand that is neither ``right`` nor ``left``.
    """
    code = player_of(side, t_s, sheet)
    for start_side in OTHER:
        if (_entry(start_side, sheet).get("code") or UNNAMED[start_side]) != code:
            continue
        hand = _entry(start_side, sheet).get("hand")
        if hand is None:
            return None
        if hand not in ("right", "left"):
            raise InputError(
                f"match sheet: players.{start_side}.hand is {hand!r}",
                "write right or left, or leave it out",
            )
        return 1.0 if hand == "right" else 0.0
    return None


def _entry(side: str, sheet: Mapping[str, Any]) -> Mapping[str, Any]:
    players = sheet.get("players") or {}
    entry = players.get(side) or {}
    return entry if isinstance(entry, Mapping) else {}


def hand_from_serves(offsets_m: Sequence[float]) -> float | None:
    """Probability of a right-hander from serves: contact to the player's right of the feet, metres.

    The racket meets a serve on the hitting arm's side of the body (common practice, no source).
    Single offsets scatter by 0.3 m, so three serves at least are asked for.
    """
    offsets = np.asarray([value for value in offsets_m if value == value], dtype=float)
    if len(offsets) < 3:
        return None
    probability = above(float(np.median(offsets)), 0.0, 0.3 / np.sqrt(len(offsets)) * 1.25)
    return probability if max(probability, 1 - probability) > 0.9 else None


def player_tracks(tracks: pa.Table) -> dict[str, PlayerTrack]:
    """Tracks of the near and far player."""
    found = {}
    needed = tracks.select([*TRACK_COLUMNS, "observed"])
    for side in ("near", "far"):
        rows = needed.filter(pc.equal(tracks.column("role"), side))
        found[side] = PlayerTrack.of_columns({
            name: rows.column(name).to_numpy(zero_copy_only=False) for name in needed.column_names
        })
    return found


def without_swing(hitter: Stance | None, contact_x_m: float) -> Stance | None:
    """A hitter's stance at the contact without what the swing does to the box.

    ``contact_x_m`` tells the side of the racket; what was not read from a box stays as it is.
    """
    if hitter is None or not hitter.from_box or contact_x_m != contact_x_m:
        return hitter
    side = float(np.clip((contact_x_m - hitter.x_m) / BESIDE_M, -1.0, 1.0))
    back_mps = SWING_MPS + SWING_SHARE * max(side * known(hitter.vx_mps, 0.0), 0.0)
    return replace(
        hitter, x_m=hitter.x_m - side * SWING_M, vx_mps=hitter.vx_mps + side * back_mps)


def movement(stance: Stance | None) -> tuple[str, float | None]:
    """What a player does (:func:`rallymill.court_directions.movement_state`) and its probability.
    """
    if stance is None:
        return "unknown", None
    speed = float(np.hypot(stance.vx_mps, stance.vy_mps))
    if speed != speed:
        return "unknown", None
    height = stance.z_m if stance.z_m == stance.z_m else 0.0
    label = movement_state(speed, height)
    if label == "airborne":
        return label, above(height, AIRBORNE_FROM_M, HEIGHT_SD_M)
    moves = above(speed, SET_BELOW_MPS, VELOCITY_SD_MPS)
    runs = above(speed, RUN_FROM_MPS, VELOCITY_SD_MPS)
    return label, {"set": 1 - moves, "on_the_run": runs, "recovering": moves - runs}[label]


def place_after(
    hitter: Stance | None, reply_xy_m: tuple[float, float], reply_sd_m: tuple[float, float]
) -> dict[str, float]:
    """Recovery columns: the bisecting place at the hitter's depth and the distance from it.

    ``hitter`` is the hitter's stance when the opponent meets the ball at ``reply_xy_m``.
    """
    if hitter is None or not np.isfinite(reply_xy_m).all():
        return {}
    x, y = reply_xy_m
    place = tactics.recovery_place_m(x, y, hitter.y_m)
    deviation = tactics.recovery_place_sd_m(
        x, y, hitter.y_m, known(reply_sd_m[0], 0.2), known(reply_sd_m[1], 0.2),
        known(hitter.y_m_sd, 0.2),
    )
    return {
        "recovery_x_m": place,
        "recovery_x_m_sd": deviation,
        "recovery_error_m": hitter.x_m - place,
        "recovery_error_m_sd": float(np.hypot(deviation, known(hitter.x_m_sd, 0.2))),
    }
