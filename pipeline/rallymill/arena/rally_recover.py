"""Where players go when they are not going to the ball."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rallymill import court, tactics
from rallymill.arena.player_motion import BRAKE_MPS2, peak_acceleration, shortest_span_s
from rallymill.arena.player_profile import PlayerProfile
from rallymill.arena.rally_ball import Arc
from rallymill.arena.rally_reach import Chance, Meeting, turn
from rallymill.arena.rally_record import Competitor, Hit, RallyRecord, sign_of

Array = NDArray[np.float64]

RECOVERY_MPS2 = 6.5
GLIDES_MPS = (0.0, 1.0, 2.0, 2.7)
RUSHES_MPS = (0.0, 1.5, 3.0, 4.0, 4.8)
"""Speeds toward the net at which the opponent's contact may find a player who goes there."""
NET_FROM_M = 5.6
"""Nearer to the net than this a player stays at the net."""
GOOD_WITHIN_M = 0.8
"""Place gone to within this of the bisector: a well chosen one."""


def _bisector_x_m(reply_at: Array, own_y_m: float) -> float:
    """Bisector of the replies from a place (2,) at a depth, own frame."""
    return tactics.recovery_place_m(float(reply_at[0]), max(float(reply_at[1]), 1.0), own_y_m)


def home(
    rng: np.random.Generator, me: PlayerProfile, now: Array, reply_at: Array
) -> tuple[Array, str]:
    """Place to recover to (2,), own frame, well or badly chosen, and which of it.

    ``reply_at`` is where the opponent will strike. Good is the bisector of the replies (Cochet
    1933; Benguigui 2024) behind the baseline; a poor share leaves the player short of it, a bias
    beside it, and now and then it is on the wrong side altogether.
    """
    deep = -court.HALF_LENGTH_M - me.home_depth_m
    best = _bisector_x_m(reply_at, deep)
    middle = best
    share = float(np.clip(rng.normal(me.recovery_share, 0.12), 0.1, 1.05))
    if rng.uniform() < 0.12 * (1.2 - me.recovery_share):
        middle = -middle + float(rng.normal(0, 0.8))
    across = now[0] + share * (middle - now[0]) + me.recovery_bias_m + rng.normal(0, 0.2)
    back = now[1] + min(1.0, share + 0.2) * (deep - now[1])
    left = (across - best) * float(np.sign(now[0] - best) or 1.0)
    kind = "recover_good" if abs(left) < GOOD_WITHIN_M else "recover_short"
    return np.array([across, back]), kind if left > -GOOD_WITHIN_M else "recover_over"


def net_place(rng: np.random.Generator, me: PlayerProfile, reply_at: Array) -> tuple[Array, str]:
    """Place at the net (2,), own frame, and whether it is a good one.

    Good players close in on the bisector of the passing shots; poor ones stay in the middle or on
    the wrong side of it, or too far from the net (Tilden 1921: 1.8 to 2.4 m).
    """
    good = rng.uniform() < me.net_skill
    if good:
        y = -float(rng.uniform(2.0, 3.4))
        return np.array([_bisector_x_m(reply_at, y) + float(rng.normal(0, 0.25)), y]), "net_on"
    y = -float(rng.uniform(2.4, 6.8))
    off = float(rng.choice([-1.0, 1.0])) * float(rng.uniform(0.9, 2.0))
    return np.array([_bisector_x_m(reply_at, y) + off, y]), "net_off"


def recover(
    rng: np.random.Generator,
    player: Competitor,
    record: RallyRecord,
    hit: Hit,
    reply_s: float,
    reply_at: Array,
    plays: bool,
    after_serve: bool = False,
) -> None:
    """Plan the hitter's way from the contact to the opponent's next one."""
    me, body = player.profile, player.body
    sign = sign_of(hit.side)
    if hit.intent.to_net and _rush(rng, player, record, hit, reply_s, reply_at):
        return
    follow_through = 0.12 if not after_serve else 0.45
    start = hit.t_s + follow_through + float(rng.uniform(0.5, 1.3)) * me.recovery_lag_s
    if not after_serve:
        body.brake(hit.t_s, BRAKE_MPS2)
    now = turn(body.at(start)[0], sign)
    reply = turn(reply_at, sign)
    if hit.intent.to_net or now[1] > -NET_FROM_M:
        goal, kind = net_place(rng, me, reply)
        if now[1] > -3.6 and goal[1] < now[1] - 1.5:
            goal[1] = now[1] - 0.6
    else:
        goal, kind = home(rng, me, now, reply)
    if plays:
        record.note(reply_s, hit.side, kind)
    span = reply_s - 0.06 - start
    if span < 0.2:
        return
    way = goal - now
    distance = float(np.linalg.norm(way))
    if distance < 0.1:
        return
    v0 = turn(body.at(start)[1], sign)
    ready = rng.uniform() < 0.4 + 0.6 * me.split_odds[0]
    whole = shortest_span_s(now, v0, goal, RECOVERY_MPS2, 0.85 * me.top_speed_mps)
    slow = _slow_within(now, v0, goal, span) if whole > span and ready and plays else None
    if slow is not None:
        # Slows down on the way in time for the opponent's contact.
        body.move(start, start + span, turn(slow[0], sign), turn(slow[1], sign))
    else:
        body.move(start, start + whole, turn(goal, sign))


