"""Single flights: every pair of possible contacts, with every kind that each may be, fitted.

A pair is first fitted with free ends; only where that meets the points are the kinds tried, each
with its own knowledge of the place (:mod:`~rallymill.stages.flight.priors`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rallymill import court
from rallymill.flightfit import arc
from rallymill.stages.flight import trust
from rallymill.stages.flight.candidates import Candidates
from rallymill.stages.flight.contacts import (
    BOUNCE,
    HANDS,
    HITS,
    KINDS,
    LOST,
    NEAR_HITS,
    NET,
    OUTS,
    SERVES,
    Contacts,
    Player,
)
from rallymill.stages.flight.priors import place_prior, spin_prior

Array = NDArray[np.float64]

UNREAD_COST = 3.0
"""For each path point outside any flight; a flight whose points cost more explains nothing."""

FALL_MPS = 4.0
"""About how fast a ball moves up or down at a bounce."""
ALONG_MPS = 15.0
"""About how fast a ball flies that meets the net."""
FAST_SERVE_MPS, FAST_STROKE_MPS, SPEED_SD_MPS = 62.0, 38.0, 6.0
"""Few serves and strokes are faster, and how few; common practice, no source."""
LEAST_BELOW_M, BELOW_SD_M = 0.35, 0.12
"""From behind a court, a ball picked up near the ground may be fitted a little below it."""
SHORT_COST, MOST_SHORT_M = 12.0, 8.0
"""Few strokes land before the net, and none that is worth the name so far before it."""
MOST_POINTS = 20
"""Flights are tried on no more than about twice this many points; the joint fit takes all."""


@dataclass(frozen=True)
class Flight:
    """A pair of contacts read as one free flight, fitted to every ``stride``-th point."""

    first: int
    last: int
    first_kind: int
    last_kind: int
    fit: arc.ArcFit
    stride: int = 1

    @property
    def cost(self) -> float:
        """Negative log likelihood of points and priors, and what is odd about a stroke."""
        odd = self.speed_cost + self.short_cost + self.below_cost
        return self.fit.cost * self.stride + self.fit.prior + odd

    @property
    def short_cost(self) -> float:
        """What a stroke costs that meets the ground before it meets the net."""
        if self.first_kind in HITS and self.last_kind == BOUNCE and _short_by_m(self) > 0.0:
            return SHORT_COST
        return 0.0

    @property
    def below_cost(self) -> float:
        """What a stroke costs that is fitted below the ground."""
        ends = ((self.first_kind, self.fit.start[2]), (self.last_kind, self.fit.end[2]))
        below = [min(float(z), 0.0) for kind, z in ends if kind in HITS]
        return sum(0.5 * (z / BELOW_SD_M) ** 2 for z in below)

    @property
    def speed_cost(self) -> float:
        """What a stroke costs that is faster than strokes usually are.

        From behind a court, a ball that lies or bounces at one end can look like one that is struck
        to and fro at great speed.
        """
        if self.first_kind not in HITS:
            return 0.0
        usual = FAST_SERVE_MPS if self.first_kind in SERVES else FAST_STROKE_MPS
        beyond = max(float(np.linalg.norm(self.fit.start[3:])) - usual, 0.0) / SPEED_SD_MPS
        return 0.5 * beyond**2


def _short_by_m(flight: Flight) -> float:
    """How far before the net a stroke's flight ends, negative beyond it."""
    away = 1.0 if flight.first_kind in NEAR_HITS else -1.0
    return float(-flight.fit.end[1] * away)


