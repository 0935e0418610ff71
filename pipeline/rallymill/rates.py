"""How often a player commits a fault for each chance to, and what it costs in points and games.

Every rate is a share of the opportunities that could be measured, with Wilson's score interval
(E. B. Wilson 1927, JASA 22, 209-212, from memory). The cost of a fault compares points, not
strokes: those in which the player committed it against those in which there was a chance and it
was clear, with Newcombe's interval (R. G. Newcombe 1998, Stat Med 17, 873-890, method 10, from
memory). A few points say little, so what is counted in points a match is drawn toward no
difference as by :data:`PRIOR_POINTS` points on either side. It is a difference, no proof of a
cause: long rallies give more chances than short ones, and are won less or more often by themselves.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields, replace
from itertools import zip_longest
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rallymill.intervals import Z_95, wilson

Array = NDArray[np.float64]
Row = Mapping[str, Any]
Place = tuple[str, int]

LEAST_OPPORTUNITIES = 12
"""Fewer chances are no habit: half of twelve may be anything from a quarter to three quarters."""
LEAST_POINTS = 8
"""Points with the fault, and as many without, below which no cost is named (common practice, no
source)."""
PRIOR_POINTS = 10.0
"""Points that the prior of no difference weighs on either side: before any point is seen, the
share won with a fault deviates from the share without by about 0.2 (common practice, no source)."""
PRIOR_PLAYED = 20.0
"""Points at even odds that are added to a player's own before the worth of a point is taken."""
MEASURED = ("fault", "credit", "note", "clear")


def difference(
    won_clear: ArrayLike, n_clear: ArrayLike, won_fault: ArrayLike, n_fault: ArrayLike
) -> tuple[Array, Array, Array]:
    """Share won without the fault less that with it, and its 95 % interval by Newcombe, each (N,).

    NaN, and -1 to 1, where either has no points.
    """
    kc, nc = np.asarray(won_clear, float), np.asarray(n_clear, float)
    kf, nf = np.asarray(won_fault, float), np.asarray(n_fault, float)
    known = (nc > 0) & (nf > 0)
    clear, fault = kc / np.maximum(nc, 1.0), kf / np.maximum(nf, 1.0)
    clear_low, clear_high = wilson(kc, nc)
    fault_low, fault_high = wilson(kf, nf)
    gap = clear - fault
    low = gap - np.hypot(clear - clear_low, fault_high - fault)
    high = gap + np.hypot(clear_high - clear, fault - fault_low)
    return (
        np.where(known, gap, np.nan), np.where(known, low, -1.0), np.where(known, high, 1.0),
    )


def drawn_difference(
    won_clear: ArrayLike, n_clear: ArrayLike, won_fault: ArrayLike, n_fault: ArrayLike
) -> tuple[Array, Array]:
    """Mean and standard deviation (N,) of the difference after the prior of no difference.

    Either share has a beta distribution with :data:`PRIOR_POINTS` points at the share of both
    together, so that few points are drawn toward no difference.
    """
    kc, nc = np.asarray(won_clear, float), np.asarray(n_clear, float)
    kf, nf = np.asarray(won_fault, float), np.asarray(n_fault, float)
    both = (kc + kf) / np.maximum(nc + nf, 1.0)
    # With a point either way, so that points all won or all lost are not taken for certain.
    unsure = (kc + kf + 1.0) / (nc + nf + 2.0)
    gap, variance = np.zeros_like(both), np.zeros_like(both)
    for sign, k, n in ((1.0, kc, nc), (-1.0, kf, nf)):
        gap = gap + sign * (k + PRIOR_POINTS * both) / (n + PRIOR_POINTS)
        share = (k + PRIOR_POINTS * unsure) / (n + PRIOR_POINTS)
        variance = variance + share * (1 - share) / (n + PRIOR_POINTS + 1)
    return gap, np.sqrt(variance)


