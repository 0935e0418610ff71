"""Tiers give films of their splits; a sheet and a measurement of speed come out of the command."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import cv2
import pytest

from rallymill.arena import film, film_tier, scene, sheet, speed
from rallymill.arena.film_config import RATES
from rallymill.cli.main import run
from rallymill.errors import ConfigError

FOLDER = Path(__file__).parents[2] / "configs" / "arena"
TIERS = sorted(path for path in FOLDER.glob("*.yaml") if film_tier.is_tier(path))


def test_every_tier_has_a_file():
    assert {path.stem for path in TIERS} == set(scene.TIERS)
    assert {film_tier.load_tier(path).tier for path in TIERS} == set(scene.TIERS)


@pytest.mark.parametrize("path", TIERS, ids=lambda path: path.stem)
def test_films_of_the_splits_share_no_seed_and_differ(path):
    tier = film_tier.load_tier(path)
    seeds = set()
    for split in film_tier.SPLITS:
        found = film_tier.films(tier, split, 40)
        assert {scene.split_of(one.seed) for one in found} == {film_tier.SPLITS[split]}
        assert len({one.name for one in found}) == 40
        assert not seeds & {one.seed for one in found}
        seeds |= {one.seed for one in found}
        assert len({(one.width_px, one.height_px) for one in found}) > 3
        assert len({one.crf for one in found}) > 5
        assert {one.rate for one in found} <= set(RATES)
        assert found == film_tier.films(tier, split, 40)
    assert film_tier.films(tier, "test", 1, 7)[0].seed == tier.splits["test"][0] + 7


def test_hostile_films_are_the_smallest_and_easy_ones_the_cleanest():
    films = {path.stem: film_tier.films(film_tier.load_tier(path), "test", 150) for path in TIERS}
    small = {
        name: sum(one.height_px <= 480 for one in found) / len(found)
        for name, found in films.items()
    }
    assert small["hostile"] > 0.6 > small["easy"]
    assert {one.fields for one in films["easy"]} == {"progressive"}
    assert len({one.fields for one in films["hostile"]}) == 5
    assert any(one.window for one in films["broadcast"])
    assert max(one.crf for one in films["easy"]) < 30


def test_a_film_of_a_tier_can_be_made():
    made = film.make(film_tier.films(film_tier.load_tier(FOLDER / "club.yaml"), "training", 1)[0])
    assert made.n_frames > made.config.rate


@pytest.mark.parametrize(
    ("text", "match"),
    [("tier: moon\nsplits: {test: [200000, 200001]}", "moon"),
     ("tier: club\nsplits: {test: [0, 10]}", "do not look like test"),
     ("tier: club\nsplits: {training: [0, 200000]}", "do not look like training"),
     ("tier: club\nsplits: {exam: [0, 10]}", "exam"),
     ("tier: club\nsplits: {test: [200000, 200001]}\npause: 3", "did you mean pause_s"),
     ("tier: club\nsplits: {test: [200000, 200001]}\ncutaways: 3", "cutaways"),
     ("tier: club", "no splits")],
)
def test_tiers_that_cannot_stand_are_refused(tmp_path, text, match):
    file = tmp_path / "tier.yaml"
    file.write_text(text)
    problem = film_tier.load_tier
    with pytest.raises(ConfigError) as caught:
        problem(file)
    assert match in f"{caught.value.problem} {caught.value.remedy}"


def test_more_films_than_seeds_are_refused():
    tier = film_tier.load_tier(FOLDER / "easy.yaml")
    with pytest.raises(ConfigError, match="10000 seeds"):
        film_tier.films(tier, "test", 2, 9_999)


def test_a_sheet_has_a_cell_for_every_frame(tmp_path, monkeypatch):
    import numpy as np

    def drawn(seed: int, tier: str, plain: bool) -> sheet.Cell:
        size = (400, 225, 3) if seed % 2 else (225, 400, 3)
        return sheet.Cell(np.full(size, 40 + seed, np.uint8), f"{tier} {seed}")

    monkeypatch.setattr(sheet, "frame_of", drawn)
    picture = cv2.imread(str(sheet.write(tmp_path / "a" / "sheet.png", 3, 7, 3)))
    width, height = sheet.CELL
    assert picture.shape == (3 * (height + sheet.CAPTION_PX), 3 * width, 3)
    assert picture[height // 2, width // 2].tolist() == [43, 43, 43]
    assert picture[-1, -1].tolist() == [0, 0, 0]


def test_the_command_draws_a_real_sheet(tmp_path, capsys):
    out = tmp_path / "sheet.png"
    code = run(["arena", "sheet", "--out", str(out), "--count", "1", "--columns", "1",
                "--first-seed", "400"])
    assert code == 0
    assert cv2.imread(str(out)).std() > 10


def test_speed_counts_what_all_processes_draw():
    found = speed.Speed(2, 40, 4.0, 6.0)
    assert found.per_second == 10.0
    assert "10.0 frames/s" in found.text()
    assert "150 ms" in found.text()
    assert Fraction(found.frames, found.processes) == 20
