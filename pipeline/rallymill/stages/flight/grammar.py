"""Which contacts there were: the cheapest reading of a path as flights that follow each other.

Every pair of possible contacts, with every kind that each may be, is tried as one free flight and
fitted in three dimensions (:mod:`rallymill.flightfit.arc`). Dynamic programming over the flights
then finds the chain of least total cost, with all other points left unread at a fixed price each.
Joining two flights costs what their common contact does not agree in: place, within both
covariances; for a bounce the restitution, the loss of speed along the ground and the direction; for
a stroke the reversal of the flight. Costs are negative log likelihoods.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rallymill import court
from rallymill.flightfit import arc
from rallymill.stages.flight.candidates import Candidates
from rallymill.stages.flight.contacts import (
    BOUNCE,
    HANDS,
    HIT_FAR,
    HIT_NEAR,
    HITS,
    KINDS,
    LOST,
    NEAR_HITS,
    NEAR_KINDS,
    NET,
    OUT_FAR,
    OUT_LEFT,
    OUT_NEAR,
    OUT_RIGHT,
    OUTS,
    RUN_BACK_M,
    SERVE_FAR,
    SERVE_NEAR,
    SERVES,
    SIDE_RUN_M,
    Contacts,
    Player,
)

Array = NDArray[np.float64]
FREE = np.inf

START_COST = {
    HIT_NEAR: 8.0, HIT_FAR: 8.0, SERVE_NEAR: 6.0, SERVE_FAR: 6.0, LOST: 9.0,
    **dict.fromkeys(HANDS, 2.0),
}
"""What a chain pays to start with a contact; others cannot start one."""
JOIN_COST = {
    HIT_NEAR: 3.0, HIT_FAR: 3.0, SERVE_NEAR: 0.0, SERVE_FAR: 0.0, BOUNCE: 3.0, NET: 7.0,
    **dict.fromkeys(HANDS, 2.0), **dict.fromkeys(OUTS, 5.0),
}
END_COST = {
    HIT_NEAR: 6.0, HIT_FAR: 6.0, BOUNCE: 2.0, NET: 5.0, LOST: 4.0, **dict.fromkeys(HANDS, 2.0),
    **dict.fromkeys(OUTS, 4.0),
}
UNREAD_COST = 3.0
"""For each path point outside any flight."""
ROLLING_COST = 0.8
"""For each path point outside any flight that moves slowly along the ground."""
ROLLING_MPS = 3.5
MISMATCH_CAP = 14.0
FLOOR_M = 0.08
"""Standard deviation added to places where two flights meet: times are not exact yet."""


@dataclass(frozen=True)
class Flight:
    """A pair of contacts read as one free flight."""

    first: int
    last: int
    first_kind: int
    last_kind: int
    fit: arc.ArcFit

    @property
    def cost(self) -> float:
        """Negative log likelihood of points and priors."""
        return self.fit.cost + self.fit.prior


@dataclass(frozen=True)
class Reading:
    """A chain of flights; each ends at the contact at which the next starts."""

    flights: tuple[Flight, ...]


def place_prior(
    kind: int, t_s: float, who: dict[str, Player], serve_height_m: float = 2.65
) -> tuple[Array, Array]:
    """Mean and standard deviation (3,) of where a contact of a kind can be."""
    if kind == BOUNCE:
        return np.array([0, 0, court.BALL_RADIUS_M]), np.array([FREE, FREE, 0.06])
    if kind == NET:
        return np.array([0, 0, 0.7]), np.array([6.0, 0.05, 0.4])
    if kind == LOST:
        return np.array([0, 0, 1.5]), np.array([8.0, 12.0, 2.5])
    if kind in OUTS:
        axis = 1 if kind in (OUT_NEAR, OUT_FAR) else 0
        mean, sd = np.array([0.0, 0.0, 1.0]), np.array([6.0, 10.0, 1.2])
        mean[axis] = {OUT_NEAR: -RUN_BACK_M, OUT_FAR: RUN_BACK_M, OUT_LEFT: -SIDE_RUN_M,
                      OUT_RIGHT: SIDE_RUN_M}[kind]
        sd[axis] = 1.0
        return mean, sd
    near = kind in NEAR_KINDS
    sign = -1.0 if near else 1.0
    found = who["near" if near else "far"].at(t_s, 1.0)
    if found is None:
        return (np.array([0.0, sign * 11.9, 1.2]), np.array([4.0, 3.5, 0.8]))
    feet = found[0]
    if kind in HANDS:
        return np.array([feet[0], feet[1] - sign * 0.2, 1.4]), np.array([0.6, 0.5, 0.5])
    if kind in SERVES:
        return (np.array([feet[0], feet[1] - sign * 0.3, serve_height_m]),
                np.array([0.6, 0.5, 0.25]))
    return np.array([feet[0], feet[1] - sign * 0.3, 1.15]), np.array([0.9, 0.8, 0.7])


def spin_prior(kind: int) -> tuple[Array, Array]:
    """Mean and standard deviation (2,) of topspin and sidespin after a contact, rad/s.

    A ball leaves the ground turning about as fast as it rolls; strokes vary more than that.
    """
    if kind == BOUNCE:
        return np.array([350.0, 0.0]), np.array([150.0, 60.0])
    if kind in HANDS or kind in OUTS:
        return np.array([0.0, 0.0]), np.array([20.0, 20.0])
    if kind in SERVES:
        return np.array([150.0, 0.0]), np.array([150.0, 80.0])
    return np.array([80.0, 0.0]), np.array([200.0, 60.0])


def _allowed(first_kind: int, last_kind: int, first_t: float, last_t: float) -> bool:
    span = last_t - first_t
    if last_kind in SERVES:
        # Only a toss leads to a serve.
        return (first_kind, last_kind) in zip(HANDS, SERVES, strict=True) and 0.25 < span < 1.8
    if first_kind in HANDS or last_kind in HANDS:
        other = last_kind if first_kind in HANDS else first_kind
        return other in (BOUNCE, first_kind) and 0.1 < span < 1.8
    if first_kind in OUTS or last_kind in OUTS:
        if first_kind in OUTS:
            return last_kind in (BOUNCE, LOST)
        return first_kind in (BOUNCE, *HITS)
    if first_kind == LOST == last_kind:
        return False
    if first_kind in HITS and last_kind in HITS:
        if (first_kind in NEAR_HITS) == (last_kind in NEAR_HITS):
            return False
        return span > 0.15
    if first_kind in HITS and last_kind == BOUNCE:
        return span > 0.10
    if first_kind == BOUNCE == last_kind:
        return 0.10 < span < 1.6
    if first_kind == NET and last_kind in HITS:
        return span > 0.2
    return True


def _sensible(flight: Flight) -> bool:
    """Whether a fitted flight can be what its kinds say."""
    start, end = flight.fit.start, flight.fit.end
    if min(start[2], end[2]) < -0.5 or max(start[2], end[2]) > 25 or abs(end[1]) > 30:
        return False
    if flight.first_kind in HANDS or flight.last_kind in HANDS:
        gentle = max(np.hypot(start[3], start[4]), np.hypot(end[3], end[4])) < 3.0
        if flight.last_kind in SERVES:
            return bool(gentle and start[5] > 2.0 and end[2] > start[2])
        return bool(gentle and max(abs(start[5]), abs(end[5])) < 9.0)
    if flight.first_kind in OUTS and np.linalg.norm(start[3:]) > 12.0:
        return False
    if flight.first_kind in HITS:
        away = 1.0 if flight.first_kind in NEAR_HITS else -1.0
        slowest = 18.0 if flight.first_kind in SERVES else 5.0
        if start[4] * away < slowest or np.linalg.norm(start[3:]) < 8.0:
            return False
        if start[1] * away > 0.5 or start[2] < -0.1:
            return False
    if flight.first_kind == BOUNCE and start[5] < 0.2:
        return False
    if flight.last_kind == BOUNCE:
        if end[5] > -0.3:
            return False
        if flight.first_kind in HITS:
            # A stroke's first bounce is beyond the net or, off the net or the frame, before it.
            away = 1.0 if flight.first_kind in NEAR_HITS else -1.0
            if end[1] * away < 0.0:
                return False
    if flight.last_kind in HITS:
        toward = -1.0 if flight.last_kind in NEAR_HITS else 1.0
        if end[4] * toward < 0.5 or end[1] * toward < -0.5 or end[2] < -0.1:
            return False
        if flight.first_kind == BOUNCE and start[1] * toward < 0.0:
            return False
    if flight.first_kind in HITS and flight.last_kind != NET:
        return not _through_net(flight)
    return True


def _through_net(flight: Flight) -> bool:
    """Whether the flight passes the net's plane clearly below its top."""
    y0, y1 = flight.fit.start[1], flight.fit.end[1]
    if y0 * y1 >= 0:
        return False
    share = y0 / (y0 - y1)
    # Height by the parabola through both ends, good enough for a clear verdict.
    span = 2 * (y1 - y0) / max(abs(flight.fit.start[4] + flight.fit.end[4]), 1.0)
    sag = 0.5 * 9.81 * span * span * share * (1 - share)
    z = flight.fit.start[2] * (1 - share) + flight.fit.end[2] * share + sag
    return bool(z < 0.45)


