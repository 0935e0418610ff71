"""Boxes of films that are not drawn: as good as their noise says, and what stages can read."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np

from rallymill import benchmark_shots, tables
from rallymill.arena import box_balls, boxes, film, film_config
from rallymill.camera import from_matrix
from rallymill.scoring.rows import ALL_CLIPS
from rallymill.scoring.run import score_clips

CONFIG = film_config.FilmConfig(
    name="boxes", seed=100_901, tier="broadcast", n_points=2, max_duration_s=14.0, cutaways=0.0,
    replays=0.0, opening_s=0.0,
)
PERFECT = boxes.Noise(box_balls.PERFECT, 0.0, 0.0, 0.0, 0.0)


@lru_cache(maxsize=1)
def made() -> film.Film:
    return film.make(CONFIG)


def test_tables_follow_their_schemas_and_repeat() -> None:
    one, two = boxes.boxed(made()), boxes.boxed(made())
    for name in ("views", "frames", "people", "detections"):
        assert one.measured[name].schema.equals(tables.ALL[name].schema())
        assert one.measured[name].num_rows
        assert one.measured[name].equals(two.measured[name])


def test_without_noise_boxes_are_where_the_camera_sees_the_ball() -> None:
    found = boxes.boxed(made(), PERFECT)
    balls = found.measured["detections"].to_pandas().query("label == 'ball'")
    assert balls["frame"].is_unique
    cameras = {row["frame"]: np.reshape(row["camera"], (3, 4))
               for row in found.truth["frames"].to_pylist()}
    segment = next(one for one in made().segments if one.label == "main")
    for row in balls.iloc[::20].itertuples():
        world_s = segment.world_s + row.t_s - segment.first_frame / float(CONFIG.rate)
        ball = made().world.ball(0, world_s)
        assert ball is not None
        place = ball.position_m
        u, v, w = cameras[row.frame] @ np.append(place, 1.0)
        seen = np.array([row.x1_px + row.x2_px, row.y1_px + row.y2_px]) / 2
        assert np.allclose(seen, [u / w, v / w], atol=0.2)


def test_players_boxes_end_at_the_shoe_that_is_nearest_to_the_camera() -> None:
    """So the ground seen at their lower edge lies before the body's middle, not under it."""
    found = boxes.boxed(made(), PERFECT)
    people = found.measured["people"].to_pandas()
    frames = {row["frame"]: row for row in found.truth["frames"].to_pylist()}
    before = []
    for row in people.iloc[::15].itertuples():
        camera = from_matrix(
            np.array(frames[row.frame]["camera"]), CONFIG.width_px, CONFIG.height_px, 0.0)
        ground = camera.ground(np.array([(row.x1_px + row.x2_px) / 2, row.y2_px]))
        before.append(row.y_m - ground[1])
    assert 0.05 < np.median(before) < 0.35


def test_edges_of_players_boxes_are_off_by_as_much_as_asked_for_and_for_as_long() -> None:
    shaken = replace(PERFECT, player_px=2.0, player_lasts_s=0.2)
    sharp, found = (
        boxes.boxed(made(), noise).measured["people"].to_pandas() for noise in (PERFECT, shaken))
    off = (found["y2_px"] - sharp["y2_px"])[found["track_id"] == 1].to_numpy()
    step_s = float(np.median(np.diff(found["t_s"].unique())))
    assert 1.3 < off.std() < 2.7
    assert abs(np.corrcoef(off[:-1], off[1:])[0, 1] - np.exp(-step_s / 0.2)) < 0.12


def test_stages_read_good_boxes_rightly() -> None:
    rows = score_clips([benchmark_shots.clip(100_902, "broadcast", 14.0)])
    found = {row.quantity: row for row in rows if row.clip == ALL_CLIPS}
    hits = found["hits: F1 within 2 frames and on the side"]
    assert hits.count is not None and hits.value is not None
    assert hits.count >= 2 and hits.value >= 0.8


def test_feet_in_the_air_are_told_from_feet_on_the_ground_most_of_the_time() -> None:
    found = boxes.boxed(made()).measured["detections"].to_pandas()
    people, balls = found.query("label == 'player'"), found.query("label == 'ball'")
    assert people["airborne"].between(0, 1).all() and balls["airborne"].isna().all()
    segment = next(one for one in made().segments if one.label == "main")
    start_s = segment.first_frame / float(CONFIG.rate)
    world = made().world
    players = [k for k, role in enumerate(world.roles) if role in boxes.PLAYERS]
    highest = people.groupby("t_s")["airborne"].max()
    aloft = np.array([
        max(world.person(k, segment.world_s + t - start_s).z_m for k in players) > boxes.LEAST_HOP_M
        for t in highest.index
    ])
    assert 5 < aloft.sum() < 0.5 * len(aloft)
    assert highest[aloft].mean() > highest[~aloft].mean() + 0.4
