"""Every table's schema, version and column documentation, in one place.

A table is described once by a :class:`TableSpec`; the Arrow schema (with unit and meaning in each
field's metadata), the validator and the empty table all come from it. Reading and writing files is
in :mod:`rallymill.tableio`.

Conventions: ``t_s`` is the video's own presentation time; ``frame`` counts decoded frames of the
video from 0; image points are pixels of the stored frame with the centre of the top-left pixel at
(0, 0); ground positions are metres in the court frame (origin under the middle of the net, x to the
right in the picture, y away from the camera, z up). A null means *not measured*.
"""

from __future__ import annotations

import pyarrow as pa

from rallymill import tables_alternatives
from rallymill.tables_columns import BOOL as BOOL
from rallymill.tables_columns import F32 as F32
from rallymill.tables_columns import F64 as F64
from rallymill.tables_columns import I32 as I32
from rallymill.tables_columns import I64 as I64
from rallymill.tables_columns import SCHEMA_VERSION as SCHEMA_VERSION
from rallymill.tables_columns import TEXT as TEXT
from rallymill.tables_columns import Column as Column
from rallymill.tables_columns import TableSpec as TableSpec
from rallymill.tables_columns import column as _c
from rallymill.tables_columns import confidence as _confidence
from rallymill.tables_columns import key_column as _key
from rallymill.tables_columns import measured as _measured

MATCH_ID = _key("match_id", TEXT, "identifier of the match: file stem and content hash")
FRAME = _key("frame", I64, "number of the decoded frame in the video, from 0")
T_S = _key("t_s", F64, "presentation time of the frame", "s")

SIDES = ("near", "far")
ROLES = ("near", "far", "ball", "other")
VIEW_LABELS = ("main", "other", "replay", "graphic", "unreadable")
COURT_STATUS = ("found", "tracked", "lost")
EVENT_KINDS = ("hit", "bounce", "net", "out_of_play")
ARC_ENDS = ("hit", "bounce", "net", "out_of_play", "lost")
STROKES = (
    "serve", "return", "groundstroke", "volley", "overhead", "drop_shot", "lob", "approach",
    "unknown",
)
WINGS = ("forehand", "backhand", "unknown")
DIRECTIONS = (
    "cross_court", "down_the_line", "middle", "inside_out", "inside_in", "wide", "body", "t",
    "unknown",
)
DEPTHS = ("short", "middle", "deep", "unknown")
MOVEMENT = ("set", "recovering", "on_the_run", "airborne", "unknown")
ENDINGS = (
    "winner", "forced_error", "unforced_error", "error_net", "error_long", "error_wide",
    "double_fault", "ace", "fault", "let", "unknown",
)
CORRECTED = ("shot", "point", "players", "court")
CORRECTING = ("change", "add", "remove", "right")
CORRECTION_STATUS = ("stands", "agrees", "replaced", "unfit")
FLAG_KINDS = ("fault", "credit", "note")
OUTCOMES = (*FLAG_KINDS, "clear", "not_measurable")

VIEWS = TableSpec(
    "views",
    "a span of frames between two cuts",
    (
        MATCH_ID,
        _key("view_id", I32, "number of the span in the video, from 0"),
        _key("first_frame", I64, "first frame of the span"),
        _key("last_frame", I64, "last frame of the span, included"),
        _key("start_s", F64, "presentation time of the first frame", "s"),
        _key("end_s", F64, "presentation time at which the span ends", "s"),
        _c("label", TEXT, "what the span shows", nullable=False, values=VIEW_LABELS),
        _confidence("confidence", "the label"),
        _c("reason", TEXT, "what the label rests on"),
    ),
    key=("match_id", "view_id"),
    sort=("view_id",),
)

FRAMES = TableSpec(
    "frames",
    "a decoded frame in a main-camera span",
    (
        MATCH_ID,
        FRAME,
        T_S,
        _key("view_id", I32, "span of the frame"),
        _c("camera", pa.list_(F64, 12),
           "3x4 projection matrix, row by row: metres in the court frame to pixels; "
           "null while the court is lost"),
        _c("k1", F64, "first radial distortion coefficient on normalised coordinates"),
        _c("focal_px", F64, "focal length", "px", low=0.0),
        _c("court_rms_px", F64, "root mean square distance of lines from the model", "px", low=0.0),
        _c("court_status", TEXT, "how the court was found", nullable=False, values=COURT_STATUS),
        _c("position_sd_m", F64, "standard deviation of a ground point at the far baseline", "m",
           low=0.0),
        _c("width_px", I32, "width of the frame", "px"),
        _c("height_px", I32, "height of the frame", "px"),
        _c("camera_covariance", pa.list_(F32, 36), "upper triangle by rows: log focal_px, turn "
           "about the camera's axes (rad), centre (m), k1"),
    ),
    key=("match_id", "frame"),
    sort=("frame",),
)

