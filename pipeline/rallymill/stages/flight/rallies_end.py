"""How a rally ends: where the ball is dead, and where it goes when it is seen no more."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rallymill import court, flight
from rallymill.flightfit import rally
from rallymill.stages.flight.candidates import Picture
from rallymill.stages.flight.contacts import (
    BOUNCE,
    HITS,
    LOST,
    NEAR_HITS,
    NET,
    OUTS,
    RUN_BACK_M,
    SERVES,
    SIDE_ROLES,
    Player,
)

Array = NDArray[np.float64]

FENCE_MARGIN_M = 0.2
UNSURE_M, UNSURE_SD_M = 2.8, 0.8
"""A bounce so near the fence that is known no better than this may be the fence."""
ALONE_S, REACHED_M, OVER_NET_M = 0.4, 2.5, 0.1
"""So long a ball is followed to the ground where it is lost on its way and nobody reaches it, nor
does the net; how far players reach, and by how much it has to clear the net."""
SOON_S, UNSURE_S = 0.12, 0.04
"""What comes so soon after the last point nobody can have changed; a last bounce whose time is
known no better than this, about a frame, is none."""
UNSEEN_S = 0.7
"""A ball that has left the picture is followed to the ground for so long."""


@dataclass(frozen=True)
class Guess:
    """Kinds (M,), times (M,), places (M, 3); velocities and spins of flights (M - 1, ...).

    ``time_sd_s`` (M,) says how far each time may be off.
    """

    kinds: tuple[int, ...]
    time_s: Array
    place: Array
    velocity: Array
    spin: Array
    time_sd_s: Array


def _out_by_m(place: Array, serve_from: Array | None) -> float:
    """How far a first bounce lies outside, negative inside; of a serve, outside the box."""
    x, y = float(place[0]), float(place[1])
    if serve_from is None:
        return max(abs(x) - court.HALF_SINGLES_M, abs(y) - court.HALF_LENGTH_M)
    return max(abs(x) - court.HALF_SINGLES_M, abs(y) - court.SERVICE_LINE_M)


def cut_dead(kinds: tuple[int, ...], fit: rally.RallyFit, margin_m: float) -> tuple[int, bool]:
    """Number of contacts that are play, and whether the ball was dead then.

    Dead: a second bounce, a first bounce clearly out (by more than three deviations and a margin),
    a bounce on the striker's own side, the net and then a bounce before it, a fence. One contact
    more than that is kept if it is no stroke, as it tells where the dead ball went.
    """
    striker: int | None = None
    bounces = 0
    for k, kind in enumerate(kinds):
        if kind in HITS:
            striker, bounces = k, 0
            continue
        dead = kind in OUTS
        if kind == BOUNCE:
            bounces += 1
            dead = bounces >= 2
            if striker is not None:
                away = 1 if kinds[striker] in NEAR_HITS else -1
                sd = float(np.hypot(*fit.place_sd[k, :2]))
                serve = fit.place[striker] if kinds[striker] in SERVES else None
                dead |= fit.place[k, 1] * away < -3 * sd
                dead |= _out_by_m(fit.place[k], serve) > margin_m + 3 * sd
        if dead:
            after_net = k > 0 and kinds[k - 1] == NET
            onward = kinds[k + 1] if k + 1 < len(kinds) else LOST
            more = not after_net and (
                onward in OUTS or (onward == BOUNCE and not by_the_fence(fit, k + 1))
            )
            return k + 1 + more, True
    return len(kinds), False


def by_the_fence(fit: rally.RallyFit, k: int) -> bool:
    """Whether a contact lies so near the fence behind a court that the fence may be what it met.

    Seen from behind the court, a ball that meets the fence in the air looks like one that meets the
    ground beyond it; where the place is not sure, like one somewhat before it.
    """
    left = RUN_BACK_M - abs(fit.place[k, 1])
    return bool(left < FENCE_MARGIN_M or (left < UNSURE_M and fit.place_sd[k, 1] > UNSURE_SD_M))


def land(
    guess: Guess, seen_s: Array, view: Picture, who: dict[str, Player], within_s: float = SOON_S
) -> Guess:
    """Let a last flight that is lost just before it must meet the ground end in a bounce.

    Within ``within_s`` of the last point seen nothing else can happen to a falling ball but a
    stroke, and a stroke would have been seen as the start of another flight. A ball that comes down
    outside the picture is followed for longer: there it cannot be seen. Not so after a bounce: who
    meets it there is not seen either.
    """
    if guess.kinds[-1] != LOST or len(guess.kinds) < 2 or not len(seen_s):
        return guess
    start = np.concatenate([guess.place[-2], guess.velocity[-1]])
    fall, state = flight.fall_to(start, guess.spin[-1], limit_s=4.0)
    at_s = guess.time_s[-2] + fall
    last_s = float(seen_s[seen_s <= guess.time_s[-1] + 1e-6].max(initial=guess.time_s[-2]))
    if np.isfinite(fall) and guess.kinds[-2] != BOUNCE and not _in_view(state[:3], at_s, view):
        within_s = UNSEEN_S
    elif (np.isfinite(fall) and guess.kinds[-2] != BOUNCE
            and _alone(start, guess, last_s, at_s, who)):
        within_s = ALONE_S
    if not np.isfinite(fall) or not -0.05 <= at_s - last_s <= within_s or fall < 0.1:
        return guess
    times, place = guess.time_s.copy(), guess.place.copy()
    times[-1], place[-1] = at_s, state[:3]
    time_sd = np.append(guess.time_sd_s[:-1], 0.06)
    return Guess((*guess.kinds[:-1], BOUNCE), times, place, guess.velocity, guess.spin, time_sd)


def unsure_landing(fit: rally.RallyFit, view: Picture) -> bool:
    """Whether a fitted rally ends in a bounce that is hardly known in time: nobody saw it.

    Outside the picture nothing better can be had.
    """
    return bool(
        fit.time_sd[-1] > UNSURE_S and _in_view(fit.place[-1], float(fit.time_s[-1]), view)
    )


def _alone(
    start: Array, guess: Guess, last_s: float, at_s: float, who: dict[str, Player]
) -> bool:
    """Whether a ball not seen from one time to another passes neither player nor net."""
    times = np.linspace(last_s, max(at_s, last_s + 0.01), 8)
    path = flight.states(start, guess.spin[-1], times - guess.time_s[-2])
    if path[0, 1] * path[-1, 1] < 0:
        way = path[np.argsort(path[:, 1])]
        x, z = (float(np.interp(0.0, way[:, 1], way[:, axis])) for axis in (0, 2))
        if z < court.net_height_m(x) + OVER_NET_M:
            return False
    for role in SIDE_ROLES:
        for t_s, state in zip(times, path, strict=True):
            known = who[role].at(float(t_s))
            if known is None:
                if (state[1] < 0) == (role == "near"):
                    return False
            elif np.hypot(*(state[:2] - known[0])) < REACHED_M:
                return False
    return True


def _in_view(place_m: Array, t_s: float, view: Picture) -> bool:
    """Whether a place is within the picture, by the camera that is known nearest to a time."""
    u, v, w = view.matrix[view.nearest(t_s)] @ np.append(place_m, 1.0)
    return bool(w > 0 and 0 <= u / w < view.width_px and 0 <= v / w < view.height_px)
