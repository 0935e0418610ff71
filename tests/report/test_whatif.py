from __future__ import annotations

import re
from typing import Any

import pytest

from rallymill.report import whatif
from rallymill.report.scene import Scene
from rallymill.report.svg import Layout

SHOT = {"shot_id": 7, "contact_x_m": 2.0, "contact_y_m": -11.0, "contact_z_m": 1.1}


def _row(number: int, in_share: float | None, open_share: float | None, **more: Any) -> Any:
    return {
        "alternative_id": number, "shot_id": 7, "played": False, "direction": "cross_court",
        "depth": "deep", "target_x_m": -3.0, "target_y_m": 10.0, "elevation_deg": 9.0,
        "in_share": in_share, "open_share": open_share, "reason": None, "sentence": "So it is.",
    } | more


def test_nothing_known_is_nothing_shown() -> None:
    assert whatif.options([]) == []
    assert whatif.draw(Layout(Scene()), SHOT, []) == ""
    lost = _row(0, None, None, reason="no pace was measured")
    found = whatif.options([lost])
    assert found[0].letter == "" and found[0].chances == "no pace was measured"


def test_the_most_promising_three_get_letters_and_what_was_played_stands_first() -> None:
    rows = [
        _row(0, 0.9, 0.05), _row(1, 0.7, 0.4), _row(2, 0.5, 0.1, played=True),
        _row(3, 0.8, 0.2), _row(4, 0.95, 0.2), _row(5, None, None),
    ]
    found = whatif.options(rows)
    assert found[0].row["played"] and found[0].letter == ""
    assert found[0].name.startswith("as played")
    assert [(one.row["alternative_id"], one.letter) for one in found[1:]] == [
        (1, "A"), (4, "B"), (3, "C"), (0, ""), (5, ""),
    ]
    assert found[1].chances == "goes in 70 %, out of reach 40 %"


def test_the_way_leads_from_the_contact_at_its_angle_to_the_target() -> None:
    layout = Layout(Scene())
    drawn = whatif.draw(layout, SHOT, whatif.options([_row(0, 0.7, 0.4)]))
    profile = re.search(r'points="([^"]+)"', drawn)
    assert profile is not None
    points = [tuple(map(float, pair.split(","))) for pair in profile[1].split()]
    assert points[0] == pytest.approx((layout.up(1.1), layout.along(-11.0)), abs=0.06)
    assert points[-1][0] == pytest.approx(layout.up(0.0335), abs=0.06)
    assert points[-1][1] == pytest.approx(layout.along(10.0), abs=0.06)
    # Rises by tan 9 degrees of the way over the ground, 21.59 m long, 25 pieces, less the fall.
    assert points[1][0] > points[0][0]
    assert f'cx="{layout.across(-3.0):.1f}"'.replace(".0\"", "\"") in drawn
    assert 'data-shot="7"' in drawn and ">A</text>" in drawn
