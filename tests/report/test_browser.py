"""The pages in a real browser, from disk: filters, film and drawing in step, widths, accessibility.
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rallymill import simulated_season
from rallymill.corrections import reading
from rallymill.report import clips, page, seasonpage
from rallymill.season import joining
from tests.report import browser as browsing
from tests.report import by_hand
from tests.report.browser import Tab

N_POINTS = 150


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with browsing.chromium() as found:
        yield found


@pytest.fixture(scope="module")
def match(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The match by hand with its clips."""
    out = tmp_path_factory.mktemp("match")
    film = by_hand.film(out / "lantern.mp4")
    target = {
        "alternative_id": 0, "point_id": 0, "shot_id": 1, "target": "middle_deep",
        "player": "ORR", "played": False, "direction": "middle", "depth": "deep",
        "toward": "behind", "room": "open", "target_x_m": 0.5, "target_y_m": -10.0,
        "elevation_deg": 8.0, "in_share": 0.8, "open_share": 0.1, "sentence": "It goes in.",
    }
    by_hand.write(
        out, flags=[by_hand.FLAGS[0] | {"rule": "recovery"}, *by_hand.FLAGS[1:]],
        alternatives=[target],
    )
    record = out / "matches" / by_hand.MATCH / "match.json"
    record.write_text(json.dumps({"path": str(film)}), encoding="utf-8")
    clips.build(out, by_hand.MATCH)
    return page.build(out, by_hand.MATCH)


