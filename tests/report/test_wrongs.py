from __future__ import annotations

from pathlib import Path

import pytest

from rallymill.corrections import reading
from rallymill.report import wrongs
from tests.report import by_hand

SHOT = by_hand.table("shots", by_hand.SHOTS).to_pylist()[1]
POINT = by_hand.table("points", by_hand.POINTS).to_pylist()[0]


@pytest.mark.parametrize("what", ["shot", "point"])
def test_every_row_that_can_be_prepared_can_be_read(what: str, tmp_path: Path) -> None:
    about = wrongs.of_shot(SHOT, "x") if what == "shot" else wrongs.of_point(POINT, "x")
    lines, columns = [], [one["column"] for one in wrongs.choices()[what]]
    for one in wrongs.choices()[what]:
        values = [value for value, _ in one["values"]] or ["3-2, 15-30"]
        for value in values:
            if value == about["now"][one["column"]]:
                continue
            cells = {"what": what, "do": "", "t_s": about["t_s"], "side": about["side"],
                     one["column"]: f'"{value}"', "note": "looked at the film"}  # fmt: skip
            lines.append(",".join(
                cells.get(key, "") for key in ("what", "do", "t_s", "side", *columns, "note")))
    path = tmp_path / "rows.csv"
    head = ",".join(("what", "do", "t_s", "side", *columns, "note"))
    path.write_text("\n".join([head, *lines]) + "\n", encoding="utf-8")
    found = reading.read(path)
    assert [fault.text("") for fault in found.faults] == []
    assert len(found.rows) == len(lines) > 5


def test_what_stands_is_told_in_the_words_of_the_tables() -> None:
    now = wrongs.of_shot(SHOT, "")["now"]
    assert now["in_court"] == "none" and now["stroke"] == "return" and now["hitter"] == "far"
    assert wrongs.of_shot(SHOT, "")["t_s"] == "1.80"
    point = wrongs.of_point(POINT, "")
    assert POINT["start_s"] < float(point["t_s"]) < POINT["end_s"]
