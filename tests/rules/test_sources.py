"""Thresholds and rules against the published figures that their cards name."""

import numpy as np
import pytest
from scipy.stats import binom

from rallymill import court
from rallymill.intervals import exceeds
from rallymill.rules.base import LEVELS, Clear, Finding
from rallymill.rules.registry import all_rules
from tests.rules.planted import look, play, point, reply_to, shot, standing

RULES = {rule.name: rule for rule in all_rules()}
KMH = 1 / 3.6
FOREHAND_MPS = {"men": 119 * KMH, "women": 111 * KMH}
FIRST_SERVE_MPS = {"men": 179 * KMH, "women": 153 * KMH}
"""Medians at contact on the tour: Kovalchik & Reid 2017 (J Sports Sci Med 16:489, table 4)."""
ZONES = {"men": (0.457, 0.469, 0.074), "women": (0.363, 0.477, 0.160)}
"""First serves wide, to the T, into the body: the same source."""
TAKE_OFF_S, LANDING_S = 0.005, 0.133
"""Experts' split step relative to the server's contact: Navia 2022 (J Sports Sci 40:16)."""


def at(name, level):
    return RULES[name].thresholds[level]


@pytest.mark.parametrize("level", LEVELS)
def test_the_experts_split_step_is_in_time_at_every_level(level):
    row = shot(t_contact_s=10.0)
    track = standing(0.0, 12.8, (10.0 + LANDING_S,), air_s=LANDING_S - TAKE_OFF_S)
    seen = play([row, reply_to(row)], tracks={"far": track})
    results = list(RULES["split_step"].look(seen, at("split_step", level)))
    assert [type(result) for result in results] == [Clear]


@pytest.mark.parametrize("level", LEVELS)
def test_landing_well_before_the_contact_is_early_at_every_level(level):
    """Landing too early missed 7.8 % of balls against 0.8 % (Uzu 2009, J Sports Sci 27:1233)."""
    row = shot(t_contact_s=10.0)
    seen = play([row, reply_to(row)], tracks={"far": standing(0.0, 12.8, (9.85,))})
    found, _ = look("split_step", seen, level)
    assert len(found) == 1 and "early" in found[0].sentence


@pytest.mark.parametrize("who", ["men", "women"])
def test_attacks_start_below_the_median_forehand_and_hard_serves_below_the_median_serve(who):
    for name in ("short_ball", "approach_followed"):
        speeds = [at(name, level).attack_mps for level in LEVELS]
        assert speeds == sorted(speeds) and speeds[-1] < FOREHAND_MPS[who]
    hard = [at("return_choice", level).hard_mps for level in LEVELS]
    assert hard == sorted(hard) and hard[-1] < FIRST_SERVE_MPS["men"]


def test_hard_balls_are_those_that_arrive_as_fast_as_tour_forehands_do():
    """Forehands of 119 km/h pass the far baseline at 60 (Kovalchik & Reid 2017, table 4)."""
    arriving = 60 * KMH
    assert at("change_direction", "club").hard_mps < arriving < 1.1 * at(
        "change_direction", "tour").hard_mps


@pytest.mark.parametrize("who", ["men", "women"])
@pytest.mark.parametrize("level", LEVELS)
@pytest.mark.parametrize("trials", [10, 20, 40, 80])
def test_a_server_of_the_tour_is_seldom_called_predictable(who, level, trials):
    """Chance, summed over all counts, that a zone of the tour's mix is flagged."""
    bounds = at("serve_pattern", level)
    flagged = 0.0
    for share in ZONES[who]:
        counts = np.arange(trials + 1)
        speaks = [exceeds(bounds.share, int(k), trials) >= bounds.least_confidence for k in counts]
        flagged += float(binom.pmf(counts, trials, share)[speaks].sum())
    assert flagged < 0.05


@pytest.mark.parametrize("level", LEVELS)
def test_the_tours_body_serves_are_not_called_left_out(level):
    """First and second serves three to two: 7.4 and 31.3 % of the men's go into the body."""
    bounds = at("body_serve", level)
    share = 0.6 * 0.074 + 0.4 * 0.313
    trials = 60
    flagged = sum(
        float(binom.pmf(k, trials, share)) for k in range(trials + 1)
        if 1 - exceeds(bounds.share, k, trials) >= bounds.least_confidence)
    assert flagged < 0.01


def test_the_net_is_higher_down_the_line_by_the_rules_of_tennis():
    """ITF Rules of Tennis, rule 1: 0.914 m at the strap, 1.07 m at the posts."""
    middle, side = court.net_height_m([0.0, court.HALF_SINGLES_M])
    assert middle == pytest.approx(0.914) and 0.09 < side - middle < 0.16


def test_the_classic_station_at_the_net_is_at_the_net():
    """1.8 to 2.4 m from the net, opposite the ball; between 3 m and the baseline one does not wait
    (Tilden 1921, The Art of Lawn Tennis)."""
    for level in LEVELS:
        assert at("net_position", level).net_zone_m > 2.4
        assert at("lob", level).close_m > 2.4
        row = shot()
        waits = play([row, reply_to(row, opponent_y_m=-7.5)], [point()])
        assert [f.kind for f in look("no_mans_land", waits, level)[0]] == ["fault"]
        station = play([row, reply_to(row, opponent_y_m=-2.1)], [point()])
        results = RULES["no_mans_land"].look(station, at("no_mans_land", level))
        assert not any(isinstance(result, Finding) for result in results)
