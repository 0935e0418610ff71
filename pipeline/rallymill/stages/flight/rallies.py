"""From readings of a path to fitted rallies: what is play, the joint fit, points taken up again."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from rallymill import court
from rallymill.flightfit import rally
from rallymill.flightfit.rally_spread import CameraSpread
from rallymill.stages.flight import half_volleys
from rallymill.stages.flight.candidates import Candidates, Picture
from rallymill.stages.flight.contacts import (
    BOUNCE,
    HANDS,
    HITS,
    LOST,
    NEAR_HITS,
    NET,
    OUT_FAR,
    OUT_NEAR,
    SERVES,
    Contacts,
    Player,
)
from rallymill.stages.flight.grammar import Reading
from rallymill.stages.flight.hypotheses import Flight
from rallymill.stages.flight.picking import take_up, with_tail
from rallymill.stages.flight.priors import place_prior, spin_prior
from rallymill.stages.flight.rallies_end import (
    Guess,
    by_the_fence,
    cut_dead,
    land,
    unsure_landing,
)
from rallymill.stages.flight.stitching import LEAST_RISE_S, falls_s, plain_first

Array = NDArray[np.float64]


LONGEST_UNSEEN_S = 0.6
"""A flight from a bounce to a stroke that is hardly seen lasts no longer than this."""
LEAST_SERVED_M = 2.0
"""Serves are met above this height, but for those struck from below, which bounce."""
LEAST_STROKE_M = -0.1
"""Height below which nothing is struck."""


@dataclass(frozen=True)
class Rally:
    """A fitted chain of flights: ``kinds`` (M,) of its contacts and the fit.

    ``toss`` tells that the first flight is a toss, ``dead`` that the ball was dead at its end,
    ``goes_on`` that it continues the rally before.
    """

    kinds: tuple[int, ...]
    fit: rally.RallyFit
    toss: bool
    dead: bool
    goes_on: bool = False


def is_play(reading: Reading, least_points: int = 5, least_reach_m: float = 4.0) -> bool:
    """Whether a chain holds a stroke that sends the ball along the court.

    After a toss fewer points tell that it does.
    """
    tossed = bool(reading.flights) and reading.flights[0].first_kind in HANDS
    for part in reading.flights:
        reach = abs(part.fit.end[1] - part.fit.start[1])
        least = 3 if tossed and part.first_kind in SERVES else least_points
        if part.first_kind in HITS and reach >= least_reach_m and part.fit.n_points >= least:
            return True
    return False


def believable(
    kinds: tuple[int, ...], fit: rally.RallyFit, least_reach_m: float = 4.0
) -> NDArray[np.bool_]:
    """Which flights (M - 1,) can be believed: points met, and strokes that go somewhere.

    From a bounce to a stroke few points do, and from a serve to a bounce, where the flights before
    and after are well seen: their ends and the ground say where it led.
    """
    span = np.diff(fit.time_s)
    good = fit.meet_m <= 0.5
    seen = (fit.mean_cost <= 3.0) & (fit.n_points >= 3)
    between = np.zeros(len(span), dtype=bool)
    between[1:-1] = seen[:-2] & seen[2:] & (span[1:-1] <= LONGEST_UNSEEN_S)
    between &= [
        (one == BOUNCE and other in HITS) or (one in SERVES and other == BOUNCE)
        for one, other in pairwise(kinds)
    ]
    good &= (span <= 0.2) | seen | (between & (fit.mean_cost <= 3.0))
    struck = np.array([kind in HITS for kind in kinds[1:]], dtype=bool)
    good &= ~struck | (fit.place[1:, 2] > LEAST_STROKE_M)
    for i in np.flatnonzero(good):
        if kinds[i] not in HITS:
            continue
        away = 1.0 if kinds[i] in NEAR_HITS else -1.0
        reach = (fit.place[i + 1, 1] - fit.place[i, 1]) * away
        good[i] = (
            LEAST_STROKE_M < fit.place[i, 2] < 3.8
            and fit.velocity[i, 1] * away >= 4.0
            and (reach >= least_reach_m or kinds[i + 1] == NET)
        )
    return good


def setting(
    guess: Guess, points: Candidates, view: Picture, sigma_px: Array, who: dict[str, Player],
    serve_height_m: float, ground: rally.BouncePrior,
) -> rally.Setting:
    """What the joint fit of contacts about a guess rests on."""
    kinds = guess.kinds
    means, sds, spin_mean, spin_sd = [], [], [], []
    for kind, t_s in zip(kinds, guess.time_s, strict=True):
        mean, sd = place_prior(kind, float(t_s), who, serve_height_m, fitted=True)
        if kind == BOUNCE:
            sd = np.array([np.inf, np.inf, 0.002])
        means.append(mean)
        sds.append(sd)
        mean, sd = spin_prior(kind)
        spin_mean.append(mean)
        spin_sd.append(sd)
    return rally.Setting(
        points.t_s, points.image_px, view.matrix[points.slot], sigma_px,
        np.array([k == BOUNCE for k in kinds]),
        np.array(means), np.array(sds), guess.time_sd_s, np.array(spin_mean[:-1]),
        np.array(spin_sd[:-1]), ground, camera_spread(points, view),
    )


def camera_spread(points: Candidates, view: Picture) -> CameraSpread | None:
    """Cameras of points and the mean covariance that their frames state; None where none does."""
    cameras, stated = view.stated(points.slot)
    known = [covariance for covariance in stated if covariance is not None]
    return CameraSpread(cameras, np.mean(known, axis=0)) if known else None


def first_guess(flights: tuple[Flight, ...], contacts: Contacts) -> Guess:
    """A chain as its single flights have it."""
    times = [contacts.t_s[flights[0].first]]
    places = [flights[0].fit.start[:3]]
    for before, after in pairwise(flights):
        if before.last_kind == BOUNCE and not after.fit.n_points:
            fall_s = min(falls_s(before.fit.end), float(
                contacts.t_s[after.last] - contacts.t_s[before.last]) - LEAST_RISE_S)
            places.append(before.fit.end[:3] + before.fit.end[3:] * max(fall_s, 0.0))
            times.append(contacts.t_s[before.last] + max(fall_s, 0.0))
            continue
        places.append((before.fit.end[:3] + after.fit.start[:3]) / 2)
        times.append((contacts.t_s[before.last] + contacts.t_s[after.first]) / 2)
    times.append(contacts.t_s[flights[-1].last])
    places.append(flights[-1].fit.end[:3])
    place = np.array(places)
    kinds = chain_kinds(flights)
    for k, kind in enumerate(kinds):
        if kind == BOUNCE:
            place[k, 2] = court.BALL_RADIUS_M
    velocity = np.array([part.fit.start[3:] for part in flights])
    spin = np.array([part.fit.spin_radps for part in flights])
    at = [flights[0].first, *(part.last for part in flights)]
    # A stroke that was not seen lies anywhere between the ends of the flights before and after it.
    unseen_s = [0.0, *(contacts.t_s[after.first] - contacts.t_s[before.last]
                       for before, after in pairwise(flights)), 0.0]
    time_sd = np.where(contacts.rough[at], 0.1, np.maximum(1.5 * contacts.slack_s[at], 0.02))
    for k, kind in enumerate(kinds):
        if kind == BOUNCE and k < len(flights) and not flights[k].fit.n_points:
            time_sd[k] = 0.1
        if kind in HITS:
            # Cuts of the path at strokes are less sharp than those at bounces.
            time_sd[k] = max(time_sd[k], 0.06, 0.4 * unseen_s[k])
        elif kind == LOST or kind in HANDS:
            time_sd[k] = 0.002
    return Guess(kinds, np.array(times, dtype=float), place, velocity, spin, time_sd)


def chain_kinds(flights: tuple[Flight, ...]) -> tuple[int, ...]:
    """Kinds of the contacts of a chain."""
    return (flights[0].first_kind, *(part.last_kind for part in flights))


@dataclass(frozen=True)
class FitOptions:
    """Options of the joint fit; see the stage's configuration."""

    serve_height_m: float
    floor_px: float
    streak: float
    gate_px: float
    out_margin_m: float
    ground: rally.BouncePrior
    joint_turns: int = 25


