"""Alternatives of a stroke against independent flights, properties of the court, and known scatter.
"""

from __future__ import annotations

from dataclasses import replace
from math import atan2, cos, hypot, radians, sin

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from rallymill import flight, tactics
from rallymill.alternatives import drawing, flights, what_if, words
from rallymill.alternatives.scatter import PRIORS, Scatter, own_scatter
from rallymill.alternatives.stroke import GROUND, Launches, Stroke, stroke_of
from rallymill.alternatives.targets import targets
from rallymill.alternatives.what_if import MISFIT, NOT_LANDED, OUT_OF_REACH, alternatives
from rallymill.tables import SHOTS

NO_SCATTER = Scatter(0.0, 0.0, 0.0, 0.0, 0, "club")
MOVER = tactics.Mover()
SEED = 100_011


def shot(**given):
    """Row of the shots table: a topspin drive from the near backhand corner, half measured."""
    row = dict.fromkeys(SHOTS.names())
    row |= {
        "match_id": "a-1", "point_id": 0, "shot_id": 5, "hitter": "near", "player": "MAR",
        "stroke": "groundstroke", "wing": "unknown", "direction": "cross_court",
        "contact_x_m": -2.5, "contact_y_m": -11.6, "contact_z_m": 0.9, "contact_x_m_sd": 0.04,
        "contact_y_m_sd": 0.06, "contact_z_m_sd": 0.05, "speed_mps": 27.0, "speed_mps_sd": 0.5,
        "topspin_radps": 180.0, "topspin_radps_sd": 30.0, "hitter_x_m": -2.0,
        "hitter_y_m": -11.9, "opponent_x_m": 1.5, "opponent_y_m": 12.2, "opponent_vx_mps": 0.5,
        "opponent_vy_mps": 0.0, "opponent_x_m_sd": 0.15, "opponent_y_m_sd": 0.2,
        "confidence": 0.9,
    }  # fmt: skip
    return row | given


def stroke(**given) -> Stroke:
    made = stroke_of(shot(**given), True)
    assert isinstance(made, Stroke)
    return made


def sure(made: Stroke) -> Stroke:
    """The stroke as if it had been measured without error."""
    return replace(
        made, contact_sd=np.zeros(3), pace_sd_mps=0.0, topspin_sd_radps=0.0,
        opponent_sd=np.zeros(4),
    )


def by_name(found):
    return {one.target.name: one for one in found}


def play(made: Stroke, scatter=PRIORS[("college", GROUND)], **more):
    return by_name(alternatives(made, scatter, MOVER, SEED, **more))


def by_the_book(start, topspin, until_y=None):
    """Flight by scipy to the ground, and where it passes y = 0, from the published formula.

    a = g - k C_D |v| v + k C_L |v|^2 (unit(omega) x unit(v)), k = rho A / 2m, C_D = 0.507 (Cross &
    Lindsey 2014), C_L = 1 / (2 + v / w) (Brody, Cross & Lindsey 2002).
    """
    k = 1.21 * np.pi * 0.067**2 / (8 * 0.0577)

    def slope(_, s):
        v = s[3:]
        speed = np.linalg.norm(v)
        axis = np.cross([0, 0, 1], v)
        omega = topspin * axis / max(np.linalg.norm(axis), 1e-12)
        a = np.array([0, 0, -9.81]) - k * 0.507 * speed * v
        if topspin:
            w = abs(topspin) * 0.067 / 2
            lift = np.cross(omega / abs(topspin), v / speed)
            a += k * speed**2 / (2 + speed / w) * lift
        return [*v, *a]

    def ground(_, s):
        return s[2] - 0.0335

    def net(_, s):
        return s[1]

    ground.terminal, ground.direction = True, -1
    found = solve_ivp(slope, (0, 8), start, events=[ground, net], rtol=1e-10, atol=1e-10)
    return found.t_events[0][0], found.y_events[0][0], found.y_events[1]


LAUNCHES = st.tuples(
    st.floats(-4, 4), st.floats(-14, -1), st.floats(0.3, 3.0), st.floats(12, 55),
    st.floats(-8, 45), st.floats(-12, 12), st.floats(-150, 400),
)


