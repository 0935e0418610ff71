"""Rules know no left, no right, no near, no far, and no clock."""

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rallymill.rules.base import LEVELS, Finding, Play
from rallymill.rules.registry import all_rules
from tests.rules.planted import OTHER, numbered, point, reply_to, shot, standing

ACROSS = ("_x_m", "_vx_mps")
ALONG = ("_y_m", "_vy_mps")
TIMES = ("t_contact_s", "t_bounce_s")
HALVES = {"deuce": "ad", "ad": "deuce"}
STROKES = ("groundstroke",) * 6 + ("volley", "drop_shot", "approach", "return", "lob")
POINTS_A_GAME = 40
NEVER_SPEAK = {"racket_back"}
"""What it would have to see is in no table."""


def game(seed: int):
    """Rows of shots and points, and tracks, of plausible random rallies."""
    rng = np.random.default_rng(seed)
    shots, points = [], []
    hops = {"near": [], "far": []}
    serves = ("t", "wide", "body")[int(rng.integers(3))]
    for point_id in range(8):
        row = random_shot(rng, shot(point_id=point_id, t_contact_s=10.0 + 20 * point_id,
                                    shot_number=1, hitter="near" if rng.uniform() < 0.5 else "far"))
        row |= {"stroke": "serve", "direction": serves,
                "speed_mps": float(rng.uniform(35, 55))}
        if row["hitter"] == "far":
            row |= {name: -row[name] for name in row if name.endswith(ALONG) and row[name]}
            row |= {"player": "ORR", "opponent": "MAR"}
        rally = [row, *scripted(rng, row)]
        for _ in range(int(rng.integers(0, 4))):
            rally.append(random_shot(rng, next_shot(rally[-1])))
        side = 1.0 if rally[-1]["hitter"] == "near" else -1.0
        push = next_shot(rally[-1]) | {
            "incoming_depth": "short", "incoming_bounce_y_m": side * float(rng.uniform(3, 7)),
            "speed_mps": float(rng.uniform(14, 22)), "time_to_prepare_s": 1.6,
        }
        rally += [push, next_shot(push)]
        rally[-1]["ended_point"] = True
        for row in rally:
            lag = float(rng.uniform(-0.3, 0.5))
            hops[OTHER[row["hitter"]]].append(row["t_contact_s"] + lag)
        shots += rally
        points.append(point(
            point_id=point_id, server=rally[0]["hitter"], serve_side="deuce",
            won_by=("near", "far", None)[int(rng.integers(3))],
            ended_by=("winner", "error_net", "unknown")[int(rng.integers(3))]))
    for k in range(POINTS_A_GAME - 8):
        serve = shot(point_id=8 + k, shot_number=1, stroke="serve", t_contact_s=170.0 + 5 * k,
                     direction=serves, bounce_y_m=float(rng.uniform(3.0, 6.3)), ended_point=True)
        shots.append(serve)
        points.append(point(
            point_id=8 + k, serve_number=2, score="0-0, 30-40", won_by="near", ended_by="ace"))
    tracks = {
        side: standing(0.3 if side == "near" else -0.5, 12.5 if side == "far" else -12.7,
                       landings, start_s=5.0, end_s=180.0)
        for side, landings in hops.items()
    }
    return numbered(shots), points, tracks


def scripted(rng, serve):
    """A return, a cross-court ball, what is made of it from deep in the corner, and an attack."""
    answer = random_shot(rng, next_shot(serve)) | {
        "stroke": "return", "bounce_x_m": float(rng.uniform(2.5, 4.1)),
        "direction": ("down_the_line", "middle")[int(rng.integers(2))],
    }
    cross = random_shot(rng, next_shot(answer)) | {
        "stroke": "groundstroke", "direction": "cross_court"}
    change = random_shot(rng, next_shot(cross))
    change |= {
        "stroke": "groundstroke", "direction": "down_the_line", "incoming_speed_mps": 26.0,
        "contact_x_m": 3.5, "contact_y_m": float(np.sign(change["contact_y_m"])) * 13.5,
    }
    attack = random_shot(rng, next_shot(change))
    side = float(np.sign(attack["contact_y_m"]))
    attack |= {"stroke": "groundstroke", "contact_y_m": 7.5 * side, "hitter_y_m": 7.8 * side,
               "hitter_vy_mps": -3.0 * side, "speed_mps": 32.0}
    return [answer, cross, change, attack]


def next_shot(row):
    """Reply to a shot from whichever side."""
    if row["hitter"] == "near":
        return reply_to(row)
    back = reply_to(row)
    return back | {name: -back[name] for name in back if name.endswith(ALONG) and back[name]}