def fit_reading(
    reading: Reading, contacts: Contacts, path: Candidates, sigma_px: Array,
    everything: Candidates, view: Picture, who: dict[str, Player], options: FitOptions,
) -> list[Rally]:
    """Joint fits of the parts of a chain that are play, each cut where the ball is dead.

    A chain that was made of two stays in two where that way more flights can be believed.
    """
    found: list[Rally] = []
    for flights in play_parts(reading.flights):
        guess = first_guess(flights, contacts)
        found += _fit_part(guess, path, sigma_px, everything, view, who, options)
    if reading.parts:
        apart = [
            item for part in reading.parts for item in fit_reading(
                part, contacts, path, sigma_px, everything, view, who, options)
        ]
        if _flights_of(apart) > _flights_of(found):
            return apart
    return found


def _flights_of(found: list[Rally]) -> int:
    """Flights that were believed and of which something was seen."""
    return sum(int((item.fit.n_points > 0).sum()) for item in found)


def _fit_part(
    guess: Guess, path: Candidates, path_sigma: Array, everything: Candidates, view: Picture,
    who: dict[str, Player], options: FitOptions,
) -> list[Rally]:
    points, sigma = path, path_sigma
    dead = False
    fit: rally.RallyFit | None = None
    for turn in range(3):
        # Points just after the end stay at hand, so that a late end has to answer for them.
        after_s = 0.12 if guess.kinds[-1] != LOST else 1e-6
        inside = (points.t_s >= guess.time_s[0] - 1e-6) & (
            points.t_s <= guess.time_s[-1] + after_s)
        points, sigma = points.take(inside), sigma[inside]
        if len(points) < 4:
            return []
        joint = partial(_joint, points=points, sigma=sigma, view=view, who=who, options=options)
        fit = joint(guess)
        if turn == 0:
            guess = replace(guess, kinds=plain_first(guess.kinds, fit, options.out_margin_m))
        if turn == 1:
            guess, fit = _with_half_volleys(guess, fit, joint)
        end, over = cut_dead(guess.kinds, fit, options.out_margin_m)
        dead = dead or over
        fit = _part(fit, 0, end)
        if end < 2:
            return []
        guess = Guess(guess.kinds[:end], fit.time_s, fit.place, fit.velocity, fit.spin,
                      guess.time_sd_s[:end])
        if turn < 2:
            guess = land(guess, points.t_s, view, who)
            fit = replace(fit, time_s=guess.time_s)
        if turn < 2:
            taken = take_up(fit, everything, view, options.gate_px, options.floor_px,
                            options.streak)
            points, sigma = with_tail(*taken, path, path_sigma)
    assert fit is not None
    kinds = guess.kinds
    if kinds[-1] == BOUNCE and len(kinds) > 2 and by_the_fence(fit, len(kinds) - 1):
        kinds = (*kinds[:-1], OUT_FAR if fit.place[-1, 1] > 0 else OUT_NEAR)
    return _believed(kinds, fit, dead, view, options.out_margin_m)


