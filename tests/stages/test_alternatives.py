"""Alternatives of flagged strokes: on simulated play, whose launches are known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from rallymill import tableio
from rallymill.rules.registry import LEVELS
from rallymill.runner.rowhash import rows_hash
from rallymill.stages import alternatives, flags
from rallymill.tables import ALTERNATIVES, FLAGS, SHOTS
from tests.stages.played import noisy, played, processed

STAGE = alternatives.STAGE
LEVEL = flags.RulesConfig(level="tour")
SEED = 205_331


def flags_of(shots: pd.DataFrame, side=None):
    """A flag on every stroke, laid to its hitter or to a side."""
    return tableio.from_rows(FLAGS, [
        {"match_id": "world", "flag_id": k, "rule": "recovery", "kind": "fault", "severity": 0.5,
         "confidence": 0.9, "point_id": row.point_id, "shot_id": row.shot_id,
         "side": side or row.hitter, "sentence": "Look.", "clip_start_s": 0.0, "clip_end_s": 1.0}
        for k, row in enumerate(shots.itertuples())
    ])  # fmt: skip


def run(match, shots: pd.DataFrame, found=None, config=LEVEL) -> pd.DataFrame:
    inputs = {"shots": tableio.from_pandas(SHOTS, shots),
              "flags": flags_of(shots) if found is None else found}  # fmt: skip
    return STAGE.run(match, inputs, config).to_pandas()


@pytest.fixture(scope="module")
def exact():
    return played(SEED, 6)


@pytest.fixture(scope="module")
def measured(exact):
    """The play as measured with noise, and the alternatives of all its strokes."""
    blurred = noisy(exact, 4)
    shots = processed(blurred)["shots"]
    return blurred, shots, run(blurred.match, shots)


def test_empty_in_empty_out(exact):
    inputs = {"shots": SHOTS.empty(), "flags": FLAGS.empty()}
    found = STAGE.run(exact.match, inputs, LEVEL)
    assert found.num_rows == 0 and found.schema.equals(ALTERNATIVES.schema())


def test_only_strokes_flagged_for_their_hitter_are_played(exact, measured):
    _, shots, found = measured
    few = shots.head(6)
    near = run(exact.match, shots, flags_of(few, side="near"))
    assert set(near.shot_id) == set(few[few.hitter == "near"].shot_id)
    assert set(found.shot_id) == set(shots.shot_id)
    assert (found.groupby("shot_id").played.sum() == 1).all()
    assert (found[found.played].target == "played").all()


def test_played_stroke_is_the_flight_that_it_was(measured):
    """Elevation, clearance and time by the model alone, against those that are true."""
    blurred, shots, found = measured
    arcs = blurred.truth["arcs"].to_pandas()
    true = blurred.truth["shots"].to_pandas()
    own = found[found.played & found.reason.isna()].merge(shots, on="shot_id", suffixes=("", "_s"))
    assert len(own) > 0.6 * len(shots)
    off = []
    for row in own.itertuples():
        arc = arcs.iloc[(arcs.start_s - row.t_contact_s).abs().argmin()]
        hit = true.iloc[(true.t_contact_s - row.t_contact_s).abs().argmin()]
        level = np.hypot(arc.vx_mps, arc.vy_mps)
        off.append((
            row.elevation_deg - np.degrees(np.arctan2(arc.vz_mps, level)),
            (row.clearance_m - hit.net_clearance_m) / np.hypot(row.clearance_m_sd, 0.05),
            row.flight_time_s - (hit.t_bounce_s - hit.t_contact_s),
            row.target_x_m - hit.bounce_x_m, row.target_y_m - hit.bounce_y_m,
        ))  # fmt: skip
    elevation, clearance, time, x, y = np.abs(np.array(off)).T
    assert np.median(elevation) < 0.6 and elevation.max() < 4
    assert np.mean(clearance < 2) > 0.9
    assert np.median(time) < 0.03
    # Three deviations of the far half's bounces.
    assert max(x.max(), y.max()) < 0.5


def test_on_exact_play_the_flight_is_exact(exact):
    """Without noise the model's flight to the bounce is the flight, to its last centimetre."""
    shots = exact.truth["shots"].to_pandas().assign(match_id="world")
    for name in shots.columns[shots.columns.str.endswith("_sd")]:
        shots[name] = np.where(shots[name.removesuffix("_sd")].notna(), 0.0, np.nan)
    found = run(exact.match, shots, flags_of(shots.head(25)))
    own = found[found.played & found.reason.isna()].merge(shots, on="shot_id", suffixes=("", "_s"))
    assert len(own) > 15
    assert own.flight_time_s.to_numpy() == pytest.approx(
        (own.t_bounce_s - own.t_contact_s).to_numpy(), abs=0.03)
    off = (own.clearance_m - own.net_clearance_m).abs()
    assert off.median() < 0.03 and (off < 0.15).all()