def _rush(
    rng: np.random.Generator,
    player: Competitor,
    record: RallyRecord,
    hit: Hit,
    reply_s: float,
    reply_at: Array,
) -> bool:
    """Plan the way to the net behind a stroke, through the ball; false if there is no time."""
    body, sign = player.body, sign_of(hit.side)
    start = hit.t_s + (0.25 if hit.intent.stroke == "serve" else 0.05)
    span = reply_s - 0.04 - start
    place, velocity = body.at(start)
    now, v0 = turn(place, sign), turn(velocity, sign)
    goal, kind = net_place(rng, player.profile, turn(reply_at, sign))
    if span < 0.3 or goal[1] < now[1] + 0.3:
        return False
    there = _slow_within(now, v0, goal, span, RUSHES_MPS)
    if there is None:
        return False
    body.move(start, start + span, turn(there[0], sign), turn(there[1], sign))
    record.note(reply_s, hit.side, kind)
    return True


def _slow_within(
    now: Array,
    velocity: Array,
    goal: Array,
    span_s: float,
    glides_mps: tuple[float, ...] = GLIDES_MPS,
) -> tuple[Array, Array] | None:
    """Furthest place (2,) toward a goal at which one can be slow in time, and the velocity there.

    Slow means at rest or gliding toward the goal at one of ``glides_mps``, which a split step can
    take. None if the player cannot be slow anywhere in time.
    """
    speed = float(np.linalg.norm(velocity))
    coasting = now + velocity * min(span_s, speed / BRAKE_MPS2) / 2
    way = goal - coasting
    toward = way / max(float(np.linalg.norm(way)), 1e-6)
    for share in np.arange(1.0, -0.05, -0.05):
        stop = coasting + share * way
        for glide in glides_mps if share < 1.0 else glides_mps[:1]:
            there = glide * toward
            if peak_acceleration(now, velocity, stop, there, span_s) <= RECOVERY_MPS2:
                return stop, there
    return None


def run_in_vain(
    rng: np.random.Generator,
    player: Competitor,
    side: str,
    dead_s: float,
    chance: Chance,
    arcs: list[Arc],
    meeting: Meeting | None,
    error: str | None,
) -> None:
    """Plan what the receiver does about a ball that is not played."""
    body, sign = player.body, sign_of(side)
    if error == "error_net":
        return
    if meeting is not None:
        span = meeting.t_s - chance.t_s
        goal = turn(meeting.feet, sign)
        body.move(chance.t_s, chance.t_s + span, goal, turn(meeting.velocity, sign))
        return
    ball = turn(arcs[min(1, len(arcs) - 1)].end()[0:3], sign)[0:2]
    ball[1] = np.clip(ball[1], -16.0, -1.0)
    way = ball - chance.place
    span = max(0.5, min(dead_s - chance.t_s, 1.4))
    effort = float(rng.uniform(0.5, 0.95)) * player.profile.acceleration_mps2
    distance = float(np.linalg.norm(way))
    going = min(distance, effort * span**2 / 4, player.profile.top_speed_mps * span / 2)
    if distance < 0.3:
        return
    speed = float(np.linalg.norm(chance.velocity))
    coasting = chance.place + chance.velocity * min(span, speed / BRAKE_MPS2) / 2
    for share in np.arange(1.0, 0.05, -0.1):
        goal = coasting + share * going * way / distance
        through = share * going * way / distance / span * 0.8
        peak = peak_acceleration(chance.place, chance.velocity, goal, through, span)
        if peak <= player.profile.acceleration_mps2:
            body.move(chance.t_s, chance.t_s + span, turn(goal, sign), turn(through, sign))
            return
    body.brake(chance.t_s)
