"""Shots: one row a stroke, with where, what, how fast and who stood where.

Reads events, arcs, tracks and frames, and the match sheet for names and hands.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

import numpy as np
import pyarrow as pa

from rallymill import court, flight, tableio, tactics
from rallymill.stages.base import Columns, MatchContext, StageConfig
from rallymill.stages.shots_people import (
    OTHER,
    PLAYERS_COLUMNS,
    hand_from_serves,
    hand_of,
    movement,
    place_after,
    player_of,
    player_tracks,
    without_swing,
)
from rallymill.stages.shots_rally import Arc, Event, Rally, Stroke, rallies, read_arcs, read_events
from rallymill.stages.shots_strokes import (
    Landing,
    Setting,
    StrokeConfig,
    direction,
    in_probability,
    kind,
    known,
    landing,
    wing,
)
from rallymill.tables import MACHINE_SHOTS, SHOTS
from rallymill.tactics_motion import PlayerTrack, Stance

Row = dict[str, Any]

BY_HAND_SD_M = 0.1
"""Standard deviation of a place that a person gives; common practice, no source."""
UNSTARTED = 0.9
"""Factor for the confidence of strokes of a rally whose start was not seen: on films for validation
all 30 of them were right in time and side, and 28 in kind."""
NET_SD_M = 0.01
"""Deviation of the height of a net's top from the rules', and of what drag and lift leave open of a
flight between its ends; common practice, no source."""
PLACES = ("_x_m", "_y_m", "_z_m")
SHOT_NAMES = frozenset(SHOTS.names())


class ShotsConfig(StageConfig):
    """Options of the shots stage."""

    strokes: StrokeConfig = StrokeConfig()
    reaction_s: float = 0.2
    acceleration_mps2: float = 5.0
    top_speed_mps: float = 6.0
    reach_m: float = 1.0
    post_x_m: float = court.DOUBLES_POST_X_M
    longest_track_gap_s: float = 0.25

    def mover(self) -> tactics.Mover:
        """How the opponent is taken to move."""
        return tactics.Mover(
            self.reaction_s, self.acceleration_mps2, self.top_speed_mps, self.reach_m
        )


def _speed(arc: Arc | None) -> Row:
    if arc is None or not np.isfinite(arc.start).all():
        return {}
    velocity, deviation = np.array(arc.start[3:]), np.array(arc.start_sd[3:])
    speed = float(np.linalg.norm(velocity))
    found: Row = {"speed_mps": speed}
    if np.isfinite(deviation).all() and speed > 0:
        found["speed_mps_sd"] = float(np.linalg.norm(velocity * deviation) / speed)
    if arc.spin_known:
        found["topspin_radps"] = arc.spin_radps[0]
        found["topspin_radps_sd"] = arc.topspin_sd
    return found


def _net_clearance(arc: Arc | None, post_x_m: float) -> Row:
    """Height of the ball's lowest point over the net where the flight crosses it.

    The deviation is interpolated between those of the flight's two ends, on which the fit rests,
    and holds that of the net's own height.
    """
    if arc is None or not np.isfinite(arc.start).all():
        return {}
    duration = arc.end_s - arc.start_s
    times = np.linspace(0.0, duration, 60)
    states = flight.states(arc.start, arc.spin_radps, times)
    y = states[:, 1]
    crossing = np.flatnonzero(np.sign(y[:-1]) != np.sign(y[1:]))
    if not len(crossing):
        return {}
    k = int(crossing[0])
    share = y[k] / (y[k] - y[k + 1])
    x, z = (states[k] + share * (states[k + 1] - states[k]))[[0, 2]]
    top = float(court.net_height_m(x, post_x_m))
    part = (k + share) / (len(times) - 1)
    start_sd, end_sd = known(arc.start_sd[2], 0.1), known(arc.end_sd_m[2], 0.1)
    return {
        "net_clearance_m": float(z) - court.BALL_RADIUS_M - top,
        "net_clearance_m_sd": float(
            np.linalg.norm([(1 - part) * start_sd, part * end_sd, NET_SD_M])),
    }


def _stance_columns(prefix: str, stance: Stance | None) -> Row:
    if stance is None:
        return {}
    return {
        f"{prefix}_x_m": stance.x_m, f"{prefix}_x_m_sd": stance.x_m_sd,
        f"{prefix}_y_m": stance.y_m, f"{prefix}_y_m_sd": stance.y_m_sd,
        f"{prefix}_vx_mps": stance.vx_mps, f"{prefix}_vy_mps": stance.vy_mps,
    }


def _incoming(before: Stroke | None, before_row: Row | None, stroke: Stroke) -> Row:
    """Columns about the ball that was met; ``before`` is the opponent's stroke just before."""
    if before is None or before_row is None or before.number != stroke.number - 1:
        return {}
    found: Row = {"time_to_prepare_s": stroke.hit.t_s - before.hit.t_s}
    found["incoming_depth"] = before_row["depth"]
    bounce = before.bounce
    if bounce is not None:
        found["incoming_bounce_x_m"] = bounce.x_m
        found["incoming_bounce_y_m"] = bounce.y_m
    arc = stroke.before
    if arc is not None and np.isfinite(arc.start).all():
        state = flight.states(arc.start, arc.spin_radps, [max(arc.end_s - arc.start_s, 0.0)])[0]
        found["incoming_speed_mps"] = float(np.linalg.norm(state[3:]))
    return found


