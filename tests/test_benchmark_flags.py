"""The measurement of the rules itself: planted behaviour, agreement, reliability."""

from __future__ import annotations

from dataclasses import replace
from math import atan2, pi

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from rallymill import benchmark_flags, benchmark_planted, plants, tableio, tables
from rallymill.arena.play import simulate
from rallymill.cli.bench import bench
from rallymill.rules.registry import all_rules
from rallymill.scoring.clip import Clip
from rallymill.scoring.rows import Tally
from rallymill.stages import flags
from rallymill.stages.base import MatchContext
from tests.rules.planted import reply_to, shot
from tests.rules.test_symmetry import game

SEED = 100_320


@pytest.fixture(scope="module")
def world():
    return simulate(SEED, 12, level="college")


@pytest.fixture(scope="module")
def counts(world):
    return list(benchmark_planted.of_world(world, "college", np.random.default_rng(1)))


def test_every_rule_that_can_speak_has_a_plant(counts):
    assert {count.rule for count in counts} == {rule.name for rule in all_rules()} - {"racket_back"}


def test_what_is_planted_is_found_and_what_is_done_right_is_not_flagged(counts):
    for count in counts:
        assert count.found >= 0.9 * count.planted and count.flagged <= 0.1 * count.clean, count
    assert sum(count.planted for count in counts) > 150


def test_a_rule_that_went_blind_or_wild_is_seen(world, monkeypatch):
    known = all_rules()

    def with_bounds(**changes):
        recovery = next(rule for rule in known if rule.name == "recovery")
        bounds = {
            level: value.model_copy(update=changes) for level, value in recovery.thresholds.items()}
        changed = tuple(
            replace(rule, thresholds=bounds) if rule.name == "recovery" else rule for rule in known)
        monkeypatch.setattr(benchmark_planted, "all_rules", lambda: changed)
        return [
            count for count in benchmark_planted.of_world(
                world, "college", np.random.default_rng(1))
            if count.rule == "recovery" and count.kind == "fault"
        ]

    assert all(count.found == 0 for count in with_bounds(short_m=9.0, over_m=9.0))
    assert all(count.flagged > 0 for count in with_bounds(short_m=0.1, over_m=0.1))


@given(st.floats(1.5, 4.0), st.floats(9.0, 14.0), st.floats(2.0, 13.5))
def test_the_planters_bisector_halves_the_angle(x, beyond, depth):
    """Angles at the contact to both outermost replies, measured again from the place itself."""
    place = plants.bisector_x((x, beyond), depth)
    to_place = atan2(place - x, beyond + depth)
    line = atan2(4.115 - x, beyond + 11.885)
    across = atan2(-4.115 - x, beyond + 6.40)
    assert to_place - across == pytest.approx(line - to_place, abs=1e-9)
    assert plants.bisector_x((-x, beyond), depth) == pytest.approx(-place)
    assert abs(to_place) < pi / 2


@pytest.mark.parametrize("hitter", ["near", "far"])
def test_places_are_planted_in_the_hitters_own_frame(hitter):
    row = shot(hitter=hitter)
    exchange = plants.Exchange([row, reply_to(row)], 0)
    exchange.struck(3.0, 11.0, -2.0, 9.0, 1.0)
    sign = 1 if hitter == "near" else -1
    assert exchange.stroke["contact_x_m"] == 3.0 * sign
    assert exchange.stroke["contact_y_m"] == -11.0 * sign
    assert exchange.stroke["bounce_y_m"] == 9.0 * sign
    assert exchange.stroke["direction"] == "cross_court" and exchange.stroke["bounce_x_m_sd"] == 0


def test_counts_add_and_keep_bounds():
    count = benchmark_planted.Count("r", "fault", "w", 20, 19, 20, 0)
    assert count.good and (count + count).planted == 40
    assert not replace(count, found=18).good and not replace(count, flagged=1).good
    assert not replace(count, planted=5, found=5).good
    assert "**90.0%**" in benchmark_planted.table([replace(count, found=18)])


def clip(**measured):
    """A random game as truth, and the same as measured but for changed columns of its strokes."""
    shots, points, _ = game(3)
    truth = {
        "shots": tableio.from_rows(tables.SHOTS, shots),
        "points": tableio.from_rows(tables.POINTS, points),
        "tracks": tables.TRACKS.empty(),
        "views": tableio.from_rows(tables.VIEWS, [{
            "match_id": "m", "view_id": 0, "first_frame": 0, "last_frame": 9, "start_s": 0.0,
            "end_s": 1e6, "label": "main", "confidence": 1.0}]),
        "frames": tableio.from_rows(tables.FRAMES, [
            {"match_id": "m", "frame": k, "t_s": t, "view_id": 0, "court_status": "found"}
            for k, t in enumerate((0.0, 1e6))]),
    }
    found = flags.STAGE.run(MatchContext("m", None), truth, flags.RulesConfig())
    changed = tableio.from_rows(tables.SHOTS, [row | measured for row in shots])
    return Clip("m", "m", {**truth, "shots": changed}, truth, {}), found


