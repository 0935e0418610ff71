"""The fault campaign: it does harm, runs survive it, and it sees when they do not."""

from __future__ import annotations

import random

import pytest

from rallymill import benchmark_faults as campaign
from rallymill import fault_kinds as kinds_of
from rallymill.benchmark_faults import FaultReport, Tally
from rallymill.fault_kinds import Place


@pytest.fixture(scope="module")
def films(tmp_path_factory):
    folder = tmp_path_factory.mktemp("campaign") / "films"
    campaign.make_films(folder)
    return folder


def test_a_few_runs_with_faults_come_out_whole(tmp_path, monkeypatch):
    kinds = ("disk full", "killed while joining a season")
    monkeypatch.setattr(campaign, "FILM_FRAMES", (20, 25))
    monkeypatch.setattr(campaign, "FAULTS", {name: campaign.FAULTS[name] for name in kinds})
    monkeypatch.setattr(campaign, "read_only_can_be_made", lambda folder: True)
    report = campaign.run(tmp_path / "campaign", 2, 1, lambda line: None)
    assert report.good, report.text()
    assert report.runs == 2
    assert {name: tally.runs for name, tally in report.tallies.items()} == dict.fromkeys(kinds, 1)
    assert sum(tally.hit for tally in report.tallies.values()) >= 1


def test_harm_is_seen(films, tmp_path):
    place = Place(tmp_path / "run", films)
    kinds_of.read_films(str(place.films), str(place.out))
    wanted = campaign._state(place.out)
    assert campaign._compare(wanted, wanted) == []
    assert campaign._half_written(place.out) == []
    first, second = place.tables()[:2]
    data = first.read_bytes()
    first.write_bytes(data[: len(data) // 3])
    second.unlink()
    torn = f"{first.parent.name}/{first.name} is half written"
    assert campaign._half_written(place.out) == [torn]
    problems = campaign._compare(wanted, campaign._state(place.out))
    assert problems == [
        f"{first.parent.name}/{first.stem} differs",
        f"{second.parent.name}/{second.stem} is lost",
    ]
    assert campaign._compare(campaign._state(place.out), wanted)[-1].endswith("is too many")
    (first.parent / ".shots.parquet.x.part").touch()
    (first.parent / ".scratch").mkdir()
    other = place.out / "matches" / "damaged-12345678" / ".scratch"
    other.mkdir(parents=True)
    assert len(campaign._left_over(place)) == 2


def test_films_are_mended_as_they_were(films, tmp_path):
    place = Place(tmp_path / "run", films)
    film = sorted(place.films.iterdir())[0]
    before = film.read_bytes()
    kinds_of._zero_middle(film, random.Random(0))
    assert film.read_bytes() != before
    kinds_of._truncate(film, random.Random(0))
    assert len(film.read_bytes()) < len(before)
    place.mend_films()
    assert film.read_bytes() == before


def test_report_is_good_only_without_faults():
    assert not FaultReport({"killed": Tally()}, 1.0).good
    clean = FaultReport({"killed": Tally(3, 2), "other": Tally(skipped="cannot be made")}, 1.0)
    assert clean.good and "| killed | 3 | 2 | 0 |" in clean.text()
    bad = FaultReport({"killed": Tally(3, 2, faults=["run 1: shots is lost"])}, 1.0)
    assert not bad.good and "run 1: shots is lost" in bad.text()