def game_probability(p: ArrayLike) -> Array:
    """Probability of a game for whoever wins each of its points with probability p.

    G(p) = p^4 (1 + 4q + 10q^2) + 20 p^5 q^3 / (1 - 2pq) with q = 1 - p, points independent
    (O'Malley 2008, J Quant Anal Sports 4:2; formula from memory). G(2/3) = 208/243.
    """
    p = np.asarray(p, float)
    q = 1 - p
    return p**4 * (1 + 4 * q + 10 * q**2) + 20 * p**5 * q**3 / (1 - 2 * p * q)


def points_per_game(p: ArrayLike) -> Array:
    """Points that a game lasts on average, by the same model: 6.75 at even odds."""
    p = np.asarray(p, float)
    q = 1 - p
    deuce = 20 * p**3 * q**3
    return (
        4 * (p**4 + q**4) + 5 * 4 * (p**4 * q + q**4 * p) + 6 * 10 * (p**4 * q**2 + q**4 * p**2)
        + deuce * (6 + 2 / (p**2 + q**2))
    )


def games_per_point(p: ArrayLike) -> Array:
    """Games that one more point won is worth, at a probability p of winning any: G'(p) over length.

    A little more chance in every point raises the points won in a game by it times the game's
    length, and the chance of the game by it times G'(p). The same for whoever serves, since
    G(p) + G(1 - p) = 1. At even odds 2.5 / 6.75 = 0.37.
    """
    p = np.asarray(p, float)
    step = 1e-5
    slope = (game_probability(p + step) - game_probability(p - step)) / (2 * step)
    return slope / points_per_game(p)


@dataclass(frozen=True)
class Tally:
    """Counts for a player and rule: outcomes of opportunities, points with the fault and without.

    ``points_clear`` are points with an opportunity that could be measured and no fault;
    ``..._decided`` those of either kind whose winner is known, ``..._won`` those the player won.
    ``points_played`` and ``points_won`` are all decided points of the player.
    """

    player: str
    rule: str
    faults: int = 0
    credits: int = 0
    notes: int = 0
    clear: int = 0
    not_measurable: int = 0
    points_with_fault: int = 0
    fault_decided: int = 0
    fault_won: int = 0
    clear_decided: int = 0
    clear_won: int = 0
    points_played: int = 0
    points_won: int = 0
    n_matches: int = 1

    @property
    def opportunities(self) -> int:
        """Opportunities that could be measured."""
        return self.faults + self.credits + self.notes + self.clear


@dataclass(frozen=True)
class FaultRate:
    """How often a player commits a fault, and what it costs.

    ``rate`` with its 95 % interval is ``faults`` among ``opportunities``, those that could be
    measured; ``enough`` says whether there were enough chances to speak of a habit at all.
    ``cost`` is the share of points won without the fault less that with it, with its interval;
    ``points_lost_per_match`` is that difference, drawn toward none, times the points with the
    fault, with a 95 % interval. ``cost_enough`` says whether there were points enough to name it,
    ``cost_sure`` whether its interval lies above none as well. None where there is nothing to
    count from. ``sentence`` says all this in words.
    """

    player: str
    rule: str
    opportunities: int
    faults: int
    credits: int
    notes: int
    not_measurable: int
    n_matches: int
    rate: float | None
    rate_low: float
    rate_high: float
    enough: bool
    points_with_fault: int
    share_won_with_fault: float | None
    share_won_clear: float | None
    cost: float | None
    cost_low: float
    cost_high: float
    points_lost_per_match: float | None
    points_lost_low: float | None
    points_lost_high: float | None
    games_lost_per_match: float | None
    cost_enough: bool
    cost_sure: bool
    sentence: str