def _allowed(first_kind: int, last_kind: int, first_t: float, last_t: float) -> bool:
    span = last_t - first_t
    if last_kind in SERVES:
        # Only a toss leads to a serve.
        return (first_kind, last_kind) in zip(HANDS, SERVES, strict=True) and 0.25 < span < 1.8
    if first_kind in HANDS or last_kind in HANDS:
        alike = first_kind == last_kind or BOUNCE in (first_kind, last_kind)
        return alike and (0.1 if first_kind != last_kind else 0.4) < span < 1.8
    if first_kind in OUTS or last_kind in OUTS:
        if first_kind in OUTS:
            return last_kind in (BOUNCE, LOST)
        return first_kind in (BOUNCE, *HITS)
    if first_kind == last_kind and first_kind in (LOST, NET):
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
        if flight.first_kind == flight.last_kind and start[5] < 2.0:
            return False
        return bool(gentle and max(abs(start[5]), abs(end[5])) < 9.0)
    if flight.last_kind == NET and end[2] > court.net_height_m(end[0]) + 0.1:
        return False
    if flight.first_kind in OUTS and np.linalg.norm(start[3:]) > 12.0:
        return False
    if flight.first_kind in HITS:
        away = 1.0 if flight.first_kind in NEAR_HITS else -1.0
        slowest = 18.0 if flight.first_kind in SERVES else 5.0
        if start[4] * away < slowest or np.linalg.norm(start[3:]) < 8.0:
            return False
        if start[1] * away > 0.5 or start[2] < -LEAST_BELOW_M:
            return False
    if flight.first_kind == BOUNCE and start[5] < 0.2:
        return False
    if flight.last_kind == BOUNCE:
        if end[5] > -0.3:
            return False
        if flight.first_kind in HITS and _short_by_m(flight) > MOST_SHORT_M:
            return False
    if flight.last_kind in HITS:
        toward = -1.0 if flight.last_kind in NEAR_HITS else 1.0
        if end[4] * toward < 0.5 or end[1] * toward < -0.5 or end[2] < -LEAST_BELOW_M:
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
        {kind: _prior_at(contacts, k, kind, who, serve_height_m, period_s) for kind in kinds}
        for k, kinds in enumerate(contacts.kinds)
    ]
    anywhere = place_prior(LOST, 0.0, who)
    worth = trust.worth(path.confidence)
    any_spin = (np.array([120.0, 0.0]), np.array([150.0, 40.0]))
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
            n = int(contacts.index[b] - contacts.index[a])
            stride = max(n // MOST_POINTS, 1)
            data = _between(path, matrix, sigma_px, contacts, a, b, struck, period_s,
                            meeting_sigma_px, stride)
            each = np.concatenate([
                [1.0], worth[contacts.index[a] : contacts.index[b] : stride], [1.0]])
            # Costs of thinned points stand for all of them.
            share = float(worth[contacts.index[a] : contacts.index[b]].mean()) if n else 1.0
            limit = share * (UNREAD_COST * n + 14.0) / stride
            hopeless_cost = limit + share * n / stride
            loose = arc.fit(*data, *anywhere, *anywhere, *any_spin, give_up=hopeless_cost,
                            turns=8, tolerance=0.3, worth=each)
            hopeless = hopeless + 1 if loose.cost > limit + 10 * share else 0
            # The free fit may stop in a wrong valley; what it rejects must be hopeless.
            if loose.cost > hopeless_cost:
                continue
            for first_kind, last_kind in pairs:
                fit = arc.fit(
                    *data, *priors[a][first_kind], *priors[b][last_kind], *spins[first_kind],
                    give_up=hopeless_cost, turns=5, tolerance=0.1, worth=each,
                )
                flight = Flight(a, b, first_kind, last_kind, fit, stride)
                if fit.cost <= limit and _sensible(flight):
                    found.append(flight)
    return found


def _prior_at(
    contacts: Contacts, k: int, kind: int, who: dict[str, Player], serve_height_m: float,
    period_s: float,
) -> tuple[Array, Array]:
    """Where contact ``k`` of a kind is; the ball may fall on for as long as its time is off."""
    mean, sd = place_prior(kind, float(contacts.t_s[k]), who, serve_height_m)
    if kind == BOUNCE:
        late = max(float(contacts.slack_s[k]) - 0.5 * period_s, 0.0)
        sd = np.array([sd[0], sd[1], np.hypot(sd[2], FALL_MPS * late)])
    elif kind == NET:
        # A frame too early or too late, the ball is far from the net.
        sd = np.array([sd[0], np.hypot(sd[1], ALONG_MPS * float(contacts.slack_s[k])), sd[2]])
    return mean, sd


def _between(
    path: Candidates, matrix: Array, sigma_px: Array, contacts: Contacts, a: int, b: int,
    struck: NDArray[np.bool_], period_s: float, meeting_sigma_px: float, stride: int,
) -> tuple[Array, float, Array, Array, Array]:
    """Times after the start, span, image points, cameras and deviations between two contacts.

    Where the two ends were seen to meet counts as one weak point each. Points within a frame of a
    possible stroke may belong to the other side of it, and count little.
    """
    inside = np.arange(contacts.index[a], contacts.index[b], stride)
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
