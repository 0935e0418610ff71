"""Hops read from what was said of single frames."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rallymill import tableio, tables
from rallymill.stages.base import MatchContext
from rallymill.stages.people import STAGE, PeopleConfig
from rallymill.stages.people.hops import AirHabits, chain, flights, heights
from rallymill.stages.shots_people import TRACK_COLUMNS
from rallymill.tactics_motion import AIR_SD_M, GROUND_SD_M, PlayerTrack, hops, likely_hops
from tests.support.people_scene import scene

HABITS = AirHabits(
    take_offs_per_s=0.45, air_s=0.2, base_rate=0.2, silence_s=0.08, memory_s=0.02
)


def said(truth: np.ndarray, rng: np.random.Generator, sharpness: float) -> np.ndarray:
    """Calibrated probabilities at the base rate from a noisy signal of the truth.

    The signal is normal about +1 or -1; its log odds are twice it times the sharpness.
    """
    signal = np.where(truth, 1.0, -1.0) + rng.normal(0, 1 / np.sqrt(sharpness), len(truth))
    odds = 2 * sharpness * signal + np.log(HABITS.base_rate / (1 - HABITS.base_rate))
    return 1 / (1 + np.exp(-odds))


def stretch(rate_hz: float, take_off_s: float, air_s: float) -> tuple[np.ndarray, np.ndarray]:
    t = np.arange(0, 2, 1 / rate_hz)
    return t, (t > take_off_s) & (t < take_off_s + air_s)


@settings(max_examples=60)
@given(st.sampled_from([25.0, 50.0, 60.0]), st.floats(0.4, 1.4), st.floats(0.12, 0.35))
def test_clear_looks_time_a_hop_within_a_frame(rate, start, air) -> None:
    t, truth = stretch(rate, start, air)
    found = flights(t, chain(t, np.where(truth, 0.99, 0.01), HABITS))
    assert len(found) == 1
    assert found[0] == pytest.approx((start, start + air), abs=1.01 / rate)
    z = heights(t, np.where(truth, 0.99, 0.01), HABITS)
    # Height of a fall of half the time in the air: 9.81 (air / 2)^2 / 2.
    assert np.nanmax(z.z_m) == pytest.approx(9.81 * air**2 / 8, abs=3 * np.nanmax(z.z_m_sd) + 0.01)
    assert (z.z_m[~truth & (np.abs(t - start) > 0.1) & (np.abs(t - start - air) > 0.1)] == 0).all()


def test_uncertain_looks_are_better_together_than_alone() -> None:
    rng = np.random.default_rng(5)
    alone, together, moments = [], [], []
    for _ in range(200):
        start, air = rng.uniform(0.4, 1.3), rng.uniform(0.14, 0.3)
        t, truth = stretch(50, start, air)
        one = said(truth, rng, 1.0)
        both = chain(t, one, HABITS)
        alone.append(((one > 0.5) != truth).mean())
        together.append(((both > 0.5) != truth).mean())
        moments.append((both, truth))
    assert np.mean(together) < 0.5 * np.mean(alone)
    stated = np.concatenate([m[0] for m in moments])
    right = np.concatenate([m[1] for m in moments])
    for low, high in ((0.1, 0.4), (0.4, 0.7), (0.7, 0.95)):
        inside = (stated >= low) & (stated < high)
        # One hop in two seconds, nearly as the habits say: what is stated comes true as often.
        assert right[inside].mean() == pytest.approx(stated[inside].mean(), abs=0.12)


def test_a_single_frame_is_no_hop_and_silence_is_not_ground() -> None:
    t = np.arange(0, 1, 1 / 60)
    airborne = np.full(len(t), 0.05)
    airborne[30] = 0.9
    assert flights(t, chain(t, airborne, HABITS)) == []
    airborne[:20] = np.nan
    found = heights(t, airborne, HABITS)
    assert np.isnan(found.z_m[:14]).all() and np.isnan(found.z_m_sd[:14]).all()
    assert (found.z_m[20:] == 0).all()
    assert np.isnan(heights(t, np.full(len(t), np.nan), HABITS).z_m).all()
    assert len(heights(np.array([]), np.array([]), HABITS).z_m) == 0


@settings(max_examples=60)
@given(st.lists(st.one_of(st.floats(0, 1), st.just(float("nan"))), min_size=2, max_size=80))
def test_nothing_said_gives_nonsense(values) -> None:
    airborne = np.array(values)
    t = np.arange(len(values)) / 50
    found = heights(t, airborne, HABITS)
    known = np.isfinite(found.z_m)
    assert (known == np.isfinite(found.z_m_sd)).all()
    assert (found.z_m[known] >= 0).all() and (found.z_m[known] < 0.8).all()
    if np.isfinite(airborne).sum() >= 2:
        assert ((chain(t, airborne, HABITS) >= 0) & (chain(t, airborne, HABITS) <= 1)).all()


def test_players_get_heights_and_others_none() -> None:
    made = scene(11, seconds=4.0, rate=50.0)
    boxes = made.detections.to_pandas()
    inside = (boxes["t_s"] > 2.0) & (boxes["t_s"] < 2.24)
    boxes["airborne"] = np.where(boxes["label"] == "player", np.where(inside, 0.95, 0.002), np.nan)
    inputs = {
        "detections": tableio.from_pandas(tables.DETECTIONS, boxes), "frames": made.frames,
    }
    found = STAGE.run(MatchContext("m", Path("m.mp4")), inputs, PeopleConfig()).to_pandas()
    assert found.loc[found["role"] == "other", "z_m"].isna().all()
    for role in ("near", "far"):
        # The far player is hidden until 2.06 s.
        one = found[found["role"] == role].set_index("t_s")
        assert one["z_m"].max() == pytest.approx(9.81 * 0.24**2 / 8, abs=0.02)
        assert (one.loc[:1.9, "z_m"].dropna() == 0).all()
        assert one.loc[2.06:2.2, "z_m"].dropna().min() > 0.01
    near = found[found["role"] == "near"]
    track = PlayerTrack.of_columns({name: near[name].to_numpy() for name in TRACK_COLUMNS} | {
        "observed": near["observed"].to_numpy()
    })
    times, height, deviation = track.feet_height_m(1.6, 2.6)
    (hop,) = hops(times, height, 1.5 * deviation)
    assert hop.landing_s == pytest.approx(2.24, abs=0.021)
    assert track.heights_measured() and deviation < 0.015
    quiet = track.feet_height_m(0.5, 1.5)
    assert not quiet[1].any() and quiet[2] < 0.015


def test_feet_that_nobody_looked_at_have_no_height() -> None:
    made = scene(11, seconds=1.0, rate=25.0)
    inputs = {"detections": made.detections, "frames": made.frames}
    found = STAGE.run(MatchContext("m", Path("m.mp4")), inputs, PeopleConfig()).to_pandas()
    assert found["z_m"].isna().all() and found["z_m_sd"].isna().all()


@settings(max_examples=40)
@given(st.sampled_from([50.0, 60.0]), st.floats(0.5, 1.2), st.floats(0.12, 0.3),
       st.floats(0.15, 0.3))
def test_a_hop_that_is_hardly_seen_is_likely_where_one_is_expected(rate, start, air, said_of_it):
    """No more than a doubt at any moment, so that the heights hold no hop; the doubt has its shape.
    """
    t, truth = stretch(rate, start, air)
    z = heights(t, np.where(truth, said_of_it, 0.02), HABITS)
    found = likely_hops(t, z.z_m, z.z_m_sd)
    if (z.z_m > 0).any():
        return  # seen after all
    assert len(found) <= 1
    for hop in found:
        assert hop.take_off_s == pytest.approx(start, abs=2.5 / rate)
        assert hop.landing_s == pytest.approx(start + air, abs=2.5 / rate)


def test_doubt_that_lasts_or_is_small_is_no_likely_hop():
    t = np.arange(0, 1.2, 0.02)
    ground = np.zeros(len(t))
    short = (t > 0.5) & (t < 0.7)
    for doubt, n in ((np.where(short, 0.3, 0.001), 1), (np.where(short, 0.05, 0.001), 0),
                     (np.full(len(t), 0.3), 0), (np.where(t > 0.3, 0.3, 0.001), 0),
                     (np.where((t > 0.2) & (t < 1.0), 0.3, 0.001), 0)):
        found = likely_hops(t, ground, GROUND_SD_M + AIR_SD_M * np.sqrt(doubt))
        assert len(found) == n
    assert likely_hops(t[:0], t[:0], t[:0]) == []
