from __future__ import annotations

from pathlib import Path
from typing import Any

from rallymill.report import content, habits
from tests.report import by_hand


def _chances(n: int, outcome: str, rule: str, first: int = 0) -> list[dict[str, Any]]:
    return [
        {"opportunity_id": first + k, "rule": rule, "point_id": k % 2, "shot_id": 0,
         "side": "near", "player": "MAR", "outcome": outcome, "confidence": 0.9}
        for k in range(n)
    ]  # fmt: skip


def _match(out: Path, **tables: list[dict[str, Any]]) -> content.Match:
    by_hand.write(out, **tables)
    return content.load(out, by_hand.MATCH)


def test_no_flags_give_no_habits(tmp_path: Path) -> None:
    found = habits.build(_match(tmp_path, flags=[]))
    assert found.faults == {"MAR": [], "ORR": []} and not found.counted


def test_without_chances_it_is_weight_that_counts_and_no_rate_is_claimed(tmp_path: Path) -> None:
    found = habits.build(_match(tmp_path))
    assert [h.rule for h in found.faults["MAR"]] == ["change_of_direction", "recovery_position"]
    assert found.faults["MAR"][0].said.startswith("1 case; 1 of 1 point with it were lost")
    assert "no rate" in found.faults["MAR"][0].said
    assert [h.rule for h in found.credits["ORR"]] == ["deep_return"]


def test_with_chances_the_order_is_that_of_the_rates(tmp_path: Path) -> None:
    # Both have one flag; 12 of 20 chances is a habit, 1 of 2 is none, whatever its weight.
    chances = [
        *_chances(12, "fault", "recovery_position"),
        *_chances(8, "clear", "recovery_position", 12),
        *_chances(1, "fault", "change_of_direction", 20),
        *_chances(1, "clear", "change_of_direction", 21),
        *_chances(40, "clear", "no_mans_land", 22),
    ]
    found = habits.build(_match(tmp_path, opportunities=chances))
    first, second = found.faults["MAR"]
    assert (first.rule, second.rule) == ("recovery_position", "change_of_direction")
    assert first.said.startswith("12 in 20 chances, 60 % (39 % to 78 %)")
    assert "too few to call it a habit" in second.said
    assert [rate.rule for rate in found.kept["MAR"]] == ["no_mans_land"]


def test_what_is_shown_as_a_fault_is_not_said_to_be_kept(tmp_path: Path) -> None:
    chances = [
        *_chances(1, "fault", "recovery_position"),
        *_chances(59, "clear", "recovery_position", 1),
        *_chances(60, "clear", "no_mans_land", 60),
    ]
    found = habits.build(_match(tmp_path, opportunities=chances))
    assert [rate.rule for rate in found.kept["MAR"]] == ["no_mans_land"]
    without = habits.build(_match(tmp_path, opportunities=chances, flags=[]))
    assert len(without.kept["MAR"]) == 2


def test_a_place_is_drawn_when_the_opponent_strikes(tmp_path: Path) -> None:
    place = by_hand.FLAGS[0] | {"rule": "recovery", "shot_id": 0, "side": "near"}
    ball = by_hand.FLAGS[1] | {"rule": "drop_shot", "shot_id": 0, "side": "near"}
    match = _match(tmp_path, flags=[place, ball])
    shown = [habits.moment_of(match, flag) for flag in match.flags]
    assert [shot["shot_id"] if shot else None for shot in shown] == [1, 0]
    cases = habits.build(match).faults["MAR"]
    assert {case.cases[0].page for case in cases} == {
        "points/001.html#step=2", "points/001.html#step=1",
    }


def test_names_of_files_hold_no_code_of_a_person(tmp_path: Path) -> None:
    for own in habits.build(_match(tmp_path)).faults.values():
        assert not [habit.key for habit in own if "MAR" in habit.key or "ORR" in habit.key]
