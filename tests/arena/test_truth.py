"""Truth tables of simulated play agree with each other, the rules and the world."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest

from rallymill import court, tables
from rallymill.arena.play import PlayWorld, simulate
from rallymill.arena.truth import truth_tables
from rallymill.court_directions import serve_direction
from rallymill.tableio import check


@pytest.fixture(scope="module")
def worlds() -> list[PlayWorld]:
    return [
        simulate(seed, 8, start_server=side)
        for seed, side in ((1, "near"), (2, "far"), (3, "near"), (4, "far"))
    ]


@pytest.fixture(scope="module")
def frames(worlds: list[PlayWorld]) -> list[dict[str, pd.DataFrame]]:
    return [{name: t.to_pandas() for name, t in world.truth().items()} for world in worlds]


def test_no_rallies_give_empty_tables(worlds: list[PlayWorld]) -> None:
    empty = truth_tables([], worlds[0].profiles, worlds[0].place)
    assert {name: table.num_rows for name, table in empty.items()} == {
        "arcs": 0,
        "events": 0,
        "shots": 0,
        "points": 0,
    }


def test_tables_follow_their_schemas(worlds: list[PlayWorld]) -> None:
    for world in worlds:
        for name, table in world.truth().items():
            check(tables.ALL[name], table)
            assert table.num_rows


def test_bounces_lie_at_the_ball_radius(frames: list[dict[str, pd.DataFrame]]) -> None:
    for found in frames:
        events = found["events"]
        bounces = events[events.kind == "bounce"]
        assert np.allclose(bounces.z_m, court.BALL_RADIUS_M, atol=1e-3)


def test_events_join_arcs(frames: list[dict[str, pd.DataFrame]]) -> None:
    for found in frames:
        arcs = found["arcs"].set_index("arc_id")
        assert (np.diff(found["events"].t_s) >= 0).all()
        for event in found["events"].itertuples():
            if not np.isnan(event.arc_before):
                arc = arcs.loc[event.arc_before]
                assert arc.end_kind == event.kind
                assert arc.end_s == pytest.approx(event.t_s)
                assert np.allclose(
                    [arc.end_x_m, arc.end_y_m, arc.end_z_m], [event.x_m, event.y_m, event.z_m]
                )
            if not np.isnan(event.arc_after):
                assert arcs.loc[event.arc_after].start_s == pytest.approx(event.t_s)
        hits = found["events"][found["events"].kind == "hit"]
        assert np.allclose(hits.t_s, found["shots"].t_contact_s)
        assert list(hits.side) == list(found["shots"].hitter)


def test_world_shows_what_the_truth_says(
    worlds: list[PlayWorld], frames: list[dict[str, pd.DataFrame]]
) -> None:
    for world, found in zip(worlds, frames, strict=True):
        for shot in found["shots"].itertuples():
            ball = world.ball(0, shot.t_contact_s + 1e-6)
            assert ball is not None and ball.live
            assert np.allclose(
                ball.position_m, [shot.contact_x_m, shot.contact_y_m, shot.contact_z_m], atol=1e-3
            )
            assert np.linalg.norm(ball.velocity_mps) == pytest.approx(shot.speed_mps, rel=1e-3)
            person = world.person(0 if shot.hitter == "near" else 1, shot.t_contact_s)
            assert (person.x_m, person.y_m) == pytest.approx((shot.hitter_x_m, shot.hitter_y_m))
        for point in found["points"].itertuples():
            after = world.ball(0, point.end_s + 0.02)
            assert after is None or not after.live
            assert world.ball(0, point.end_s - 0.02).live  # type: ignore[union-attr]


def test_good_serves_land_in_the_box(frames: list[dict[str, pd.DataFrame]]) -> None:
    n_good = 0
    for found in frames:
        shots, points = found["shots"], found["points"].set_index("point_id")
        for serve in shots[shots.stroke == "serve"].itertuples():
            point = points.loc[serve.point_id]
            if point.ended_by in ("fault", "double_fault"):
                assert serve.in_court in (False, None)
                assert point.n_shots == 1
                continue
            if point.ended_by == "let" or serve.net_clearance_m <= 0:
                continue
            n_good += 1
            assert serve.in_court
            assert court.in_service_box(
                serve.bounce_x_m, serve.bounce_y_m, serve.contact_y_m, point.serve_side
            )
            assert serve.net_clearance_m > 0
            assert serve.direction == serve_direction(serve.bounce_x_m)
    assert n_good > 20


def test_endings_follow_from_the_last_stroke(frames: list[dict[str, pd.DataFrame]]) -> None:
    for found in frames:
        shots, events = found["shots"], found["events"]
        for point in found["points"].itertuples():
            own = shots[shots.point_id == point.point_id]
            last = own.iloc[-1]
            assert len(own) == point.n_shots
            assert list(own.ended_point) == [False] * (len(own) - 1) + [True]
            after = events[(events.rally_id == point.point_id) & (events.t_s > last.t_contact_s)]
            if point.ended_by in ("winner", "ace"):
                assert point.won_by == last.hitter
                assert last.in_court
                grounds = after[after.kind != "net"]
                assert point.end_s == pytest.approx(grounds.t_s.iloc[1])
            elif point.ended_by == "error_net":
                assert point.won_by != last.hitter
                assert after.kind.iloc[-1] in ("net", "bounce")
                assert (last.net_clearance_m is None) or not last.net_clearance_m > 0.01
                assert point.end_s == pytest.approx(after.t_s.iloc[0])
            elif point.ended_by == "error_long":
                assert not last.in_court
                y = last.bounce_y_m if last.bounce_y_m == last.bounce_y_m else after.y_m.iloc[0]
                assert abs(y) > court.HALF_LENGTH_M
            elif point.ended_by == "error_wide":
                assert not last.in_court
                # A ball may fly into a fence without a bounce.
                bounced = last.bounce_y_m == last.bounce_y_m
                x = last.bounce_x_m if bounced else after.x_m.iloc[0]
                y = last.bounce_y_m if bounced else after.y_m.iloc[0]
                assert abs(y) <= court.HALF_LENGTH_M + court.BALL_RADIUS_M
                assert abs(x) > court.HALF_SINGLES_M
            elif point.ended_by == "let":
                assert after.kind.iloc[0] == "net" and pd.isna(point.won_by)
                assert last.stroke == "serve" and last.in_court
            elif point.ended_by == "fault":
                assert point.serve_number == 1 and pd.isna(point.won_by)
            else:
                assert point.ended_by == "double_fault" and point.serve_number == 2
                assert point.won_by != point.server


def test_hitters_alternate_and_balls_in_play_were_good(
    frames: list[dict[str, pd.DataFrame]],
) -> None:
    for found in frames:
        for _, own in found["shots"].groupby("point_id"):
            hitters = list(own.hitter)
            assert all(a != b for a, b in pairwise(hitters))
            returned = own[~own.ended_point & own.bounce_x_m.notna()]
            assert (returned.in_court == True).all()  # noqa: E712
            assert list(own.shot_number) == list(range(1, len(own) + 1))
            later = own[own.shot_number > 1]
            assert (later.time_to_prepare_s > 0.2).all()
            assert (later.incoming_speed_mps < 45).all()