def flights(
    path: Candidates, matrix: Array, sigma_px: Array, contacts: Contacts, who: dict[str, Player],
    period_s: float, longest_s: float = 3.2, meeting_sigma_px: float = 4.0,
    serve_height_m: float = 2.65,
) -> list[Flight]:
    """All pairs of contacts that can be one free flight, fitted; ``matrix`` (N, 3, 4)."""
    found: list[Flight] = []
    priors = [
        {kind: place_prior(kind, float(t_s), who, serve_height_m) for kind in kinds}
        for t_s, kinds in zip(contacts.t_s, contacts.kinds, strict=True)
    ]
    anywhere = place_prior(LOST, 0.0, who)
    any_spin = (np.array([150.0, 0.0]), np.array([250.0, 80.0]))
    spins = {kind: spin_prior(kind) for kind in KINDS}
    struck = np.array([any(kind in HITS for kind in kinds) for kinds in contacts.kinds])
    for a in range(len(contacts)):
        hopeless = 0
        for b in range(a + 1, len(contacts)):
            span = contacts.t_s[b] - contacts.t_s[a]
            if span > longest_s or hopeless >= 6:
                break
            pairs = [
                (first_kind, last_kind)
                for first_kind in contacts.kinds[a] for last_kind in contacts.kinds[b]
                if _allowed(first_kind, last_kind, contacts.t_s[a], contacts.t_s[b])
            ]
            if not pairs:
                continue
            data = _between(path, matrix, sigma_px, contacts, a, b, struck, period_s,
                            meeting_sigma_px)
            limit = UNREAD_COST * (contacts.index[b] - contacts.index[a]) + 14.0
            loose = arc.fit(*data, *anywhere, *anywhere, *any_spin, give_up=limit * 2, turns=5)
            hopeless = hopeless + 1 if loose.cost > limit + 10 else 0
            if loose.cost > limit:
                continue
            for first_kind, last_kind in pairs:
                fit = arc.fit(
                    *data, *priors[a][first_kind], *priors[b][last_kind], *spins[first_kind],
                    give_up=limit * 1.5 + 10, turns=6,
                )
                flight = Flight(a, b, first_kind, last_kind, fit)
                if fit.cost <= limit and _sensible(flight):
                    found.append(flight)
    return found