def _in_court(
    stroke: Stroke, place: Landing | None, box: str | None, config: StrokeConfig
) -> Row:
    """in_court and its confidence; null where no bounce was seen or it is too close to call."""
    if stroke.own_bounce is not None:
        return {"in_court": False, "in_court_confidence": stroke.own_bounce.confidence}
    if stroke.net is not None and stroke.bounce is None:
        return {"in_court": False, "in_court_confidence": 0.9 * stroke.net.confidence}
    bounce = stroke.bounce
    if bounce is None or place is None or not place.seen:
        return {}
    share = in_probability(place, stroke, box)
    likely = max(share, 1 - share)
    if likely < config.least_in_confidence:
        return {"in_court": None, "in_court_confidence": likely}
    return {"in_court": share >= 0.5, "in_court_confidence": likely * bounce.confidence}


def _open_court(
    stroke: Stroke, place: Landing | None, opponent: Stance | None, speed_mps: float,
    mover: tactics.Mover,
) -> float | None:
    """Share of the opponent's court out of reach at the mean ground speed of the flight."""
    if opponent is None or not np.isfinite([stroke.hit.x_m, stroke.hit.y_m]).all():
        return None
    if place is not None and place.t_s > stroke.hit.t_s:
        run = np.hypot(place.x_m - stroke.hit.x_m, place.y_m - stroke.hit.y_m)
        ground_speed = float(run / (place.t_s - stroke.hit.t_s))
    elif speed_mps == speed_mps:
        ground_speed = 0.85 * speed_mps
    else:
        return None
    return tactics.open_court_share(tactics.Threat(
        (stroke.hit.x_m, stroke.hit.y_m), ground_speed, (opponent.x_m, opponent.y_m),
        (opponent.vx_mps, opponent.vy_mps), known(stroke.hit.z_m, 1.0),
    ), mover)


class ShotsStage:
    """Events, arcs and tracks to shots."""

    name = "shots"
    version = 4
    reads = ("events", "arcs", "tracks", "frames")
    columns: ClassVar[Columns] = {"tracks": PLAYERS_COLUMNS, "frames": ()}
    writes = MACHINE_SHOTS
    needs_video = False
    config_class = ShotsConfig

    def model_files(self, config: ShotsConfig) -> tuple[str, ...]:
        """No weights."""
        return ()

    def run(
        self, match: MatchContext, inputs: Mapping[str, pa.Table], config: ShotsConfig
    ) -> pa.Table:
        """Table with one row for each stroke that was seen."""
        found = rallies(read_events(inputs["events"]), read_arcs(inputs["arcs"]))
        return shots_of(found, inputs["tracks"], match, config)


