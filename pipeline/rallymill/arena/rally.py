"""A rally from the serve to the dead ball: strokes, flights and the players' way between them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from rallymill import court, flight
from rallymill.arena.player_motion import Hop, Swing, shortest_span_s
from rallymill.arena.player_profile import PlayerProfile
from rallymill.arena.rally_aim import aim_flat, aim_high, clearance_m, launch
from rallymill.arena.rally_ball import Arc, cut, first_landing, follow, passed_cord
from rallymill.arena.rally_choice import SHORT_M, choose, choose_serve, is_half_volley
from rallymill.arena.rally_intent import Intent, Situation
from rallymill.arena.rally_reach import Chance, Meeting, find_meeting, turn
from rallymill.arena.rally_record import OTHER_SIDE, Competitor, Hit, RallyRecord, Stage, sign_of
from rallymill.arena.rally_recover import recover, run_in_vain
from rallymill.arena.rally_serve import prepare_serve, serve_scatter
from rallymill.court_directions import MIDDLE_M

Array = NDArray[np.float64]

SWING_BEFORE_S = 0.35
SWING_AFTER_S = 0.35
AFTER_SPLIT_S = 0.04
STEP_IN_S = 0.4
CALM_MPS2 = 3.8
"""Acceleration of a player who has time."""
SERVE_READY = 0.6
LONGEST_RALLY = 60
MISHIT_ODDS = 0.032
MISHIT_UNDER_PRESSURE = 0.22
ACROSS_SCATTER = 1.1
UP_SCATTER = 0.80
"""Scatter of azimuth and elevation as multiples of a player's scatter."""
LET_GO_M = 0.5
"""A volleyer lets go a ball that would land further out than this."""


def solve(
    rng: np.random.Generator, contact: Array, intent: Intent, errors: tuple[float, float, float]
) -> tuple[Array, Array]:
    """State (6,) and spin (2,) just after contact, in the hitter's own frame.

    The stroke meant is slowed and given more topspin until it clears the net by what is wanted;
    then azimuth, elevation and speed get their errors.
    """
    speed, topspin = intent.speed_mps, intent.topspin_radps
    spin = np.array([topspin, intent.sidespin_radps])
    aimed = None
    for _ in range(14):
        spin = np.array([topspin, intent.sidespin_radps])
        if intent.elevation_rad is not None:
            aimed = aim_high(contact, intent.target, intent.elevation_rad, spin)
            break
        found = aim_flat(contact, intent.target, speed, spin)
        if found is None:
            speed *= 1.08
            continue
        aimed = found
        clear = clearance_m(launch(contact, *aimed), spin)
        if clear is None or clear >= intent.clearance_m:
            break
        speed *= 0.97
        topspin = topspin + (12.0 if topspin >= 0 else 0.0)
    if aimed is None:
        bearing = intent.target - contact[0:2]
        aimed = (float(np.arctan2(bearing[1], bearing[0])), float(np.radians(35)), 18.0)
    azimuth, elevation, speed = aimed
    state = launch(contact, azimuth + errors[0], elevation + errors[1], speed * (1.0 + errors[2]))
    return state, spin


def _stroke_errors(
    rng: np.random.Generator, me: PlayerProfile, pressure: float, intent: Intent
) -> tuple[float, float, float]:
    sd = np.radians(me.scatter_deg) * (1.0 + 2.8 * pressure**1.7) * intent.scatter
    mishit = 0.0
    odds = (MISHIT_ODDS + MISHIT_UNDER_PRESSURE * pressure**1.5) * me.mishit
    if rng.uniform() < odds * me.scatter_deg:
        # Struck late or off centre: mostly too low.
        mishit = -float(np.radians(rng.uniform(2.5, 7.0)))
    fast = 1.0 + 0.6 * max(0.0, intent.speed_mps / me.forehand_speed_mps - 1.0)
    return (
        float(rng.normal(0, ACROSS_SCATTER * sd * fast)),
        mishit + float(rng.normal(0, UP_SCATTER * sd * fast)),
        float(rng.normal(0, 0.025 * (1 + pressure))),
    )


def _landing(arcs: list[Arc]) -> tuple[str, Array, float]:
    """First contact after the stroke but for net cords: what, where (3,) and when."""
    arc = arcs[first_landing(arcs)]
    return arc.end_kind, arc.end()[0:3], arc.end_s