def _joint(
    guess: Guess, points: Candidates, sigma: Array, view: Picture, who: dict[str, Player],
    options: FitOptions,
) -> rally.RallyFit:
    about = setting(guess, points, view, sigma, who, options.serve_height_m, options.ground)
    return rally.fit(
        about, guess.time_s, guess.place, guess.velocity, guess.spin, options.joint_turns
    )


def _with_half_volleys(
    guess: Guess, fit: rally.RallyFit, joint: Callable[[Guess], rally.RallyFit]
) -> tuple[Guess, rally.RallyFit]:
    """The guess and its fit with bounces before low strokes where that explains the points better.
    """
    for k in reversed(half_volleys.suspects(guess.kinds, fit)):
        other = half_volleys.with_bounce(guess, fit, k)
        if other is None:
            continue
        again = joint(other)
        if again.cost < fit.cost:
            guess, fit = other, again
    return guess, fit


def _believed(
    kinds: tuple[int, ...], fit: rally.RallyFit, dead: bool, view: Picture, margin_m: float
) -> list[Rally]:
    """Rallies of the runs of flights that can be believed, with a stroke in each."""
    good = np.concatenate([[False], believable(kinds, fit), [False]])
    starts = np.flatnonzero(~good[:-1] & good[1:])
    ends = np.flatnonzero(good[:-1] & ~good[1:])
    found = []
    for start, end in zip(starts, ends, strict=True):
        if kinds[start] in HANDS and end == start + 1:
            continue
        part = kinds[start : end + 1]
        if not any(kind in HITS for kind in part[:-1]):
            continue
        own = _part(fit, int(start), int(end) + 1)
        over = dead and end == len(kinds) - 1
        if part[-1] == BOUNCE and unsure_landing(own, view):
            part = (*part[:-1], LOST)
            # A bounce that may not have been does not tell that the ball was dead either.
            over = over and cut_dead(part, own, margin_m)[1]
        found.append(Rally(part, own, part[0] in HANDS, over))
    return found