@settings(max_examples=25, deadline=None)
@given(LAUNCHES)
def test_flight_is_that_of_another_integration(given_launch):
    x, y, z, pace, elevation, azimuth, topspin = given_launch
    up, turned = radians(elevation), radians(azimuth)
    velocity = [pace * cos(up) * sin(turned), pace * cos(up) * cos(turned), pace * sin(up)]
    time, landed, passed = by_the_book([x, y, z, *velocity], topspin)
    found = flights.one(np.array([x, y, z]), pace, up, turned, topspin)
    assert found[flights.LANDED_S] == pytest.approx(time, abs=2e-4)
    assert found[[flights.LANDED_X, flights.LANDED_Y]] == pytest.approx(landed[:2], abs=2e-3)
    if len(passed):
        # ITF Rules of Tennis, rule 1: 0.914 m at the centre, 1.07 m at the posts, which stand
        # 0.914 m outside the doubles sidelines.
        across, height = passed[0][0], passed[0][2]
        net = 0.914 + (1.07 - 0.914) * min(abs(across) / (10.97 / 2 + 0.914), 1.0)
        assert found[flights.CLEARANCE] == pytest.approx(height - 0.0335 - net, abs=1e-3)
        assert found[flights.NET_X] == pytest.approx(across, abs=1e-3)
    else:
        assert np.isnan(found[flights.CLEARANCE])


def test_aim_without_scatter_comes_down_on_the_target():
    made = stroke()
    drawn = drawing.standard_draws(SEED)
    for target in targets(made):
        place = (target.x_m, target.y_m)
        elevation = Launches(made).low(made.distance_m(place))
        errors = NO_SCATTER.errors(drawn)
        flown, _ = drawing.flights_to(made, place, elevation, errors, drawn, MOVER, 0.8)
        off = np.abs(flown[:, :2] - place)
        # However the ball really was, within its deviations, the aim allows for it.
        assert np.median(off) < 0.01 and off.max() < 0.3


def test_shares_are_those_of_flights_drawn_one_by_one():
    """The same scatter drawn by another generator and flown by another module."""
    made, scatter = sure(stroke(contact_z_m=0.5, speed_mps=31.0)), PRIORS[("club", GROUND)]
    found = play(made, scatter, n_draws=1024)["cross_court_middle"]
    rng = np.random.default_rng(7)
    gone_in, clearances = [], []
    aim = atan2(found.target.x_m - made.contact[0], found.target.y_m - made.contact[1])
    for _ in range(1500):
        times = 3.0 if rng.random() < scatter.mishits else 1.0
        up = found.elevation_rad + times * scatter.elevation_rad * rng.normal()
        turned = aim + times * scatter.azimuth_rad * rng.normal()
        pace = made.pace_mps * (1 + times * scatter.pace_share * rng.normal())
        start = [*made.contact, pace * cos(up) * sin(turned), pace * cos(up) * cos(turned),
                 pace * sin(up)]  # fmt: skip
        _, end = flight.fall_to(start, (made.topspin_radps, 0.0))
        track = flight.states(start, (made.topspin_radps, 0.0), np.arange(0, 2, 0.005))
        k = int(np.argmax(track[:, 1] >= 0))
        share = track[k, 1] / (track[k, 1] - track[k - 1, 1])
        x, z = (track[k] + share * (track[k - 1] - track[k]))[[0, 2]]
        gap = z - 0.0335 - (0.914 + 0.156 * abs(x) / 6.399)
        clearances.append(gap)
        gone_in.append(gap > 0 and abs(end[0]) < 4.1485 and end[1] < 11.9185)
    assert 0.2 < np.mean(gone_in) < 0.9
    assert found.goes_in == pytest.approx(np.mean(gone_in), abs=0.06)
    assert found.clearance_m.median == pytest.approx(np.median(clearances), abs=0.05)
    low, high = np.percentile(clearances, (15.87, 84.13))
    assert found.clearance_m.sd == pytest.approx((high - low) / 2, rel=0.12)


HEIGHTS = st.floats(0.25, 1.6)


@settings(max_examples=40, deadline=None)
@given(HEIGHTS, HEIGHTS, st.floats(-4, 4), st.floats(-13, -4), st.floats(20, 34),
       st.floats(0, 300))  # fmt: skip
def test_higher_contact_never_passes_lower_over_the_net(one, other, x, y, pace, topspin):
    low, high = sorted((one, other))
    made = stroke(contact_x_m=x, contact_y_m=y, speed_mps=pace, topspin_radps=topspin)
    for target in targets(made):
        place = (target.x_m, target.y_m)
        gaps = []
        for z in (low, high):
            there = replace(made, contact=np.array([x, y, z]))
            elevation = Launches(there).low(there.distance_m(place))
            gaps.append(what_if.flight_to(there, place, elevation)[flights.CLEARANCE])
        # Where the pace just carries so far, the ball goes up at almost half a right angle, and
        # a lower contact, farther behind the top of its flight, may clear the net by a hair more.
        if np.isfinite(gaps).all() and max(gaps) < 3.0:
            assert gaps[1] >= gaps[0] - 1e-3