@pytest.fixture(scope="module")
def long_match(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The point by hand, varied, 150 times over, with a flag at every third stroke."""
    rng = np.random.default_rng(11)
    points, shots, flags = [], [], []
    for k in range(N_POINTS):
        points.append(by_hand.POINTS[0] | {
            "point_id": k, "start_s": 30.0 * k + 1.0, "end_s": 30.0 * k + 9.0, "n_shots": 9,
            "score": f"{k // 30}-0, {('0-0', '15-0', '30-40', '40-30')[k % 4]}",
            "won_by_player": ("MAR", "ORR")[k % 2], "won_by": ("near", "far")[k % 2],
        })  # fmt: skip
        for n in range(9):
            row = by_hand.SHOTS[n if n < 2 else 1 + n % 2]
            shots.append(row | {
                "point_id": k, "shot_id": 9 * k + n, "shot_number": n + 1,
                "t_contact_s": 30.0 * k + 1.0 + 0.9 * n, "ended_point": n == 8,
                "contact_x_m": float(rng.normal(0, 2)), "opponent_x_m": float(rng.normal(0, 2)),
                "opponent_y_m": 12.5 if row["hitter"] == "near" else -12.5,
                "recovery_error_m": float(rng.normal(0, 1)),
            })  # fmt: skip
            if n % 3 == 1:
                flags.append(by_hand.FLAGS[n % 2] | {
                    "flag_id": len(flags), "rule": "recovery" if k % 2 else "drop_shot",
                    "point_id": k, "shot_id": 9 * k + n, "player": row["player"],
                    "side": row["hitter"], "clip_start_s": 30.0 * k, "clip_end_s": 30.0 * k + 4,
                })  # fmt: skip
    out = tmp_path_factory.mktemp("long")
    by_hand.write(out, points=points, shots=shots, flags=flags, frames=[], arcs=[])
    started = time.perf_counter()
    built = page.build(out, by_hand.MATCH)
    assert time.perf_counter() - started < 60
    return built


def test_a_long_match_is_small_and_ready_soon(browser: Any, long_match: Path) -> None:
    files = [path for path in long_match.parent.rglob("*") if path.is_file()]
    assert sum(path.stat().st_size for path in files) <= 15e6
    assert sum(path.suffix == ".html" for path in files) == N_POINTS + 1
    started = time.perf_counter()
    tab = Tab(browser, long_match)
    tab.page.wait_for_function("document.querySelector('.filters output').textContent")
    assert time.perf_counter() - started <= 2.0 * 3, "thrice the bar, for a machine that is shared"
    loaded = "performance.getEntriesByType('navigation')[0].domContentLoadedEventEnd"
    assert tab.page.evaluate(loaded) <= 2000 * 3
    tab.clean()
    tab.close()


def test_filters_work_by_keyboard_and_stand_in_the_address(browser: Any, long_match: Path) -> None:
    tab = Tab(browser, long_match)
    rows = "document.querySelectorAll('.points tbody tr:not(.out-of-filter)').length"
    marks = "document.querySelectorAll('.m:not(.out-of-filter)').length"
    said = "document.querySelector('.filters output').textContent"
    everything = tab.page.evaluate(marks)
    tab.page.focus("#f-flag")
    tab.page.keyboard.type("recov")
    tab.page.keyboard.press("Tab")
    assert tab.page.evaluate(rows) == N_POINTS // 2
    assert tab.page.evaluate(said) == f"{N_POINTS // 2} of {N_POINTS} points"
    assert "flag=recovery" in tab.page.evaluate("location.hash")
    assert 0 < tab.page.evaluate(marks) < everything
    tab.page.select_option("#f-score", "break")
    assert tab.page.evaluate(rows) == 0, "break points are the even ones, recovery the odd"
    assert tab.page.is_visible(".none-left")
    tab.page.select_option("#f-score", "game")
    tab.page.select_option("#f-player", "ORR")
    hash_ = tab.page.evaluate("location.hash")
    left = tab.page.evaluate(rows)
    assert 0 < left < N_POINTS // 2
    assert tab.page.evaluate("document.querySelectorAll('.habit:not(.out-of-filter)').length") >= 1
    tab.clean()
    again = Tab(browser, long_match, hash_)
    assert again.page.evaluate(rows) == left
    assert again.page.evaluate("document.getElementById('f-player').value") == "ORR"
    # A point of the choice leads to the next one of the choice, and back to the same choice.
    again.page.click(".points tbody tr:not(.out-of-filter) th a")
    again.page.wait_for_selector(".where")
    assert again.page.inner_text(".where") == f"1 of {left} chosen"
    again.page.click("[data-after]")
    again.page.wait_for_function("document.querySelector('.where').textContent.startsWith('2 of')")
    again.page.click(".up")
    again.page.wait_for_selector(".filters")
    assert again.page.evaluate(rows) == left
    again.page.click("[type=reset]")
    again.page.wait_for_function(f"{rows} === {N_POINTS}")
    again.clean()
    for one in (tab, again):
        one.close()


def test_the_film_drives_the_drawing_and_the_steps_seek_the_film(
    browser: Any, match: Path
) -> None:
    tab = Tab(browser, match.parent / "points" / "001.html")
    tab.page.wait_for_function("document.querySelector('video').readyState >= 1")
    listed = json.loads((match.parent / "clips" / "clips.json").read_text("utf-8"))
    offset = listed["point-001.mp4"]["start_s"]
    shown = "[...document.querySelectorAll('.stroke.now')].map((one) => one.dataset.number).join()"
    at = "document.querySelector('video').currentTime"
    assert tab.page.evaluate(shown) == ""
    for number, contact in (("1", 1.0), ("2", 1.8), ("3", 3.1)):
        tab.page.keyboard.press("ArrowRight")
        assert tab.page.evaluate(shown) == number
        assert tab.page.evaluate(at) == pytest.approx(contact - offset, abs=0.03)
        visible = tab.page.evaluate(
            "[...document.querySelectorAll('.moment')].filter((one) => "
            "getComputedStyle(one).visibility === 'visible').map((one) => one.dataset.shot).join()")
        # Where the opponent stands at the last contact is not known: nothing is drawn there.
        assert visible == {"1": "0", "2": "1", "3": ""}[number]
    tab.page.keyboard.press("ArrowLeft")
    assert tab.page.evaluate(shown) == "2"
    # Seeking the film moves the steps.
    tab.page.evaluate(f"document.querySelector('video').currentTime = {3.3 - offset}")
    tab.page.wait_for_function(f"{shown} === '3'")
    tab.page.evaluate(f"document.querySelector('video').currentTime = {0.6 - offset}")
    tab.page.wait_for_function(f"{shown} === ''")
    # Playing it does, too, and the ball moves in the drawing.
    tab.page.click("[data-play]")
    tab.page.wait_for_function(f"{shown} === '1'")
    ball = "document.querySelector('.live-ball').getAttribute('transform')"
    first = tab.page.evaluate(ball)
    tab.page.wait_for_function(f"{ball} !== {json.dumps(first)}")
    tab.page.wait_for_function(f"{shown} === '2'")
    tab.page.click("[data-play]")
    assert tab.page.evaluate("document.querySelector('video').paused")
    tab.clean()
    tab.close()


def test_what_if_is_drawn_when_asked_for(browser: Any, match: Path) -> None:
    tab = Tab(browser, match.parent / "points" / "001.html")
    visible = "getComputedStyle(document.querySelector('.what-if')).visibility"
    assert tab.page.evaluate(visible) == "hidden"
    tab.page.click("[data-if]")
    assert tab.page.evaluate(visible) == "visible"
    assert tab.page.evaluate("document.querySelector('.stroke.now').dataset.number") == "2"
    tab.page.keyboard.press("ArrowRight")
    assert tab.page.evaluate(visible) == "hidden", "another stroke has other targets"
    tab.clean()
    tab.close()


def test_without_a_film_the_drawing_has_its_own_clock(browser: Any, long_match: Path) -> None:
    tab = Tab(browser, long_match.parent / "points" / "003.html", "#step=8")
    shown = "[...document.querySelectorAll('.stroke.now')].map((one) => one.dataset.number).join()"
    assert tab.page.evaluate(shown) == "8"
    tab.page.click("[data-play]")
    tab.page.wait_for_function(f"{shown} === '9'")
    tab.clean()
    tab.close()


def test_a_film_that_cannot_be_played_gives_way_to_the_clock(
    browser: Any, tmp_path: Path
) -> None:
    film = tmp_path / "film.mp4"
    film.write_bytes(b"no film at all")
    by_hand.write(tmp_path)
    index = page.build(tmp_path, by_hand.MATCH, film)
    tab = Tab(browser, index.parent / "points" / "001.html")
    tab.page.wait_for_selector(".film-error", state="visible")
    tab.page.click("[data-play]")
    shown = "[...document.querySelectorAll('.stroke.now')].map((one) => one.dataset.number).join()"
    tab.page.wait_for_function(f"{shown} === '1'")
    tab.close()
    tab = Tab(browser, index)
    tab.page.click(".case .watch")
    tab.page.wait_for_selector(".dock-error", state="visible")
    tab.close()


def test_a_clip_plays_beside_the_match_page(browser: Any, match: Path) -> None:
    tab = Tab(browser, match)
    tab.page.click(".case .watch")
    tab.page.wait_for_function("document.querySelector('.dock video').currentTime > 0.2")
    assert tab.page.evaluate("document.querySelector('.dock video').videoWidth") == 640
    assert "clips/flag-" in tab.page.evaluate("document.querySelector('.dock video').currentSrc")
    tab.page.keyboard.press("Escape")
    assert not tab.page.is_visible(".dock")
    assert tab.page.evaluate("document.activeElement.classList.contains('watch')")
    tab.clean()
    tab.close()


def test_wrong_rows_can_be_pasted(browser: Any, match: Path, tmp_path: Path) -> None:
    tab = Tab(browser, match.parent / "points" / "001.html")
    tab.page.click("#stroke-2 .wrong")
    tab.page.select_option("#fix-do", "wing")
    tab.page.select_option("#fix-value", "forehand")
    tab.page.fill("#fix-note", 'seen, "clearly"')
    tab.page.click("[data-add]")
    tab.page.keyboard.press("Escape")
    tab.page.click(".wrong-point .wrong")
    tab.page.select_option("#fix-do", "ended_by")
    tab.page.select_option("#fix-value", "winner")
    tab.page.click("[data-add]")
    rows = tab.page.input_value("#fix-rows")
    # They are kept while other points are looked at.
    tab.page.goto((match.parent / "points" / "002.html").as_uri())
    assert tab.page.input_value("#fix-rows") == rows
    path = tmp_path / "rows.csv"
    path.write_text(rows, encoding="utf-8")
    found = reading.read(path)
    assert found.faults == ()
    stroke, point = found.rows
    assert (stroke.what, stroke.t_s, stroke.side) == ("shot", 1.8, "far")
    assert stroke.values == {"wing": "forehand"} and stroke.note == 'seen, "clearly"'
    assert point.what == "point" and point.values == {"ended_by": "winner"}
    tab.clean()
    tab.close()


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("season")
    simulated_season.write_outputs(out, 206_000, 4, n_worlds=1, n_points=10)
    joining.add(out, out / "season")
    joining.roll_up(out / "season")
    return seasonpage.build(out / "season")


@pytest.fixture(scope="module")
def pages(match: Path, season: Path) -> dict[str, Path]:
    return {
        "match": match, "point": match.parent / "points" / "001.html", "season": season,
        "player": season.parent / "player-001.html",
    }


NAMES = ("match", "point", "season", "player")


@pytest.mark.parametrize("name", NAMES)
def test_pages_hold_in_phone_and_print_width(
    browser: Any, pages: dict[str, Path], name: str
) -> None:
    for width in (360, 768, 1280):
        tab = Tab(browser, pages[name], viewport={"width": width, "height": 800})
        over = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
        assert tab.page.evaluate(over) <= 0, width
        tab.page.emulate_media(media="print")
        # A4 less the margins of the sheet at 96 px an inch.
        tab.page.set_viewport_size({"width": 695, "height": 1000})
        assert tab.page.evaluate(over) <= 0, "print"
        tab.clean()
        tab.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", NAMES)
def test_nothing_serious_for_accessibility(
    browser: Any, pages: dict[str, Path], name: str, scheme: str
) -> None:
    tab = Tab(browser, pages[name], color_scheme=scheme)
    if name == "point":
        tab.page.keyboard.press("ArrowRight")
    tab.page.evaluate("for (const part of document.querySelectorAll('details')) part.open = true")
    assert browsing.serious(tab.page) == []
    if name == "point":
        tab.page.click("#stroke-1 .wrong")
        assert browsing.serious(tab.page) == []
    tab.close()


def test_the_accessibility_check_finds_what_is_planted(browser: Any, match: Path) -> None:
    tab = Tab(browser, match)
    tab.page.evaluate("document.querySelector('.how').style.color = '#ddd'")
    assert any(found.startswith("color-contrast") for found in browsing.serious(tab.page))
    tab.close()


def test_everything_can_be_reached_by_keyboard(browser: Any, match: Path) -> None:
    tab = Tab(browser, match.parent / "points" / "001.html")
    reached = []
    for _ in range(40):
        tab.page.keyboard.press("Tab")
        reached.append(tab.page.evaluate(
            "(() => { const e = document.activeElement; return e.className || e.tagName; })()"))
    assert reached[0] == "skip"
    for wanted in ("up", "strong", "pick a", "pick b", "wrong"):
        assert wanted in reached, wanted
    tab.close()
