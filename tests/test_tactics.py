"""Time to reach, open court, recovery place, and how a player moves."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from rallymill import court
from rallymill.tactics import (
    Mover,
    Threat,
    extremes,
    least_depth_m,
    open_court_share,
    recovery_place_m,
    recovery_place_sd_m,
    spare_time_s,
    time_to_cover_s,
    time_to_reach_s,
)
from rallymill.tactics_motion import PlayerTrack, hops

MOVER = Mover()
PLACES = st.tuples(st.floats(-6, 6), st.floats(7, 15))
SPEEDS = st.tuples(st.floats(-5, 5), st.floats(-5, 5))


def columns(t, x, y, **more):
    nothing = np.full(len(t), np.nan)
    plain = {name: nothing for name in (
        "vx_mps", "vy_mps", "x_m_sd", "y_m_sd", "z_m", "v_px", "y1_px")}
    return plain | {"t_s": t, "x_m": x, "y_m": y, "observed": np.ones(len(t), bool)} | more


@pytest.mark.parametrize(("distance_m", "speed_mps"), [
    (0.0, 0.0), (1.0, 0.0), (3.0, 2.0), (10.0, 0.0), (2.0, -3.0), (0.5, 6.0), (8.0, -6.0)])
def test_time_to_cover_against_integration(distance_m, speed_mps):
    """Accelerate evenly up to the greatest speed, step by step."""
    def motion(_, state):
        return [state[1], MOVER.acceleration_mps2 if state[1] < MOVER.speed_mps else 0.0]

    def arrived(_, state):
        return state[0] - distance_m - 1e-9

    arrived.terminal = True
    arrived.direction = 1
    run = solve_ivp(motion, (0, 10), [0.0, speed_mps], events=arrived, max_step=0.002)
    expected = run.t_events[0][0] if distance_m > 0 else 0.0
    assert time_to_cover_s(distance_m, speed_mps, MOVER) == pytest.approx(expected, abs=0.004)


def test_standing_start_and_greatest_speed():
    assert time_to_cover_s(2.5, 0.0, MOVER) == pytest.approx(1.0)
    assert time_to_cover_s(3.6, 0.0, MOVER) == pytest.approx(1.2)
    assert time_to_cover_s(9.6, 0.0, MOVER) == pytest.approx(2.2)


def test_within_reach_needs_no_time():
    assert time_to_reach_s((0, 12), (0, 0), (0.9, 12.0), MOVER) == 0.0


@settings(deadline=None, max_examples=50)
@given(PLACES, st.floats(1.5, 8), st.floats(0, 2 * np.pi))
def test_farther_takes_longer_and_running_there_less(place, way, angle):
    unit = np.array([np.cos(angle), np.sin(angle)])
    near, far = np.array(place) + way * unit, np.array(place) + (way + 1) * unit
    standing = time_to_reach_s(place, (0, 0), tuple(near), MOVER)
    assert standing < time_to_reach_s(place, (0, 0), tuple(far), MOVER)
    assert time_to_reach_s(place, tuple(2 * unit), tuple(near), MOVER) < standing
    assert time_to_reach_s(place, tuple(-2 * unit), tuple(near), MOVER) > standing


@settings(deadline=None, max_examples=50)
@given(PLACES, SPEEDS, st.floats(-4, 4), st.floats(14, 30))
def test_open_court_knows_no_left_and_right_and_no_ends(place, speed, contact_x, ball):
    here = Threat((contact_x, -11.0), ball, place, speed)
    mirror = Threat((-contact_x, -11.0), ball, (-place[0], place[1]), (-speed[0], speed[1]))
    turned = Threat((-contact_x, 11.0), ball, (-place[0], -place[1]), (-speed[0], -speed[1]))
    share = open_court_share(here, MOVER)
    assert 0 <= share <= 1
    assert open_court_share(mirror, MOVER) == pytest.approx(share)
    assert open_court_share(turned, MOVER) == pytest.approx(share)


def test_open_court_grows_off_the_bisector_and_with_the_ball_s_speed():
    shares = [open_court_share(Threat((0, -11), 22, (x, 12.8)), MOVER) for x in (0, 2, 4, 6)]
    assert shares == sorted(shares) and shares[-1] > shares[0] + 0.3
    assert open_court_share(Threat((0, -11), 14, (0, 12.8)), MOVER) < 0.02
    assert open_court_share(Threat((0, -11), 28, (0, 12.8)), MOVER) > shares[0]


def test_spare_time_falls_with_distance_from_the_player():
    threat = Threat((0, -11), 22, (3.0, 12.8))
    spare = spare_time_s(threat, [(3.0, 10.0), (0.0, 10.0), (-3.5, 10.0)], MOVER)
    assert spare[0] > spare[1] > spare[2] and spare[0] > 0 > spare[2]


def test_fast_balls_cannot_be_brought_down_short():
    depths = [least_depth_m(Threat((0, -11), speed, (0, 12))) for speed in (10, 18, 26, 34)]
    assert depths == sorted(depths) and depths[0] < 2 < court.SERVICE_LINE_M < depths[-1]


@settings(deadline=None, max_examples=50)
@given(st.floats(-5, 5), st.floats(-14, -1), st.floats(2, 14))
def test_recovery_place_mirrors(x, y, own_y):
    place = recovery_place_m(x, y, own_y)
    assert recovery_place_m(-x, y, own_y) == pytest.approx(-place, abs=1e-9)
    assert recovery_place_m(-x, -y, -own_y) == pytest.approx(-place, abs=1e-9)


def test_recovery_place_does_not_jump_in_the_middle():
    places = [recovery_place_m(x, -12.0, 12.8) for x in np.arange(-2, 2.001, 0.05)]
    assert np.abs(np.diff(places)).max() < 0.1
    assert recovery_place_m(0.0, -12.0, 12.8) == pytest.approx(0.0, abs=1e-12)


def test_extremes_lie_on_the_sidelines():
    for point in extremes(2.0, -12.0):
        assert abs(point[0]) == court.HALF_SINGLES_M and 6.39 < point[1] < 11.89


def test_recovery_place_deviation_by_sampling():
    rng = np.random.default_rng(1)
    draws = [recovery_place_m(3 + dx, -12 + dy, 12.8)
             for dx, dy in zip(rng.normal(0, 0.1, 4000), rng.normal(0, 0.2, 4000), strict=True)]
    assert recovery_place_sd_m(3, -12, 12.8, 0.1, 0.2) == pytest.approx(np.std(draws), rel=0.05)
    draws = [recovery_place_m(3, -12, 12.8 + dy) for dy in rng.normal(0, 0.3, 4000)]
    assert recovery_place_sd_m(3, -12, 12.8, 0, 0, 0.3) == pytest.approx(np.std(draws), rel=0.05)


def test_empty_track():
    track = PlayerTrack.of_columns(columns(np.array([]), np.array([]), np.array([])))
    assert track.at(1.0) is None and track.rate_hz(0, 1) == 0.0
    assert track.starts_toward(0.0, 0, 1, 1.0) is None


def test_track_between_rows_and_across_gaps():
    t = np.array([0.0, 0.04, 0.08, 1.0])
    track = PlayerTrack.of_columns(columns(t, 2 * t, 12 + 0 * t))
    stance = track.at(0.06)
    assert stance is not None
    assert stance.x_m == pytest.approx(0.12) and stance.vx_mps == pytest.approx(2.0)
    assert track.at(0.5) is None and track.at(1.1) is not None and track.at(1.3) is None
    assert track.rate_hz(0, 0.1) == pytest.approx(25.0)


def test_rows_in_any_order_and_without_places():
    t = np.array([0.08, 0.0, 0.04])
    x = np.array([0.16, 0.0, np.nan])
    track = PlayerTrack.of_columns(columns(t, x, 0 * t))
    assert list(track.t_s) == [0.0, 0.08]


@pytest.mark.parametrize("rate_hz", [50.0, 59.94, 30.0])
@pytest.mark.parametrize("landing_s", [0.9, 1.007, 1.113])
def test_hop_is_timed_better_than_a_frame(rate_hz, landing_s):
    t = np.arange(0, 2, 1 / rate_hz)
    share = np.clip((t - landing_s + 0.24) / 0.24, 0, 1)
    found = hops(t, 4 * 0.07 * share * (1 - share), 0.03)
    assert len(found) == 1
    assert found[0].landing_s == pytest.approx(landing_s, abs=0.5 / rate_hz)
    assert found[0].take_off_s == pytest.approx(landing_s - 0.24, abs=0.5 / rate_hz)


def test_no_hop_in_noise_or_in_a_long_rise():
    t = np.arange(0, 2, 0.02)
    rng = np.random.default_rng(2)
    assert hops(t, rng.normal(0, 0.008, len(t)), 0.03) == []
    assert hops(t, np.where((t > 0.5) & (t < 1.5), 0.2, 0.0), 0.03) == []
    assert hops(np.array([]), np.array([]), 0.03) == []
