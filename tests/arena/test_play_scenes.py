"""Random scenes keep to physics, bodies, the rules of tennis and the pictures drawn of them.

``rallymill bench scenes`` checks as many scenes as wanted; here is a handful in each run.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rallymill import court
from rallymill.arena import camera_work, play_checks, scene
from rallymill.arena.play import PlayWorld, simulate
from rallymill.arena.player_motion import Hop
from rallymill.arena.player_profile import LEVELS
from rallymill.arena.rally_ball import first_landing, follow, passed_cord
from rallymill.arena.render import Renderer
from rallymill.flight import SURFACES


@settings(
    max_examples=14,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow],
)
@given(
    seed=st.integers(210_000, 10_000_000),
    surface=st.sampled_from(sorted(SURFACES)),
    level=st.sampled_from(LEVELS),
    server=st.sampled_from(("near", "far")),
    n_points=st.integers(1, 2),
)
def test_any_scene_keeps_to_physics_bodies_and_rules(
    seed: int, surface: str, level: Any, server: str, n_points: int
) -> None:
    world = simulate(seed, n_points, surface=surface, level=level, start_server=server)
    assert play_checks.faults(world) == []


@pytest.fixture(scope="module")
def world() -> PlayWorld:
    return simulate(210_404, 5)


def _with(truth: dict[str, pa.Table], name: str, column: str, change: Any) -> dict[str, pa.Table]:
    """Truth with a column of a table replaced."""
    table = truth[name]
    values = change(table.column(column).to_pylist())
    at = table.schema.get_field_index(column)
    array = pa.array(values, table.schema.field(at).type)
    return truth | {name: table.set_column(at, table.schema.field(at), array)}


def _swap(values: list[Any]) -> list[Any]:
    return [{"near": "far", "far": "near", "deuce": "ad", "ad": "deuce"}.get(v, v) for v in values]


@pytest.mark.parametrize("column", ["server", "serve_side", "won_by"])
def test_a_wrong_point_is_noticed(world: PlayWorld, column: str) -> None:
    truth = world.truth()
    assert not list(play_checks.rules(world, truth))
    assert list(play_checks.rules(world, _with(truth, "points", column, _swap)))


def test_a_wrong_ending_is_noticed(world: PlayWorld) -> None:
    truth = _with(world.truth(), "points", "ended_by", lambda v: ["winner"] * len(v))
    assert list(play_checks.rules(world, truth))


def test_a_bounce_off_the_ground_is_noticed(world: PlayWorld) -> None:
    truth = _with(world.truth(), "events", "z_m", lambda v: [z + 0.005 for z in v])
    assert list(play_checks.ball(world, truth))


def test_a_bounce_that_gains_speed_is_noticed() -> None:
    world = simulate(210_404, 1)
    rally = world.rallies[0]
    at = next(i for i, arc in enumerate(rally.arcs) if arc.start_kind == "bounce")
    rally.arcs[at] = replace(rally.arcs[at], state=rally.arcs[at].state * [1, 1, 1, 3, 3, 3])
    assert any("energy rises" in fault for fault in play_checks.ball(world, world.truth()))


def test_a_hop_that_hangs_in_the_air_is_noticed(
    world: PlayWorld, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(world, "hops", lambda side: (Hop(3.0, 3.6, 0.05),))
    assert list(play_checks.players(world, world.truth()))


def test_inhuman_speed_is_noticed(world: PlayWorld, monkeypatch: pytest.MonkeyPatch) -> None:
    path = world.path

    def faster(side: str, times: Any) -> Any:
        place, velocity = path(side, times)
        return place, 3 * velocity

    monkeypatch.setattr(world, "path", faster)
    assert any("runs" in fault for fault in play_checks.players(world, world.truth()))


def test_floating_feet_are_noticed(world: PlayWorld, monkeypatch: pytest.MonkeyPatch) -> None:
    solids = play_checks.solids

    def lifted(state: Any, look: Any) -> Any:
        shapes, joints = solids(state, look)
        return shapes, joints + [0.0, 0.0, 0.05]

    monkeypatch.setattr(play_checks, "solids", lifted)
    assert list(play_checks.bodies(world, world.truth()))


def test_a_column_that_is_never_filled_is_noticed(world: PlayWorld) -> None:
    truth = _with(world.truth(), "shots", "recovery_x_m", lambda v: [None] * len(v))
    assert list(play_checks.filled(world, truth)) == ["shots.recovery_x_m is never filled"]


def test_the_umpire_knows_every_ending() -> None:
    def event(kind: str, x: float, y: float, side: str = "near") -> dict[str, Any]:
        return {"kind": kind, "x_m": x, "y_m": y, "side": side}

    serve, good = event("hit", 0.5, -11.8), event("bounce", -2.0, 5.0)
    reply = event("hit", -3.0, 12.5, "far")
    short, back = event("bounce", -2.0, 7.0), event("bounce", -3.0, 13.0)
    cases = {
        ("ace", "near"): [serve, good, back],
        ("let", None): [serve, event("net", 0, 0), good, back],
        ("fault", None): [serve, short],
        ("error_net", "near"): [serve, good, reply, event("net", 0.0, 0.0)],
        ("error_long", "near"): [serve, good, reply, event("bounce", 0.0, -12.2)],
        ("error_wide", "near"): [serve, good, reply, event("bounce", 4.3, -8.0)],
        ("winner", "far"): [
            serve, good, reply, event("bounce", 3.0, -8.0), event("bounce", 3.5, -14.0),
        ],
    }
    for wanted, events in cases.items():
        assert play_checks.umpire(events, "deuce", 1) == wanted
    assert play_checks.umpire(cases["fault", None], "deuce", 2) == ("double_fault", "far")
    # A ball on the line is good: its edge reaches 3 cm beyond.
    line = event("bounce", court.HALF_SINGLES_M + 0.03, -8.0)
    assert play_checks.umpire([serve, good, reply, line], "deuce", 1) == ("winner", "far")


def test_net_cords_slow_the_ball_and_let_it_over() -> None:
    passed = 0
    for rise_m in np.arange(-0.05, 0.05, 0.004):
        height = float(court.net_height_m(0.4)) + rise_m
        arcs = follow(0.0, np.array([0.4, -1.0, height, 0.0, 30.0, 0.1]), np.zeros(2),
                      SURFACES["hard"], "hit")
        before, after = arcs[0].end(), arcs[1].state
        if not passed_cord(arcs[0], arcs[1]):
            assert first_landing(arcs) == 0
            continue
        passed += 1
        assert first_landing(arcs) == 1 and arcs[1].end()[1] > 0
        assert 5.0 < np.linalg.norm(after[3:]) < np.linalg.norm(before[3:])
        top = float(court.net_height_m(before[0]))
        assert top - 0.004 < before[2] < top + court.BALL_RADIUS_M
    # A little more than a radius of the height scanned.
    assert 7 <= passed <= 10


class Without:
    """A world without the ball in play."""

    def __init__(self, world: PlayWorld) -> None:
        self._world = world

    def __getattr__(self, name: str) -> Any:
        return getattr(self._world, name)

    def ball(self, index: int, t_s: float) -> None:
        """No ball at all."""


def _centroid(light: np.ndarray, near_px: np.ndarray, half: int = 7) -> np.ndarray:
    """Middle (2,) of a blob within some pixels of a place."""
    u, v = (round(value) for value in near_px)
    rows, columns = slice(v - half, v + half + 1), slice(u - half, u + half + 1)
    weight = light[rows, columns]
    weight = np.where(weight > 0.15 * weight.max(), weight, 0.0)
    grid_v, grid_u = np.mgrid[rows, columns]
    return np.array([(weight * grid_u).sum(), (weight * grid_v).sum()]) / weight.sum()


def _flying(world: PlayWorld, camera: Any, size: tuple[int, int]) -> float:
    """A moment at which the ball is high in the picture, far from its shadow and the players."""
    for rally in world.rallies:
        for arc in rally.arcs:
            for t in np.linspace(arc.start_s, min(arc.end_s, rally.dead_s), 12)[3:-3]:
                state = arc.at(float(t))
                image = camera.at(float(t)).project(state[0:3])
                if state[2] > 1.2 and (image > 20).all() and (image < np.array(size) - 20).all():
                    people = [world.person(i, float(t)) for i in (0, 1)]
                    if min(np.hypot(p.x_m - state[0], p.y_m - state[1]) for p in people) > 4:
                        return float(t)
    raise AssertionError("no such moment")


@pytest.mark.parametrize(("seed", "tier"), [(210_700, "broadcast"), (210_701, "club")])
def test_what_is_drawn_lies_where_truth_says(seed: int, tier: str) -> None:
    size = (960, 540)
    venue = scene.make(seed, tier)
    world = simulate(seed, 2, surface=venue.surface, level="club" if tier == "club" else "tour")
    work = camera_work.main_camera(world, seed, tier, *size)
    t = _flying(world, work, size)
    camera = work.at(t)
    drawn = Renderer(venue, world).picture(camera, t, 0.0005)
    bare = Renderer(venue, Without(world)).picture(camera, t, 0.0005)  # type: ignore[arg-type]
    ball = world.ball(0, t)
    assert ball is not None
    wanted = camera.project(ball.position_m)
    changed = np.abs(np.asarray(drawn.light, float) - np.asarray(bare.light, float)).sum(-1)
    assert np.linalg.norm(_centroid(changed, wanted) - wanted) <= 0.5
    assert np.linalg.norm(np.array(drawn.balls[0].centre_px) - wanted) <= 0.5
    away = _corner_miss(np.asarray(bare.light, float), camera)
    assert np.linalg.norm(away) <= 0.5


def _corner_miss(light: np.ndarray, camera: Any) -> np.ndarray:
    """By how much (2,) the service T is drawn beside its place, px: least squares over samples."""
    line_y = -court.SERVICE_LINE_M + court.LINE_WIDTH_M / 2
    samples = [((x, line_y, 0.0), (x + 0.05, line_y, 0.0)) for x in np.arange(-2.4, 2.5, 0.24)
               if abs(x) > 0.3]
    samples += [((0.0, y, 0.0), (0.0, y + 0.05, 0.0)) for y in np.arange(-5.8, -2.0, 0.2)]
    normals, misses = [], []
    green = light[..., 1]
    offsets = np.arange(-4, 4.01, 0.1)
    for start, ahead in samples:
        point, onward = camera.project(np.array([start, ahead]))
        along = (onward - point) / np.linalg.norm(onward - point)
        across = np.array([-along[1], along[0]])
        places = point + offsets[:, None] * across
        if (places < 1).any() or (places > np.array(green.shape[::-1]) - 3).any():
            continue
        i, j = places[:, 1].astype(int), places[:, 0].astype(int)
        fv, fu = places[:, 1] - i, places[:, 0] - j
        value = (
            green[i, j] * (1 - fv) * (1 - fu) + green[i, j + 1] * (1 - fv) * fu
            + green[i + 1, j] * fv * (1 - fu) + green[i + 1, j + 1] * fv * fu
        )
        weight = np.clip(value - np.median(value) - 0.3 * (value.max() - np.median(value)), 0, None)
        if weight.sum() > 0:
            normals.append(across)
            misses.append(float((weight * offsets).sum() / weight.sum()))
    assert len(misses) > 10
    kept = np.abs(np.array(misses) - np.median(misses)) < 2.0
    return np.linalg.lstsq(np.array(normals)[kept], np.array(misses)[kept], rcond=None)[0]
