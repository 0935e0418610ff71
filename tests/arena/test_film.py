"""A film's cuts, times, sheet and truth hold together."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from rallymill import camera, matchsheet, tableio, tables, video
from rallymill.arena import film, film_config, film_plan, film_score, film_truth
from rallymill.errors import ConfigError

SMALL = film_config.FilmConfig(
    name="small", seed=300_050, tier="broadcast", surface="hard", n_points=1, width_px=320,
    height_px=180, rate=Fraction(30000, 1001), cutaways=0.0, replays=0.0, opening_s=0.3,
    max_duration_s=2.2,
)
CONFIGS = sorted((Path(__file__).parents[2] / "configs" / "arena").glob("sample_*.yaml"))


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    made = film.make(SMALL)
    path = film.render(made, tmp_path_factory.mktemp("film"))
    truth = {
        name: tableio.read(path.with_name(f"small.truth.{name}.parquet"), tables.ALL[name])
        for name in ("views", "frames", "tracks", "events", "arcs", "shots", "points")
    }
    return made, path, truth


def test_times_in_the_truth_are_the_film_s_own(small):
    made, path, truth = small
    decoded = {frame.index: frame.t_s for frame in video.frames(path)}
    assert len(decoded) == made.n_frames
    rows = truth["frames"].to_pylist()
    assert rows
    for row in rows:
        assert row["t_s"] == pytest.approx(decoded[row["frame"]], abs=1e-6)
    assert decoded[1] - decoded[0] == pytest.approx(1001 / 30000, abs=1e-4)


def test_only_main_camera_frames_have_a_camera(small):
    _, _, truth = small
    views = {row["view_id"]: row for row in truth["views"].to_pylist()}
    assert [views[i]["label"] for i in sorted(views)] == ["graphic", "main"]
    for row in truth["frames"].to_pylist():
        view = views[row["view_id"]]
        assert view["label"] == "main"
        assert view["first_frame"] <= row["frame"] <= view["last_frame"]


def test_truth_s_ball_is_where_truth_s_camera_sees_it(small):
    _, _, truth = small
    cameras = {row["frame"]: row["camera"] for row in truth["frames"].to_pylist()}
    balls = [row for row in truth["tracks"].to_pylist() if row["role"] == "ball"]
    assert balls
    for row in balls:
        view = camera.from_matrix(cameras[row["frame"]], 320, 180)
        point = view.project([row["x_m"], row["y_m"], row["z_m"]])
        assert point == pytest.approx([row["u_px"], row["v_px"]], abs=0.01)


def test_truth_has_both_players_in_every_frame(small):
    _, _, truth = small
    frames = set(truth["frames"].column("frame").to_pylist())
    for role in ("near", "far"):
        rows = [row for row in truth["tracks"].to_pylist() if row["role"] == role]
        assert {row["frame"] for row in rows} == frames
        assert all(row["visible"] for row in rows)


def test_the_sheet_can_be_read_and_names_the_players_of_the_truth(tmp_path):
    made = film.make(replace(SMALL, n_points=2, max_duration_s=None, opening_s=0.0))
    spans = film_truth.play_tables(
        "m", made.truth, made.segments, made.config.rate, made.codes()
    )
    codes = {made.sheet["players"][side]["code"] for side in ("near", "far")}
    assert set(spans["shots"].column("player").to_pylist()) <= codes
    assert spans["shots"].num_rows > 0
    import yaml

    parsed = matchsheet.parse(yaml.safe_dump(made.sheet), "sheet")
    assert parsed["players"]["near"]["code"] in codes


def test_the_sheet_beside_the_film_is_read(small):
    made, path, _ = small
    sheet = matchsheet.parse(matchsheet.path_for(path).read_text(), "small.sheet.yaml")
    assert sheet["event"] == "Lantern Quay Open"
    assert sheet["surface"] == made.world.surface


def test_the_same_configuration_gives_the_same_frames():
    first, second = (next(film.frames(film.make(replace(SMALL, opening_s=0.0)))) for _ in range(2))
    assert np.array_equal(first.image, second.image)
    other = next(film.frames(film.make(replace(SMALL, opening_s=0.0, seed=300_051))))
    assert not np.array_equal(first.image, other.image)


@pytest.mark.parametrize("seed", range(300_060, 300_066))
def test_segments_cover_the_film_and_points_are_seen_by_the_main_camera(seed):
    made = film.make(
        film_config.FilmConfig(seed=seed, n_points=4, cutaways=0.6, replays=0.4, opening_s=1.0)
    )
    at = 0
    for segment in made.segments:
        assert segment.first_frame == at
        assert segment.last_frame >= segment.first_frame
        at = segment.last_frame + 1
    kept = film_truth.play_tables("m", made.truth, made.segments, made.config.rate, {})
    assert kept["points"].num_rows == made.truth["points"].num_rows
    assert kept["shots"].num_rows == made.truth["shots"].num_rows
    shift = film_plan.frame_time_s(made.segments[0].last_frame + 1, made.config.rate)
    for before, after in zip(
        made.truth["shots"].to_pylist(), kept["shots"].to_pylist(), strict=True
    ):
        assert after["t_contact_s"] == pytest.approx(before["t_contact_s"] + shift)


def test_some_films_have_cutaways_and_replays():
    kinds = set()
    for seed in range(300_060, 300_066):
        config = film_config.FilmConfig(seed=seed, n_points=4, cutaways=0.5, replays=0.5)
        kinds |= {segment.kind for segment in film.make(config).segments}
    assert {"main", "replay"} <= kinds
    assert kinds & {"close_up", "crowd", "graphic"}


def test_what_the_main_camera_does_not_show_is_left_out_of_the_truth():
    made = film.make(replace(SMALL, n_points=3, max_duration_s=None, opening_s=0.0))
    whole = made.segments[0]
    points = sorted(made.truth["points"].to_pylist(), key=lambda row: row["start_s"])
    cut_s = (points[0]["end_s"] + points[1]["start_s"]) / 2
    rate = made.config.rate
    short = replace(whole, last_frame=int(cut_s * rate))
    kept = film_truth.play_tables("m", made.truth, [short], rate, {})
    assert kept["points"].num_rows == 1
    assert set(kept["shots"].column("point_id").to_pylist()) == {points[0]["point_id"]}
    assert max(kept["events"].column("t_s").to_pylist()) <= cut_s + 0.1


def test_an_empty_world_gives_empty_tables():
    empty = {spec.name: spec.empty() for spec in (tables.EVENTS, tables.SHOTS)}
    kept = film_truth.play_tables("m", empty, [], Fraction(25), {})
    assert {table.num_rows for table in kept.values()} == {0}


@pytest.mark.parametrize("path", CONFIGS, ids=lambda path: path.stem)
def test_configurations_in_the_repository_can_be_made(path):
    config = film.load_config(path)
    made = film.make(config)
    assert made.n_frames > 5 * config.rate


def test_a_misspelt_option_is_named_with_what_was_meant(tmp_path):
    file = tmp_path / "wrong.yaml"
    file.write_text("surfaces: clay\n")
    with pytest.raises(ConfigError, match="did you mean surface"):
        film.load_config(file)


@pytest.mark.parametrize(
    ("option", "value"),
    [("tier", "moon"), ("surface", "ice"), ("rate", 5), ("shutter_s", 0.5), ("width_px", 321),
     ("cutaways", 1.5), ("crf", 99), ("n_points", 0), ("rate", "a"), ("pause_s", [3, 1]),
     ("fields", "woven"), ("codec", "h999"), ("readout_s", 0.2), ("shake_rad", 1.0),
     ("window", True), ("bits_per_pixel", 0)],
)
def test_values_that_cannot_stand_are_refused(option, value):
    with pytest.raises(ConfigError):
        film_config.from_mapping({option: value})


def test_rates_are_exact():
    assert film_config.from_mapping({"rate": "30000/1001"}).rate == Fraction(30000, 1001)
    assert film_config.from_mapping({"rate": 29.97}).rate == Fraction(2997, 100)


def test_score_is_counted_as_in_tennis():
    def row(start, winner, ended="winner"):
        return {
            "match_id": "m", "point_id": int(start), "start_s": start, "end_s": start + 0.5,
            "server": "near", "n_shots": 1, "ended_by": ended, "won_by": winner,
        }

    rows = [row(0.0, None, "fault"), row(1.0, "near"), row(2.0, "far"), row(3.0, "near"),
            row(4.0, "near"), row(5.0, "near")]
    found = film_score.standings(tableio.from_rows(tables.POINTS, rows))
    assert [s.points for s in found] == [
        ("0", "0"), ("15", "0"), ("15", "15"), ("30", "15"), ("40", "15"), ("0", "0"),
    ]
    assert found[-1].games == (1, 0)
    assert film_score.called(4, 3) == "AD"
    assert film_score.called(3, 4) == "40"


def test_a_rolling_shutter_and_fields_exclude_each_other():
    with pytest.raises(ConfigError, match="cannot both"):
        film_config.from_mapping({"fields": "bob", "readout_s": 0.01})


@pytest.mark.parametrize(
    "how",
    [{"fields": "comb", "shake_rad": 0.001, "breathing": 0.004}, {"readout_s": 0.02},
     {"width_px": 202, "height_px": 360, "window": True}, {"fields": "bob", "rate": Fraction(50)}],
    ids=lambda how: next(iter(how)),
)
def test_whatever_befalls_a_film_its_truth_is_what_its_cameras_see(how):
    made = film.make(replace(SMALL, opening_s=0.0, max_duration_s=1.1, **how))
    config, seen, visible, moves = made.config, 0, 0, set()
    for drawn in film.frames(made):
        assert drawn.image.shape == (config.height_px, config.width_px, 3)
        assert drawn.camera is not None
        assert drawn.picture is not None
        row = film_truth.frame_row("m", drawn.frame, drawn.t_s, 0, drawn.camera)
        view = camera.from_matrix(row["camera"], config.width_px, config.height_px, row["k1"])
        moves.add(tuple(np.round(row["camera"], 6)))
        for track in film_truth.track_rows(
            "m", drawn.frame, drawn.t_s, made.world, drawn.world_s, drawn.camera, drawn.picture
        ):
            height = track["z_m"] if track["role"] == "ball" else 0.0
            point = view.project([track["x_m"], track["y_m"], height])
            assert point == pytest.approx([track["u_px"], track["v_px"]], abs=0.01)
            if track["role"] == "ball":
                seen += 1
                visible += bool(track["visible"])
                assert track["x1_px"] <= point[0] <= track["x2_px"]
    assert seen > 3
    assert visible > 0.5 * seen
    assert len(moves) > 1