DETECTIONS = TableSpec(
    "detections",
    "a box found by the detector in a frame",
    (
        MATCH_ID,
        FRAME,
        T_S,
        _c("label", TEXT, "what the box holds", nullable=False, values=("player", "ball")),
        _c("x1_px", F32, "left edge", "px"),
        _c("y1_px", F32, "top edge", "px"),
        _c("x2_px", F32, "right edge", "px"),
        _c("y2_px", F32, "bottom edge", "px"),
        _confidence("confidence", "the box"),
        _c("airborne", F64, "how likely the person's feet are off the ground; null "
           "where nobody looked", low=0.0, high=1.0),
    ),
    key=(),
    sort=("frame", "label"),
)

_TRACK_COLUMNS = (
    MATCH_ID,
    FRAME,
    T_S,
    _key("track_id", I32, "track of the object within the match"),
    _c("role", TEXT, "who or what it is", nullable=False, values=ROLES),
    _c("u_px", F64, "image point, across: feet of a person, centre of the ball", "px"),
    _c("v_px", F64, "image point, down: feet of a person, centre of the ball", "px"),
    _c("x1_px", F32, "left edge of the box", "px"),
    _c("y1_px", F32, "top edge of the box", "px"),
    _c("x2_px", F32, "right edge of the box", "px"),
    _c("y2_px", F32, "bottom edge of the box", "px"),
    *_measured("x_m", "position across the court", "m"),
    *_measured("y_m", "position along the court", "m"),
    *_measured("z_m", "height above the ground", "m"),
    _c("vx_mps", F64, "velocity across the court", "m/s"),
    _c("vy_mps", F64, "velocity along the court", "m/s"),
    _c("vz_mps", F64, "velocity upwards", "m/s"),
    _c("observed", BOOL, "true where a detection supports the row, false where it is bridged",
       nullable=False),
    _c("visible", BOOL, "truth tables only: whether any of the object can be seen"),
    _confidence("confidence", "the row"),
)
PEOPLE = TableSpec(
    "people", "a person in a frame", _TRACK_COLUMNS, ("match_id", "frame", "track_id"),
    ("frame", "track_id"),
)
TRACKS = TableSpec(
    "tracks", "a player, other person or ball in a frame", _TRACK_COLUMNS,
    ("match_id", "frame", "track_id"), ("frame", "track_id"),
)

ARCS = TableSpec(
    "arcs",
    "a stretch of free flight of the ball between two contacts",
    (
        MATCH_ID,
        _key("rally_id", I32, "group of arcs that follow each other without a gap in play"),
        _key("arc_id", I32, "number of the arc in the match, in time order"),
        _key("start_s", F64, "time at which the flight starts", "s"),
        _key("end_s", F64, "time at which the flight ends", "s"),
        _c("start_s_sd", F64, "standard deviation of start_s", "s", low=0.0),
        _c("end_s_sd", F64, "standard deviation of end_s", "s", low=0.0),
        _c("start_kind", TEXT, "contact at the start", nullable=False, values=ARC_ENDS),
        _c("end_kind", TEXT, "contact at the end", nullable=False, values=ARC_ENDS),
        _c("start_side", TEXT, "half of the court in which the flight starts", values=SIDES),
        *_measured("x_m", "start of the flight, across the court", "m"),
        *_measured("y_m", "start of the flight, along the court", "m"),
        *_measured("z_m", "start of the flight, height", "m"),
        *_measured("vx_mps", "velocity at the start, across", "m/s"),
        *_measured("vy_mps", "velocity at the start, along", "m/s"),
        *_measured("vz_mps", "velocity at the start, upwards", "m/s"),
        *_measured("topspin_radps", "spin about the horizontal axis across the flight, topspin "
                   "positive", "rad/s"),
        *_measured("sidespin_radps", "spin about the vertical axis, counter-clockwise from above "
                   "positive", "rad/s"),
        _c("end_x_m", F64, "end of the flight, across the court", "m"),
        _c("end_y_m", F64, "end of the flight, along the court", "m"),
        _c("end_z_m", F64, "end of the flight, height", "m"),
        _c("end_x_m_sd", F64, "standard deviation of end_x_m", "m", low=0.0),
        _c("end_y_m_sd", F64, "standard deviation of end_y_m", "m", low=0.0),
        _c("end_z_m_sd", F64, "standard deviation of end_z_m", "m", low=0.0),
        _c("rms_px", F64, "root mean square distance of ball points from the fitted flight", "px",
           low=0.0),
        _c("n_points", I32, "ball points that the flight rests on"),
        _confidence("confidence", "the arc"),
    ),
    key=("match_id", "arc_id"),
    sort=("arc_id",),
)

