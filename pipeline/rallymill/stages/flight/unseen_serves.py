"""Serves that are not seen well enough, between a toss and the ball on its way after them.

A serve crosses the court in half a second, and where compression or a dark ground swallows it there
are too few points for a flight of its own: the toss then seems to end in the hand, and the rally to
start out of nothing. A toss that comes down above every hand was struck.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from rallymill import court
from rallymill.flight import GRAVITY_MPS2
from rallymill.flightfit import arc
from rallymill.stages.flight.contacts import (
    BOUNCE,
    HAND_NEAR,
    HANDS,
    HITS,
    LOST,
    NEAR_HITS,
    NET,
    SERVE_FAR,
    SERVE_NEAR,
    SERVES,
    Contacts,
)
from rallymill.stages.flight.hypotheses import Flight

Array = NDArray[np.float64]

LEAST_STRUCK_M = 2.2
"""No toss is caught that high; serves are struck at 2.5 to 3.0 m (common practice, no source)."""
LONGEST_S = 0.75
"""A serve has bounced by then."""
SPEED_MPS = (14.0, 70.0)
"""Mean speed along the court from the stroke to where the ball is found again."""
GAINED = 1.25
"""A ball does not fly faster afterwards than it came on the whole, give or take what is fitted."""
LEAST_WAY_M = 3.0
MEET_M = 2.5
"""A flight that is carried back to the stroke without a bounce passes it so near."""


def served(
    before: tuple[Flight, ...], after: tuple[Flight, ...], contacts: Contacts
) -> tuple[Flight, ...] | None:
    """Two chains as one with the serve between them, None where there need not have been one.

    The first ends with a toss, or with a serve that was lost at once; the second starts on its way
    from the server, before the bounce or after it.
    """
    last, first = before[-1], after[0]
    if last.first_kind in HANDS and last.last_kind in HANDS:
        kind = SERVE_NEAR if last.last_kind == HAND_NEAR else SERVE_FAR
        at, place = last.last, last.fit.end[:3]
        head = (*before[:-1], replace(last, last_kind=kind))
    elif last.first_kind in SERVES and last.last_kind == LOST:
        kind, at, place = last.first_kind, last.first, last.fit.start[:3]
        head = before[:-1]
    else:
        return None
    near = kind == SERVE_NEAR
    away = 1.0 if near else -1.0
    gap_s = float(contacts.t_s[first.first] - contacts.t_s[at])
    if place[2] < LEAST_STRUCK_M or not 0.05 < gap_s <= LONGEST_S or first.first_kind != LOST:
        return None
    coming = [flight.last_kind for flight in after if flight.last_kind in HITS]
    if coming and (coming[0] in NEAR_HITS) == near:
        return None
    way = first.fit.start[:2] - place[:2]
    mean_mps = float(np.hypot(*way)) / gap_s
    level_mps = float(np.hypot(*first.fit.start[3:5]))
    if (
        way[1] * away < LEAST_WAY_M or first.fit.start[4] * away < SPEED_MPS[0] / 2
        or not SPEED_MPS[0] <= mean_mps <= SPEED_MPS[1] or level_mps > GAINED * mean_mps
    ):
        return None
    if first.last_kind in (BOUNCE, NET) and _comes_from(first, place, gap_s):
        return (*head, replace(first, first=at, first_kind=kind), *after[1:])
    serve = replace(
        first, first=at, last=first.first, first_kind=kind, last_kind=BOUNCE,
        fit=_thrown(first.fit, place, gap_s, int(contacts.index[first.first] - contacts.index[at])),
    )
    return (*head, serve, replace(first, first_kind=BOUNCE), *after[1:])


def _comes_from(first: Flight, place: Array, gap_s: float) -> bool:
    """Whether a flight carried back without drag and lift passes near a place."""
    back = first.fit.start[:3] - first.fit.start[3:] * gap_s
    back[2] -= GRAVITY_MPS2 / 2 * gap_s**2
    return bool(np.linalg.norm(back - place) < MEET_M)


def _thrown(fit: arc.ArcFit, place: Array, span_s: float, n_points: int) -> arc.ArcFit:
    """A flight from a place to the ground below the start of another, of which little was met."""
    end = np.array([*fit.start[:2], court.BALL_RADIUS_M])
    start = np.concatenate([place, (end - place) / span_s])
    start[5] += GRAVITY_MPS2 / 2 * span_s
    last = np.concatenate([end, start[3:]])
    last[5] -= GRAVITY_MPS2 * span_s
    return replace(
        fit, start=start, end=last, spin_radps=np.zeros(2), cost=0.0, prior=0.0,
        n_points=n_points, rms_px=0.0,
    )