@settings(max_examples=15, deadline=None)
@given(st.floats(0.4, 1.4), st.floats(-3.5, 3.5), st.floats(22, 30), st.floats(1.1, 3.0))
def test_wider_scatter_never_lets_more_in(z, x, pace, wider):
    made = sure(stroke(contact_z_m=z, contact_x_m=x, speed_mps=pace))
    scatter = PRIORS[("college", GROUND)]
    wide = replace(
        scatter, elevation_rad=wider * scatter.elevation_rad,
        azimuth_rad=wider * scatter.azimuth_rad, pace_share=wider * scatter.pace_share,
    )
    less, more = play(made, scatter), play(made, wide)
    for name, one in less.items():
        # A ball that is aimed into the net may be scattered over it.
        aimed_over = one.clearance_m.median > 0
        if one.reason == "" and aimed_over:
            assert more[name].goes_in <= one.goes_in + 1 / drawing.N_DRAWS


@settings(max_examples=10, deadline=None)
@given(st.floats(-4, 4), st.floats(0.4, 1.5), st.floats(-3, 3), st.floats(-3, 3))
def test_left_and_right_are_alike(x, z, opponent_x, runs):
    where = {"contact_x_m": x, "contact_z_m": z, "opponent_x_m": opponent_x,
             "opponent_vx_mps": runs, "hitter_x_m": None}  # fmt: skip
    mirrored = where | {name: -where[name] for name in (
        "contact_x_m", "opponent_x_m", "opponent_vx_mps")}  # fmt: skip
    here = alternatives(stroke(**where), PRIORS[("tour", GROUND)], MOVER, SEED)
    there = alternatives(stroke(**mirrored), PRIORS[("tour", GROUND)], MOVER, SEED)
    by_place = {
        (round(-one.target.x_m, 6), one.target.y_m): one for one in there if one.reason == ""}
    for one in here:
        if one.reason:
            continue
        other = by_place[(round(one.target.x_m, 6), one.target.y_m)]
        assert one.goes_in == pytest.approx(other.goes_in)
        assert one.clearance_m.median == pytest.approx(other.clearance_m.median)
        assert one.late_s.median == pytest.approx(other.late_s.median, nan_ok=True)
        assert one.beats == pytest.approx(other.beats, nan_ok=True)


def test_near_and_far_are_alike():
    turned = {name: -shot()[name] for name in (
        "contact_x_m", "contact_y_m", "hitter_x_m", "hitter_y_m", "opponent_x_m", "opponent_y_m",
        "opponent_vx_mps")}  # fmt: skip
    here, there = play(stroke()), play(stroke(hitter="far", **turned))
    assert list(here) == list(there) and len(here) == 8
    for name, one in here.items():
        assert there[name].goes_in == pytest.approx(one.goes_in, nan_ok=True)
        assert there[name].late_s.median == pytest.approx(one.late_s.median, nan_ok=True)


def test_low_ball_down_the_line_is_tighter_than_across():
    """The case of the coach: from low, the line is shorter and leads over the higher net."""
    found = play(stroke(contact_x_m=3.6, contact_y_m=-9.5, contact_z_m=0.35, speed_mps=29.0,
                        hitter_x_m=None, topspin_radps=120.0))  # fmt: skip
    line, cross = found["down_the_line_deep"], found["cross_court_deep"]
    assert line.net_m > cross.net_m + 0.03
    assert line.clearance_m.median < cross.clearance_m.median
    assert line.goes_in < cross.goes_in
    said = words.sentence(line, stroke(contact_z_m=0.35))
    assert said.startswith("From 0.3 m high deep down the line passes")
    assert "higher there (1.00 m)" in said and "give or take" in said and "of 10 go in" in said


