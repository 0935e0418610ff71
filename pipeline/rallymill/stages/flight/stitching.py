"""Strokes that are not seen, between a ball lost on its way to a player and one found again.

Where a player stands at the edge of the picture or outside it, or hides the ball, no moment of the
image path shows the stroke, and the cheapest reading breaks there. The ball comes back all the
same, and nothing but a stroke sends it back.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from rallymill import court
from rallymill.flight import GRAVITY_MPS2
from rallymill.flightfit import arc, rally
from rallymill.stages.flight.contacts import (
    BOUNCE,
    HIT_FAR,
    HIT_NEAR,
    HITS,
    LOST,
    NEAR_HITS,
    OUTS,
    SERVE_NEAR,
    SERVES,
    Contacts,
)
from rallymill.stages.flight.hypotheses import Flight

Array = NDArray[np.float64]

LEAST_MPS = 4.0
"""A ball that is struck leaves along the court faster than this."""
APART_M, APART_MPS, APART_SD, MOST_SD_M = 1.0, 2.0, 2.0, 1.5
"""How far from each other two flights carried on may pass where they meet: at once, more for every
second that the ball is not seen, and so many deviations of their ends, of which none counts as more
than the last."""
MOST_OFF_FENCE_MPS = 12.0
"""No fence gives a ball back faster (common practice, no source)."""
STRUCK_M = (-0.3, 3.6)
"""Heights between which a ball can have been struck, give or take what is carried on."""


LEAST_RISE_S = 0.05
"""A ball that bounces is hardly struck sooner."""


def joined(
    before: tuple[Flight, ...], after: tuple[Flight, ...], contacts: Contacts, unseen_s: float
) -> tuple[Flight, ...] | None:
    """Two chains as one with a stroke between them, None where no stroke must have been there.

    The first ends on its way to a player, the second starts on its way back, and carried on they
    meet where a player can strike. A bounce before the stroke that is seen, with nothing after it,
    gets a flight of its own, which the joint fit has to find; so does one that nobody saw, of a
    serve or of a ball that meets the ground before the stroke. What seemed to be a fence was a
    stroke where the ball comes back faster than from any fence. A ball that is lost for longer than
    ``unseen_s`` may have met more than a racket; with 0 no stroke is inferred.
    """
    last, first = before[-1], after[0]
    gap_s = float(contacts.t_s[first.first] - contacts.t_s[last.last])
    if unseen_s <= 0 or not -0.05 <= gap_s <= unseen_s:
        return None
    if (last.last_kind not in (LOST, BOUNCE, *HITS, *OUTS)
            or first.first_kind not in (LOST, *HITS)):
        return None
    away = float(np.sign(first.fit.start[4]))
    least_mps = MOST_OFF_FENCE_MPS if last.last_kind in OUTS else LEAST_MPS
    if abs(first.fit.start[4]) < least_mps or last.fit.end[4] * away > -1.0:
        return None
    kind = HIT_NEAR if away > 0 else HIT_FAR
    if not _turn_of(before, after, kind):
        return None
    if last.last_kind == LOST and first.first_kind in HITS and (
        last.first_kind in SERVES or _lands_within(last, gap_s)
    ):
        return _with_bounce_between(before, after, kind)
    meeting = _meet(last, first, gap_s)
    if meeting is None or meeting * away > -1.0:
        return None
    struck = replace(first, first_kind=kind)
    if last.last_kind == BOUNCE:
        unseen = replace(
            last, first=last.last, last=first.first, first_kind=BOUNCE, last_kind=kind,
            fit=_bounced(last, first),
        )
        return (*before, unseen, struck, *after[1:])
    return (*before[:-1], replace(last, last_kind=kind), struck, *after[1:])


def _turn_of(before: tuple[Flight, ...], after: tuple[Flight, ...], kind: int) -> bool:
    """Whether a side's stroke keeps strokes alternating, with one bounce at most before it."""
    bounces = 0
    for flight in reversed(before):
        bounces += flight.last_kind == BOUNCE
        if flight.first_kind in HITS:
            if (flight.first_kind in NEAR_HITS) == (kind == HIT_NEAR):
                return False
            break
    if bounces > 1:
        return False
    coming = [flight.last_kind for flight in after if flight.last_kind in HITS]
    given = after[0].first_kind
    if given in HITS and (given in NEAR_HITS) != (kind == HIT_NEAR):
        return False
    return not coming or (coming[0] in NEAR_HITS) != (kind == HIT_NEAR)


