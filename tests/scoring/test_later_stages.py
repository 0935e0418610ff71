"""The stages after tracking, given true contacts and places, against the simulator's truth.

Whatever they get wrong here is a disagreement about what words mean, not an error of measurement.
"""

from __future__ import annotations

from pathlib import Path

import pyarrow as pa
import pytest

from rallymill import tableio, tables
from rallymill.arena import play
from rallymill.scoring.clip import Clip
from rallymill.scoring.rows import Row
from rallymill.scoring.run import score_clips
from rallymill.stages import flags, points, shots
from rallymill.stages.base import MatchContext

RATE = 25
DEVIATIONS = {
    **{f"{axis}_m_sd": 0.03 for axis in ("x", "y", "z", "end_x", "end_y", "end_z")},
    **{f"v{axis}_mps_sd": 0.2 for axis in "xyz"},
    "topspin_radps_sd": 10.0, "sidespin_radps_sd": 10.0, "t_s_sd": 0.005, "confidence": 0.99,
}


def _measured(table: pa.Table, spec: tables.TableSpec) -> pa.Table:
    """Truth with the deviations that a measurement would come with."""
    names = set(spec.names())
    extra = {name: value for name, value in DEVIATIONS.items() if name in names}
    return tableio.from_rows(spec, [row | extra for row in table.to_pylist()])


def _places(world: play.PlayWorld) -> tuple[pa.Table, pa.Table]:
    """Tracks of both players and the frames, a frame every 40 ms."""
    tracks, frames = [], []
    for i in range(int(world.duration_s * RATE)):
        base = {"match_id": "world", "frame": i, "t_s": i / RATE}
        frames.append(base | {"view_id": 0, "court_status": "lost"})
        for number, side in enumerate(("near", "far")):
            place, velocity, height = world.place(side, i / RATE)
            tracks.append(base | {
                "track_id": number, "role": side, "x_m": place[0], "y_m": place[1], "z_m": height,
                "x_m_sd": 0.05, "y_m_sd": 0.05, "vx_mps": velocity[0], "vy_mps": velocity[1],
                "observed": True, "visible": True, "confidence": 0.99,
            })
    return tableio.from_rows(tables.TRACKS, tracks), tableio.from_rows(tables.FRAMES, frames)


@pytest.fixture(scope="module")
def rows() -> dict[str, Row]:
    world = play.simulate(100_001, 4)
    truth = dict(world.truth())
    truth["tracks"], truth["frames"] = _places(world)
    found = dict(truth)
    found["events"] = _measured(truth["events"], tables.EVENTS)
    found["arcs"] = _measured(truth["arcs"], tables.ARCS)
    match = MatchContext("world", Path("world.mp4"))
    for stage in (shots.STAGE, points.STAGE, flags.STAGE):
        inputs = {name: found[name] for name in stage.reads}
        found[stage.name] = stage.run(match, inputs, stage.config_class())
        found[stage.writes.name] = found[stage.name]
    return {row.quantity: row for row in score_clips([Clip("c", "world", found, truth, {})])}


@pytest.mark.parametrize(
    ("quantity", "least"),
    [
        ("hits: F1 within 2 frames and on the side", 1.0),
        ("rallies with every stroke right", 1.0),
        ("serve zone", 0.95),
        ("direction", 0.8),
        ("stroke", 0.9),
        ("how the point ended", 0.9),
    ],
)
def test_words_mean_the_same(rows: dict[str, Row], quantity: str, least: float) -> None:
    row = rows[quantity]
    assert row.value is not None and row.count > 0
    assert row.value >= least, row


@pytest.mark.parametrize(
    ("quantity", "most"),
    [
        ("speed at contact, relative error, median", 0.005),
        ("contact height, median error", 0.005),
        ("net clearance, median error", 0.01),
    ],
)
def test_numbers_are_the_same(rows: dict[str, Row], quantity: str, most: float) -> None:
    row = rows[quantity]
    assert row.value is not None and row.count > 3
    assert row.value <= most, row