def shots_of(
    found: list[Rally], tracks: pa.Table, match: MatchContext, config: ShotsConfig
) -> pa.Table:
    """Table of the strokes of rallies, in order; what was stated of a hit goes before."""
    players = player_tracks(tracks)
    hands = _hands(found, players, match.sheet)
    rows: list[Row] = []
    for rally in found:
        rows += _rally_rows(rally, players, hands, match, config, len(rows))
    return tableio.from_rows(SHOTS, rows)


def _hands(
    found: list[Rally], tracks: Mapping[str, PlayerTrack], sheet: Mapping[str, Any]
) -> dict[str, float | None]:
    """Probability by player of a right-hander, by the sheet or else by the serves."""
    hands: dict[str, float | None] = {}
    offsets: dict[str, list[float]] = {}
    for rally in found:
        serve = rally.strokes[0]
        for side in OTHER:
            code = player_of(side, serve.hit.t_s, sheet)
            hands.setdefault(code, hand_of(side, sheet, serve.hit.t_s))
            stance = tracks[side].at(serve.hit.t_s)
            if rally.starts_with_serve and serve.hit.side == side and stance is not None:
                offsets.setdefault(code, []).append((serve.hit.x_m - stance.x_m) * serve.sign)
    return {
        code: hand_from_serves(offsets.get(code, [])) if hand is None else hand
        for code, hand in hands.items()
    }


def _rally_rows(
    rally: Rally, tracks: Mapping[str, PlayerTrack], hands: Mapping[str, float | None],
    match: MatchContext, config: ShotsConfig, first_id: int,
) -> list[Row]:
    rows: list[Row] = []
    for k, stroke in enumerate(rally.strokes):
        before = rally.strokes[k - 1] if k else None
        after = rally.strokes[k + 1] if k + 1 < len(rally.strokes) else None
        hand = hands.get(player_of(stroke.hit.side, stroke.hit.t_s, match.sheet))
        row = _row(rally, stroke, before, rows[-1] if rows else None, after, tracks, hand, config)
        row.update(
            match_id=match.match_id, shot_id=first_id + k, ended_point=after is None,
            player=player_of(stroke.hit.side, stroke.hit.t_s, match.sheet),
            opponent=player_of(OTHER[stroke.hit.side], stroke.hit.t_s, match.sheet),
        )
        rows.append(row)
    return rows