def test_agreement_with_itself_is_full():
    given, found = clip()
    agreed = benchmark_flags.agreement([given], "club")
    assert agreed.overall() == Tally(found.num_rows, 0, 0) and agreed.good
    n = found.num_rows
    near = agreed.near.total()
    assert near == 0
    assert f"| all rules | {n} | {n} | 0 | 0 | 0 | 0 | 1.000 | 1.000 | 1.000 | 1.000 |" in (
        benchmark_flags.table(agreed))


def test_a_flag_that_only_exact_truth_has_counts_neither_way():
    """Truth by its usual deviations is silent about a serve just over the bound; 5 cm tell it."""
    given, _ = clip()
    rows = given.truth["shots"].to_pylist()
    serves = {p["point_id"] for p in given.truth["points"].to_pylist() if p["serve_number"] == 2}
    short = 6.40 - 3.0 - 0.09
    changed = [
        row | ({"bounce_y_m": short * (1 if row["bounce_y_m"] > 0 else -1), "bounce_y_m_sd": None}
               if row["stroke"] == "serve" and row["point_id"] in serves and row["in_court"]
               and row["bounce_y_m"] is not None else {})
        for row in rows
    ]
    sure = [row | ({"bounce_y_m_sd": 0.05} if row["stroke"] == "serve" else {}) for row in changed]
    truth = {**given.truth, "shots": tableio.from_rows(tables.SHOTS, changed)}
    measured = {**given.predicted, "shots": tableio.from_rows(tables.SHOTS, sure)}
    agreed = benchmark_flags.agreement([replace(given, truth=truth, predicted=measured)], "club")
    rule = "second_serve_depth"
    assert agreed.near[rule] > 0 and agreed.by_rule[rule].false == 0
    assert all(right for _, right in agreed.judged)


def test_unsure_strokes_are_missed_and_left_open():
    given, found = clip(confidence=0.3)
    agreed = benchmark_flags.agreement([given], "club")
    by_stroke = agreed.overall().missed - sum(
        agreed.by_rule[rule].missed for rule in agreed.by_rule if "serve" in rule)
    assert by_stroke > 10 and not agreed.good
    left_open = sum(agreed.open[rule] for rule in agreed.by_rule if "serve" not in rule)
    assert left_open == by_stroke
    assert agreed.overall().right + agreed.overall().missed == found.num_rows
    assert agreed.told().missed == agreed.overall().missed - agreed.open.total()


def test_wrong_places_make_false_flags():
    given, _ = clip(opponent_x_m=4.5)
    agreed = benchmark_flags.agreement([given], "club")
    assert agreed.by_rule["recovery"].false > 0 and not agreed.good
    assert any(not right for _, right in agreed.judged)


def test_a_clip_without_truth_is_left_out_with_the_reason():
    given, _ = clip()
    bare = replace(given, truth={k: v for k, v in given.truth.items() if k != "tracks"})
    agreed = benchmark_flags.agreement([bare], "club")
    assert agreed.clips == 0 and "tracks" in agreed.left_out[0]


@pytest.mark.parametrize(("tally", "f1"), [
    (Tally(8, 2, 2), 0.8), (Tally(0, 3, 0), 0.0), (Tally(5, 0, 0), 1.0)])
def test_f1(tally, f1):
    assert benchmark_flags.f1_of(tally) == pytest.approx(f1)


def test_reliability_counts_what_is_right():
    judged = [(0.72, True), (0.78, False), (1.0, True), (0.95, True)]
    rows = benchmark_flags.reliability(judged)
    assert rows[0].startswith("| 0.7 to 0.8 | 2 | 0.750 | 0.500 |")
    assert rows[1] == "| 0.8 to 0.9 | 0 | | | |" and rows[3].startswith("| 0.95 to 1 | 2 | 0.975 |")


def test_command_needs_both_folders(tmp_path):
    given = CliRunner().invoke(bench, ["flags", "--worlds", "0", "--out", str(tmp_path)])
    assert given.exit_code == 2 and "go together" in given.output


def test_folders_of_a_run_are_read(tmp_path):
    given, found = clip()
    folder = tmp_path / "out" / "matches" / "m"
    folder.mkdir(parents=True)
    (tmp_path / "films").mkdir()
    for name in ("shots", "points", "tracks", "views", "frames"):
        tableio.write(folder / f"{name}.parquet", tables.ALL[name], given.predicted[name])
        tableio.write(
            tmp_path / "films" / f"film.truth.{name}.parquet", tables.ALL[name], given.truth[name])
    tableio.write(folder / "flags.parquet", tables.FLAGS, tables.FLAGS.empty())
    tableio.write(
        tmp_path / "out" / "matches.parquet", tables.MATCHES,
        tableio.from_rows(tables.MATCHES, [
            {"match_id": "m", "file": "film.mp4", "status": "read"}]))
    agreed = benchmark_flags.of_folder(tmp_path / "out", tmp_path / "films", "club")
    assert agreed.clips == 1 and agreed.overall() == Tally(found.num_rows, 0, 0)