def _with_bounce_between(
    before: tuple[Flight, ...], after: tuple[Flight, ...], kind: int
) -> tuple[Flight, ...] | None:
    """Two chains joined by a bounce that nobody saw, of a lost ball before a stroke that was seen.

    None where the ball had bounced already, or the stroke is on the wrong side of the net.
    """
    last, first = before[-1], after[0]
    if last.first_kind == BOUNCE or first.fit.start[1] * (1 if kind in NEAR_HITS else -1) > -1.0:
        return None
    unseen = replace(
        last, first=last.last, last=first.first, first_kind=BOUNCE, last_kind=kind,
        fit=_bounced(last, first),
    )
    struck = replace(first, first_kind=kind)
    return (*before[:-1], replace(last, last_kind=BOUNCE), unseen, struck, *after[1:])


def falls_s(state: Array) -> float:
    """Seconds until a ball (6,) meets the ground, without drag and lift."""
    high, rise = max(float(state[2]) - court.BALL_RADIUS_M, 0.0), float(state[5])
    return float((rise + np.sqrt(rise**2 + 2 * GRAVITY_MPS2 * high)) / GRAVITY_MPS2)


def _lands_within(last: Flight, gap_s: float) -> bool:
    """Whether a lost ball meets the ground well before a gap is over."""
    return falls_s(last.fit.end) < gap_s - LEAST_RISE_S


def _meet(last: Flight, first: Flight, gap_s: float) -> float | None:
    """y at which a flight carried on passes another carried back, None where none comes near."""
    came = last.fit.end if last.last_kind != BOUNCE else _after_bounce(last.fit.end)
    since = np.linspace(-0.05, gap_s + 0.05, 24)[:, None]
    fall = np.array([0.0, 0.0, -GRAVITY_MPS2 / 2])
    forth = came[:3] + came[3:] * since + fall * since**2
    until = since - gap_s
    back = first.fit.start[:3] + first.fit.start[3:] * until + fall * until**2
    apart = np.linalg.norm((forth - back)[:, :2], axis=1)
    high = np.minimum(forth[:, 2], back[:, 2]), np.maximum(forth[:, 2], back[:, 2])
    apart[(high[1] < STRUCK_M[0]) | (high[0] > STRUCK_M[1])] = np.inf
    best = int(np.argmin(apart))
    variance = np.trace(last.fit.end_cov[:2, :2]) + np.trace(first.fit.start_cov[:2, :2])
    allowed = APART_M + APART_MPS * max(gap_s, 0.0)
    if apart[best] > allowed + APART_SD * min(float(np.sqrt(variance)), MOST_SD_M):
        return None
    return float((forth[best, 1] + back[best, 1]) / 2)


def _bounced(last: Flight, first: Flight) -> arc.ArcFit:
    """The flight from a bounce to the start of another flight, of which no point was met."""
    return replace(
        last.fit, start=_after_bounce(last.fit.end), end=first.fit.start,
        start_cov=last.fit.end_cov, end_cov=first.fit.start_cov, spin_radps=np.zeros(2), cost=0.0,
        prior=0.0, n_points=0, rms_px=0.0,
    )


def _after_bounce(end: Array) -> Array:
    prior = rally.BouncePrior()
    ratio = np.array([prior.speed_ratio, prior.speed_ratio, -prior.restitution])
    return np.concatenate([end[:3], end[3:] * ratio])


def plain_first(
    kinds: tuple[int, ...], fit: rally.RallyFit, margin_m: float
) -> tuple[int, ...]:
    """Kinds with a first serve that cannot have been one called a stroke.

    A serve without a toss that lands outside the boxes, to which both players then play on, was a
    stroke of a rally whose start was not seen.
    """
    if kinds[0] not in SERVES or len(kinds) < 3 or kinds[1] != BOUNCE:
        return kinds
    if sum(kind in HITS for kind in kinds[2:]) < 2:
        return kinds
    x, y = fit.place[1, :2]
    out_m = max(abs(x) - court.HALF_SINGLES_M, abs(y) - court.SERVICE_LINE_M)
    if out_m <= margin_m + 3 * float(np.hypot(*fit.place_sd[1, :2])):
        return kinds
    return (HIT_NEAR if kinds[0] == SERVE_NEAR else HIT_FAR, *kinds[1:])