EVENTS = TableSpec(
    "events",
    "a contact of the ball",
    (
        MATCH_ID,
        _key("event_id", I32, "number of the event in the match, in time order"),
        _key("rally_id", I32, "rally of the event"),
        T_S,
        _c("kind", TEXT, "what the ball met", nullable=False, values=EVENT_KINDS),
        _c("side", TEXT, "half of the court; for a hit, the side of the hitter", values=SIDES),
        *_measured("x_m", "position across the court", "m"),
        *_measured("y_m", "position along the court", "m"),
        *_measured("z_m", "height above the ground", "m"),
        _c("t_s_sd", F64, "standard deviation of t_s", "s", low=0.0),
        _c("arc_before", I32, "arc that ends here"),
        _c("arc_after", I32, "arc that starts here"),
        _confidence("confidence", "the event"),
    ),
    key=("match_id", "event_id"),
    sort=("event_id",),
)

SHOTS = TableSpec(
    "shots",
    "one stroke",
    (
        MATCH_ID,
        _key("point_id", I32, "point of the stroke"),
        _key("shot_id", I32, "number of the stroke in the match"),
        _key("shot_number", I32, "number of the stroke in the rally, the serve is 1"),
        _key("t_contact_s", F64, "time of contact", "s"),
        _c("t_contact_s_sd", F64, "standard deviation of t_contact_s", "s", low=0.0),
        _c("hitter", TEXT, "side of the hitter", nullable=False, values=SIDES),
        _c("player", TEXT, "player: a name code from the match sheet, otherwise A or B"),
        _c("opponent", TEXT, "the other player"),
        _c("stroke", TEXT, "kind of stroke", nullable=False, values=STROKES),
        _confidence("stroke_confidence", "stroke"),
        _c("wing", TEXT, "side of the body", nullable=False, values=WINGS),
        _confidence("wing_confidence", "wing"),
        *_measured("contact_x_m", "contact, across the court", "m"),
        *_measured("contact_y_m", "contact, along the court", "m"),
        *_measured("contact_z_m", "contact, height", "m"),
        *_measured("hitter_x_m", "hitter's feet at contact, across", "m"),
        *_measured("hitter_y_m", "hitter's feet at contact, along", "m"),
        _c("hitter_vx_mps", F64, "hitter's velocity at contact, across", "m/s"),
        _c("hitter_vy_mps", F64, "hitter's velocity at contact, along", "m/s"),
        *_measured("opponent_x_m", "opponent's feet at contact, across", "m"),
        *_measured("opponent_y_m", "opponent's feet at contact, along", "m"),
        _c("opponent_vx_mps", F64, "opponent's velocity at contact, across", "m/s"),
        _c("opponent_vy_mps", F64, "opponent's velocity at contact, along", "m/s"),
        _c("opponent_state", TEXT, "what the opponent does at contact", values=MOVEMENT),
        _confidence("opponent_state_confidence", "opponent_state"),
        _c("hitter_state", TEXT, "what the hitter does at contact", values=MOVEMENT),
        _c("direction", TEXT, "where the ball is sent", nullable=False, values=DIRECTIONS),
        _confidence("direction_confidence", "direction"),
        *_measured("bounce_x_m", "first bounce after the stroke, across", "m"),
        *_measured("bounce_y_m", "first bounce after the stroke, along", "m"),
        _c("t_bounce_s", F64, "time of the first bounce after the stroke", "s"),
        _c("depth", TEXT, "depth of the first bounce", nullable=False, values=DEPTHS),
        _c("in_court", BOOL, "whether the first bounce was in; null where not measured"),
        _confidence("in_court_confidence", "in_court"),
        *_measured("speed_mps", "speed of the ball just after contact", "m/s"),
        *_measured("net_clearance_m", "height of the ball's lowest point above the net", "m"),
        *_measured("topspin_radps", "topspin just after contact", "rad/s"),
        _c("flight_time_s", F64, "from contact to first bounce or next contact", "s", low=0.0),
        _c("incoming_depth", TEXT, "depth of the ball that was met", values=DEPTHS),
        _c("incoming_speed_mps", F64, "speed of the incoming ball just before contact", "m/s"),
        _c("incoming_bounce_x_m", F64, "bounce of the incoming ball, across", "m"),
        _c("incoming_bounce_y_m", F64, "bounce of the incoming ball, along", "m"),
        _c("time_to_prepare_s", F64, "from the opponent's contact to this one", "s", low=0.0),
        *_measured("recovery_x_m", "place that bisects the opponent's possible replies to this "
                   "stroke, across", "m"),
        *_measured("recovery_error_m", "hitter's distance across from that place when the opponent "
                   "makes contact; positive: too far to the hitter's right in the picture", "m"),
        _c("open_court_share", F64, "share of the opponent's court that the opponent could not "
           "reach in time", "", low=0.0, high=1.0),
        _c("ended_point", BOOL, "whether it was the last stroke of the point", nullable=False),
        _confidence("confidence", "the row"),
    ),
    key=("match_id", "shot_id"),
    sort=("shot_id",),
)

