from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from rallymill import tableio, tables
from rallymill.stages.base import MatchContext
from rallymill.stages.events import STAGE, EventsConfig

MATCH = MatchContext("m", Path("none.mp4"))


def arc(number: int, start: float, end: float, kinds: str, **more: Any) -> dict[str, Any]:
    names = {"h": "hit", "b": "bounce", "n": "net", "l": "lost"}
    row = {
        "match_id": "m", "rally_id": 0, "arc_id": number, "start_s": start, "end_s": end,
        "start_kind": names[kinds[0]], "end_kind": names[kinds[1]], "start_side": "near",
        "x_m": 0.0, "y_m": -12.0, "z_m": 1.0, "x_m_sd": 0.1, "y_m_sd": 0.1, "z_m_sd": 0.1,
        "vx_mps": 0.0, "vy_mps": 30.0, "vz_mps": 2.0, "end_x_m": 1.0, "end_y_m": 9.0,
        "end_z_m": 0.03, "n_points": 10, "confidence": 0.8,
    }
    return {**row, **more}


def run(arcs: list[dict[str, Any]], people: list[dict[str, Any]] | None = None) -> Any:
    inputs = {
        "arcs": tableio.from_rows(tables.ARCS, arcs),
        "people": tableio.from_rows(tables.PEOPLE, people or []),
        "frames": tables.FRAMES.empty(),
    }
    return STAGE.run(MATCH, inputs, EventsConfig()).to_pandas()


def test_no_arcs_no_events() -> None:
    assert len(run([])) == 0


def test_flights_that_meet_share_an_event() -> None:
    found = run([
        arc(0, 1.0, 1.6, "hb"),
        arc(1, 1.6, 2.2, "bh", start_side="far", x_m=1.0, y_m=9.0, end_y_m=13.0),
        arc(2, 2.2, 2.9, "hl", start_side="far", y_m=13.0),
    ])
    assert list(found["kind"]) == ["hit", "bounce", "hit"]
    assert list(found["side"]) == ["near", "far", "far"]
    assert list(found["t_s"]) == [1.0, 1.6, 2.2]
    assert list(found["arc_before"].fillna(-1)) == [-1, 0, 1]
    assert list(found["arc_after"]) == [0, 1, 2]


def test_a_loss_of_the_ball_is_no_event() -> None:
    found = run([arc(0, 1.0, 1.5, "hl"), arc(1, 2.0, 2.6, "lb")])
    assert list(found["kind"]) == ["hit", "bounce"]
    assert found["arc_before"].iloc[1] == 1


def test_a_hit_far_from_its_hitter_is_doubted() -> None:
    feet = {
        "match_id": "m", "frame": 25, "t_s": 1.0, "track_id": 0, "role": "near", "y_m": -12.3,
        "observed": True,
    }
    close = run([arc(0, 1.0, 1.6, "hb")], [{**feet, "x_m": 0.7}])
    away = run([arc(0, 1.0, 1.6, "hb")], [{**feet, "x_m": 5.0}])
    assert close["confidence"].iloc[0] == pytest.approx(0.72)
    assert away["confidence"].iloc[0] < 0.1
    assert away["confidence"].iloc[1] == pytest.approx(0.72)


def test_rallies_do_not_join() -> None:
    found = run([arc(0, 1.0, 1.6, "hb"), arc(1, 1.6, 2.2, "bl", rally_id=1)])
    assert list(found["rally_id"]) == [0, 0, 1]