def test_what_is_told_holds_together(measured):
    _, shots, found = measured
    told = found[found.reason.isna()]
    assert (told.in_share <= told.clears_share).all()
    assert (told.open_share.dropna() <= told.in_share[told.open_share.notna()]).all()
    assert told.net_height_m.between(0.914, 1.07).all()
    hitters = shots.set_index("shot_id").hitter
    beyond = told.target_y_m * np.where(told.shot_id.map(hitters) == "near", 1, -1)
    assert (beyond > 0).all()
    assert told.sentence.str.contains("give or take").all()
    assert told.assumptions.str.contains("no sidespin").all()
    assert found.comparison[~found.played].isna().all()
    assert found.comparison[found.played & found.reason.isna()].str.contains(
        "room|no other place").all()
    untold = found[found.reason.notna()]
    assert untold[["in_share", "clearance_m", "open_share"]].isna().all(axis=None)
    # Balls down the line pass over the higher net: on the whole, not one by one.
    by_way = told[~told.played].groupby("direction").net_height_m.median()
    assert by_way["down_the_line"] > by_way["middle"]


def test_same_again_gives_the_same_rows(measured):
    blurred, shots, found = measured
    few = flags_of(shots.head(6))
    again = run(blurred.match, shots, few)
    same = found[found.shot_id.isin(again.shot_id)]
    assert found.alternative_id.tolist() == list(range(len(found)))
    assert rows_hash(tableio.from_pandas(ALTERNATIVES, same)) == rows_hash(
        tableio.from_pandas(ALTERNATIVES, again))
    other = run(replace(blurred.match, match_id="else"), shots, few)
    assert not other.in_share.equals(again.in_share)


def test_stroke_without_measured_height_says_why(exact, measured):
    _, shots, _ = measured
    blind = shots.assign(contact_z_m=np.nan, contact_z_m_sd=np.nan)
    found = run(exact.match, blind)
    assert (found.reason == "not measured: contact_z_m").all() and (found.room == "unknown").all()
    assert found.sentence.str.contains("cannot be told: not measured").all()
    assert len(found) == len(shots)


def test_level_of_play_sets_scatter_and_opponent(exact, measured):
    _, shots, _ = measured
    few = shots.head(4)
    found = {level: run(exact.match, few, config=flags.RulesConfig(level=level))
             for level in LEVELS}  # fmt: skip
    share = {level: rows[~rows.played].in_share.mean() for level, rows in found.items()}
    assert share["tour"] > share["college"] > share["club"]
    assert found["club"].assumptions.str.contains("usual at club level").all()


def test_surface_and_hands_come_from_the_sheet(exact, measured):
    _, shots, _ = measured
    found = {
        surface: run(replace(exact.match, sheet={**exact.match.sheet, "surface": surface}), shots,
                     flags_of(shots.iloc[2:8]))
        for surface in ("clay", "grass", "hard", "carpet")
    }  # fmt: skip
    late = {surface: rows.opponent_late_s.mean() for surface, rows in found.items()}
    # A higher bounce gives the opponent more time; carpet is not known and taken for hard.
    assert late["clay"] <= late["hard"] < late["grass"]
    assert found["carpet"].equals(found["hard"])
    assert alternatives.right_handed({"players": {"near": {"code": "MAR", "hand": "left"},
                                                  "far": None}}) == {"MAR": False}  # fmt: skip