POINTS = TableSpec(
    "points",
    "a rally",
    (
        MATCH_ID,
        _key("point_id", I32, "number of the point in the match"),
        _key("start_s", F64, "time of the first contact", "s"),
        _key("end_s", F64, "time at which the ball is dead", "s"),
        _c("server", TEXT, "side of the server", values=SIDES),
        _c("server_player", TEXT, "player who serves"),
        _c("serve_number", I32, "1 or 2; null where not known"),
        _c("serve_side", TEXT, "half from which it is served", values=("deuce", "ad")),
        _c("n_shots", I32, "strokes in the point", nullable=False),
        _c("ended_by", TEXT, "how the point ended", nullable=False, values=ENDINGS),
        _confidence("ended_by_confidence", "ended_by"),
        _c("won_by", TEXT, "side that won the point", values=SIDES),
        _c("won_by_player", TEXT, "player who won the point"),
        _c("score", TEXT, "score before the point, where the match sheet gives the start"),
        _confidence("confidence", "the row"),
    ),
    key=("match_id", "point_id"),
    sort=("point_id",),
)

MACHINE_SHOTS = TableSpec(
    "machine_shots", "one stroke, before anybody corrected it", SHOTS.columns, SHOTS.key, SHOTS.sort
)
MACHINE_POINTS = TableSpec(
    "machine_points", "a rally, before anybody corrected it", POINTS.columns, POINTS.key,
    POINTS.sort,
)

CORRECTIONS = TableSpec(
    "corrections",
    "a cell that a person corrected, or a row that a person added, removed or found right",
    (
        MATCH_ID,
        _key("correction_id", I32, "number of the correction in the match"),
        _key("application_number", I32, "numbered file that it was applied with"),
        _key("file_row_number", I32, "row of the file that it was given in"),
        _c("what", TEXT, "what it is about", nullable=False, values=CORRECTED),
        _c("action", TEXT, "what was asked for", nullable=False, values=CORRECTING),
        _key("t_s", F64, "time of the stroke, within the point, or from which it holds", "s"),
        _c("side", TEXT, "side of the hitter", values=SIDES),
        _c("cell", TEXT, "column that was corrected"),
        _c("value", TEXT, "what it should say; null: nothing, not measured"),
        _c("machine_value", TEXT, "what the machine says there now"),
        _c("status", TEXT, "stands: it changed something; agrees: the machine says so itself; "
           "replaced: a later correction says otherwise; unfit: it does not fit any more",
           nullable=False, values=CORRECTION_STATUS),
        _c("reason", TEXT, "why it does not fit"),
        _c("shot_id", I32, "stroke in the table shots that it bears upon"),
        _c("point_id", I32, "point in the table points that it bears upon"),
    ),
    key=("match_id", "correction_id"),
    sort=("correction_id",),
)

