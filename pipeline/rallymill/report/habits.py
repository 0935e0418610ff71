"""What to work on first, and what went well: flags gathered by player and rule, costliest first."""

from __future__ import annotations

from dataclasses import dataclass

from rallymill import intervals, rates
from rallymill.rates import FaultRate
from rallymill.report import words
from rallymill.report.content import OTHER, Match, Player, Row, weight

BISECTED = frozenset({"net_momentum", "net_position", "open_line", "recovery"})
"""Rules about the distance from the bisector: passing lines and bisector are drawn."""
WAITING = BISECTED | {"approach_followed", "closing_in", "no_mans_land", "split_step"}
"""Rules about where the player concerned is when the opponent strikes: they are drawn there."""
SPACE = frozenset({"change_direction", "drop_shot", "open_court", "short_ball", "wrong_foot"})
"""Rules about where the ball went: the ground out of reach is drawn."""
FIRST = 3
"""Habits that are shown at once for a player; a practice has room for no more."""
LEAST_CASES = 2


@dataclass(frozen=True)
class Case:
    """A flag where it is shown: number of its point, the stroke that it is drawn at, its film."""

    flag: Row
    point: int
    moment: Row | None
    score: str | None

    @property
    def page(self) -> str:
        """Page of the point at the stroke where the case is drawn, relative to the match page."""
        step = f"#step={self.moment['shot_number']}" if self.moment else ""
        return f"points/{self.point:03d}.html{step}"


@dataclass(frozen=True)
class Habit:
    """Findings of one rule about one player, the weightiest first, with how often and what cost."""

    player: Player
    rule: str
    kind: str
    cases: tuple[Case, ...]
    rate: FaultRate | None
    lost_points: int
    decided_points: int

    @property
    def key(self) -> str:
        """Name for addresses and files; it holds no name or code of a person."""
        return f"{self.rule}-{self.player.letter}"

    @property
    def said(self) -> str:
        """How often, and what it cost, in words with intervals."""
        if self.rate is not None and self.kind == "fault":
            return self.rate.sentence
        n = len(self.cases)
        if self.rate is not None and self.rate.opportunities:
            chances = self.rate.opportunities
            low, high = (float(end) for end in intervals.wilson(n, chances))
            if self.rate.enough:
                return (
                    f"{n} in {words.count(chances, 'chance')}, {words.percent(n / chances)} "
                    f"({words.percent(low)} to {words.percent(high)})."
                )
            return f"{n} in {words.count(chances, 'chance')}: too few to call it a habit."
        if not self.decided_points:
            return f"{words.count(n, 'case')}; who won the points is not known."
        return (
            f"{words.count(n, 'case')}; {self.lost_points} of "
            f"{words.count(self.decided_points, 'point')} with it were lost. How many chances "
            "there were was not counted, so this is no rate."
        )


def moment_of(match: Match, flag: Row) -> Row | None:
    """The stroke at whose contact a flag is drawn: for a place, when the opponent strikes."""
    shots = match.shots_of(flag["point_id"])
    own = next((k for k, shot in enumerate(shots) if shot["shot_id"] == flag["shot_id"]), None)
    if own is None:
        return None
    if flag["rule"] in WAITING and flag["side"] in OTHER:
        for shot in shots[own : own + 2]:
            if shot["hitter"] != flag["side"]:
                return shot
    return shots[own]


def case_of(match: Match, flag: Row) -> Case | None:
    """A flag with its point; None where its point is not in the table."""
    played = match.played_by_row.get(flag["point_id"])
    if played is None:
        return None
    return Case(flag, played.number, moment_of(match, flag), played.row["score"])


def _habits(match: Match, kind: str, by_key: dict[tuple[str, str], FaultRate]) -> list[Habit]:
    grouped: dict[tuple[str, str], list[Case]] = {}
    for flag in sorted(match.flags, key=lambda flag: -weight(flag)):
        case = case_of(match, flag) if flag["kind"] == kind and flag["player"] else None
        if case is not None:
            grouped.setdefault((flag["player"], flag["rule"]), []).append(case)
    known = {player.code: player for player in match.players}
    found = []
    for (code, rule), cases in grouped.items():
        if code not in known:
            continue
        winners = {
            case.point: match.played[case.point - 1].row["won_by_player"] for case in cases
        }
        decided = [winner for winner in winners.values() if winner is not None]
        found.append(Habit(
            known[code], rule, kind, tuple(cases), by_key.get((code, rule)),
            sum(winner != code for winner in decided), len(decided),
        ))
    return found


def _worth(habit: Habit) -> tuple[int, float, float]:
    """Sorting key without a rate: what comes again and again first, then by weight."""
    total = sum(weight(case.flag) for case in habit.cases)
    return (0 if len(habit.cases) >= LEAST_CASES else 1, -total, -float(habit.lost_points))


@dataclass(frozen=True)
class Worklist:
    """For each player, in the order of the page: faults, the costliest first, and credits."""

    faults: dict[str, list[Habit]]
    credits: dict[str, list[Habit]]
    notes: dict[str, list[Habit]]
    kept: dict[str, list[FaultRate]]
    counted: bool


def build(match: Match) -> Worklist:
    """Flags of a match gathered by player and rule.

    With the table of opportunities the order is that of :func:`rallymill.rates.order`, else that of
    weight. ``kept`` are rules that a player had chances enough to break, and no fault is shown.
    """
    ranked = (
        rates.fault_rates(match.opportunities, match.points, match.shots)
        if match.opportunities else []
    )
    by_key = {(rate.player, rate.rule): rate for rate in ranked}
    place = {key: k for k, key in enumerate(by_key)}
    last = len(place)

    def order(habit: Habit) -> tuple[float, ...]:
        return (place.get((habit.player.code, habit.rule), last), *_worth(habit))

    def of(kind: str) -> dict[str, list[Habit]]:
        made = sorted(_habits(match, kind, by_key), key=order)
        return {
            player.code: [habit for habit in made if habit.player.code == player.code]
            for player in match.players
        }

    faults = of("fault")
    shown = {(habit.player.code, habit.rule) for own in faults.values() for habit in own}
    kept = {
        player.code: sorted(
            (rate for rate in ranked if rate.player == player.code and well_kept(rate)
             and (rate.player, rate.rule) not in shown),
            key=lambda rate: rate.rate_high,
        )
        for player in match.players
    }
    return Worklist(faults, of("credit"), of("note"), kept, bool(match.opportunities))


MOSTLY = 0.2


def well_kept(rate: FaultRate) -> bool:
    """Whether the interval says that the fault comes in fewer than one of five chances."""
    return rate.enough and rate.rate_high <= MOSTLY
