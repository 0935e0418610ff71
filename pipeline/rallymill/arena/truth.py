"""Truth tables of a simulated stretch of play, in the world's own clock.

**Rallies and points.** Every serve attempt is a rally of its own and a row of ``points`` with its
own ``point_id`` (which is also the ``rally_id`` of its arcs and events), from 0 in time order. A
first serve that is a fault ends its row with ``fault`` and nobody wins it; the next row has
``serve_number`` 2. ``n_shots`` counts every stroke, the serve and the missed last one included.

**Endings.** Let the last stroke be the last contact of the racket with the ball.

* ``fault`` / ``double_fault``: the last stroke is a first / second serve that did not land in its
  box, whether in the net, long or wide.
* ``error_net``: the last stroke did not pass the net (it met the net, or came down in the hitter's
  half).
* ``error_long``: it passed the net and first landed beyond the opponent's baseline, whether or not
  beyond a sideline too.
* ``error_wide``: it passed the net and first landed beyond a sideline only.
* ``ace``: the last stroke is a good serve that nobody touched.
* ``winner``: the last stroke is any other good ball that nobody touched.
* ``let``: the last stroke is a serve that touched the net and landed in its box; the same serve is
  served again and nobody wins the row.

``forced_error`` and ``unforced_error`` are not used here, they are judgements. A return that misses
ends the point with its own error, not with an ace.

**Dead ball.** A point ends (``end_s``) when the ball meets the net after the erring stroke, lands
out, or bounces a second time; after a let serve when it bounces.

**Events and arcs.** ``events`` hold every contact from the serve to the first contact after the
ball is dead; ``arcs`` lie between neighbouring events. The kind of a contact with a fence is
``out_of_play``. ``start_side`` and ``side`` are the half of the court of the place.

**Shots.** ``bounce_*`` is the first contact with the ground after the stroke in the opponent's half
or beyond (null for a ball into the net and for a volleyed one). ``direction`` follows
:mod:`rallymill.court_directions` with the bounce or else the straight line. ``flight_time_s`` runs
to the first contact of the ball, a net cord included. ``player`` names come from the profiles.
``recovery_*`` and ``open_court_share`` are those of :mod:`rallymill.tactics` at the true places.
Standard deviations are null: truth has none. ``score`` counts from 0-0 at the world's start.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from rallymill import court, flight, tables, tactics
from rallymill.arena.player_profile import PlayerProfile
from rallymill.arena.rally_aim import clearance_m
from rallymill.arena.rally_ball import Arc, first_landing
from rallymill.arena.rally_record import OTHER_SIDE, Hit, RallyRecord, sign_of
from rallymill.court_directions import (
    line_end_x_m,
    movement_state,
    opponent_baseline_y_m,
    serve_direction,
    stroke_direction,
)
from rallymill.stages.points_score import Score
from rallymill.tableio import from_rows

Array = NDArray[np.float64]
Place = Callable[[str, float], tuple[Array, Array, float]]
"""Position (2,), velocity (2,) and height of the feet of the player of a side at a time."""
Row = dict[str, Any]

MATCH_ID = "world"


def recorded_arcs(rally: RallyRecord) -> list[Arc]:
    """Arcs up to the first contact after the ball is dead."""
    live = sum(arc.live for arc in rally.arcs)
    return rally.arcs[: live + 1]


def _arc_row(arc: Arc, arc_id: int, rally_id: int) -> Row:
    end = arc.end()
    x, y, z, vx, vy, vz = (float(value) for value in arc.state)
    return {
        "match_id": MATCH_ID,
        "rally_id": rally_id,
        "arc_id": arc_id,
        "start_s": arc.start_s,
        "end_s": arc.end_s,
        "start_kind": arc.start_kind,
        "end_kind": "lost" if arc.end_kind == "rest" else arc.end_kind,
        "start_side": court.side_of(y),
        "x_m": x,
        "y_m": y,
        "z_m": z,
        "vx_mps": vx,
        "vy_mps": vy,
        "vz_mps": vz,
        "topspin_radps": float(arc.spin[0]),
        "sidespin_radps": float(arc.spin[1]),
        "end_x_m": float(end[0]),
        "end_y_m": float(end[1]),
        "end_z_m": float(end[2]),
        "confidence": 1.0,
    }


def _event_row(
    t_s: float,
    kind: str,
    place: Array,
    side: str,
    rally_id: int,
    before: int | None,
    after: int | None,
) -> Row:
    return {
        "match_id": MATCH_ID,
        "rally_id": rally_id,
        "t_s": t_s,
        "kind": kind,
        "side": side,
        "x_m": float(place[0]),
        "y_m": float(place[1]),
        "z_m": float(place[2]),
        "arc_before": before,
        "arc_after": after,
        "confidence": 1.0,
    }


def _rally_events(rally: RallyRecord, rally_id: int, first_arc: int) -> tuple[list[Row], list[Row]]:
    """Arc rows and event rows of a rally."""
    arcs = recorded_arcs(rally)
    arc_rows = [_arc_row(arc, first_arc + i, rally_id) for i, arc in enumerate(arcs)]
    events = [
        _event_row(
            arcs[0].start_s, "hit", arcs[0].state, rally.hits[0].side, rally_id, None, first_arc
        )
    ]
    for i, arc in enumerate(arcs):
        if arc.end_kind == "rest":
            continue
        place = arc.end()
        after = first_arc + i + 1 if i + 1 < len(arcs) else None
        # The ball at the net is counted to the half that it came from.
        side = court.side_of(arc.state[1] if arc.end_kind == "net" else float(place[1]))
        events.append(
            _event_row(arc.end_s, arc.end_kind, place, side, rally_id, first_arc + i, after)
        )
    return arc_rows, events


def _stroke_arcs(rally: RallyRecord) -> list[list[Arc]]:
    """Recorded arcs of each stroke: from its contact to the next one's."""
    groups: list[list[Arc]] = []
    for arc in recorded_arcs(rally):
        if arc.start_kind == "hit":
            groups.append([])
        groups[-1].append(arc)
    return groups