def _between(
    path: Candidates, matrix: Array, sigma_px: Array, contacts: Contacts, a: int, b: int,
    struck: NDArray[np.bool_], period_s: float, meeting_sigma_px: float,
) -> tuple[Array, float, Array, Array, Array]:
    """Times after the start, span, image points, cameras and deviations between two contacts.

    Where the two ends were seen to meet counts as one weak point each. Points within a frame of a
    possible stroke may belong to the other side of it, and count little.
    """
    inside = np.arange(contacts.index[a], contacts.index[b])
    span = float(contacts.t_s[b] - contacts.t_s[a])
    after = path.t_s[inside] - contacts.t_s[a]
    sigma = sigma_px[inside].copy()
    if len(inside) > 4:
        close = 0.8 * period_s
        sigma[((after < close) & struck[a]) | ((span - after < close) & struck[b])] *= 3.0
    tau = np.concatenate([[0.0], after, [span]])
    uv = np.concatenate([
        contacts.image_px[a][None], path.image_px[inside], contacts.image_px[b][None]
    ])
    cameras = np.concatenate([contacts.matrix[a][None], matrix[inside], contacts.matrix[b][None]])
    return tau, span, uv, cameras, np.concatenate([[meeting_sigma_px], sigma, [meeting_sigma_px]])