def judge(
    kind: str, place: Array, hitter: str, serve_side: str | None, server_y_m: float
) -> str | None:
    """Error of a stroke whose first contact is ``kind`` at ``place``; None if it is good.

    ``serve_side`` is set for serves. See :mod:`rallymill.arena.truth` for the meaning of endings.
    """
    if kind == "net" or place[1] * sign_of(hitter) < 0:
        return "error_net"
    if kind == "bounce":
        if serve_side is not None:
            if court.in_service_box(place[0], place[1], server_y_m, serve_side):
                return None
        elif court.in_singles(place[0], place[1]):
            return None
    line = court.SERVICE_LINE_M if serve_side is not None else court.HALF_LENGTH_M
    return "error_long" if abs(place[1]) > line + court.BALL_RADIUS_M else "error_wide"


def _out_by_m(place: Array) -> float:
    return float(max(abs(place[0]) - court.HALF_SINGLES_M, abs(place[1]) - court.HALF_LENGTH_M))


def play_rally(
    rng: np.random.Generator, stage: Stage, record: RallyRecord, start_s: float
) -> RallyRecord:
    """Play a rally from the moment at which both players stand in their places."""
    first = record.serve_number == 1
    contact_s, contact = prepare_serve(rng, stage, record, start_s)
    hitter = record.server
    profile = stage.players[hitter].profile
    receiver_body = stage.players[OTHER_SIDE[hitter]].body
    receiver_body.moods.append((contact_s - 1.5, "play"))
    _split(rng, record, OTHER_SIDE[hitter], stage, contact_s)
    intent = choose_serve(rng, profile, record.serve_side, first)
    if intent.plan == "body":
        record.note(contact_s, hitter, "body_serve")
    if intent.to_net:
        record.note(contact_s, hitter, "serve_and_volley")
    own = turn(contact, sign_of(hitter))
    state, spin = solve(rng, own, intent, serve_scatter(rng, profile, first, intent))
    hit = Hit(
        contact_s,
        hitter,
        "forehand",
        intent,
        turn(state, sign_of(hitter)),
        spin,
        False,
        0.0,
        float("nan"),
    )
    while True:
        record.hits.append(hit)
        reply = _exchange(rng, stage, record, hit)
        if reply is None:
            return record
        hit = reply


def _exchange(rng: np.random.Generator, stage: Stage, record: RallyRecord, hit: Hit) -> Hit | None:
    """Fly the ball of a stroke, move both players; the reply, or None if the rally is over."""
    number = len(record.hits)
    receiver = OTHER_SIDE[hit.side]
    arcs = follow(hit.t_s, hit.state, hit.spin, stage.surface, "hit", 5)
    kind, place, landed_s = _landing(arcs)
    serve_side = record.serve_side if number == 1 else None
    error = judge(kind, place, hit.side, serve_side, float(record.hits[0].state[1]))
    cord = passed_cord(arcs[0], arcs[1] if len(arcs) > 1 else None)
    if cord:
        record.note(arcs[0].end_s, hit.side, "net_cord" if number > 1 else "serve_cord")
    let = number == 1 and cord and error is None
    meeting = None
    chance = _chance(stage, hit, receiver, number == 1)
    me = stage.players[receiver]
    if error != "error_net" and number < LONGEST_RALLY and not let:
        meeting = find_meeting(rng, me.profile, arcs, sign_of(receiver), chance)
    plays = meeting is not None and (
        error is None or (meeting.before_bounce and number > 1 and _out_by_m(place) < LET_GO_M)
    )
    reply_s = meeting.t_s if meeting is not None and plays else landed_s + 0.6
    reply_at = turn(meeting.ball, sign_of(receiver)) if meeting is not None and plays else place
    serving = number == 1 and not hit.intent.to_net
    recover(rng, stage.players[hit.side], record, hit, reply_s, reply_at, plays, serving)
    if plays:
        _split(rng, record, hit.side, stage, reply_s, since_s=hit.t_s)
    if meeting is None or not plays:
        _finish(rng, stage, record, hit, "let" if let else error, landed_s, meeting, chance)
        return None
    _go_to(rng, me, meeting, chance, sign_of(receiver))
    record.arcs += [replace(arc, live=True) for arc in cut(arcs, meeting.t_s, "hit")]
    return _strike(rng, stage, record, meeting, receiver, arcs)