def figures(counts: Mapping[str, ArrayLike]) -> dict[str, Array]:
    """Rates and costs of many players and rules at once, as columns (N,) of :class:`FaultRate`.

    ``counts`` has a column (N,) for every number of a :class:`Tally`; NaN stands for what there is
    nothing to count from.
    """
    n_of = {name: np.asarray(values, float) for name, values in counts.items()}
    faults = n_of["faults"]
    chances = faults + n_of["credits"] + n_of["notes"] + n_of["clear"]
    rate_low, rate_high = wilson(faults, chances)
    points = [n_of[name] for name in ("clear_won", "clear_decided", "fault_won", "fault_decided")]
    cost, cost_low, cost_high = difference(*points)
    drawn, drawn_sd = drawn_difference(*points)
    known = np.isfinite(cost)
    often = n_of["points_with_fault"] / np.maximum(n_of["n_matches"], 1.0)
    p = (n_of["points_won"] + PRIOR_PLAYED / 2) / (n_of["points_played"] + PRIOR_PLAYED)
    lost = np.where(known, often * drawn, np.nan)
    enough = chances >= LEAST_OPPORTUNITIES
    cost_enough = enough & (
        np.minimum(n_of["clear_decided"], n_of["fault_decided"]) >= LEAST_POINTS)
    return {
        "opportunities": chances, "rate": _share(faults, chances), "rate_low": rate_low,
        "rate_high": rate_high, "enough": enough,
        "share_won_with_fault": _share(n_of["fault_won"], n_of["fault_decided"]),
        "share_won_clear": _share(n_of["clear_won"], n_of["clear_decided"]),
        "cost": cost, "cost_low": cost_low, "cost_high": cost_high,
        "points_lost_per_match": lost, "points_lost_low": lost - often * Z_95 * drawn_sd,
        "points_lost_high": lost + often * Z_95 * drawn_sd,
        "games_lost_per_match": lost * games_per_point(p), "cost_enough": cost_enough,
        "cost_sure": cost_enough & (drawn > Z_95 * drawn_sd),
    }


def _share(part: Array, whole: Array) -> Array:
    return np.where(whole > 0, part / np.maximum(whole, 1.0), np.nan)


def rate_of(tally: Tally) -> FaultRate:
    """Rate and cost from counts."""
    counts = {field.name: [getattr(tally, field.name)] for field in fields(tally)
              if field.name not in ("player", "rule")}  # fmt: skip
    found: dict[str, Any] = {
        name: None if column.dtype.kind == "f" and np.isnan(column[0]) else column[0].item()
        for name, column in figures(counts).items()
    }
    found["opportunities"] = tally.opportunities
    made = FaultRate(
        player=tally.player, rule=tally.rule, faults=tally.faults, credits=tally.credits,
        notes=tally.notes, not_measurable=tally.not_measurable, n_matches=tally.n_matches,
        points_with_fault=tally.points_with_fault, sentence="", **found,
    )
    return replace(made, sentence=sentence(made))


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def _times(count: int, one: str, more: str) -> str:
    return f"{count} {one if count == 1 else more}"


def sentence(rate: FaultRate) -> str:
    """What a rate says and what it does not, in words; few chances are never called a habit."""
    chances = _times(rate.opportunities, "chance", "chances")
    if not rate.opportunities:
        untold = _times(rate.not_measurable, "chance", "chances")
        return f"None of {untold} could be measured." if rate.not_measurable else "No chances."
    unseen = f" {rate.not_measurable} more could not be measured." if rate.not_measurable else ""
    if not rate.enough:
        return f"{rate.faults} in {chances}: too few to call it a habit.{unseen}"
    said = (
        f"{rate.faults} in {chances}, {_percent(rate.rate or 0.0)} "
        f"({_percent(rate.rate_low)} to {_percent(rate.rate_high)}).{unseen}"
    )
    if not rate.faults:
        return said
    if not rate.cost_enough or rate.points_lost_per_match is None:
        return f"{said} Too few points to say what it costs."
    said += (
        f" Won {_percent(rate.share_won_with_fault or 0.0)} of the points with it and "
        f"{_percent(rate.share_won_clear or 0.0)} of those without"
    )
    spread = f"{rate.points_lost_low:.1f} to {rate.points_lost_high:.1f}"
    if not rate.cost_sure:
        return f"{said}: whether it costs points is not sure ({spread} a match)."
    return (
        f"{said}: about {rate.points_lost_per_match:.1f} points a match ({spread}), "
        f"or {rate.games_lost_per_match:.1f} games."
    )