def play_parts(flights: tuple[Flight, ...]) -> list[tuple[Flight, ...]]:
    """Parts of a chain that hold strokes: from a toss, or from where no hand holds the ball."""
    parts: list[list[Flight]] = [[]]
    for flight_ in flights:
        if flight_.first_kind in HANDS and flight_.last_kind in SERVES:
            parts.append([flight_])
        elif flight_.first_kind in HANDS or flight_.last_kind in HANDS:
            parts.append([])
        else:
            parts[-1].append(flight_)
    return [tuple(part) for part in parts if is_play(Reading(tuple(part)))]


def _part(fit: rally.RallyFit, start: int, end: int) -> rally.RallyFit:
    """The fit of contacts ``start`` to ``end`` (not included) and the flights between them."""
    last = max(end - 1, start)
    return replace(
        fit, time_s=fit.time_s[start:end], place=fit.place[start:end],
        velocity=fit.velocity[start:last], spin=fit.spin[start:last],
        end_velocity=fit.end_velocity[start:last], time_sd=fit.time_sd[start:end],
        place_sd=fit.place_sd[start:end], velocity_sd=fit.velocity_sd[start:last],
        spin_sd=fit.spin_sd[start:last], rms_px=fit.rms_px[start:last],
        n_points=fit.n_points[start:last], n_offered=fit.n_offered[start:last],
        mean_cost=fit.mean_cost[start:last], meet_m=fit.meet_m[start:last],
    )


def number_rallies(found: list[Rally], longest_gap_s: float) -> list[Rally]:
    """Mark chains that go on after a short loss of the ball within one rally."""
    numbered: list[Rally] = []
    for item in found:
        goes_on = False
        if numbered:
            last = numbered[-1]
            gap = item.fit.time_s[0] - last.fit.time_s[-1]
            serves = item.kinds[0] in SERVES
            goes_on = (
                not item.toss and not last.dead
                and gap <= (0.4 * longest_gap_s if serves else longest_gap_s)
            )
            if goes_on and not _alternates(last.kinds, item.kinds):
                item = replace(item, kinds=(LOST, *item.kinds[1:]))
        numbered.append(replace(item, goes_on=goes_on))
    return numbered


def without_lone_strokes(found: list[Rally]) -> list[Rally]:
    """Numbered rallies but for those of one low stroke that leads nowhere.

    A rally begins with a serve. A single stroke from below a serve's height of which no bounce is
    seen before or after is a ball sent back between points.
    """
    def leads_nowhere(item: Rally) -> bool:
        ends = len(item.kinds) == 2 and item.kinds[1] in (LOST, NET)
        return ends and bool(item.fit.place[0, 2] < LEAST_SERVED_M)

    gone_on_from = {number - 1 for number, item in enumerate(found) if item.goes_on}
    return [
        item for number, item in enumerate(found)
        if item.goes_on or number in gone_on_from or not leads_nowhere(item)
    ]


def _alternates(before: tuple[int, ...], after: tuple[int, ...]) -> bool:
    """Whether a chain starts with the stroke of the player whose turn it is."""
    strokes = [kind for kind in before if kind in HITS]
    if after[0] not in HITS or not strokes:
        return True
    return (after[0] in NEAR_HITS) != (strokes[-1] in NEAR_HITS)