def test_directions_are_compared_by_room_and_reach():
    landed = {"bounce_x_m": -1.5, "bounce_y_m": 9.0}
    made = stroke(contact_x_m=3.6, contact_y_m=-9.5, contact_z_m=0.35, speed_mps=29.0,
                  hitter_x_m=None, topspin_radps=120.0, opponent_x_m=-2.0, **landed)
    found = list(play(made, PRIORS[("club", GROUND)]).values())
    said = words.comparison(found, made)
    assert said.startswith("From 0.3 m high, at this pace, there was little room deep cross-court")
    by_room = {room: said.find(word) for room, word in (
        ("open", "there was room"), ("narrow", "there was little room"),
        ("closed", "there was hardly any room"))}  # fmt: skip
    for room, place in by_room.items():
        assert (place >= 0) == any(
            one.room == room for one in words._best_by_way(found).values()), room
    best = max((one for one in found if not one.played), key=lambda one: one.beats)
    played = next(one for one in found if one.played)
    assert best.beats > played.beats + 0.2 and best.target.direction == "down_the_line"
    assert "own the line, " in said and "as it was played" in said
    at_opponent = words.comparison([replace(one, beats=0.1) for one in found], made)
    assert "No other place" in at_opponent
    assert words.comparison([what_if.not_told("middle", MISFIT)], made) is None


def test_what_was_not_measured_is_not_told():
    assert stroke_of(shot(contact_z_m=None)) == "not measured: contact_z_m"
    assert "too unsure" in stroke_of(shot(contact_z_m_sd=0.6))
    assert "too unsure" in stroke_of(shot(speed_mps_sd=9.0))
    assert "at the net" in stroke_of(shot(contact_y_m=0.1))
    unseen = play(stroke())["played"]
    assert unseen.reason == NOT_LANDED and np.isnan(unseen.goes_in) and unseen.room == "unknown"
    alone = play(stroke(opponent_x_m=None))["middle_deep"]
    assert alone.goes_in > 0 and np.isnan(alone.beats) and np.isnan(alone.late_s.median)
    assert alone.target.toward == "unknown"


def test_bounce_that_no_such_flight_reaches_makes_the_stroke_silent():
    landed = {"bounce_x_m": 2.0, "bounce_y_m": 9.0, "t_contact_s": 1.0}
    (one,) = play(stroke(**landed, t_bounce_s=3.6)).values()
    assert (one.reason, one.played) == (MISFIT, True)
    (one,) = play(stroke(bounce_x_m=2.0, bounce_y_m=11.0, speed_mps=9.0)).values()
    assert one.reason == MISFIT
    assert len(play(stroke(**landed, t_bounce_s=2.0))) == 8


def test_slow_ball_that_cannot_get_there_says_so():
    found = play(stroke(speed_mps=12.0))
    far = found["cross_court_deep"]
    assert (far.reason, far.room) == (OUT_OF_REACH, "closed")
    assert OUT_OF_REACH in words.sentence(far, stroke())


def test_unmeasured_topspin_makes_the_answer_wider():
    told = play(stroke(), NO_SCATTER)["middle_deep"]
    untold = play(stroke(topspin_radps=None), NO_SCATTER)["middle_deep"]
    assert untold.clearance_m.sd > 2 * told.clearance_m.sd
    said = words.assumptions(stroke(topspin_radps=None), NO_SCATTER, MOVER)
    assert "topspin not measured and taken as 130 rad/s" in said


def test_opponent_who_is_far_away_is_beaten_more_often():
    near, away = (play(stroke(opponent_x_m=x))["cross_court_deep"] for x in (3.0, -4.0))
    assert near.beats < 0.1 < 0.5 < away.beats <= away.goes_in
    assert away.late_s.median > 0 > near.late_s.median
    assert away.late_s.median == pytest.approx(
        away.needed_s.median - away.ball_s.median, abs=0.15)
    assert away.target.toward == "open_side" and near.target.toward == "at_opponent"
    runner = stroke(opponent_x_m=0.0, opponent_vx_mps=3.0)
    toward = {one.target.name: one.target.toward for one in play(runner).values()}
    assert toward["down_the_line_deep"] == "behind"
    assert toward["cross_court_deep"] in ("open_side", "narrow_side")


def test_nobody_meets_a_ball_before_it_gets_there():
    """Time of the ball at the meeting point against its flight to the bounce."""
    found = play(stroke(opponent_x_m=0.0, opponent_y_m=3.0))["middle_deep"]
    assert found.ball_s.median < found.flight_s  # a volley
    back = play(stroke(opponent_x_m=0.0, opponent_y_m=14.0))["middle_deep"]
    assert back.ball_s.median > back.flight_s


