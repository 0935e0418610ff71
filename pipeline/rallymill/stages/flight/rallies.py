"""From readings of a path to fitted rallies: what is play, the joint fit, points taken up again."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rallymill import court, flight
from rallymill.flightfit import rally
from rallymill.stages.flight import grammar
from rallymill.stages.flight.candidates import Candidates, Picture
from rallymill.stages.flight.contacts import (
    BOUNCE,
    HIT_FAR,
    HIT_NEAR,
    HITS,
    LOST,
    NEAR_HITS,
    NET,
    SERVES,
    TOSSES,
    Contacts,
    Player,
)
from rallymill.stages.flight.grammar import Flight, Reading

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Rally:
    """A fitted chain of flights: ``kinds`` (M,) of its contacts and the fit.

    ``toss`` tells that the first flight is a toss; ``goes_on`` that it continues the rally before.
    """

    kinds: tuple[int, ...]
    fit: rally.RallyFit
    toss: bool
    goes_on: bool = False


def is_play(reading: Reading, least_points: int = 5, least_reach_m: float = 4.0) -> bool:
    """Whether a chain holds a stroke that sends the ball along the court."""
    for part in reading.flights:
        reach = abs(part.fit.end[1] - part.fit.start[1])
        if (part.first_kind in HITS and reach >= least_reach_m
                and part.fit.n_points >= least_points):
            return True
    return False


def _out_by_m(place: Array, serve_from: Array | None) -> float:
    """How far a first bounce lies outside, negative inside; of a serve, outside the box."""
    x, y = float(place[0]), float(place[1])
    if serve_from is None:
        return max(abs(x) - court.HALF_SINGLES_M, abs(y) - court.HALF_LENGTH_M)
    return max(abs(x) - court.HALF_SINGLES_M, abs(y) - court.SERVICE_LINE_M)


def cut_dead(kinds: tuple[int, ...], fit: rally.RallyFit, margin_m: float) -> int:
    """Number of contacts until the ball is dead; what comes after is not play.

    Dead: a second bounce, a first bounce clearly out (by more than three deviations and a margin),
    a bounce on the striker's own side, a bounce after the net on the side it came from.
    """
    striker: int | None = None
    bounces = 0
    for k, kind in enumerate(kinds):
        if kind in HITS:
            striker, bounces = k, 0
        elif kind == BOUNCE:
            bounces += 1
            if bounces >= 2:
                return k + 1
            if striker is None:
                continue
            near = kinds[striker] in NEAR_HITS
            sd = float(np.hypot(*fit.place_sd[k, :2]))
            own_side = fit.place[k, 1] * (1 if near else -1) < -3 * sd
            serve = fit.place[striker] if kinds[striker] in SERVES else None
            out = _out_by_m(fit.place[k], serve)
            if own_side or out > margin_m + 3 * sd:
                return k + 1
    return len(kinds)


def setting(
    kinds: tuple[int, ...], times: Array, points: Candidates, matrix: Array, sigma_px: Array,
    who: dict[str, Player], serve_height_m: float, ground: rally.BouncePrior,
) -> rally.Setting:
    """What the joint fit of contacts of these kinds at about these times rests on."""
    means, sds, time_sd, spin_mean, spin_sd = [], [], [], [], []
    for kind, t_s in zip(kinds, times, strict=True):
        mean, sd = grammar.place_prior(kind, float(t_s), who, serve_height_m)
        if kind == BOUNCE:
            sd = np.array([np.inf, np.inf, 0.002])
        means.append(mean)
        sds.append(sd)
        time_sd.append(0.002 if kind == LOST or kind in TOSSES else 0.1)
        mean, sd = grammar.spin_prior(kind)
        spin_mean.append(mean)
        spin_sd.append(sd)
    return rally.Setting(
        points.t_s, points.image_px, matrix, sigma_px, np.array([k == BOUNCE for k in kinds]),
        np.array(means), np.array(sds), np.array(time_sd), np.array(spin_mean[:-1]),
        np.array(spin_sd[:-1]), ground,
    )


def first_guess(flights: tuple[Flight, ...], contacts: Contacts) -> tuple[Array, ...]:
    """Times, places, velocities and spins of a chain as its single flights have them."""
    times = [contacts.t_s[flights[0].first]] + [contacts.t_s[part.last] for part in flights]
    places = [flights[0].fit.start[:3]]
    for before, after in zip(flights[:-1], flights[1:], strict=True):
        places.append((before.fit.end[:3] + after.fit.start[:3]) / 2)
    places.append(flights[-1].fit.end[:3])
    place = np.array(places)
    kinds = chain_kinds(flights)
    for k, kind in enumerate(kinds):
        if kind == BOUNCE:
            place[k, 2] = court.BALL_RADIUS_M
    velocity = np.array([part.fit.start[3:] for part in flights])
    spin = np.array([part.fit.spin_radps for part in flights])
    return np.array(times, dtype=float), place, velocity, spin


def chain_kinds(flights: tuple[Flight, ...]) -> tuple[int, ...]:
    """Kinds of the contacts of a chain."""
    return (flights[0].first_kind, *(part.last_kind for part in flights))


def take_up(
    fit: rally.RallyFit, everything: Candidates, view: Picture, gate_px: float, floor_px: float,
    streak: float,
) -> tuple[Candidates, Array]:
    """Candidates nearest to the fitted flights, at most one a frame, and their deviations.

    Fitted flights tell better than the image path alone which candidate is the ball.
    """
    chosen: list[int] = []
    sigma: list[float] = []
    for i in range(len(fit.velocity)):
        low = np.searchsorted(everything.t_s, fit.time_s[i])
        high = np.searchsorted(everything.t_s, fit.time_s[i + 1])
        if high <= low:
            continue
        times, where = np.unique(everything.t_s[low:high], return_inverse=True)
        start = np.concatenate([fit.place[i], fit.velocity[i]])
        path = flight.states(start, fit.spin[i], times - fit.time_s[i])
        matrix = view.matrix[everything.slot[low:high]]
        state = path[where]
        h = np.einsum("nij,nj->ni", matrix[:, :, :3], state[:, :3]) + matrix[:, :, 3]
        ahead = h + np.einsum("nij,nj->ni", matrix[:, :, :3], state[:, 3:]) * view.period_s
        image = h[:, :2] / h[:, 2:]
        step = np.linalg.norm(ahead[:, :2] / ahead[:, 2:] - image, axis=1)
        off = np.linalg.norm(everything.image_px[low:high] - image, axis=1)
        spread = np.hypot(floor_px, streak * step)
        for frame in range(len(times)):
            rows = np.flatnonzero(where == frame)
            best = rows[np.argmin(off[rows])]
            if off[best] <= np.hypot(gate_px, 3 * spread[best]):
                chosen.append(int(low + best))
                sigma.append(float(spread[best]))
    order = np.argsort(chosen, kind="stable")
    return everything.take(np.array(chosen, dtype=np.int64)[order]), np.array(sigma)[order]


@dataclass(frozen=True)
class FitOptions:
    """Options of the joint fit; see the stage's configuration."""

    serve_height_m: float
    floor_px: float
    streak: float
    gate_px: float
    out_margin_m: float
    ground: rally.BouncePrior


