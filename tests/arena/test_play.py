"""The simulator: same seed same world, smooth motion, physics kept, sensible play."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest

from rallymill import court, flight
from rallymill.arena.looks import HUE_SECTORS, draw_hue, hue_sector
from rallymill.arena.play import PlayWorld, simulate
from rallymill.arena.player_profile import draw_profile
from rallymill.arena.world import ACTIONS
from rallymill.errors import ConfigError

SEEDS = range(6)
POINTS = 10


@pytest.fixture(scope="module")
def worlds() -> list[PlayWorld]:
    return [simulate(seed, POINTS) for seed in SEEDS]


@pytest.fixture(scope="module")
def tables(worlds: list[PlayWorld]) -> dict[str, pd.DataFrame]:
    out: dict[str, list[pd.DataFrame]] = {}
    for seed, world in enumerate(worlds):
        for name, table in world.truth().items():
            out.setdefault(name, []).append(table.to_pandas().assign(seed=seed))
    return {name: pd.concat(frames, ignore_index=True) for name, frames in out.items()}


def test_same_seed_same_world() -> None:
    one, two, other = simulate(7, 3), simulate(7, 3), simulate(8, 3)
    assert one.duration_s == two.duration_s
    assert one.looks == two.looks
    for name, table in one.truth().items():
        assert table.equals(two.truth()[name]), name
    for t in np.linspace(0, one.duration_s, 40):
        assert one.person(0, t) == two.person(0, t)
        assert one.person(3, t) == two.person(3, t)
    assert not one.truth()["arcs"].equals(other.truth()["arcs"])


@pytest.mark.parametrize(
    "wrong",
    [{"surface": "ice"}, {"start_server": "left"}, {"level": "junior"}, {"idle_ball": "flies"}],
)
def test_wrong_arguments_are_named(wrong: dict[str, str]) -> None:
    with pytest.raises(ConfigError, match=next(iter(wrong.values()))):
        simulate(1, 1, **wrong)  # type: ignore[arg-type]


def test_no_points_is_an_error() -> None:
    with pytest.raises(ConfigError, match="0 points"):
        simulate(1, 0)


def test_players_move_smoothly(worlds: list[PlayWorld]) -> None:
    for world in worlds[:2]:
        times = np.arange(0, world.duration_s, 0.01)
        for index in (0, 1):
            states = [world.person(index, t) for t in times]
            place = np.array([[s.x_m, s.y_m] for s in states])
            velocity = np.array([[s.vx_mps, s.vy_mps] for s in states])
            speed = np.linalg.norm(np.diff(place, axis=0), axis=1) / 0.01
            assert 2.0 < speed.max() < 8.0
            # Velocity is the derivative of position.
            middle = (velocity[1:] + velocity[:-1]) / 2
            assert np.abs(np.diff(place, axis=0) / 0.01 - middle).max() < 0.15
            acceleration = np.linalg.norm(np.diff(velocity, axis=0), axis=1) / 0.01
            assert acceleration.max() < 14.0
            assert np.percentile(acceleration, 99) < 8.0
            side = -1 if index == 0 else 1
            assert (place[:, 1] * side > 0).all()
            height = np.array([s.z_m for s in states])
            assert height.min() >= 0 and 0.02 < height.max() < 0.3
            assert np.abs(np.diff(height)).max() < 0.03
            turn = np.diff(np.unwrap([s.facing_rad for s in states]))
            assert np.abs(turn).max() < 0.4
            assert all(s.action in ACTIONS and 0 <= s.phase <= 1 for s in states)


def test_ball_moves_without_jumps(worlds: list[PlayWorld]) -> None:
    for world in worlds[:2]:
        before = None
        for t in np.arange(0, world.duration_s, 0.008):
            now = world.ball(0, t)
            if now is not None:
                assert now.position_m[2] > court.BALL_RADIUS_M - 0.002
                if before is not None:
                    step = np.linalg.norm(now.position_m - before.position_m)
                    # The ball never moves faster than the faster of its two speeds; a contact
                    # with the net or a fence may shift it by its radius.
                    speeds = np.linalg.norm([now.velocity_mps, before.velocity_mps], axis=1)
                    assert step < speeds.max() * 0.008 * 1.05 + 0.04
            before = now


def test_energy_never_rises_in_flight(worlds: list[PlayWorld]) -> None:
    for world in worlds:
        for rally in world.rallies:
            for arc in rally.arcs:
                states = arc.many(np.linspace(arc.start_s, arc.end_s, 20))
                energy = 0.5 * (states[:, 3:] ** 2).sum(1) + flight.GRAVITY_MPS2 * states[:, 2]
                # Lift does no work and drag takes.
                assert (np.diff(energy) < 1e-6).all()
            for one, two in pairwise(rally.arcs):
                assert two.start_s == pytest.approx(one.end_s)
                if two.start_kind != "hit" and not two.rolling:
                    assert _motion(two.state, two.spin) <= _motion(one.end(), one.spin) + 1e-6


def _motion(state: np.ndarray, spin: np.ndarray) -> float:
    """Kinetic energy per mass of moving and turning: topspin can make a ball kick forward."""
    turning = flight.INERTIA_FACTOR * (flight.BALL_RADIUS_M * spin[0]) ** 2
    return 0.5 * float((state[3:] ** 2).sum() + turning)


def test_hits_are_within_reach(tables: dict[str, pd.DataFrame]) -> None:
    shots = tables["shots"]
    away = np.hypot(shots.contact_x_m - shots.hitter_x_m, shots.contact_y_m - shots.hitter_y_m)
    assert away.max() < 1.75
    assert 0.4 < away.median() < 0.9
    ground = shots[shots.stroke.isin(["groundstroke", "return", "approach"])]
    assert ground.contact_z_m.between(0.15, 2.0).all()
    serves = shots[shots.stroke == "serve"]
    assert serves.contact_z_m.between(2.3, 3.2).all()
    assert (serves.hitter_y_m.abs() > 11.6).all()


def test_strokes_meet_the_ball_at_half_phase(worlds: list[PlayWorld]) -> None:
    for world in worlds:
        for rally in world.rallies:
            for hit in rally.hits:
                state = world.person(0 if hit.side == "near" else 1, hit.t_s)
                assert state.phase == pytest.approx(0.5, abs=0.01)
                assert state.contact_m == pytest.approx(tuple(hit.state[:3]))
                ball = world.ball(0, hit.t_s - 1e-6)
                assert ball is not None
                assert np.linalg.norm(ball.position_m - hit.state[:3]) < 0.01


def test_play_has_the_mix_of_real_play(tables: dict[str, pd.DataFrame]) -> None:
    """Wide bounds about the published figures; the figures are from references of match play."""
    points = tables["points"]
    whole = points[~points.ended_by.isin(("fault", "let"))]
    assert len(whole) == len(SEEDS) * POINTS
    assert 2.3 < whole.n_shots.mean() < 6.5
    assert 0.02 < (whole.n_shots == 1).mean() < 0.4
    first = points[points.serve_number == 1]
    assert 0.45 < (first.ended_by != "fault").mean() < 0.8
    endings = set(whole.ended_by)
    assert {"winner", "error_long", "error_wide", "error_net"} <= endings
    errors = whole.ended_by.str.startswith("error").mean()
    assert 0.2 < errors < 0.75
    shots = tables["shots"]
    kmh = shots.speed_mps * 3.6
    serves = shots.stroke == "serve"
    assert kmh[serves].min() > 110 and kmh[serves].max() < 235
    rally = shots.stroke == "groundstroke"
    assert 85 < kmh[rally].median() < 125
    assert 0.9 < shots[shots.shot_number > 1].time_to_prepare_s.mean() < 1.6
    assert {"wide", "t", "cross_court", "down_the_line", "middle"} <= set(shots.direction)


def test_serve_sides_alternate_and_server_changes() -> None:
    world = simulate(11, 20)
    points = world.truth()["points"].to_pandas()
    assert set(points.server) == {"near", "far"}
    whole = points[~points.ended_by.isin(("fault", "let"))].reset_index()
    for (_, one), (_, two) in pairwise(whole.iterrows()):
        if one.server == two.server:
            assert one.serve_side != two.serve_side
        else:
            assert two.serve_side == "deuce"
    for _, row in points[points.ended_by == "fault"].iterrows():
        after = points[points.point_id == row.point_id + 1].iloc[0]
        assert row.serve_number == 1 and after.serve_number == 2
        assert (row.server, row.serve_side) == (after.server, after.serve_side)
    servers = {"near": -1, "far": 1}
    for row in points.itertuples():
        assert world.place(row.server, row.start_s)[0][1] * servers[row.server] > 11.6


def test_ball_is_bounced_and_tossed_before_the_serve(worlds: list[PlayWorld]) -> None:
    for world in worlds:
        for rally in world.rallies:
            bounces = [arc for arc in rally.before if arc.end_kind == "bounce"]
            assert 1 <= len(bounces) <= 3
            toss = rally.before[-1]
            top = toss.many(np.linspace(toss.start_s, toss.end_s, 50))[:, 2].max()
            assert top >= rally.hits[0].state[2] > 2.2
            assert not world.ball(0, toss.start_s + 0.1).live  # type: ignore[union-attr]
            assert world.ball(0, rally.hits[0].t_s + 0.05).live  # type: ignore[union-attr]


def test_idle_ball_can_vanish() -> None:
    rolls, gone = simulate(3, 3), simulate(3, 3, idle_ball="gone")
    late = [r.free_s + 0.5 for r in rolls.rallies[:-1]]
    assert sum(rolls.ball(0, t) is not None for t in late) > sum(
        gone.ball(0, t) is not None for t in late
    )


def test_others_stand_outside_the_court() -> None:
    world = simulate(5, 1, n_others=6, n_spare_balls=2)
    assert world.roles == ("near", "far", *["other"] * 6)
    assert len(world.looks) == 8 and world.balls >= 3
    for index in range(2, 8):
        assert world.looks[index].racket is None
        state = world.person(index, 1.0)
        assert abs(state.x_m) > 6.4 or abs(state.y_m) > 15.0
    assert world.ball(2, 0.5) is not None


def test_split_keeps_hues_apart() -> None:
    rng = np.random.default_rng(0)
    train = {hue_sector(draw_hue(rng, "train")) for _ in range(300)}
    validation = {hue_sector(draw_hue(rng, "validation")) for _ in range(300)}
    test = {hue_sector(draw_hue(rng, "test")) for _ in range(300)}
    assert not train & test
    assert len(train | validation | test) == HUE_SECTORS


def test_given_players_play() -> None:
    rng = np.random.default_rng(1)
    pair = (draw_profile(rng, "MARREC"), draw_profile(rng, "ORROW"))
    world = simulate(2, 6, players=pair, start_server="far")
    shots = world.truth()["shots"].to_pandas()
    assert set(shots.player) == {"MARREC", "ORROW"}
    assert shots.iloc[0].player == "ORROW" and shots.iloc[0].hitter == "far"
    assert world.looks[:2] == (pair[0].look, pair[1].look)