def _row(
    rally: Rally, stroke: Stroke, before: Stroke | None, before_row: Row | None,
    after: Stroke | None, tracks: Mapping[str, PlayerTrack],
    hand: float | None, config: ShotsConfig,
) -> Row:
    hit, side = stroke.hit, stroke.hit.side
    gap = config.longest_track_gap_s
    hitter = tracks[side].at(hit.t_s, gap)
    opponent = tracks[OTHER[side]].at(hit.t_s, gap)
    is_serve = stroke.number == 1 and rally.starts_with_serve
    if not is_serve:
        hitter = without_swing(hitter, hit.x_m)
    place = landing(stroke, config.strokes)
    speed = _speed(stroke.after)
    later_s = after.hit.t_s if after else min(
        max([hit.t_s, *(event.t_s for event in stroke.events)]), hit.t_s + 2.0)
    setting = Setting(
        is_serve,
        stroke.number == 2 and (rally.starts_with_serve or rally.starts_with_return),
        _bounced(before, stroke), opponent, place, speed.get("speed_mps", float("nan")),
        tracks[side].at(later_s, gap),
    )
    stroke_name, stroke_confidence = kind(stroke, setting, config.strokes)
    # A serve is struck on the side of the hitting arm.
    wing_name, wing_confidence = ("forehand", stroke_confidence) if is_serve else wing(
        stroke, hitter, hand, config.strokes)
    wing_name = hit.stated.get("wing", wing_name)
    following = _following(stroke, after)
    label, label_confidence = direction(
        stroke, place, is_serve, following, wing_name, hand, hitter)
    box = court.serve_side(hitter.x_m if hitter else known(hit.x_m, 0.0), hit.y_m)
    opponent_state, opponent_confidence = movement(opponent)
    bounce = stroke.bounce
    row: Row = {
        "point_id": rally.point_id, "shot_number": stroke.number,
        "t_contact_s": hit.t_s, "t_contact_s_sd": hit.t_s_sd, "hitter": side,
        "stroke": stroke_name, "stroke_confidence": stroke_confidence,
        "wing": wing_name, "wing_confidence": wing_confidence,
        "contact_x_m": hit.x_m, "contact_x_m_sd": hit.x_m_sd,
        "contact_y_m": hit.y_m, "contact_y_m_sd": hit.y_m_sd,
        "contact_z_m": hit.z_m, "contact_z_m_sd": hit.z_m_sd,
        "opponent_state": opponent_state, "opponent_state_confidence": opponent_confidence,
        "hitter_state": movement(hitter)[0],
        "direction": label, "direction_confidence": label_confidence,
        "depth": "unknown", 
        "flight_time_s": following.t_s - hit.t_s if following else None,
        "open_court_share": _open_court(
            stroke, place, opponent, setting.speed_mps, config.mover()),
        "confidence": hit.confidence * (
            1.0 if rally.starts_with_serve else UNSTARTED),
    }
    if bounce is not None:
        row |= {
            "bounce_x_m": bounce.x_m, "bounce_x_m_sd": bounce.x_m_sd, "bounce_y_m": bounce.y_m,
            "bounce_y_m_sd": bounce.y_m_sd, "t_bounce_s": bounce.t_s,
            "depth": court.depth_zone(bounce.y_m) if bounce.y_m == bounce.y_m else "unknown",
        }
    row |= _stance_columns("hitter", hitter) | _stance_columns("opponent", opponent)
    row |= speed | _net_clearance(stroke.after, config.post_x_m)
    row |= _incoming(before, before_row, stroke) | _in_court(
        stroke, place, box if is_serve else None, config.strokes)
    if after is not None and after.number == stroke.number + 1:
        row |= place_after(
            tracks[side].at(after.hit.t_s, gap), (after.hit.x_m, after.hit.y_m),
            (after.hit.x_m_sd, after.hit.y_m_sd),
        )
    return by_hand({name: None if _is_nan(value) else value for name, value in row.items()},
                   hit.stated)


def by_hand(row: Row, stated: Mapping[str, Any]) -> Row:
    """The row with what a person said: sure where it is a word, good to ``BY_HAND_SD_M`` a place.
    """
    for name, value in stated.items():
        row[name] = value
        if f"{name}_confidence" in SHOT_NAMES:
            row[f"{name}_confidence"] = None if value is None else 1.0
        if f"{name}_sd" in SHOT_NAMES:
            row[f"{name}_sd"] = BY_HAND_SD_M if value is not None and name[-4:] in PLACES else None
    return row


def _bounced(before: Stroke | None, stroke: Stroke) -> bool | None:
    """Whether the met ball had bounced, None where the stroke before was not seen."""
    if before is None or before.number != stroke.number - 1:
        return None
    return before.bounce is not None


def _following(stroke: Stroke, after: Stroke | None) -> Event | None:
    """The ball's first contact after the stroke, with whatever it was."""
    if stroke.events:
        return stroke.events[0]
    return after.hit if after else None


def _is_nan(value: object) -> bool:
    return isinstance(value, float) and value != value


STAGE = ShotsStage()