def test_serves_are_played_into_their_own_box():
    first = stroke(
        stroke="serve", contact_x_m=0.8, contact_y_m=-11.8, contact_z_m=2.8, hitter_x_m=0.8,
        speed_mps=48.0, topspin_radps=120.0, direction="t",
    )
    found = {one.target.direction: one for one in play(first, PRIORS[("tour", "serve")]).values()
             if not one.played}  # fmt: skip
    assert set(found) == {"t", "body", "wide"}
    # From the deuce half into the box at x < 0.
    assert all(one.target.x_m < 0 for one in found.values())
    assert all(0.3 < one.goes_in < 0.95 for one in found.values())
    assert found["wide"].net_m > found["t"].net_m


def test_lob_is_played_the_high_way():
    high = stroke(stroke="lob", speed_mps=21.0, topspin_radps=0.0)
    found = play(high)["cross_court_deep"]
    assert found.elevation_rad > radians(40) and found.flight_s > 1.8


def test_lob_at_its_longest_is_told_too():
    """Where 45 degrees or so is needed, a little more pace may be needed as well."""
    made = stroke(stroke="lob", speed_mps=19.9, speed_mps_sd=0.25, contact_z_m=1.07,
                  topspin_radps=20.0, topspin_radps_sd=12.0, contact_x_m=3.7, contact_y_m=-13.2)
    longest = max(flights.ranges(1.07, 19.9, 20.0, np.radians(np.arange(35.0, 50.0, 0.25))))
    launches = Launches(made)
    angle = launches.high(longest + 0.02)
    (reached,) = flights.ranges(1.07, 19.9, 20.0, np.array([angle]))
    assert reached == pytest.approx(longest, abs=0.05)
    assert np.isnan(launches.high(1.1 * longest)) and np.isnan(launches.low(1.1 * longest))


def planted(n, across_m, deep_m, seed=3, share_in=None):
    """Strokes of one direction with known spread of their landings, some of them called out."""
    rng = np.random.default_rng(seed)
    return [
        stroke(bounce_x_m=2.0 + across_m * rng.normal(), bounce_y_m=8.5 + deep_m * rng.normal(),
               bounce_x_m_sd=0.0, bounce_y_m_sd=0.0,
               in_court=None if share_in is None else bool(rng.random() < share_in))
        for _ in range(n)
    ]  # fmt: skip


def test_own_scatter_takes_over_from_the_prior():
    prior = PRIORS[("college", GROUND)]
    assert own_scatter(planted(4, 0.1, 0.1), GROUND, "college") == prior
    few = own_scatter(planted(10, 0.1, 0.3), GROUND, "college")
    many = own_scatter(planted(300, 0.1, 0.3), GROUND, "college")
    assert many.azimuth_rad < few.azimuth_rad < prior.azimuth_rad
    assert many.n_strokes == 300
    wide = own_scatter(planted(300, 2.0, 0.3), GROUND, "college")
    # A quarter of the variance is choice.
    distance = hypot(4.5, 20.1)
    assert wide.azimuth_rad == pytest.approx(2.0 / distance * np.sqrt(0.75), rel=0.15)


def test_who_errs_more_is_taken_to_mishit_more():
    prior = PRIORS[("college", GROUND)].mishits
    found = [own_scatter(planted(120, 0.4, 0.8, share_in=share), GROUND, "college").mishits
             for share in (0.98, 0.85, 0.7)]  # fmt: skip
    assert found[0] < prior and found == sorted(found) and found[2] > found[0] + 0.1
    untold = own_scatter(planted(120, 0.4, 0.8), GROUND, "college")
    assert untold.mishits == prior


def test_draws_are_the_same_every_time_and_pairs_of_mirror_images():
    drawn = drawing.standard_draws(drawing.seed_of("a-1", 5))
    assert np.array_equal(drawn, drawing.standard_draws(drawing.seed_of("a-1", 5)))
    assert drawing.seed_of("a-1", 5) != drawing.seed_of("a-1", 6)
    half = len(drawn) // 2
    assert drawn[:half, 0] == pytest.approx(-drawn[half:, 0])
    assert drawn[:, :12].std(axis=0) == pytest.approx(np.ones(12), abs=0.12)
    assert np.mean(drawn[:, drawing.MISHIT] < 0.25) == pytest.approx(0.25, abs=0.02)
    here, there = play(stroke()), play(stroke())
    assert [vars(one) for one in here.values() if one.reason == ""] == [
        vars(one) for one in there.values() if one.reason == ""]


@pytest.mark.parametrize(
    ("share", "said"),
    [(0.0, "none"), (0.02, "fewer than 1 in 20"), (0.42, "4 of 10"), (0.97, "nearly all"),
     (1.0, "all")],
)  # fmt: skip
def test_shares_in_words(share, said):
    assert words.tenths(share) == said
