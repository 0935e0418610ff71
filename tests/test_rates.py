"""Rates of faults and their cost, against other libraries, published figures and counts by hand."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

from rallymill import intervals, rates
from rallymill.rates import FaultRate, Tally, fault_rates, rate_of, tallies

COUNTS = st.tuples(st.integers(1, 60), st.integers(1, 60), st.floats(0, 1), st.floats(0, 1)).map(
    lambda c: (round(c[0] * c[2]), c[0], round(c[1] * c[3]), c[1]))  # fmt: skip


def chance(point_id: int, outcome: str, rule: str = "recovery", player: str | None = "MAR"):
    return {"match_id": "a-1", "point_id": point_id, "rule": rule, "player": player,
            "outcome": outcome}  # fmt: skip


def point(point_id: int, won_by: str | None, ended_by="winner", serve_number=1, match_id="a-1"):
    return {"match_id": match_id, "point_id": point_id, "won_by_player": won_by,
            "ended_by": ended_by, "serve_number": serve_number, "server_player": "MAR"}


def stroke(point_id: int):
    return {"match_id": "a-1", "point_id": point_id, "player": "MAR", "opponent": "KES"}


def test_nothing_in_nothing_out():
    assert fault_rates([], [], []) == []


@pytest.mark.parametrize(("successes", "trials"), [(0, 3), (3, 3), (1, 12), (17, 40), (0, 0)])
def test_interval_of_a_rate_is_wilsons(successes, trials):
    low, high = intervals.wilson(successes, trials)
    wanted = proportion_confint(successes, trials, 0.05, "wilson") if trials else (0.0, 1.0)
    assert (low, high) == pytest.approx(wanted, abs=1e-6)


@given(COUNTS)
def test_interval_of_a_difference_is_newcombes(counts):
    gap, low, high = rates.difference(*counts)
    won_clear, n_clear, won_fault, n_fault = counts
    wanted = confint_proportions_2indep(
        won_clear, n_clear, won_fault, n_fault, method="newcomb", compare="diff")
    assert (low, high) == pytest.approx(wanted, abs=1e-6)
    assert low <= gap <= high


@given(COUNTS)
def test_few_points_are_drawn_toward_no_difference(counts):
    gap, _, _ = rates.difference(*counts)
    drawn, sd = rates.drawn_difference(*counts)
    assert abs(drawn) <= abs(gap) + 1e-9 and drawn * gap >= -1e-9
    more, less_sd = rates.drawn_difference(*(50 * value for value in counts))
    assert abs(more - gap) <= abs(drawn - gap) + 1e-9 and less_sd < sd


def test_game_probability_is_the_published_one():
    # 208/243: L. N. Trefethen 2023, note of 13 July; the others from the same formula's table.
    assert rates.game_probability(2 / 3) == pytest.approx(208 / 243, abs=1e-12)
    found = rates.game_probability([0.5, 0.55, 0.6, 0.62, 0.65, 0.7, 0.75, 0.8])
    assert found == pytest.approx(
        [0.5, 0.623149, 0.735729, 0.775863, 0.829645, 0.900789, 0.949219, 0.978221], abs=1e-6)


@pytest.mark.parametrize("p", [0.3, 0.5, 0.62, 0.75])
def test_a_game_played_point_by_point(p):
    """By the score itself, without any formula: chance of the game and points that it lasts."""
    @cache
    def play(own: int, other: int, left: int) -> tuple[float, float]:
        if max(own, other) >= 4 and abs(own - other) >= 2:
            return float(own > other), 0.0
        if not left:
            return 0.5, 0.0
        won, lost = play(own + 1, other, left - 1), play(own, other + 1, left - 1)
        return (
            p * won[0] + (1 - p) * lost[0], 1 + p * won[1] + (1 - p) * lost[1],
        )

    chance_of_game, length = play(0, 0, 300)
    assert rates.game_probability(p) == pytest.approx(chance_of_game, abs=1e-9)
    assert rates.points_per_game(p) == pytest.approx(length, abs=1e-9)


def test_a_point_is_worth_most_at_even_odds_and_the_same_on_serve_and_return():
    assert rates.games_per_point(0.5) == pytest.approx(2.5 / 6.75, abs=1e-6)
    p = np.linspace(0.1, 0.9, 17)
    worth = rates.games_per_point(p)
    assert worth.argmax() == 8
    assert worth == pytest.approx(worth[::-1], abs=1e-9)


def test_counts_are_those_by_hand():
    chances = [
        chance(0, "fault"), chance(0, "clear"), chance(0, "fault"),  # one point with a fault
        chance(1, "clear"), chance(1, "credit"), chance(2, "fault"), chance(3, "clear"),
        chance(4, "not_measurable"), chance(4, "fault", player=None),
        chance(1, "note", "lob", "KES"),
    ]  # fmt: skip
    points = [point(0, "KES"), point(1, "MAR"), point(2, None), point(3, "KES"), point(4, "MAR")]
    lob, recovery = tallies(chances, points, [stroke(k) for k in range(5)])
    assert recovery == Tally(
        "MAR", "recovery", faults=3, credits=1, notes=0, clear=3, not_measurable=1,
        points_with_fault=2, fault_decided=1, fault_won=0, clear_decided=2, clear_won=1,
        points_played=4, points_won=2,
    )
    assert (lob.player, lob.notes, lob.clear_won, lob.points_won) == ("KES", 1, 0, 2)
    made = rate_of(recovery)
    assert (made.opportunities, made.rate) == (7, 3 / 7)
    assert (made.share_won_with_fault, made.share_won_clear, made.cost) == (0.0, 0.5, 0.5)


def test_fault_on_a_first_serve_belongs_to_the_point_that_went_on():
    points = [
        point(0, None, "fault"), point(1, "KES", serve_number=2), point(2, None, "fault"),
        point(3, "MAR"), point(4, None, "fault"),
    ]
    chances = [chance(0, "fault"), chance(1, "clear"), chance(2, "fault"), chance(4, "fault")]
    (one,) = tallies(chances, points[::-1], [stroke(k) for k in range(5)])
    # The first went on and was lost; of the others nobody saw the second serve.
    assert (one.points_with_fault, one.fault_decided, one.fault_won) == (3, 1, 0)
    assert (one.clear_decided, one.points_played) == (0, 2)


@given(st.integers(0, 11), st.floats(0, 1))
def test_few_chances_never_look_like_a_habit(n, share):
    faults = round(n * share)
    made = rate_of(Tally(
        "MAR", "recovery", faults, clear=n - faults, points_with_fault=faults,
        fault_decided=faults, fault_won=0, clear_decided=n - faults, clear_won=n - faults,
    ))
    assert not made.enough and not made.cost_enough and not made.cost_sure
    assert "%" not in made.sentence and "points a match" not in made.sentence


@pytest.mark.parametrize(
    ("tally", "said"),
    [
        (Tally("MAR", "late"), "No chances."),
        (Tally("MAR", "late", not_measurable=1), "None of 1 chance could be measured."),
        (Tally("MAR", "late", 3, not_measurable=2),
         "3 in 3 chances: too few to call it a habit. 2 more could not be measured."),
        (Tally("MAR", "late", 3, clear=27),
         "3 in 30 chances, 10 % (3 % to 26 %). Too few points to say what it costs."),
    ],
)  # fmt: skip
def test_rates_in_words(tally, said):
    assert rate_of(tally).sentence == said


def costly(rule: str, n: int, won_fault: float, won_clear: float) -> Tally:
    return Tally(
        "MAR", rule, n, clear=2 * n, points_with_fault=n, fault_decided=n,
        fault_won=round(won_fault * n), clear_decided=2 * n, clear_won=round(won_clear * 2 * n),
        points_played=3 * n, points_won=round(1.5 * n),
    )


def test_three_of_three_stands_behind_a_fault_that_is_sure_to_cost():
    sure, even = costly("late", 40, 0.3, 0.6), costly("even", 40, 0.5, 0.5)
    few = costly("few", 3, 0.0, 1.0)
    ordered = sorted(map(rate_of, (few, even, sure)), key=rates.order)
    assert [one.rule for one in ordered] == ["late", "even", "few"]
    late, level, _ = ordered
    assert late.cost_sure and late.points_lost_low > 0
    # 40 faults a match at 0.3 less than without, drawn a little toward none.
    assert 0.75 * 12 < late.points_lost_per_match < 12
    assert late.games_lost_per_match == pytest.approx(
        late.points_lost_per_match * 2.5 / 6.75, rel=1e-3)
    assert not level.cost_sure and "not sure" in level.sentence


def test_season_counts_faults_by_match():
    one = costly("late", 40, 0.3, 0.6)
    many = rate_of(Tally(**{**vars(one), "n_matches": 4}))
    assert many.points_lost_per_match == pytest.approx(rate_of(one).points_lost_per_match / 4)


def test_what_costs_nothing_is_not_sure_to_cost():
    """Of faults that cost nothing, few are called sure; of costly ones, most."""
    rng = np.random.default_rng(100_007)
    def share_sure(cost: float) -> float:
        made: list[FaultRate] = []
        for _ in range(300):
            won = rng.binomial(30, 0.5 - cost), rng.binomial(60, 0.5)
            made.append(rate_of(costly("late", 30, won[0] / 30, won[1] / 60)))
        return float(np.mean([one.cost_sure for one in made]))

    assert share_sure(0.0) < 0.05
    assert share_sure(0.35) > 0.7


@given(st.floats(-50, 50), st.floats(-50, 50), st.floats(1e-3, 30))
def test_how_sure_a_quantity_exceeds_a_bound_is_the_normal_distribution_s(
    value: float, bound: float, deviation: float
) -> None:
    """Against SciPy's normal distribution."""
    wanted = norm.sf(bound, loc=value, scale=deviation)
    assert intervals.above(value, bound, deviation) == pytest.approx(wanted, abs=1e-12)


def test_what_was_not_measured_may_exceed_a_bound_or_not() -> None:
    nan = float("nan")
    assert intervals.above(nan, 1.0, 0.2) == 0.5
    assert [intervals.above(value, 1.0, nan) for value in (0.9, 1.1)] == [0.0, 1.0]
    assert [intervals.above(value, 1.0, 0.0) for value in (1.0, 1.1)] == [0.0, 1.0]