EVIDENCE = pa.list_(
    pa.struct([pa.field("name", TEXT), pa.field("value", F64), pa.field("unit", TEXT)])
)
FLAGS = TableSpec(
    "flags",
    "a rule's finding",
    (
        MATCH_ID,
        _key("flag_id", I32, "number of the flag in the match"),
        _key("rule", TEXT, "rule that found it"),
        _c("kind", TEXT, "fault, credit or note", nullable=False, values=FLAG_KINDS),
        _c("severity", F64, "how much it matters", nullable=False, low=0.0, high=1.0),
        _c("confidence", F64, "confidence that the finding is right", nullable=False, low=0.0,
           high=1.0),
        _key("point_id", I32, "point of the finding"),
        _key("shot_id", I32, "stroke of the finding"),
        _c("side", TEXT, "side of the player concerned", values=SIDES),
        _c("player", TEXT, "player concerned"),
        _c("evidence", EVIDENCE, "named numbers with units that the finding rests on"),
        _c("sentence", TEXT, "the finding in plain words", nullable=False),
        _key("clip_start_s", F64, "start of the seconds to look at", "s"),
        _key("clip_end_s", F64, "end of the seconds to look at", "s"),
    ),
    key=("match_id", "flag_id"),
    sort=("flag_id",),
)

OPPORTUNITIES = TableSpec(
    "opportunities",
    "a stroke at which a rule's question arose for a player",
    (
        MATCH_ID,
        _key("opportunity_id", I32, "number of the opportunity in the match"),
        _key("rule", TEXT, "rule whose question arose"),
        _key("point_id", I32, "point of the stroke"),
        _key("shot_id", I32, "stroke at which it arose"),
        _c("side", TEXT, "side of the player concerned", nullable=False, values=SIDES),
        _key("player", TEXT, "player concerned"),
        _c("outcome", TEXT, "kind of the flag that was raised, clear where there was nothing to "
           "say, not_measurable where the rule could not tell", nullable=False, values=OUTCOMES),
        _c("reason", TEXT, "why the rule could not tell"),
        _confidence("confidence", "outcome"),
    ),
    key=("match_id", "opportunity_id"),
    sort=("opportunity_id",),
)

ALTERNATIVES = tables_alternatives.specification(MATCH_ID, DIRECTIONS, DEPTHS)

MATCHES = TableSpec(
    "matches",
    "a recording",
    (
        MATCH_ID,
        _key("file", TEXT, "file name of the recording, relative to the folder given"),
        _c("content_hash", TEXT, "SHA-256 of the file's content"),
        _c("status", TEXT, "read, partly_read or not_read", nullable=False,
           values=("read", "partly_read", "not_read")),
        _c("reason", TEXT, "why it was not or only partly read"),
        _c("remedy", TEXT, "what to do about it"),
        _c("duration_s", F64, "length of the recording", "s", low=0.0),
        _c("in_view_s", F64, "time in which the main camera shows the court", "s", low=0.0),
        _c("in_play_s", F64, "time from first contact to dead ball, over all points", "s", low=0.0),
        _c("coverage", F64, "share of main-camera frames in which the court was found", "",
           low=0.0, high=1.0),
        _c("ball_coverage", F64, "share of in-play frames in which the ball was observed", "",
           low=0.0, high=1.0),
        _c("n_points", I32, "points found"),
        _c("n_shots", I32, "strokes found"),
        _c("n_flags", I32, "flags raised"),
        _c("player_near", TEXT, "player on the near side at the start"),
        _c("player_far", TEXT, "player on the far side at the start"),
        _c("date", TEXT, "date of play, ISO 8601"),
        _c("surface", TEXT, "surface of the court"),
        _c("event", TEXT, "event"),
        _c("software_version", TEXT, "version of rallymill"),
        _c("model", TEXT, "weights that were used"),
    ),
    key=("match_id",),
    sort=("file",),
)

ALL: dict[str, TableSpec] = {
    spec.name: spec
    for spec in (
        VIEWS, FRAMES, DETECTIONS, PEOPLE, ARCS, TRACKS, EVENTS, SHOTS, POINTS, FLAGS,
        OPPORTUNITIES, MACHINE_SHOTS, MACHINE_POINTS, CORRECTIONS, ALTERNATIVES, MATCHES,
    )
}
