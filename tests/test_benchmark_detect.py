"""The detector benchmark: what counts as right, how films add up, a whole run on a tiny film."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from films import film
from rallymill import benchmark_detect as bench
from rallymill import detect_scores as scores
from rallymill import tableio, tables
from rallymill.benchmark_detect_speed import Clocked, of_usual_size, rate_of, speed_table
from rallymill.config import home
from rallymill.errors import InputError
from rallymill.stages.base import Execution
from rallymill.stages.detect_boxes import Box
from rallymill.stages.detect_networks import DetectConfig, Networks

BALL = ("ball", 0)


def tracks(*rows: tuple) -> pd.DataFrame:
    """Rows of frame, role, track, u, v, visible, share seen and box."""
    names = ["frame", "role", "track_id", "u_px", "v_px", "visible", "confidence",
             "x1_px", "y1_px", "x2_px", "y2_px"]  # fmt: skip
    return pd.DataFrame(rows, columns=names)


def ball(frame: int, u: float, v: float, visible: bool = True, track: int = 0) -> tuple:
    return (frame, "ball", track, u, v, visible, float(visible), u - 3, v - 3, u + 3, v + 3)


def boxes(*rows: tuple) -> pd.DataFrame:
    """Rows of frame, label, middle across and down, confidence; 6 px wide."""
    names = ["frame", "label", "x1_px", "y1_px", "x2_px", "y2_px", "confidence"]
    return pd.DataFrame([(f, n, u - 3, v - 3, u + 3, v + 3, c) for f, n, u, v, c in rows],
                        columns=names)  # fmt: skip


TRUE = tracks(
    ball(0, 100, 50), ball(1, 110, 52), ball(2, 120, 54), ball(3, 130, 56, False),
    ball(0, 300, 90, True, 7), ball(9, 1, 1),
)  # fmt: skip
GIVEN = boxes(
    (0, "ball", 104, 53, 0.9),  # 5 px off
    (1, "ball", 110, 52, 0.4), (1, "ball", 300, 90, 0.6),  # the surer one is wrong
    (3, "ball", 130, 56, 0.3),  # hidden
    (4, "ball", 30, 40, 0.2), (4, "player", 30, 40, 0.9), (9, "ball", 1, 1, 0.9),
)  # fmt: skip


def test_answers_candidates_and_false_balls_are_counted() -> None:
    found = scores.ball_scores(GIVEN, TRUE, [0, 1, 2, 3, 4], 1.0)
    assert found.state.tolist() == [0, 0, 0, 1, 2]
    assert found.precision_recall(0.25) == (pytest.approx(1 / 3), pytest.approx(1 / 3))
    assert found.precision_recall(0.7) == (1.0, pytest.approx(1 / 3))
    assert found.precision_recall(0.95) == (None, 0.0)
    assert found.candidate_recall(0.35) == pytest.approx(2 / 3)
    assert found.candidate_recall(0.5) == pytest.approx(1 / 3)
    assert found.false_a_frame(0.25) == pytest.approx(2 / 5)
    assert found.false_a_frame(0.1) == pytest.approx(3 / 5)
    # The answer to the hidden ball is where it is, unlike that of a frame where none is.
    assert found.false_when_hidden(0.25) == (1.0, 0.0, 1)
    assert found.false_when_hidden(0.35) == (0.0, 0.0, 1)
    moved = GIVEN.assign(x1_px=GIVEN["x1_px"] + 9, x2_px=GIVEN["x2_px"] + 9)
    elsewhere = scores.ball_scores(moved, TRUE, [0, 1, 2, 3, 4], 1.0)
    assert elsewhere.false_when_hidden(0.25) == (1.0, 1.0, 1)
    assert scores.best_confidence(found) == pytest.approx(0.61)


def test_frames_in_which_nobody_can_tell_do_not_count() -> None:
    lost = (5, "ball", 0, 10.0, 10.0, False, 0.6, 7.0, 7.0, 13.0, 13.0)
    with_lost = pd.concat([TRUE, tracks(lost)])
    for given_boxes in (GIVEN, pd.concat([GIVEN, boxes((5, "ball", 10, 10, 0.9))])):
        found = scores.ball_scores(given_boxes, with_lost, range(6), 1.0)
        assert found.state.tolist() == [0, 0, 0, 1, 2]
        assert found.false_a_frame(0.25) == pytest.approx(2 / 5)


def test_a_ball_that_lies_on_the_ground_does_not_count() -> None:
    moving = dict(zip(("vx_mps", "vy_mps", "vz_mps", "z_m"), (0.3, 0.3, 0.0, 0.033), strict=True))
    for change, counts in (({}, False), ({"vx_mps": 0.6}, True), ({"z_m": 1.2}, True),
                           ({"vz_mps": np.nan}, True)):  # fmt: skip
        true = TRUE.assign(**{name: np.nan for name in moving})
        true.loc[true["frame"] == 1, list(moving)] = list((moving | change).values())
        found = scores.ball_scores(GIVEN, true, range(5), 1.0)
        assert found.state.tolist() == ([0, 0, 0, 1, 2] if counts else [0, 0, 1, 2])


def test_frames_between_points_can_be_left_out() -> None:
    given_boxes = pd.concat([GIVEN, boxes((4, "ball", 30, 40, 0.95))])
    found = scores.ball_scores(given_boxes, TRUE, range(5), 1.0, {0, 1, 3})
    assert found.precision_recall(0.7) == (pytest.approx(1 / 2), pytest.approx(1 / 3))
    assert found.of_points().state.tolist() == [0, 0, 1]
    assert found.of_points().precision_recall(0.7) == (1.0, pytest.approx(1 / 2))


def test_five_pixels_are_those_of_a_picture_720_high() -> None:
    true = tracks(ball(0, 100, 50))
    for away, ratio, right in ((7.4, 720 / 1080, True), (7.6, 720 / 1080, False),
                               (3.2, 720 / 480, True), (3.4, 720 / 480, False)):  # fmt: skip
        found = scores.ball_scores(boxes((0, "ball", 100 + away, 50, 0.9)), true, [0], ratio)
        assert found.answer_right.tolist() == [right]


@given(st.lists(st.tuples(st.integers(0, 5), st.integers(0, 12), st.integers(1, 99)), max_size=25))
def test_answers_agree_with_counting_by_hand(rows) -> None:
    given_boxes = boxes(*((f, "ball", 100 + 2 * a, 50, c / 100) for f, a, c in rows))
    true = tracks(*(ball(frame, 100, 50) for frame in range(4)))
    found = scores.ball_scores(given_boxes, true, range(6), 1.0)
    for least in (0.05, 0.5):
        right = given_n = 0
        for frame in range(6):
            mine = [(c, a) for f, a, c in rows if f == frame]
            if mine and max(mine)[0] >= 100 * least:
                given_n += 1
                # Of equally sure boxes the first is the answer.
                top = max(c for c, _ in mine)
                first = next(a for c, a in ((c, a) for f, a, c in rows if f == frame) if c == top)
                right += frame < 4 and 2 * first <= 5
        wanted = (right / given_n if given_n else None, right / 4)
        assert found.precision_recall(least) == pytest.approx(wanted)
    low, high = scores.BallScores.joined([found, found]), found
    assert low.precision_recall(0.5) == high.precision_recall(0.5)
    assert len(low.confidence) == 2 * len(rows)


def test_a_calibrated_detector_is_reliable_and_another_is_not() -> None:
    rng = np.random.default_rng(3)
    confidence = rng.uniform(0, 1, 20_000)
    empty = np.zeros(0)
    no = np.zeros(0, bool)
    none = (np.zeros(0, int), empty, no, no, empty, no)
    good = scores.BallScores(*none, confidence, rng.uniform(0, 1, 20_000) < confidence)
    edges = (0.0, 0.25, 0.5, 0.75, 1.01)
    for low, high, count, mean, right in good.reliability(edges):
        assert low < mean < high and count > 4000 and right == pytest.approx(mean, abs=0.03)
    assert "| 0.03 to 0.1 |" in bench.reliability_table(good)


def person(frame: int, role: str, box: tuple, share: float = 1.0, visible: bool = True) -> tuple:
    return (frame, role, 1, 0.0, 0.0, visible, share, *box)


def test_players_are_found_by_overlap_and_their_feet_measured() -> None:
    true = tracks(
        person(0, "far", (100, 100, 120, 160)), person(1, "far", (100, 100, 120, 160)),
        person(2, "far", (100, 100, 120, 160), 0.3), person(3, "far", (0, 0, 1, 1), 0.0, False),
        person(0, "near", (300, 300, 340, 420)),
    )  # fmt: skip
    given_boxes = pd.DataFrame(
        [(0, "player", 103.0, 100.0, 123.0, 164.0, 0.5), (0, "ball", 100, 100, 120, 160, 0.9),
         (1, "player", 100, 100, 120, 160, 0.1), (1, "player", 111, 100, 131, 160, 0.9)],
        columns=["frame", "label", *scores.CORNERS, "confidence"],
    )  # fmt: skip
    far = scores.player_scores(given_boxes, true, range(4), 0.5, "far", 0.2)
    assert far.found.tolist() == [True, False]
    assert far.foot_px.tolist() == [pytest.approx(2.5)]
    near = scores.player_scores(given_boxes, true, range(4), 0.5, "near", 0.2)
    assert near.recall == 0.0 and near.foot_median_px is None


def test_nothing_measured_gives_empty_cells() -> None:
    text = bench.accuracy_table({"club": bench.TierScores()}, 0.3)
    assert "| ball, precision at 0.30 |  | ≥ 0.97 |" in text
    assert "| near player, recall (players) |  | ≥ 0.995 |" in text


def test_bounds_that_are_missed_stand_in_bold() -> None:
    found = scores.ball_scores(GIVEN, TRUE, [0, 1], 1.0)
    text = bench.accuracy_table({"club": bench.TierScores(found, films=1)}, 0.3)
    assert "| ball, precision at 0.30 | **0.500** | ≥ 0.97 |" in text
    good = bench.accuracy_table({"club": bench.TierScores(found, films=1)}, 0.7)
    assert "| ball, precision at 0.70 | 1.000 | ≥ 0.97 |" in good


def looks_at_the_bar(pictures: list[np.ndarray]) -> list[list[Box]]:
    """Stands for the network: the left end of the white bar of the test film."""
    found = []
    for picture in pictures:
        grey = picture[..., 1]
        left = float(np.argmax(grey[124:148].mean(0) > 150))
        found.append([Box("ball", left - 4, 132.0, left + 4, 140.0, 0.8)])
    return found


def test_a_film_is_measured_in_its_own_pixels_and_only_where_asked(tmp_path: Path) -> None:
    path = film(tmp_path / "club_1.mp4", n=40)
    rows = {
        "views": (tables.VIEWS, [
            {"match_id": "m", "view_id": k, "first_frame": a, "last_frame": b, "start_s": a / 25,
             "end_s": (b + 1) / 25, "label": label}
            for k, (a, b, label) in enumerate([(2, 29, "main"), (30, 39, "other")])
        ]),
        "frames": (tables.FRAMES, [
            {"match_id": "m", "frame": k, "t_s": k / 25, "view_id": 0, "court_status": "found",
             "width_px": 160, "height_px": 120} for k in range(2, 30)
        ]),
        "tracks": (tables.TRACKS, [
            {"match_id": "m", "frame": k, "t_s": k / 25, "track_id": 0, "role": "ball",
             "u_px": 4.0 * k - 0.5 if k < 20 else 0.0, "v_px": 67.5, "observed": True,
             "visible": k != 10, "confidence": float(k != 10)}
            for k in range(2, 30)
        ]),
        "points": (tables.POINTS, [
            {"match_id": "m", "point_id": 0, "start_s": 1.2, "end_s": 0.7, "n_shots": 1,
             "ended_by": "unknown", "confidence": 1.0}
        ]),
    }  # fmt: skip
    for name, (spec, given_rows) in rows.items():
        table = tableio.from_rows(spec, given_rows)
        tableio.write(path.with_name(f"club_1.truth.{name}.parquet"), spec, table)
    assert bench.films_in(tmp_path) == [path] and bench.tier_of(path) == "club"
    config = DetectConfig(input_width_px=320, second_opinion=None)
    said: list[str] = []
    networks = Networks(looks_at_the_bar)
    found = bench.by_tier([path], config, networks, 5, said.append)["club"]
    # Frames 5, 10, 15, 20, 25 are looked at; at 10 the ball is hidden, from 20 on it is elsewhere.
    assert found.ball.state.tolist() == [0, 1, 0, 0, 0]
    assert found.ball.answer_right.tolist() == [True, False, True, False, False]
    assert found.ball.false_when_hidden(0.5) == (1.0, 0.0, 1)
    # From 0.2 s, a second before the serve, to 0.7 s.
    assert found.ball.played.tolist() == [True, True, True, False, False]
    assert said[0].startswith("club_1: 5 frames")


@given(
    st.integers(0, 50), st.integers(0, 400), st.integers(1, 4), st.integers(1, 8)
)
def test_runs_are_that_share_of_a_span_and_have_room_around(first, length, step, every) -> None:
    chosen, around = bench.runs((first, first + length, 0.04), step, every)
    frames = [frame for run in chosen for frame in run]
    assert frames == sorted(set(frames)) and around == 3 * step
    assert all(first + around <= frame <= first + length for frame in frames)
    # Each cycle of so many runs has one whole run; the last may be cut off.
    cycle = bench.RUN_STEPS * step * every
    assert len(chosen) == len(range(first + around, first + length + 1, cycle))
    assert all(len(run) == bench.RUN_STEPS * step for run in chosen[:-1])
    # Skipped at first, the runs are others, and all phases together are all runs.
    phases = [bench.runs((first, first + length, 0.04), step, every, k)[0] for k in range(every)]
    whole = bench.runs((first, first + length, 0.04), step, 1)[0]
    assert sorted((run for part in phases for run in part), key=min) == whole
    alone, nothing = bench.runs((first, first + length, 0.04), 0, every)
    assert [run[0] for run in alone] == [
        f for f in range(first, first + length + 1) if f % every == 0
    ] and nothing == 0


def test_frames_left_out_end_what_is_followed() -> None:
    from types import SimpleNamespace

    class Remembers:
        def __init__(self) -> None:
            self.done: list[str] = []

        def give(self, seen, boxes):
            self.done.append(str(seen.at.frame))
            return [(seen, boxes)]

        def rest(self):
            self.done.append("rest")
            return []

    follower = Remembers()
    looked = [(SimpleNamespace(at=SimpleNamespace(frame=f)), []) for f in (3, 4, 5, 9, 10)]
    found = list(bench.followed(looked, follower))  # type: ignore[arg-type]
    assert [seen.at.frame for seen, _ in found] == [3, 4, 5, 9, 10]
    assert follower.done == ["rest", "3", "4", "5", "rest", "9", "10", "rest"]


def test_a_folder_without_truth_says_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="arena render"):
        bench.films_in(tmp_path)


def test_speeds_are_told_for_pictures_of_the_usual_size(tmp_path: Path) -> None:
    sizes = [(320, 180), (1280, 720), (640, 360)]
    paths = [film(tmp_path / f"{k}.mp4", n=2, size=size) for k, size in enumerate(sizes)]
    assert of_usual_size(paths) == paths[1]
    assert of_usual_size(paths[::2]) == paths[0]


def test_the_clock_of_what_runs_side_by_side_goes_from_the_first_start_to_the_last_end() -> None:
    parts = [Clocked(30, 10.0, 14.0, 3.0), Clocked(50, 12.0, 20.0, 5.0)]
    assert rate_of(parts) == pytest.approx((8.0, 100.0))
    assert rate_of(parts[:1]) == pytest.approx((7.5, 100.0))
    assert np.isnan(rate_of([Clocked(0, 1.0, 1.0, 0.0)])).all()


def test_processes_side_by_side_are_a_row_of_the_speeds() -> None:
    clip = sorted((home() / "sample_clips").glob("broadcast*.mp4"))[0]
    bare = DetectConfig(ball_look=None, hop_look=None, second_opinion=None)
    table = speed_table(clip, bare, home() / "models", 8, Execution("cpu", threads=2), workers=2)
    rows = [line.split("|")[1:-1] for line in table.splitlines()[2:]]
    rates = {name.strip(): float(rate) for name, rate, _ in rows}
    assert [name.split()[0] for name in rates] == ["decoding", "ultralytics'", "the", "the"]
    assert min(rates.values()) > 0
    assert rates["decoding alone"] > rates["the stage in 2 processes, all together"]