def _chance(stage: Stage, hit: Hit, receiver: str, serve: bool) -> Chance:
    """From when and where the receiver can set out."""
    player = stage.players[receiver]
    landing = [hop for hop in player.body.hops if hop.split and abs(hop.landing_s - hit.t_s) < 0.6]
    free_s = hit.t_s + player.profile.reaction_s - (0.03 if serve else 0.0)
    if landing and landing[-1].landing_s > hit.t_s - 0.02:
        free_s = max(free_s, landing[-1].landing_s + AFTER_SPLIT_S)
    else:
        # Without a well timed split step the first step comes later (Uzu 2009: about 0.1 s).
        free_s += 0.09
    place, velocity = player.body.at(free_s)
    sign = sign_of(receiver)
    return Chance(free_s, turn(place, sign), turn(velocity, sign), hit.t_s, serve)


def _split(
    rng: np.random.Generator,
    record: RallyRecord,
    side: str,
    stage: Stage,
    contact_s: float,
    since_s: float | None = None,
) -> None:
    """Plan a split step for the opponent's contact, well or badly timed, or none.

    At a serve the feet leave the ground about 5 ms after the contact and are down again 133 ms
    after it (Navia 2022). In a rally the opponent's stroke is read earlier (Filipcic 2017: the
    delay is shortest at the serve, which shows as a later landing here).
    """
    player = stage.players[side]
    if since_s is not None and contact_s - since_s < 0.75:
        return
    odds = np.array(player.profile.split_odds)
    if since_s is None:
        # A serve is waited for: most split steps are well timed.
        odds = np.array([1.0, 0.0, 0.0, 0.0]) * SERVE_READY + odds * (1 - SERVE_READY)
    habit = int(rng.choice(4, p=odds))
    record.note(contact_s, side, ("split_good", "split_early", "split_late", "split_none")[habit])
    if habit == 3:
        return
    serve = since_s is None
    air = float(np.clip(rng.normal(0.13 if serve else 0.15, 0.022), 0.09, 0.21))
    landing = (
        float(np.clip(rng.normal(0.135 if serve else 0.10, 0.03), 0.04, 0.21)),
        float(rng.uniform(-0.20, -0.03)),
        float(rng.uniform(0.28, 0.40)),
    )[habit]
    # The middle of the body flies freely; the feet are drawn up a little besides.
    height = flight.GRAVITY_MPS2 * air**2 / 8 + float(rng.uniform(0.012, 0.030))
    start = contact_s + landing - air
    player.body.hops.append(Hop(start, contact_s + landing, height))


def _go_to(
    rng: np.random.Generator, me: Competitor, meeting: Meeting, chance: Chance, sign: float
) -> None:
    """Plan the receiver's way to the ball and the swing."""
    body = me.body
    feet, velocity = turn(meeting.feet, sign), turn(meeting.velocity, sign)
    span = meeting.t_s - chance.t_s
    calm = shortest_span_s(
        chance.place, chance.velocity, meeting.feet, CALM_MPS2, me.profile.top_speed_mps, 0.45
    )
    if meeting.haste == 0.0 and span > calm + STEP_IN_S + 0.05:
        # There early: wait half a step behind, then step into the ball.
        step = turn(np.array([rng.uniform(-0.12, 0.12), -rng.uniform(0.05, 0.2)]), sign)
        body.move(chance.t_s, chance.t_s + calm, feet + step)
        body.move(meeting.t_s - STEP_IN_S, meeting.t_s, feet, -2.0 * step)
    else:
        body.move(chance.t_s, meeting.t_s, feet, velocity)


