from __future__ import annotations

import json
import re
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

import pytest

from rallymill import tactics
from rallymill.errors import InputError
from rallymill.report import page, scene
from rallymill.report.svg import Layout
from tests.report import by_hand

VOID = {"meta", "img", "br", "link", "input", "hr"}


class Reader(HTMLParser):
    """Reads a page strictly: every element closed in order; keeps attributes and words."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.elements: list[tuple[str, dict[str, str]]] = []
        self.words: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, {key: value or "" for key, value in attrs}))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, {key: value or "" for key, value in attrs}))

    def handle_endtag(self, tag: str) -> None:
        assert self.open and self.open[-1] == tag, f"</{tag}> closes {self.open[-3:]}"
        self.open.pop()

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] not in ("style", "script"):
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


def _read(path: Path) -> Reader:
    reader = Reader()
    reader.feed(path.read_text(encoding="utf-8"))
    assert reader.open == []
    return reader


def _pages(index: Path) -> list[Path]:
    return [index, *sorted((index.parent / "points").glob("*.html"))]


@pytest.fixture
def built(tmp_path: Path) -> Path:
    by_hand.write(tmp_path)
    return page.build(tmp_path, by_hand.MATCH)


def test_empty_tables_give_a_page_that_says_nothing_was_found(tmp_path: Path) -> None:
    row = {"status": "not_read", "reason": "no court in sight", "remedy": "film from behind",
           "player_near": None, "player_far": None, "duration_s": None, "coverage": None}
    by_hand.write(tmp_path, row, views=[], arcs=[], shots=[], points=[], flags=[], frames=[],
                  tracks=[])
    text = _read(page.build(tmp_path, by_hand.MATCH)).text
    assert "Nothing was found" in text and "No points were found" in text
    assert "Not read: no court in sight" in text and "What to do: film from behind" in text
    assert "nan" not in text.lower().split() and "None" not in text


def test_missing_tables_are_named(tmp_path: Path) -> None:
    by_hand.write_match(tmp_path)
    text = _read(page.build(tmp_path, by_hand.MATCH)).text
    assert "The rules have not been applied to this match" in text
    assert "Steps that are missing" in text and "shots (no such table)" in text


def test_an_unknown_match_is_an_error_that_lists_the_known(tmp_path: Path) -> None:
    by_hand.write_match(tmp_path)
    with pytest.raises(InputError, match="matches there: lantern"):
        page.build(tmp_path, "other")
    with pytest.raises(InputError, match="no such table"):
        page.build(tmp_path / "nowhere", "other")


def test_the_page_stands_where_it_should_and_parses(built: Path, tmp_path: Path) -> None:
    assert built == tmp_path / "matches" / by_hand.MATCH / "page" / "index.html"
    reader = _read(built)
    assert "Ilva Marrec against Tamsin Orrow" in reader.text
    point = _read(built.parent / "points" / "001.html")
    assert "Point 1: error wide; won by Tamsin Orrow" in point.text
    assert [path.name for path in _pages(built)] == ["index.html", "001.html", "002.html"]


def test_pages_of_points_that_are_gone_go(built: Path, tmp_path: Path) -> None:
    by_hand.write(tmp_path, points=by_hand.POINTS[:1])
    page.build(tmp_path, by_hand.MATCH)
    assert [path.name for path in _pages(built)] == ["index.html", "001.html"]


def test_a_fault_and_what_follows_are_one_point(tmp_path: Path) -> None:
    fault = {"point_id": 0, "start_s": 0.2, "end_s": 0.8, "server": "near", "server_player": "MAR",
             "serve_number": 1, "n_shots": 1, "ended_by": "fault"}  # fmt: skip
    serve = by_hand.SHOTS[3] | {"point_id": 0, "t_contact_s": 0.2, "speed_mps": 41.0}
    later = [row | {"point_id": 1} for row in by_hand.SHOTS[:3]]
    shots = [row | {"shot_id": k} for k, row in enumerate([serve, *later])]
    point = by_hand.POINTS[0] | {"point_id": 1, "serve_number": 2}
    by_hand.write(tmp_path, points=[fault, point], shots=shots, flags=[])
    built = page.build(tmp_path, by_hand.MATCH)
    assert [path.name for path in _pages(built)] == ["index.html", "001.html"]
    text = _read(built.parent / "points" / "001.html").text
    assert "First serve at 0:00, fault: 148 km/h" in text
    assert "1 point and 4 strokes" in _read(built).text


def test_nothing_comes_from_a_network(built: Path) -> None:
    for path in _pages(built):
        for tag, attributes in _read(path).elements:
            for key in ("src", "href", "poster", "srcset", "action", "data", "xlink:href"):
                address = attributes.get(key, "")
                assert "//" not in address, (tag, address)
                if key in ("src", "href") and address and tag in ("script", "link", "a"):
                    file = address.split("#")[0]
                    assert not file or (path.parent / file).is_file(), (path.name, address)
            assert tag not in ("iframe", "object", "embed", "base")
    for path in (*_pages(built), *built.parent.glob("*.css"), *built.parent.glob("*.js")):
        whole = path.read_text(encoding="utf-8")
        assert "@import" not in whole and not re.search(r"url\(\s*[\"']?(https?:|//)", whole)
        assert "fetch(" not in whole and "XMLHttpRequest" not in whole


def test_links_lead_somewhere_and_identifiers_are_unique(built: Path) -> None:
    for path in _pages(built):
        reader = _read(path)
        names = [attributes["id"] for _, attributes in reader.elements if "id" in attributes]
        assert len(names) == len(set(names))
        links = [a["href"] for tag, a in reader.elements if tag == "a" and "href" in a]
        assert len(links) > 2
        for link in links:
            if link.startswith("#"):
                assert link[1:] in names, link
        for _, attributes in reader.elements:
            for key in ("aria-labelledby", "for"):
                for name in attributes.get(key, "").split():
                    assert name in names


def test_what_was_corrected_by_hand_says_how_far_to_trust_the_rest(tmp_path: Path) -> None:
    wrong = by_hand.SHOTS[1] | {"wing": "forehand"}
    row = {
        "correction_id": 0, "application_number": 1, "file_row_number": 1, "what": "shot",
        "action": "change", "t_s": 1.8, "side": "far", "cell": "wing", "value": "backhand",
        "machine_value": "forehand", "status": "stands", "shot_id": 1, "point_id": 0,
    }
    by_hand.write(
        tmp_path, machine_shots=[by_hand.SHOTS[0], wrong, *by_hand.SHOTS[2:]],
        machine_points=by_hand.POINTS, corrections=[row],
    )
    text = _read(page.build(tmp_path, by_hand.MATCH)).text
    assert "Corrected by hand 1 correction by hand." in text
    assert "1 of 4 strokes changed, 0 added, 0 removed" in text
    by_hand.write(tmp_path / "other")
    assert "Corrected by hand" not in _read(page.build(tmp_path / "other", by_hand.MATCH)).text


def test_a_third_player_by_misreading_does_no_harm(tmp_path: Path) -> None:
    shots = [row | {"recovery_error_m": 0.4} for row in by_hand.SHOTS]
    shots[2] |= {"player": "XYZ"}
    by_hand.write(tmp_path, shots=shots)
    reader = _read(page.build(tmp_path, by_hand.MATCH))
    names = [attributes["id"] for _, attributes in reader.elements if "id" in attributes]
    assert len(names) == len(set(names)) and "land-c-t" in names


def test_names_are_escaped(tmp_path: Path) -> None:
    bad = '<script>alert("x")</script> & Sons'
    flag = by_hand.FLAGS[0] | {
        "sentence": f"{bad} waited.", "rule": "<b>rule</b>",
        "evidence": [{"name": "<i>gap</i>", "value": 1.0, "unit": "m"}],
    }
    by_hand.write(tmp_path, {"player_near": bad, "event": bad, "file": f"{bad}.mp4"}, flags=[flag])
    index = page.build(tmp_path, by_hand.MATCH)
    for path in _pages(index):
        whole = path.read_text(encoding="utf-8")
        assert "<script>alert" not in whole and "<b>rule" not in whole and "<i>gap" not in whole
    reader = _read(index)
    assert [a["src"] for tag, a in reader.elements if tag == "script"] == ["common.js", "match.js"]
    assert f"{bad} against Tamsin Orrow" in reader.text
    assert f"{bad} waited." in _read(_pages(index)[1]).text


def test_faults_come_first_and_in_order_of_weight(built: Path) -> None:
    text = _read(built).text
    heavy, light = text.index("changed direction on the run"), text.index("too far to the left")
    assert heavy < light < text.index("What went well") < text.index("What was read")
    assert "1 case; 1 of 1 point with it were lost" in text
    assert text.index("What went well") < text.index("Orrow returned deep.")
    point = _read(_pages(built)[1]).text
    assert "recovery error 1.80 m" in point and "90 % sure" in point


def test_drawing_and_table_show_the_same_numbers(built: Path) -> None:
    reader = _read(_pages(built)[1])
    point = [a for t, a in reader.elements if t == "circle" and a.get("class") == "dot a"]
    shots = by_hand.table("shots", by_hand.SHOTS).to_pylist()[:3]
    arcs = by_hand.table("arcs", by_hand.arcs()).to_pylist()
    flags = by_hand.table("flags", by_hand.FLAGS).to_pylist()
    slots = {"near": "a", "far": "b", "MAR": "a", "ORR": "b"}
    layout = Layout(scene.build(shots, flags, arcs, slots, 3.9))
    drawn = {(float(a["cx"]), float(a["cy"])) for a in point}
    for shot in (shots[0], shots[2]):
        y = round(layout.along(shot["contact_y_m"]), 1)
        assert (round(layout.across(shot["contact_x_m"]), 1), y) in drawn
        assert (round(layout.up(shot["contact_z_m"]), 1), y) in drawn
    assert sum("data-contact" in a for _, a in reader.elements) == 3
    assert sum("data-bounce" in a for _, a in reader.elements) == 3
    assert sum("data-flag" in a for _, a in reader.elements) == 3
    assert "180 ± 3" in reader.text and "0.21 ± 0.03" in reader.text and "2.75" in reader.text


def test_what_is_unknown_is_called_unknown(built: Path) -> None:
    text = _read(_pages(built)[1]).text
    assert "return, backhand, direction unknown bounce deep, in or out unknown" in text
    assert "server not known" not in text
    assert "Speed at contact 2 of 4" in _read(built).text


def test_drawings_are_told_in_words(built: Path) -> None:
    text = _read(_pages(built)[1]).text
    assert "Plan and profile of point 1, 3 strokes" in text
    assert "Stroke 1: Ilva Marrec, serve, wide, 180 ± 3 km/h, 0.21 ± 0.03 m over the net" in text
    assert "Stroke 2: Tamsin Orrow, return, backhand, direction unknown" in text
    # Marrec waits at (0.2, -12.6) for a contact at (-4.5, 12.2): 0.8 m off by the court's geometry.
    place = tactics.recovery_place_m(-4.5, 12.2, -12.6)
    assert f"{abs(0.2 - place):.1f} m to the" in text
    for path in _pages(built):
        reader = _read(path)
        for tag, attributes in reader.elements:
            if tag == "svg":
                assert "aria-labelledby" in attributes or attributes.get("aria-hidden") == "true"
            if tag == "img":
                assert attributes["alt"]
        levels = [int(tag[1]) for tag, _ in reader.elements if re.fullmatch(r"h[1-6]", tag)]
        assert levels[0] == 1 and levels.count(1) == 1
        assert all(b - a <= 1 for a, b in pairwise(levels))
        assert ("html", {"lang": "en"}) in reader.elements


@pytest.mark.parametrize("number", [0, 1])
def test_cautions_are_there(built: Path, number: int) -> None:
    text = _read(_pages(built)[number]).text
    for words in ("not officiating", "consent", "No medical advice", "coach has the last word"):
        assert words in text


def test_building_twice_gives_the_same_page(built: Path, tmp_path: Path) -> None:
    before = [path.read_bytes() for path in _pages(built)]
    assert [path.read_bytes() for path in _pages(page.build(tmp_path, by_hand.MATCH))] == before
    assert not list(built.parent.rglob("*.part"))


def test_film_links_and_view_pictures(tmp_path: Path) -> None:
    by_hand.write(tmp_path / "out")
    film = by_hand.film(tmp_path / "day #1" / "lantern & co.mp4")
    path = page.build(tmp_path / "out", by_hand.MATCH, film)
    reader = _read(path)
    address = "../../../../day%20%231/lantern%20%26%20co.mp4"
    videos = [a for tag, a in _read(_pages(path)[1]).elements if tag == "video"]
    assert [a["src"] for a in videos] == [f"../{address}#t=0.00"]
    jumps = [a for tag, a in reader.elements if tag == "a" and "data-from" in a]
    assert jumps and all(a["href"].startswith(f"{address}#t=") for a in jumps)
    assert any(a["data-from"] == "2.50" and a["data-to"] == "4.00" for a in jumps)
    images = [a for tag, a in reader.elements if tag == "img"]
    assert [a["src"] for a in images] == ["views/view-0-49.jpg"]
    assert (path.parent / "views" / "view-0-49.jpg").stat().st_size > 1000
    # Gone film: the page is made without it, and old pictures go.
    film.unlink()
    path = page.build(tmp_path / "out", by_hand.MATCH, film)
    assert not [tag for tag, a in _read(path).elements if tag == "img" or "data-src" in a]
    assert not [tag for tag, _ in _read(_pages(path)[1]).elements if tag == "video"]
    assert not list((path.parent / "views").glob("*.jpg"))


def test_film_of_the_run_is_found_by_its_record(tmp_path: Path) -> None:
    by_hand.write(tmp_path / "out")
    film = by_hand.film(tmp_path / "a.mp4")
    record = tmp_path / "out" / "matches" / by_hand.MATCH / "match.json"
    record.write_text(json.dumps({"path": str(film)}), encoding="utf-8")
    reader = _read(page.build(tmp_path / "out", by_hand.MATCH))
    assert {a["data-src"] for _, a in reader.elements if "data-src" in a} == {"../../../../a.mp4"}
