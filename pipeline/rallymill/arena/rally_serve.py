"""Before and at the serve: places to stand, bounces of the ball by hand, toss, contact."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rallymill import court, flight
from rallymill.arena.player_motion import Feint, Hop, Swing
from rallymill.arena.player_profile import PlayerProfile
from rallymill.arena.rally_ball import Arc
from rallymill.arena.rally_intent import Intent
from rallymill.arena.rally_reach import turn
from rallymill.arena.rally_record import Competitor, RallyRecord, Stage, sign_of

Array = NDArray[np.float64]

CONTACT_OVER_STATURE = 1.5
"""Mendes 2013 (J Sports Sci Med 12:309): contact of the serve at 1.5 times the stature."""
SERVE_BACKSWING_S = 0.95
SERVE_FOLLOW_S = 0.55
ABORTED_TOSSES = 0.022
"""Share of serves whose first toss is caught again; common practice, no source."""
FEINT_PHASE = 0.22


def server_place(rng: np.random.Generator, side: str, serve_side: str) -> Array:
    """Where the server stands (2,), world frame."""
    across = float(np.clip(rng.normal(0.65, 0.3), 0.15, 2.0))
    own = np.array(
        [
            across if serve_side == "deuce" else -across,
            -court.HALF_LENGTH_M - rng.uniform(0.12, 0.3),
        ]
    )
    return turn(own, sign_of(side))


def receiver_place(
    rng: np.random.Generator,
    me: PlayerProfile,
    side: str,
    serve_side: str,
    server_xy: Array,
    first: bool,
) -> Array:
    """Where the receiver stands (2,), world frame: on the bisector of the possible serves."""
    sign = sign_of(side)
    served_from = turn(server_xy, sign)
    # Seen by a near receiver, the deuce box lies at x > 0.
    box = 1.0 if serve_side == "deuce" else -1.0
    deep = -court.HALF_LENGTH_M - me.return_depth_m + (0.0 if first else rng.uniform(0.1, 0.9))
    edges = sorted((0.15 * box, (court.HALF_SINGLES_M - 0.1) * box))
    line_y = -court.SERVICE_LINE_M + 0.5
    across = court.bisector_x_m(
        float(served_from[0]), float(served_from[1]), (edges[0], line_y), (edges[1], line_y), deep
    )
    return turn(np.array([across + rng.normal(0, 0.2), deep]), sign)


def bounces_by_hand(
    rng: np.random.Generator,
    server: Competitor,
    side: str,
    start_s: float,
    surface: flight.Surface,
    count: int,
) -> tuple[list[Arc], float]:
    """Arcs of the ball bounced by the server and the time at which it is caught for good."""
    arcs: list[Arc] = []
    now = start_s
    spin = np.zeros(2)
    hand_z = 0.47 * server.profile.look.height_m
    for _ in range(count):
        place, _ = server.body.at(now)
        left = -1.0 if server.profile.look.right_handed else 1.0
        hand = turn(place, sign_of(side)) + np.array([0.25 * left, 0.35])
        hand = turn(hand, sign_of(side))
        down = -float(rng.uniform(2.8, 3.8))
        state = np.array([hand[0], hand[1], hand_z, 0.0, 0.0, down])
        span, low = flight.fall_to(state, spin)
        arcs.append(Arc(now, now + span, state, spin, "hit", "bounce"))
        now += span
        up, spin = flight.bounce(low, spin, surface)
        times = np.arange(0.02, 0.8, 0.01)
        path = flight.states(up, spin, times)
        caught = np.nonzero((path[:, 2] >= hand_z) | (path[:, 5] <= 0))[0][0]
        arcs.append(Arc(now, now + float(times[caught]), up, spin, "bounce", "hit"))
        now += float(times[caught]) + float(rng.uniform(0.15, 0.35))
    return arcs, now


def _toss(start_s: float, end_s: float, hand: Array, contact: Array) -> Arc:
    """Flight of the tossed ball from hand (3,) to contact (3,), drag included."""
    span = end_s - start_s
    v = (contact - hand) / span
    v[2] += flight.GRAVITY_MPS2 * span / 2
    spin = np.zeros(2)
    for _ in range(6):
        end = flight.states(np.concatenate([hand, v]), spin, np.array([span]))[0]
        v = v + (contact - end[0:3]) / span
    return Arc(start_s, end_s, np.concatenate([hand, v]), spin, "hit", "hit")


def _aborted_toss(
    rng: np.random.Generator, server: Competitor, side: str, toss_s: float
) -> Arc:
    """Toss that goes astray and is caught again; the arms come down with it."""
    sign, look = sign_of(side), server.profile.look
    right = 1.0 if look.right_handed else -1.0
    stand = turn(server.body.at(toss_s)[0], sign)
    hand = np.array([stand[0] - right * 0.25, stand[1] + 0.4, 0.98 * look.height_m])
    catch = hand + np.array([rng.uniform(-0.3, 0.3), rng.uniform(-0.25, 0.25), -0.1])
    end_s = toss_s + float(rng.uniform(0.8, 0.95))
    server.body.feints.append(Feint(toss_s - 0.5, end_s + 0.5, "serve", FEINT_PHASE))
    return _toss(toss_s, end_s, turn(hand, sign), turn(catch, sign))


def prepare_serve(
    rng: np.random.Generator, stage: Stage, record: RallyRecord, start_s: float
) -> tuple[float, Array]:
    """Plan body and ball up to the contact of the serve; gives its time and place (3,), world.

    The server stands at the serving place by ``start_s``.
    """
    side = record.server
    sign = sign_of(side)
    server = stage.players[side]
    body, look = server.body, server.profile.look
    count = int(rng.integers(1, 4)) if record.serve_number == 1 else int(rng.integers(1, 3))
    body.moods.append((start_s, "bounce_ball"))
    arcs, now = bounces_by_hand(rng, server, side, start_s + 0.2, stage.surface, count)
    record.note(start_s, side, "bounced")
    body.moods.append((now, "play"))
    if rng.uniform() < ABORTED_TOSSES:
        arcs.append(_aborted_toss(rng, server, side, now + float(rng.uniform(0.7, 1.2))))
        record.note(arcs[-1].start_s, side, "toss_aborted")
        now = arcs[-1].end_s + float(rng.uniform(0.5, 1.2))
    toss_s = now + float(rng.uniform(0.7, 1.2))
    contact_s = toss_s + float(rng.uniform(0.72, 0.92))
    stand = turn(body.at(toss_s)[0], sign)
    right = 1.0 if look.right_handed else -1.0
    contact = np.array(
        [
            stand[0] + right * rng.normal(0.2, 0.08),
            -court.HALF_LENGTH_M + rng.uniform(0.2, 0.6),
            CONTACT_OVER_STATURE * look.height_m + rng.normal(0, 0.04),
        ]
    )
    hand = np.array([stand[0] - right * 0.25, stand[1] + 0.4, 0.98 * look.height_m])
    feet = np.array([stand[0], -court.HALF_LENGTH_M + 0.1])
    record.before = [*arcs, _toss(toss_s, contact_s, turn(hand, sign), turn(contact, sign))]
    body.move(contact_s - 0.6, contact_s, turn(feet, sign), turn(np.array([0.0, 1.2]), sign))
    body.brake(contact_s, 2.2)
    body.hops.append(Hop(contact_s - 0.10, contact_s + 0.20, 0.11, split=False))
    world = turn(contact, sign)
    body.swings.append(
        Swing(
            contact_s - SERVE_BACKSWING_S,
            contact_s,
            contact_s + SERVE_FOLLOW_S,
            "serve",
            (float(world[0]), float(world[1]), float(world[2])),
            0.2,
        )
    )
    return contact_s, world


def serve_scatter(
    rng: np.random.Generator, me: PlayerProfile, first: bool, intent: Intent
) -> tuple[float, float, float]:
    """Errors of azimuth (rad), elevation (rad) and speed (share) of a serve."""
    sd = np.radians(me.serve_scatter_deg) * (1.0 if first else 0.81) * intent.scatter
    return float(rng.normal(0, 1.15 * sd)), float(rng.normal(0, sd)), float(rng.normal(0, 0.015))
