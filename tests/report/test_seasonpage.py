from __future__ import annotations

import datetime
from pathlib import Path

import pytest
from statsmodels.stats.proportion import confint_proportions_2indep

from rallymill import simulated_season
from rallymill.errors import InputError
from rallymill.report import seasondata, seasonpage
from rallymill.report.figures import Share
from rallymill.season import joining
from rallymill.season.database import open_to_read
from tests.report.test_page import _read


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("season")
    simulated_season.write_outputs(out, 206_000, 5, n_worlds=2, n_points=14)
    joining.add(out, out / "season")
    return out / "season"


def test_players_who_were_not_summed_up_are_an_error(root: Path) -> None:
    with pytest.raises(InputError, match="have not been summed up"):
        seasonpage.build(root)
    joining.roll_up(root)


def test_pages_say_what_the_tables_say(root: Path) -> None:
    joining.roll_up(root)
    index = seasonpage.build(root)
    reader = _read(index)
    season = seasondata.read(root)
    assert "5 matches" in reader.text and len(season.players) == 4
    connection = open_to_read(root)
    for player in season.players:
        assert player.name in reader.text and player.points.text in reader.text
        row = connection.execute(
            "SELECT successes, trials, low, high FROM player_rates WHERE season = 'all' AND "
            "dimension = 'all' AND measure = 'service_points_won' AND player = ?", [player.code],
        ).fetchone()
        assert row is not None and (player.service.part, player.service.whole) == row[:2]
        low, _, high = seasonpage.bounds(player.service)
        assert (low, high) == pytest.approx(row[2:], abs=1e-6)
    # What one wins of the other, the other loses.
    met = seasonpage.against(season.players)
    for (one, other), found in met.items():
        back = met[(other, one)]
        assert found.points.part + back.points.part == found.points.whole == back.points.whole
    connection.close()


def test_pages_of_players_parse_and_link(root: Path) -> None:
    joining.roll_up(root)
    index = seasonpage.build(root)
    pages = sorted(index.parent.glob("player-*.html"))
    assert len(pages) == 4
    for path in (index, *pages):
        reader = _read(path)
        for tag, attributes in reader.elements:
            address = attributes.get("href", "")
            assert "//" not in address
            if tag == "a" and not address.startswith("#"):
                assert (path.parent / address).is_file(), address
        assert "No medical advice" in reader.text and "guardians" in reader.text
    assert seasonpage.drop(root) and not index.parent.exists() and not seasonpage.drop(root)


def _trend(parts: list[tuple[int, int]]) -> seasondata.Trend:
    matches = tuple(
        seasondata.OfMatch(f"m{k}", datetime.date(2026, 3, 1 + k), "B", Share(*part))
        for k, part in enumerate(parts)
    )
    return seasondata.Trend("recovered", "", matches, Share(1, 2), "")


def test_a_change_is_named_only_where_its_interval_says_so() -> None:
    clear = seasondata.change(_trend([(20, 60), (22, 60), (42, 60), (42, 60)]))
    low, high = confint_proportions_2indep(84, 120, 42, 120, method="newcomb")
    assert clear == (
        "First half 35 %, second half 70 %: +35 points "
        f"(+{100 * low:.0f} to +{100 * high:.0f}), a change."
    )
    assert "chance may make that" in seasondata.change(_trend([(5, 10), (4, 10), (6, 10), (5, 10)]))
    assert "too few for a trend" in seasondata.change(_trend([(5, 10), (9, 10), (9, 10)]))
