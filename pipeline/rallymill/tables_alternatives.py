"""The table of alternatives: what else might have been done with a flagged stroke."""

from __future__ import annotations

from rallymill.tables_columns import BOOL, F64, I32, TEXT, Column, TableSpec
from rallymill.tables_columns import column as _c
from rallymill.tables_columns import confidence as _confidence
from rallymill.tables_columns import key_column as _key
from rallymill.tables_columns import measured as _measured

TOWARD = ("open_side", "narrow_side", "behind", "at_opponent", "unknown")
ROOM = ("open", "narrow", "closed", "unknown")


def _share(name: str, doc: str) -> Column:
    return _c(name, F64, doc, low=0.0, high=1.0)


def specification(
    match_id: Column, directions: tuple[str, ...], depths: tuple[str, ...]
) -> TableSpec:
    """Table with a row a flagged stroke and target; words for directions and depths are given.

    Its standard deviations are half the distance between the 16 and 84 % points of the draws, so
    they hold the player's scatter and the uncertainty of the measurement.
    """
    return TableSpec(
        "alternatives",
        "a target that a flagged stroke had or might have had",
        (
            match_id,
            _key("alternative_id", I32, "number of the alternative in the match"),
            _key("point_id", I32, "point of the stroke"),
            _key("shot_id", I32, "stroke, flagged for its hitter"),
            _key("target", TEXT, "name of the target; played: where the stroke came down, as if "
                 "that had been aimed at"),
            _c("player", TEXT, "hitter of the stroke"),
            _c("played", BOOL, "whether it is the target that the stroke had", nullable=False),
            _c("direction", TEXT, "direction of the target", nullable=False, values=directions),
            _c("depth", TEXT, "depth of the target", nullable=False, values=depths),
            _c("toward", TEXT, "where the target lies from the opponent at contact: within 1 m; "
               "behind a running one; else on the wider or the narrower side of the court",
               nullable=False, values=TOWARD),
            _c("target_x_m", F64, "target, across the court", "m"),
            _c("target_y_m", F64, "target, along the court", "m"),
            _c("room", TEXT, "what there was room for: open where 7 of 10 or more go in, closed "
               "where fewer than 4 of 10 do", nullable=False, values=ROOM),
            _c("elevation_deg", F64, "elevation of the flight to the target", "deg"),
            _c("net_height_m", F64, "height of the net where the ball passes it", "m"),
            _share("clears_share", "share of the draws that pass over the net"),
            *_measured("clearance_m", "height of the ball's lowest point above the net there, "
                       "median of the draws", "m"),
            _share("in_share", "share of the draws that pass over the net and land in"),
            _c("flight_time_s", F64, "from contact to bounce, median of the draws", "s", low=0.0),
            *_measured("opponent_time_s", "from contact until the ball passes where the opponent "
                       "can best meet it, median of the draws that go in", "s"),
            *_measured("opponent_needs_s", "time that the opponent needs to get there", "s"),
            *_measured("opponent_late_s", "by how much the opponent comes too late; negative: time "
                       "to spare", "s"),
            _c("opponent_run_m", F64, "distance of that place from the opponent at contact", "m",
               low=0.0),
            _share("open_share", "share of the draws that go in where the opponent cannot get to "
                   "them in time"),
            _confidence("confidence", "the stroke that it is played from"),
            _c("reason", TEXT, "why nothing could be played; all numbers are null then"),
            _c("sentence", TEXT, "the alternative in plain words", nullable=False),
            _c("comparison", TEXT, "of the played target: which directions there was room for at "
               "that height and pace, and which were more out of the opponent's reach"),
            _c("assumptions", TEXT, "what the numbers rest on"),
        ),
        key=("match_id", "alternative_id"),
        sort=("alternative_id",),
    )