def _first_bounce(arcs: list[Arc], hit: Hit) -> Arc | None:
    """Arc that ends in the first bounce beyond the net, over the cord or not; None without one."""
    arc = arcs[first_landing(arcs)]
    if arc.end_kind != "bounce" or arc.end()[1] * sign_of(hit.side) < 0:
        return None
    return arc


def _direction(
    hit: Hit, profile: PlayerProfile, landing: Arc | None, arcs: list[Arc], body_x_m: float
) -> str:
    contact = hit.state
    serve = hit.intent.stroke == "serve"
    if landing is not None:
        end_x: float | None = float(landing.end()[0])
    else:
        last = arcs[0].end()
        line_y = opponent_baseline_y_m(contact[1])
        if serve:
            line_y = court.SERVICE_LINE_M * sign_of(hit.side)
        end_x = line_end_x_m(contact[0], contact[1], last[0], last[1], line_y)
    if end_x is None:
        return "unknown"
    if serve:
        return serve_direction(end_x)
    return stroke_direction(
        float(contact[0]), float(contact[1]), end_x, hit.wing, profile.look.right_handed, body_x_m
    )


def _incoming(previous: list[Arc], before: Hit, hit: Hit) -> Row:
    """What is known of the ball that was met."""
    row: Row = {
        "incoming_speed_mps": hit.incoming_speed_mps,
        "time_to_prepare_s": hit.t_s - before.t_s,
        "incoming_depth": "unknown",
    }
    landing = _first_bounce(previous, before)
    if landing is not None:
        place = landing.end()
        row["incoming_bounce_x_m"] = float(place[0])
        row["incoming_bounce_y_m"] = float(place[1])
        row["incoming_depth"] = court.depth_zone(float(place[1]))
    return row


def _open_court(
    hit: Hit, landing: Arc | None, opponent: Array, opponent_velocity: Array
) -> float:
    """Share of the court out of reach, at the mean ground speed of the flight to the bounce.

    The flight of a ball that was volleyed or met the net is carried on to the ground.
    """
    if landing is not None:
        span, spot = landing.end_s - hit.t_s, landing.end()
    else:
        span, spot = flight.fall_to(hit.state, hit.spin)
    ground_speed = float(np.linalg.norm(spot[0:2] - hit.state[0:2])) / span
    threat = tactics.Threat(
        (float(hit.state[0]), float(hit.state[1])),
        ground_speed,
        (float(opponent[0]), float(opponent[1])),
        (float(opponent_velocity[0]), float(opponent_velocity[1])),
        float(hit.state[2]),
    )
    return tactics.open_court_share(threat, tactics.Mover())


def _recovery(hit: Hit, reply: Hit, place: Place) -> Row:
    """Where the hitter should and does stand, across, when the opponent strikes."""
    feet = place(hit.side, reply.t_s)[0]
    best = tactics.recovery_place_m(
        float(reply.state[0]), float(reply.state[1]), float(feet[1])
    )
    return {"recovery_x_m": best, "recovery_error_m": float(feet[0]) - best}


