"""Which contacts there were: the cheapest reading of a path as flights that follow each other.

Dynamic programming over single flights (:mod:`~rallymill.stages.flight.hypotheses`) finds the chain
of least total cost, with all other points left unread at a fixed price each. Joining two flights
costs what their common contact does not agree in: place, within both covariances; for a bounce the
restitution, the loss of speed along the ground and the direction. Costs are negative log
likelihoods; the prices of contacts are common practice of model selection, no source, set on
synthetic rallies.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rallymill import court
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
    NET,
    OUTS,
    SERVE_FAR,
    SERVE_NEAR,
    Contacts,
)
from rallymill.stages.flight.hypotheses import UNREAD_COST, Flight
from rallymill.stages.flight.stitching import joined
from rallymill.stages.flight.unseen_serves import served

Array = NDArray[np.float64]

START_COST = {
    HIT_NEAR: 10.0, HIT_FAR: 10.0, SERVE_NEAR: 9.0, SERVE_FAR: 9.0, LOST: 14.0,
    **dict.fromkeys(HANDS, 8.0),
}
"""What a chain pays to start with a contact; others cannot start one."""
JOIN_COST = {
    HIT_NEAR: 3.0, HIT_FAR: 3.0, SERVE_NEAR: 0.0, SERVE_FAR: 0.0, BOUNCE: 3.0, NET: 7.0,
    **dict.fromkeys(HANDS, 2.0), **dict.fromkeys(OUTS, 5.0),
}
END_COST = {
    HIT_NEAR: 10.0, HIT_FAR: 10.0, BOUNCE: 2.0, NET: 5.0, LOST: 4.0, **dict.fromkeys(HANDS, 2.0),
    **dict.fromkeys(OUTS, 4.0),
}
ROLLING_COST = 0.8
"""For each path point outside any flight that moves slowly along the ground."""
ROLLING_MPS = 3.5
CORD_COST = 8.0
TWICE_COST = 10.0
"""Of a stroke after two bounces: the ball is dead by then."""
MISMATCH_CAP = 14.0
FLOOR_M = 0.08
"""Standard deviation added to places where two flights meet: times are not exact yet."""


@dataclass(frozen=True)
class Reading:
    """A chain of flights; each ends at the contact at which the next starts.

    ``parts`` are the two chains of which it was made where a stroke was not seen.
    """

    flights: tuple[Flight, ...]
    parts: tuple[Reading, ...] = ()


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
    before: list[Flight], after: list[Flight], kind: int, slack_s: float
) -> Array:
    """Cost (M, N) of meeting at a contact of a kind, for all pairs.

    The contact's time is known to about ``slack_s`` only; two flights that would meet a little
    earlier or later agree, so that their places may differ along the difference of velocities.
    """
    end = np.array([f.fit.end for f in before])
    start = np.array([f.fit.start for f in after])
    end_cov = np.array([f.fit.end_cov for f in before])
    start_cov = np.array([f.fit.start_cov for f in after])
    apart = start[None, :, :3] - end[:, None, :3]
    total = end_cov[:, None, :3, :3] + start_cov[None, :, :3, :3] + np.eye(3) * FLOOR_M**2
    change = (start[None, :, 3:] - end[:, None, 3:]) * slack_s * (1.4 if kind in HITS else 1.0)
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
        bounced = np.array([f.first_kind == BOUNCE for f in before])
        struck = np.array([f.last_kind in HITS for f in after])
        cost = cost + np.where(bounced[:, None] & struck[None], TWICE_COST, 0.0)
        # A ball does not turn back on the ground.
        cost = np.where((v_in[..., :2] * v_out[..., :2]).sum(-1) < 0, np.inf, cost)
    elif kind == NET:
        slowed = np.linalg.norm(v_out, axis=-1) <= np.linalg.norm(v_in, axis=-1) + 2.0
        cost = np.where(slowed, cost, np.inf)
        # The net stops a ball, all but a few that clip the tape and go on.
        goes_on = v_in[..., 1] * v_out[..., 1] > 0.25 * v_in[..., 1] ** 2
        cost = cost + np.where(goes_on, CORD_COST, 0.0)
    return cost


def read(
    flight_list: list[Flight], contacts: Contacts, unread: Array
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
                                    kind, float(contacts.slack_s[k]))
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


def merge(
    readings: tuple[Reading, ...], contacts: Contacts, within_s: float, unseen_s: float
) -> tuple[Reading, ...]:
    """Put chains together of which one ends and the next starts with the same player's stroke.

    A player strikes the ball once: two strokes of one player within ``within_s`` are one whose time
    neither chain met well. So are those between which a stroke was not seen for up to ``unseen_s``
    (:func:`~rallymill.stages.flight.stitching.joined`), and a toss and the ball on its way after it
    (:func:`~rallymill.stages.flight.unseen_serves.served`).
    """
    merged: list[Reading] = []
    for reading in readings:
        first = reading.flights[0]
        if merged:
            last = merged[-1].flights[-1]
            near = (first.first_kind in NEAR_HITS) == (last.last_kind in NEAR_HITS)
            if (first.first_kind in HITS and last.last_kind in HITS and near
                    and contacts.t_s[first.first] - contacts.t_s[last.last] < within_s):
                merged[-1] = Reading(merged[-1].flights + reading.flights)
                continue
            pair = merged[-1].flights, reading.flights
            both = joined(*pair, contacts, unseen_s)
            if both is None and unseen_s > 0:
                both = served(*pair, contacts)
            if both is not None:
                merged[-1] = Reading(both, (merged[-1], reading))
                continue
        merged.append(reading)
    return tuple(merged)