def unread_costs(path: Candidates, matrix: Array) -> Array:
    """Price (N,) of leaving each path point unread; low where it may roll along the ground."""
    plane = np.stack([
        matrix[:, :, 0], matrix[:, :, 1], matrix[:, :, 2] * court.BALL_RADIUS_M + matrix[:, :, 3]
    ], axis=-1)
    h = np.linalg.solve(plane, np.column_stack([path.image_px, np.ones(len(path))])[..., None])
    ground = h[:, :2, 0] / h[:, 2:, 0]
    price = np.full(len(path), UNREAD_COST)
    for i in range(len(path)):
        low, high = np.searchsorted(path.t_s, [path.t_s[i] - 0.16, path.t_s[i] + 0.16])
        if high - low < 4 or (h[low:high, 2, 0] <= 0).any():
            continue
        t = path.t_s[low:high] - path.t_s[i]
        speed = np.polynomial.polynomial.polyfit(t, ground[low:high], 1)[1]
        if np.hypot(*speed) < ROLLING_MPS:
            price[i] = ROLLING_COST
    return price


def _join_costs(
    before: list[Flight], after: list[Flight], kind: int, period_s: float
) -> Array:
    """Cost (M, N) of meeting at a contact of a kind, for all pairs.

    The contact's time is known to a part of a frame only; two flights that would meet a little
    earlier or later agree, so that their places may differ along the difference of velocities.
    """
    end = np.array([f.fit.end for f in before])
    start = np.array([f.fit.start for f in after])
    end_cov = np.array([f.fit.end_cov for f in before])
    start_cov = np.array([f.fit.start_cov for f in after])
    apart = start[None, :, :3] - end[:, None, :3]
    total = end_cov[:, None, :3, :3] + start_cov[None, :, :3, :3] + np.eye(3) * FLOOR_M**2
    late = (0.7 if kind in HITS else 0.25) * period_s
    change = (start[None, :, 3:] - end[:, None, 3:]) * late
    total = total + change[..., :, None] * change[..., None, :]
    solved = np.linalg.solve(total, apart[..., None])[..., 0]
    cost = np.minimum(0.5 * np.sum(apart * solved, axis=-1), MISMATCH_CAP)
    cost = cost + JOIN_COST[kind]
    v_in, v_out = end[:, None, 3:], start[None, :, 3:]
    var = (np.einsum("mii->mi", end_cov[:, 3:, 3:])[:, None]
           + np.einsum("nii->ni", start_cov[:, 3:, 3:])[None])
    if kind == BOUNCE:
        down = np.maximum(-v_in[..., 2], 0.3)
        restitution = v_out[..., 2] / down
        sd = np.sqrt(0.12**2 + var[..., 2] / down**2)
        level_in = np.linalg.norm(v_in[..., :2], axis=-1)
        level_out = np.linalg.norm(v_out[..., :2], axis=-1)
        ratio = level_out / np.maximum(level_in, 0.5)
        ratio_sd = np.sqrt(0.15**2 + (var[..., 0] + var[..., 1]) / np.maximum(level_in, 1.0) ** 2)
        turn = (v_in[..., 0] * v_out[..., 1] - v_in[..., 1] * v_out[..., 0]) / np.maximum(
            level_in * level_out, 1.0
        )
        turn_sd = np.sqrt(0.08**2 + var[..., 0] / np.maximum(level_in, 1.0) ** 2)
        physics = (0.5 * ((restitution - 0.78) / sd) ** 2 + 0.5 * ((ratio - 0.72) / ratio_sd) ** 2
                   + 0.5 * (turn / turn_sd) ** 2)
        cost = cost + np.minimum(physics, 15.0)
        # A ball does not turn back on the ground.
        cost = np.where((v_in[..., :2] * v_out[..., :2]).sum(-1) < 0, np.inf, cost)
    elif kind == NET:
        slowed = np.linalg.norm(v_out, axis=-1) <= np.linalg.norm(v_in, axis=-1) + 2.0
        cost = np.where(slowed, cost, np.inf)
    return cost