def _shot_row(
    rally: RallyRecord,
    number: int,
    hit: Hit,
    groups: list[list[Arc]],
    names: dict[str, PlayerProfile],
    place: Place,
) -> Row:
    arcs = groups[number]
    other = OTHER_SIDE[hit.side]
    feet, velocity, height = place(hit.side, hit.t_s)
    there, there_v, there_z = place(other, hit.t_s)
    landing = _first_bounce(arcs, hit)
    last = number + 1 == len(rally.hits)
    serve = hit.intent.stroke == "serve"
    row: Row = {
        "match_id": MATCH_ID,
        "shot_number": number + 1,
        "t_contact_s": hit.t_s,
        "hitter": hit.side,
        "player": names[hit.side].name,
        "opponent": names[other].name,
        "stroke": hit.intent.stroke,
        "stroke_confidence": 1.0,
        "wing": hit.wing,
        "wing_confidence": 1.0,
        "contact_x_m": float(hit.state[0]),
        "contact_y_m": float(hit.state[1]),
        "contact_z_m": float(hit.state[2]),
        "hitter_x_m": float(feet[0]),
        "hitter_y_m": float(feet[1]),
        "hitter_vx_mps": float(velocity[0]),
        "hitter_vy_mps": float(velocity[1]),
        "opponent_x_m": float(there[0]),
        "opponent_y_m": float(there[1]),
        "opponent_vx_mps": float(there_v[0]),
        "opponent_vy_mps": float(there_v[1]),
        "opponent_state": movement_state(float(np.hypot(*there_v)), there_z),
        "opponent_state_confidence": 1.0,
        "hitter_state": movement_state(float(np.hypot(*velocity)), height),
        "direction": _direction(hit, names[hit.side], landing, arcs, float(feet[0])),
        "direction_confidence": 1.0,
        "depth": "unknown",
        "speed_mps": float(np.linalg.norm(hit.state[3:6])),
        "net_clearance_m": clearance_m(hit.state, hit.spin),
        "topspin_radps": float(hit.spin[0]),
        "flight_time_s": arcs[0].end_s - hit.t_s,
        "open_court_share": _open_court(hit, landing, there, there_v),
        "ended_point": last,
        "confidence": 1.0,
    }
    if landing is not None:
        spot = landing.end()
        row["bounce_x_m"], row["bounce_y_m"] = float(spot[0]), float(spot[1])
        row["t_bounce_s"] = landing.end_s
        row["depth"] = court.depth_zone(float(spot[1]))
        if serve:
            row["in_court"] = court.in_service_box(
                float(spot[0]), float(spot[1]), float(hit.state[1]), rally.serve_side
            )
        else:
            row["in_court"] = bool(court.in_singles(spot[0], spot[1]))
        row["in_court_confidence"] = 1.0
    elif last:
        row["in_court"], row["in_court_confidence"] = False, 1.0
    if not last:
        row |= _recovery(hit, rally.hits[number + 1], place)
    if number:
        row |= _incoming(groups[number - 1], rally.hits[number - 1], hit)
    return row


def _point_row(
    rally: RallyRecord, point_id: int, names: dict[str, PlayerProfile], score: Score
) -> Row:
    return {
        "match_id": MATCH_ID,
        "point_id": point_id,
        "start_s": rally.hits[0].t_s,
        "end_s": rally.dead_s,
        "server": rally.server,
        "server_player": names[rally.server].name,
        "serve_number": rally.serve_number,
        "serve_side": rally.serve_side,
        "n_shots": len(rally.hits),
        "ended_by": rally.ended_by,
        "ended_by_confidence": 1.0,
        "won_by": rally.won_by,
        "won_by_player": names[rally.won_by].name if rally.won_by else None,
        "score": score.text(),
        "confidence": 1.0,
    }


def truth_tables(
    rallies: Sequence[RallyRecord], profiles: tuple[PlayerProfile, PlayerProfile], place: Place
) -> dict[str, pa.Table]:
    """``arcs``, ``events``, ``shots`` and ``points`` of rallies in time order.

    ``profiles`` are the near and the far player, ``place`` tells where each is.
    """
    names = {"near": profiles[0], "far": profiles[1]}
    arcs: list[Row] = []
    events: list[Row] = []
    shots: list[Row] = []
    points: list[Row] = []
    score = Score(rallies[0].server if rallies else "near", (0, 0), (0, 0))
    for point_id, rally in enumerate(rallies):
        arc_rows, event_rows = _rally_events(rally, point_id, len(arcs))
        arcs += arc_rows
        events += event_rows
        groups = _stroke_arcs(rally)
        for number, hit in enumerate(rally.hits):
            row = _shot_row(rally, number, hit, groups, names, place)
            shots.append(row | {"point_id": point_id, "shot_id": len(shots)})
        points.append(_point_row(rally, point_id, names, score))
        if rally.won_by is not None:
            score = score.after(rally.won_by)
    for event_id, row in enumerate(events):
        row["event_id"] = event_id
    return {
        "arcs": from_rows(tables.ARCS, arcs),
        "events": from_rows(tables.EVENTS, events),
        "shots": from_rows(tables.SHOTS, shots),
        "points": from_rows(tables.POINTS, points),
    }