def order(rate: FaultRate) -> tuple[int, float, float, str, str]:
    """Sorting key: what is sure to cost first, then what has points enough, then chances enough."""
    rank = 3 - rate.enough - rate.cost_enough - rate.cost_sure
    lost = rate.points_lost_per_match or 0.0
    return (rank, -lost if rank < 2 else 0.0, -rate.rate_low, rate.player, rate.rule)


def _ends(points: Iterable[Row]) -> dict[Place, tuple[Place, str | None]]:
    """Of each row of ``points`` the row in which its point ended, and who won it.

    A first serve that was a fault has a row of its own; its point went on with the second serve.
    """
    ordered = sorted(points, key=lambda row: (row["match_id"], row["point_id"]))
    found: dict[Place, tuple[Place, str | None]] = {}
    for row, after in zip_longest(ordered, ordered[1:]):
        goes_on = (
            row["ended_by"] == "fault" and after is not None and after["serve_number"] == 2
            and after["match_id"] == row["match_id"]
            and after["server_player"] == row["server_player"]
        )
        last = after if goes_on and after is not None else row
        place = (last["match_id"], last["point_id"])
        found[(row["match_id"], row["point_id"])] = (place, last["won_by_player"])
    return found


def tallies(
    opportunities: Iterable[Row], points: Iterable[Row], shots: Iterable[Row]
) -> list[Tally]:
    """Counts by player and rule, from rows of the three tables of one match or several.

    Opportunities without a player are left out. ``shots`` tell who took part in a point.
    """
    ends = _ends(points)
    winners = dict(ends.values())
    outcomes: dict[tuple[str, str], dict[str, int]] = defaultdict(lambda: defaultdict(int))
    faulty: dict[tuple[str, str], dict[Place, bool]] = defaultdict(dict)
    matches: dict[str, set[str]] = defaultdict(set)
    for row in opportunities:
        if row["player"] is None:
            continue
        key, place = (row["player"], row["rule"]), (row["match_id"], row["point_id"])
        place = ends.get(place, (place, None))[0]
        outcomes[key][row["outcome"]] += 1
        matches[row["player"]].add(row["match_id"])
        if row["outcome"] in MEASURED:
            faulty[key][place] = faulty[key].get(place, False) or row["outcome"] == "fault"
    took_part: dict[str, set[Place]] = defaultdict(set)
    for row in shots:
        for name in (row["player"], row["opponent"]):
            if name is not None and winners.get((row["match_id"], row["point_id"])) is not None:
                took_part[name].add((row["match_id"], row["point_id"]))
    found = []
    for (player, rule), counts in sorted(outcomes.items()):
        places = faulty[(player, rule)]
        won = {
            flag: [winners[place] == player for place, bad in places.items()
                   if bad is flag and winners.get(place) is not None]
            for flag in (True, False)
        }  # fmt: skip
        found.append(Tally(
            player, rule, counts["fault"], counts["credit"], counts["note"], counts["clear"],
            counts["not_measurable"], sum(places.values()), len(won[True]), sum(won[True]),
            len(won[False]), sum(won[False]), len(took_part[player]),
            sum(winners[place] == player for place in took_part[player]), len(matches[player]),
        ))  # fmt: skip
    return found


def fault_rates(
    opportunities: Iterable[Row], points: Iterable[Row], shots: Iterable[Row]
) -> list[FaultRate]:
    """Rates of every player and rule, the most costly that is sure enough first.

    Rows of the tables ``opportunities``, ``points`` and ``shots``, of one match or several. Where
    nothing is sure to cost, those with points enough come first, then those with chances enough.
    """
    return sorted(map(rate_of, tallies(opportunities, points, shots)), key=order)