def read(
    flight_list: list[Flight], contacts: Contacts, unread: Array, period_s: float
) -> tuple[Reading, ...]:
    """Chains of flights of least total cost, in time order.

    ``unread`` (N,) is the price of leaving each path point out of any flight.
    """
    skipped = np.concatenate([[0.0], np.cumsum(unread)])[contacts.index]
    n = len(contacts)
    if not flight_list:
        return ()
    starting: dict[tuple[int, int], list[int]] = {}
    ending: dict[tuple[int, int], list[int]] = {}
    for i, flight in enumerate(flight_list):
        starting.setdefault((flight.first, flight.first_kind), []).append(i)
        ending.setdefault((flight.last, flight.last_kind), []).append(i)
    value = np.full(len(flight_list), np.inf)
    before = np.full(len(flight_list), -1)
    idle = np.full(n, np.inf)
    idle_from = np.full(n, -1)
    idle[0] = skipped[0]
    for k in range(n):
        if k:
            idle[k] = idle[k - 1] + skipped[k] - skipped[k - 1]
        for kind, price in END_COST.items():
            for i in ending.get((k, kind), ()):
                if value[i] + price < idle[k]:
                    idle[k] = value[i] + price
                    idle_from[k] = i
        for kind in KINDS:
            after = starting.get((k, kind))
            if not after:
                continue
            costs = np.array([flight_list[i].cost for i in after])
            if kind in START_COST:
                value[after] = idle[k] + START_COST[kind] + costs
                before[after] = -1
            ends = ending.get((k, kind))
            if ends and kind in JOIN_COST:
                joins = _join_costs([flight_list[i] for i in ends], [flight_list[i] for i in after],
                                    kind, period_s)
                totals = value[ends][:, None] + joins + costs[None]
                best = np.argmin(totals, axis=0)
                better = totals[best, np.arange(len(after))] < value[after]
                for column in np.flatnonzero(better):
                    value[after[column]] = totals[best[column], column]
                    before[after[column]] = ends[best[column]]
    chains: list[Reading] = []
    k = n - 1
    while k >= 0:
        if idle_from[k] < 0:
            k -= 1
            continue
        chain = []
        i = int(idle_from[k])
        while i >= 0:
            chain.append(flight_list[i])
            i = int(before[i])
        chains.append(Reading(tuple(chain[::-1])))
        k = chain[-1].first
        # The chain started from the idle state at its first contact.
    return tuple(chains[::-1])