def _strike(
    rng: np.random.Generator,
    stage: Stage,
    record: RallyRecord,
    meeting: Meeting,
    side: str,
    incoming: list[Arc],
) -> Hit:
    """Choose and make the stroke at a meeting."""
    sign = sign_of(side)
    me, other = stage.players[side], stage.players[OTHER_SIDE[side]]
    opponent, opponent_velocity = other.body.at(meeting.t_s)
    bounce_y = None
    if not meeting.before_bounce:
        bounce_y = float(turn(incoming[first_landing(incoming)].end()[0:3], sign)[1])
    situation = Situation(
        meeting.ball,
        meeting.wing,
        meeting.pressure,
        meeting.before_bounce,
        bounce_y,
        len(record.hits) + 1,
        record.serve_number == 1,
        turn(opponent, sign),
        turn(opponent_velocity, sign),
        meeting.feet,
        meeting.since_bounce_s,
    )
    intent = choose(rng, me.profile, situation)
    _note_stroke(record, side, meeting.t_s, situation, intent)
    errors = _stroke_errors(rng, me.profile, meeting.pressure, intent)
    state, spin = solve(rng, meeting.ball, intent, errors)
    contact = turn(meeting.ball, sign)
    me.body.swings.append(
        Swing(
            meeting.t_s - SWING_BEFORE_S,
            meeting.t_s,
            meeting.t_s + SWING_AFTER_S,
            intent.action,
            (float(contact[0]), float(contact[1]), float(contact[2])),
            meeting.stretch,
        )
    )
    if intent.action == "overhead" and rng.uniform() < 0.5:
        me.body.hops.append(Hop(meeting.t_s - 0.14, meeting.t_s + 0.14, 0.1, split=False))
    return Hit(
        meeting.t_s,
        side,
        meeting.wing,
        intent,
        turn(state, sign),
        spin,
        meeting.before_bounce,
        meeting.pressure,
        meeting.ball_speed_mps,
    )


def _note_stroke(record: RallyRecord, side: str, t_s: float, s: Situation, intent: Intent) -> None:
    """Keep what a stroke was in the words of those who teach the game."""
    kinds = []
    if is_half_volley(s):
        kinds.append("half_volley")
    if intent.stroke in ("volley", "overhead", "lob", "drop_shot", "approach"):
        kinds.append(intent.stroke)
    if intent.plan == "lob" and intent.stroke == "return":
        kinds.append("lob")
    if intent.action == "slice" and intent.stroke != "drop_shot":
        kinds.append("slice")
    if intent.plan in ("open", "behind"):
        kinds.append({"open": "to_open_court", "behind": "behind_runner"}[intent.plan])
    short = s.incoming_bounce_y_m is not None and s.incoming_bounce_y_m > -SHORT_M
    if short and s.shot_number > 2 and s.opponent[1] > 6.0:
        kinds.append("short_closed" if intent.to_net else "short_stayed")
        if intent.target[0] * s.contact[0] != 0 and abs(intent.target[0]) > MIDDLE_M:
            crosses = intent.target[0] * s.contact[0] < 0
            kinds.append("short_cross" if crosses else "short_line")
    for kind in kinds:
        record.note(t_s, side, kind)


def _finish(
    rng: np.random.Generator,
    stage: Stage,
    record: RallyRecord,
    hit: Hit,
    error: str | None,
    landed_s: float,
    meeting: Meeting | None,
    chance: Chance,
) -> None:
    """End the rally with the last stroke's ball left alone."""
    number = len(record.hits)
    arcs = follow(hit.t_s, hit.state, hit.spin, stage.surface, "hit")
    receiver = OTHER_SIDE[hit.side]
    lands = first_landing(arcs)
    if error == "let":
        record.dead_s = landed_s
        record.ended_by, record.won_by = "let", None
    elif error is None:
        second = [arc.end_s for arc in arcs[lands + 1 : lands + 2]]
        record.dead_s = second[0] if second else landed_s
        record.ended_by = "ace" if number == 1 else "winner"
        record.won_by = hit.side
    else:
        record.dead_s = landed_s
        record.ended_by, record.won_by = error, receiver
        if number == 1:
            record.ended_by = "fault" if record.serve_number == 1 else "double_fault"
            if record.serve_number == 1:
                record.won_by = None
    record.arcs += [replace(arc, live=arc.start_s < record.dead_s - 1e-9) for arc in arcs]
    if error != "let":
        run_in_vain(
            rng, stage.players[receiver], receiver, record.dead_s, chance, arcs, meeting, error
        )
    calm = record.dead_s + 0.25
    for side in ("near", "far"):
        calm = max(calm, stage.players[side].body.brake(record.dead_s + 0.25))
    record.free_s = calm + 0.2
