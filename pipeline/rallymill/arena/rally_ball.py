"""The ball's way through net, bounces, fences and rolling, in pieces with known physics."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from rallymill import court, flight
from rallymill.arena.world import BallState

Array = NDArray[np.float64]

FENCE_Y_M = court.HALF_LENGTH_M + 6.40
FENCE_X_M = court.HALF_DOUBLES_M + 3.66
"""Run-back and side-run of international play (ITF Technical Booklet 2015, table 5)."""
ROLL_DECELERATION_MPS2 = 0.7
ROLL_BELOW_MPS = 0.45
"""A ball that leaves the ground slower than this upwards rolls on."""
NET_RETURN = 0.10
CORD_FROM = -0.1
"""A ball passes over the cord if its middle is above it by this share of its radius or more."""
CORD_TAKES = 0.28
CORD_KEEPS = 0.87
CORD_LIFTS = 0.35
"""A cord gives way: it takes this share of the speed into it, keeps a share of all speed by rubbing
and throws the ball up by less than a stiff bar would; common practice, no source."""
FENCE_RETURN = 0.18
SCAN_S = 0.01
MOST_PIECES = 40


@dataclass(frozen=True)
class Arc:
    """Motion of the ball from ``start_s`` to ``end_s``: free flight, or rolling.

    ``state`` (6,) and ``spin`` (2,) are those at ``start_s``; ``end_kind`` is the contact that ends
    it: hit, bounce, net, out_of_play (a fence) or rest.
    """

    start_s: float
    end_s: float
    state: Array
    spin: Array
    start_kind: str
    end_kind: str
    rolling: bool = False
    live: bool = False

    def at(self, t_s: float) -> Array:
        """State (6,) at a time."""
        return self.many(np.array([t_s]))[0]

    def many(self, times_s: Array) -> Array:
        """States (N, 6) at times in ascending order."""
        s = np.asarray(times_s, dtype=float) - self.start_s
        if not self.rolling:
            return flight.states(self.state, self.spin, s)
        speed = float(np.hypot(self.state[3], self.state[4]))
        out = np.tile(self.state, (len(s), 1))
        if speed > 0:
            spent = np.minimum(s, speed / ROLL_DECELERATION_MPS2)
            way = speed * spent - ROLL_DECELERATION_MPS2 * spent**2 / 2
            left = (speed - ROLL_DECELERATION_MPS2 * spent) / speed
            out[:, 0:2] += self.state[3:5] / speed * way[:, None]
            out[:, 3:5] = self.state[3:5] * left[:, None]
        return out

    def end(self) -> Array:
        """State (6,) when it ends, before the contact."""
        return self.at(self.end_s)


def net_crossing(state: Array, spin: Array, span_s: float) -> tuple[float, Array] | None:
    """Time after the start and state (6,) at which a flight passes the plane of the net."""
    if span_s <= 0:
        return None
    times = np.append(np.arange(0.0, span_s, SCAN_S), span_s)
    y = flight.states(state, spin, times)[:, 1]
    crossed = np.nonzero(y[:-1] * y[1:] < 0)[0]
    if not len(crossed):
        return None
    i = int(crossed[0])
    share = y[i] / (y[i] - y[i + 1])
    time = float(times[i] + share * (times[i + 1] - times[i]))
    return time, flight.states(state, spin, np.array([time]))[0]


def _fence_time(state: Array, spin: Array, span_s: float) -> float | None:
    """Time at which a flight meets a fence, None if it does not."""
    times = np.append(np.arange(0.0, span_s, SCAN_S), span_s)
    path = flight.states(state, spin, times)
    found: list[float] = []
    for axis, limit in ((0, FENCE_X_M), (1, FENCE_Y_M)):
        away = np.abs(path[:, axis])
        passed = np.nonzero((away[:-1] <= limit) & (away[1:] > limit))[0]
        if len(passed):
            i = int(passed[0])
            share = (limit - away[i]) / (away[i + 1] - away[i])
            found.append(float(times[i] + share * (times[i + 1] - times[i])))
    return min(found) if found else None


def _after_net(state: Array) -> Array:
    out = state.copy()
    side = -np.sign(state[4])
    out[1] = side * 0.02
    out[4] = side * max(0.3, NET_RETURN * abs(state[4]))
    out[3] *= 0.35
    out[5] *= 0.3
    return out


def _off_cord(state: Array, top_m: float) -> Array:
    """State after the cord was touched from above.

    The cord is taken as a line below the ball: the higher the ball, the less it is held. The speed
    falls by more than the lift can give back, so energy never rises.
    """
    out = state.copy()
    rise = float(np.clip((state[2] - top_m) / flight.BALL_RADIUS_M, 0.0, 1.0))
    forward = float(np.sign(state[4]))
    normal = np.array([0.0, -forward * np.sqrt(1 - rise**2), rise])
    into = min(0.0, float(state[3:6] @ normal))
    held = CORD_TAKES * into * normal
    held[2] *= CORD_LIFTS
    out[3:6] = (CORD_KEEPS + (1 - CORD_KEEPS) * rise**2) * state[3:6] - held
    out[1] = forward * 1e-3
    return out


def passed_cord(arc: Arc, following: Arc | None) -> bool:
    """Whether an arc ends at the net and the ball goes on across it."""
    return (
        arc.end_kind == "net" and following is not None and arc.state[4] * following.state[4] > 0
    )


def first_landing(arcs: Sequence[Arc]) -> int:
    """Index of the arc of a stroke that ends in its first contact other than a passed net cord."""
    for index, arc in enumerate(arcs):
        if not passed_cord(arc, arcs[index + 1] if index + 1 < len(arcs) else None):
            return index
    return len(arcs) - 1


def _after_fence(state: Array) -> Array:
    out = state.copy()
    back = FENCE_Y_M - abs(state[1]) < FENCE_X_M - abs(state[0])
    into, along = (1, 0) if back else (0, 1)
    limit = (FENCE_X_M, FENCE_Y_M)[into]
    # A hair inside, so that the next flight does not start beyond it.
    out[into] = np.sign(state[into]) * (limit - 1e-4)
    out[3 + into] *= -FENCE_RETURN
    out[3 + along] *= 0.4
    out[5] *= 0.5
    return out


def follow(
    start_s: float,
    state: Array,
    spin: Array,
    surface: flight.Surface,
    start_kind: str,
    most_contacts: int = MOST_PIECES,
) -> list[Arc]:
    """Arcs of a ball left to itself, up to a number of contacts or until it rests."""
    arcs: list[Arc] = []
    now, kind = start_s, start_kind
    state, spin = np.asarray(state, dtype=float), np.asarray(spin, dtype=float)
    while len(arcs) < most_contacts:
        span, low = flight.fall_to(state, spin)
        end_kind = "bounce"
        if not np.isfinite(span):
            break
        top = 0.0
        crossing = net_crossing(state, spin, span)
        if crossing is not None:
            time, at_net = crossing
            top = float(court.net_height_m(at_net[0]))
            beside = abs(at_net[0]) > court.DOUBLES_POST_X_M
            if at_net[2] - flight.BALL_RADIUS_M < top and not beside:
                span, low, end_kind = time, at_net, "net"
        fence = _fence_time(state, spin, span)
        if fence is not None:
            span, end_kind = fence, "out_of_play"
            low = flight.states(state, spin, np.array([span]))[0]
        arcs.append(Arc(now, now + span, state, spin, kind, end_kind))
        now, kind = now + span, end_kind
        if end_kind == "bounce":
            state, spin = flight.bounce(low, spin, surface)
            if state[5] < ROLL_BELOW_MPS:
                arcs.append(_roll(now, state))
                break
        elif end_kind == "net" and low[2] - top >= CORD_FROM * flight.BALL_RADIUS_M:
            state, spin = _off_cord(low, top), 0.4 * spin
        elif end_kind == "net":
            state, spin = _after_net(low), np.zeros(2)
        else:
            state, spin = _after_fence(low), np.zeros(2)
        if np.hypot(state[3], state[4]) > 1e-6 or state[5] != 0:
            state[2] = max(state[2], flight.BALL_RADIUS_M)
    return arcs


def _roll(now_s: float, state: Array) -> Arc:
    start = state.copy()
    start[2], start[5] = flight.BALL_RADIUS_M, 0.0
    speed = float(np.hypot(start[3], start[4]))
    # It stops at the net or a fence at the latest.
    span = speed / ROLL_DECELERATION_MPS2
    longest = [span]
    for axis, limit in ((0, FENCE_X_M), (1, FENCE_Y_M)):
        v = start[3 + axis]
        if abs(v) > 1e-6:
            goal = np.sign(v) * limit
            if axis == 1 and start[1] * v < 0:
                goal = 0.0
            longest.append(_roll_time(speed, abs(goal - start[axis]) * speed / abs(v)))
    return Arc(now_s, now_s + min(longest), start, np.zeros(2), "bounce", "rest", rolling=True)


def _roll_time(speed: float, way_m: float) -> float:
    """Time in which a rolling ball covers a way; infinite if it stops before."""
    inside = speed**2 - 2 * ROLL_DECELERATION_MPS2 * way_m
    return (speed - np.sqrt(inside)) / ROLL_DECELERATION_MPS2 if inside >= 0 else float("inf")


def cut(arcs: list[Arc], t_s: float, kind: str) -> list[Arc]:
    """Arcs up to a time at which something meets the ball."""
    kept = [arc for arc in arcs if arc.start_s < t_s]
    if kept:
        kept[-1] = replace(kept[-1], end_s=t_s, end_kind=kind)
    return kept


def sample(arcs: list[Arc], times_s: Array) -> Array:
    """States (N, 6) along contiguous arcs at ascending times within them."""
    out = np.empty((len(times_s), 6))
    starts = np.array([arc.start_s for arc in arcs])
    which = np.clip(np.searchsorted(starts, times_s, side="right") - 1, 0, len(arcs) - 1)
    for index in np.unique(which):
        rows = which == index
        out[rows] = arcs[index].many(times_s[rows])
    return out


@dataclass
class BallTrack:
    """Everything a ball does in a world: arcs in time order, with gaps while it is in a hand.

    A resting ball stays visible until ``gone_s`` of its last arc's rally.
    """

    arcs: list[Arc] = field(default_factory=list)
    rests: list[tuple[float, float, Array]] = field(default_factory=list)

    def finish(self) -> None:
        """Order the arcs and prepare look-ups."""
        self.arcs.sort(key=lambda arc: arc.start_s)
        self._starts = [arc.start_s for arc in self.arcs]

    def at(self, t_s: float) -> BallState | None:
        """State at a time, None while it is not to be seen."""
        index = bisect_right(self._starts, t_s) - 1
        if index >= 0 and t_s <= self.arcs[index].end_s:
            arc = self.arcs[index]
            state = arc.at(t_s)
            return BallState(state[0:3], state[3:6], arc.live)
        for start, end, place in self.rests:
            if start <= t_s <= end:
                return BallState(place, np.zeros(3), False)
        return None