def random_shot(rng, row):
    """A shot with places, speeds and labels drawn anew; y keeps its sign."""
    side = -1.0 if row["hitter"] == "near" else 1.0
    row = dict(row)
    row["contact_x_m"] = float(rng.uniform(-5, 5))
    row["hitter_x_m"] = row["contact_x_m"] + float(rng.uniform(-1.6, 1.6))
    row["contact_y_m"] = side * float(rng.uniform(6.5, 14))
    row["opponent_x_m"] = float(rng.uniform(-5, 5))
    row["opponent_y_m"] = -side * float(rng.choice([2.5, 8.0, 12.7]) + rng.uniform(0, 1))
    for name in ("hitter_vx_mps", "hitter_vy_mps", "opponent_vx_mps", "opponent_vy_mps"):
        row[name] = float(rng.choice([0.0, 1.0]) * rng.uniform(-4, 4))
    row["bounce_x_m"] = float(rng.uniform(-4, 4))
    row["bounce_y_m"] = -side * float(rng.uniform(2, 11.5))
    row["recovery_x_m"] = float(rng.uniform(-1, 1))
    row["recovery_error_m"] = float(rng.uniform(-4, 4))
    row["flight_time_s"] = float(rng.uniform(0.6, 1.4))
    row["incoming_depth"] = str(rng.choice(["short", "deep"]))
    row["incoming_bounce_y_m"] = side * float(rng.uniform(3, 11))
    row["speed_mps"] = float(rng.uniform(10, 30))
    row["contact_z_m"] = float(rng.uniform(0.3, 1.3))
    row["net_clearance_m"] = float(rng.uniform(0.05, 1.0))
    row["incoming_speed_mps"] = float(rng.uniform(10, 30))
    row["stroke"] = str(rng.choice(STROKES))
    row["direction"] = str(rng.choice(["cross_court", "down_the_line", "middle"]))
    row["hitter_state"] = str(rng.choice(["set", "on_the_run"]))
    return row


def changed(rows, change):
    return [{name: change(name, value) for name, value in row.items()} for row in rows]


def mirrored(name, value):
    """Left and right exchanged."""
    if value is not None and (name.endswith(ACROSS) or name == "recovery_error_m"):
        return -value
    return HALVES.get(value, value) if name == "serve_side" else value


def turned(name, value):
    """The court turned by half: near and far exchanged, and x with them."""
    if value is not None and (name.endswith(ACROSS + ALONG) or name == "recovery_error_m"):
        return -value
    return OTHER.get(value, value) if name in ("hitter", "server", "won_by") else value


def later(name, value):
    return value + 1000.0 if name in TIMES and value is not None else value


def mirrored_track(track):
    return replace(track, x_m=-track.x_m, vx_mps=-track.vx_mps)


def turned_track(track):
    return replace(mirrored_track(track), y_m=-track.y_m, vy_mps=-track.vy_mps)


def found_in(shots, points, tracks):
    seen = Play.of_rows(shots, points, tracks)
    return {
        level: [
            item for rule in all_rules() for item in rule.look(seen, rule.thresholds[level])
            if isinstance(item, Finding)
        ]
        for level in LEVELS
    }


def essence(item, side):
    return (
        item.rule, item.kind, item.shot_id, item.point_id, side(item.side),
        round(item.severity, 6), round(item.confidence, 6),
        tuple((e.name, round(e.value, 6)) for e in item.evidence if "half" not in e.name),
    )


def same(before, after, side=lambda side: side):
    for level in LEVELS:
        one = [essence(item, lambda s: s) for item in before[level]]
        two = [essence(item, side) for item in after[level]]
        assert sorted(one) == sorted(two)


SEEDS = st.integers(0, 2**32 - 1)


@settings(max_examples=5, deadline=None)
@given(SEEDS)
def test_mirror_of_the_court_mirrors_nothing_in_the_flags(seed):
    shots, points, tracks = game(seed)
    after = found_in(
        changed(shots, mirrored), changed(points, mirrored),
        {side: mirrored_track(track) for side, track in tracks.items()},
    )
    same(found_in(shots, points, tracks), after)


@settings(max_examples=5, deadline=None)
@given(SEEDS)
def test_turned_court_swaps_the_sides_of_the_flags(seed):
    shots, points, tracks = game(seed)
    after = found_in(
        changed(shots, turned), changed(points, turned),
        {OTHER[side]: turned_track(track) for side, track in tracks.items()},
    )
    same(found_in(shots, points, tracks), after, lambda side: OTHER[side])


@settings(max_examples=5, deadline=None)
@given(SEEDS)
def test_later_start_changes_only_the_clips(seed):
    shots, points, tracks = game(seed)
    before = found_in(shots, points, tracks)
    after = found_in(
        changed(shots, later), points,
        {side: replace(track, t_s=track.t_s + 1000.0) for side, track in tracks.items()},
    )
    same(before, after)
    for level in LEVELS:
        for one, two in zip(before[level], after[level], strict=True):
            assert two.start_s - one.start_s == pytest.approx(1000.0)
            assert two.end_s - one.end_s == pytest.approx(1000.0)


def test_the_random_games_make_every_rule_speak():
    """Otherwise the symmetries above would hold of nothing."""
    seen = Counter(
        item.rule for seed in range(6) for items in found_in(*game(seed)).values()
        for item in items)
    assert set(seen) == {rule.name for rule in all_rules()} - NEVER_SPEAK