def fit_reading(
    reading: Reading, contacts: Contacts, path: Candidates, sigma_px: Array,
    everything: Candidates, view: Picture, who: dict[str, Player], options: FitOptions,
) -> Rally | None:
    """Joint fit of a chain, cut where the ball is dead; None if nothing is left of it."""
    kinds = chain_kinds(reading.flights)
    times, place, velocity, spin = first_guess(reading.flights, contacts)
    points, sigma = path, sigma_px
    found: rally.RallyFit | None = None
    for turn in range(3):
        inside = (points.t_s >= times[0] - 1e-6) & (points.t_s <= times[-1] + 1e-6)
        points, sigma = points.take(inside), sigma[inside]
        if len(points) < 4:
            return None
        about = setting(kinds, times, points, view.matrix[points.slot], sigma, who,
                        options.serve_height_m, options.ground)
        found = rally.fit(about, times, place, velocity, spin)
        end = cut_dead(kinds, found, options.out_margin_m)
        if end < 2:
            return None
        if end < len(kinds):
            kinds = kinds[:end]
            found = _shorten(found, end)
        times, place, velocity, spin = found.time_s, found.place, found.velocity, found.spin
        if turn < 2:
            points, sigma = take_up(found, everything, view, options.gate_px, options.floor_px,
                                    options.streak)
    assert found is not None
    return Rally(kinds, found, kinds[0] in TOSSES)


def _shorten(fit: rally.RallyFit, n_contacts: int) -> rally.RallyFit:
    n = n_contacts - 1
    return replace(
        fit, time_s=fit.time_s[:n_contacts], place=fit.place[:n_contacts],
        velocity=fit.velocity[:n], spin=fit.spin[:n], end_velocity=fit.end_velocity[:n],
        time_sd=fit.time_sd[:n_contacts], place_sd=fit.place_sd[:n_contacts],
        velocity_sd=fit.velocity_sd[:n], spin_sd=fit.spin_sd[:n], rms_px=fit.rms_px[:n],
        n_points=fit.n_points[:n], n_offered=fit.n_offered[:n], mean_cost=fit.mean_cost[:n],
        meet_m=fit.meet_m[:n],
    )


def number_rallies(found: list[Rally], longest_gap_s: float) -> list[Rally]:
    """Mark chains that go on after a short loss of the ball within one rally."""
    numbered: list[Rally] = []
    for item in found:
        goes_on = False
        if numbered:
            last = numbered[-1]
            gap = item.fit.time_s[0] - last.fit.time_s[-1]
            goes_on = (
                not item.toss and item.kinds[0] not in SERVES and gap <= longest_gap_s
                and last.kinds[-1] in (LOST, HIT_NEAR, HIT_FAR, NET)
            )
        numbered.append(replace(item, goes_on=goes_on))
    return numbered
