from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest

from rallymill import tables
from rallymill.stages.base import MatchContext
from rallymill.stages.events import STAGE as EVENTS_STAGE
from rallymill.stages.events import EventsConfig
from rallymill.stages.flight import STAGE, FlightConfig
from tests.support.scoring import Score, score
from tests.support.synthetic import Noise, SmallWorld, film

MATCH = MatchContext("synthetic", Path("none.mp4"))


def solve(inputs: dict[str, pa.Table]) -> tuple[pa.Table, pa.Table]:
    arcs = STAGE.run(MATCH, inputs, FlightConfig())
    return arcs, EVENTS_STAGE.run(MATCH, {**inputs, "arcs": arcs}, EventsConfig())


def test_empty_tables_give_an_empty_table() -> None:
    empty = {name: tables.ALL[name].empty() for name in ("detections", "frames", "people")}
    arcs, events = solve(empty)
    assert arcs.num_rows == 0 and arcs.schema.equals(tables.ARCS.schema())
    assert events.num_rows == 0 and events.schema.equals(tables.EVENTS.schema())


def test_lost_court_gives_no_flights() -> None:
    world = SmallWorld(3, n_shots=2)
    inputs = film(world, 3)
    lost = inputs["frames"].to_pandas()
    lost["camera"] = None
    inputs["frames"] = pa.Table.from_pandas(lost, schema=tables.FRAMES.schema())
    assert solve(inputs)[0].num_rows == 0


def test_clutter_without_a_ball_gives_no_flights() -> None:
    world = SmallWorld(4, n_shots=3)
    world.pieces = []
    assert solve(film(world, 4, noise=Noise(clutter=3.0)))[0].num_rows == 0


def test_a_bouncing_and_tossed_ball_is_no_rally() -> None:
    world = SmallWorld(5, n_shots=1)
    toss = world.pieces[0]
    world.pieces = [toss]
    assert solve(film(world, 5))[0].num_rows == 0


@pytest.mark.parametrize("fps", [25.0, 30.0, 50.0])
def test_rallies_are_read_on_broadcast_cameras(fps: float) -> None:
    hits, bounces = Score(), Score()
    places: list[float] = []
    for seed in range(3):
        world = SmallWorld(100 + seed + int(fps), n_shots=3 + seed)
        _, events = solve(film(world, seed, fps=fps))
        table = events.to_pandas()
        for total, kind, frames in ((hits, "hit", 2), (bounces, "bounce", 1)):
            one = score(table, world.contacts, kind, frames / fps + 1e-6)
            total.true += one.true
            total.found += one.found
            total.matched += one.matched
            total.side_right += one.side_right
            if kind == "bounce":
                places += one.place_m
    assert hits.f1 >= 0.9
    assert hits.side_right == hits.matched
    assert bounces.f1 >= 0.85
    assert np.median(places) <= 0.08


def test_speed_and_deviations_are_honest() -> None:
    ratios, pulls = [], []
    for seed in (201, 202, 203):
        world = SmallWorld(seed, n_shots=4)
        arcs = solve(film(world, seed))[0].to_pandas()
        for contact in world.contacts:
            if contact.kind != "hit":
                continue
            near = arcs[(arcs["start_s"] - contact.t_s).abs() < 0.05]
            if not len(near):
                continue
            arc = near.iloc[0]
            speed = np.linalg.norm([arc.vx_mps, arc.vy_mps, arc.vz_mps])
            ratios.append(abs(speed / contact.speed_mps - 1))
            pulls.append((arc.y_m - contact.position_m[1]) / arc.y_m_sd)
    assert len(ratios) >= 9
    assert np.median(ratios) <= 0.04
    assert np.median(np.abs(pulls)) < 1.5
