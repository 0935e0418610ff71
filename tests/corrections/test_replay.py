"""Replaying corrections, as properties over invented ones."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pyarrow as pa
from hypothesis import given, settings
from hypothesis import strategies as st

from rallymill.corrections.agreement import agreement, share_of
from rallymill.corrections.rows import COLUMNS, LIMITS, Correction, Value, bearing_upon, value_of
from rallymill.runner.rowhash import rows_hash
from rallymill.stages import corrected_points, corrected_shots, corrections, points, shots
from rallymill.stages.correcting import restate
from rallymill.stages.shots_rally import read_arcs, read_events
from rallymill.tables import FRAMES, POINTS, SHOTS
from tests.corrections.machine import play

ORDER = (shots, points, corrected_shots, corrected_points, corrections)
SPECS = {column.name: column for spec in (SHOTS, POINTS) for column in spec.columns}


def chain(rows: Sequence[Correction]) -> dict[str, pa.Table]:
    """All tables of the play under corrections."""
    given_play = play()
    found = {"events": given_play.events, "arcs": given_play.arcs, "tracks": given_play.tracks,
             "frames": FRAMES.empty(), **machine_tables()}  # fmt: skip
    for module in ORDER[2:]:
        stage = module.STAGE
        match = replace(given_play.match, corrections=bearing_upon(rows, stage.corrects))
        found[stage.writes.name] = stage.run(
            match, {name: found[name] for name in stage.reads}, stage.config_class())
    return found


_machine: dict[str, pa.Table] = {}


def machine_tables() -> dict[str, pa.Table]:
    if not _machine:
        given_play = play()
        found = {"events": given_play.events, "arcs": given_play.arcs,
                 "tracks": given_play.tracks, "frames": FRAMES.empty()}  # fmt: skip
        for module in ORDER[:2]:
            table = module.STAGE.run(given_play.match, found, module.STAGE.config_class())
            _machine[module.STAGE.writes.name] = found[module.STAGE.writes.name] = table
    return _machine


def values(names: Sequence[str]) -> st.SearchStrategy[dict[str, Value]]:
    """Some columns with values that may stand in them."""
    def of(name: str) -> st.SearchStrategy[Value]:
        if name == "in_court":
            return st.booleans()
        if name == "score":
            return st.sampled_from(["0-0, 15-0", "3-2, 30-40", "6-6, 3-2", None])
        if name == "serve_number":
            return st.sampled_from([1, 2])
        if name in LIMITS:
            low, high = LIMITS[name]
            return st.floats(low, high).map(lambda number: float(round(number, 3)))
        return st.sampled_from(SPECS[name].values)

    named = [name for name in names if name not in ("t_contact_s", "t_bounce_s")]
    return st.dictionaries(st.sampled_from(named), st.none(), min_size=1, max_size=3).flatmap(
        lambda chosen: st.fixed_dictionaries({name: of(name) for name in chosen}))


@st.composite
def rows(draw: st.DrawFn) -> Correction:
    shots_read = machine_tables()["machine_shots"].to_pylist()
    shot = draw(st.sampled_from(shots_read))
    off = draw(st.sampled_from([0.0, 0.0, 0.04, -0.1, 0.5]))
    what = draw(st.sampled_from(["shot", "shot", "shot", "point", "players"]))
    t_s = round(shot["t_contact_s"] + off, 3)
    if what == "players":
        codes = draw(st.permutations(["A", "B"]))
        return Correction("players", "change", t_s, None, dict(zip(("near", "far"), codes,
                                                                    strict=True)))  # fmt: skip
    if what == "point":
        action = draw(st.sampled_from(["change", "change", "change", "remove", "right"]))
        given_values = draw(values(COLUMNS["point"])) if action == "change" else {}
        return Correction("point", action, t_s, None, given_values)
    action = draw(st.sampled_from(["change", "change", "change", "remove", "add", "right"]))
    side = shot["hitter"] if draw(st.integers(0, 5)) else draw(st.sampled_from(["near", "far"]))
    names = [name for name in COLUMNS["shot"] if action != "add" or name != "hitter"]
    given_values = draw(values(names)) if action in ("change", "add") else {}
    return Correction("shot", action, t_s, side, given_values)


def numbered(given_rows: Sequence[Correction], number: int) -> list[Correction]:
    return [replace(row, number=number, row=k + 2) for k, row in enumerate(given_rows)]


@settings(max_examples=12, deadline=None)
@given(st.lists(rows(), min_size=1, max_size=6))
def test_applied_twice_is_applied_once(given_rows: list[Correction]) -> None:
    once = chain(numbered(given_rows, 1))
    # Another pass over tables that agree with their schemas: tableio has checked them.
    twice = chain([*numbered(given_rows, 1), *numbered(given_rows, 2)])
    final = _final(once)
    assert _final(twice) == final
    status = once["corrections"].to_pylist()
    assert len(status) == sum(max(len(row.values), 1) + (row.action == "add" and bool(row.values))
                              for row in given_rows) or any(
        row["action"] == "remove" and row["what"] == "point" for row in status)  # fmt: skip


def _final(found: dict[str, pa.Table]) -> tuple[str, str]:
    return rows_hash(found["shots"]), rows_hash(found["points"])


@settings(max_examples=12, deadline=None)
@given(st.lists(rows(), max_size=5))
def test_without_corrections_the_machines_tables_stand(given_rows: list[Correction]) -> None:
    """Also where the long way is gone: contacts restated by nothing give the same rows."""
    machine = machine_tables()
    right = [replace(row, action="right", values={}) for row in given_rows if row.what == "shot"]
    found = chain(numbered(right, 1))
    assert found["shots"].equals(machine["machine_shots"])
    assert found["points"].equals(machine["machine_points"])


@settings(max_examples=12, deadline=None)
@given(st.lists(rows(), min_size=1, max_size=6))
def test_numbers_and_references_stay_whole(given_rows: list[Correction]) -> None:
    found = chain(numbered(given_rows, 1))
    shot_rows, point_rows = found["shots"].to_pylist(), found["points"].to_pylist()
    assert [row["shot_id"] for row in shot_rows] == list(range(len(shot_rows)))
    assert {row["point_id"] for row in shot_rows} == {row["point_id"] for row in point_rows}
    for point in point_rows:
        own = [row for row in shot_rows if row["point_id"] == point["point_id"]]
        assert [row["ended_point"] for row in own] == [False] * (len(own) - 1) + [True]
        assert point["n_shots"] >= len(own) and point["start_s"] == own[0]["t_contact_s"]
    # What stands can be seen in the table.
    for row in found["corrections"].to_pylist():
        if row["status"] not in ("stands", "agrees") or row["cell"] is None:
            continue
        if row["what"] == "shot" and row["shot_id"] is not None and not (
                row["cell"].startswith(("bounce", "t_bounce"))):
            told = shot_rows[row["shot_id"]][row["cell"]]
            wanted = None if row["value"] is None else value_of(row["cell"], row["value"])
            assert told == wanted, row
        if row["what"] == "point" and row["point_id"] is not None:
            told = point_rows[row["point_id"]][row["cell"]]
            wanted = None if row["value"] is None else value_of(row["cell"], row["value"])
            assert told == wanted, row


def test_a_removed_stroke_that_is_added_again_is_back() -> None:
    machine = machine_tables()["machine_shots"].to_pylist()[5]
    t_s, side = machine["t_contact_s"], machine["hitter"]
    gone = Correction("shot", "remove", t_s, side)
    back = Correction("shot", "add", t_s, side)
    assert chain(numbered([gone], 1))["shots"].num_rows == len(
        machine_tables()["machine_shots"]) - 1
    found = chain([*numbered([gone], 1), *numbered([back], 2)])
    assert found["shots"].column("t_contact_s").to_pylist() == machine_tables()[
        "machine_shots"].column("t_contact_s").to_pylist()
    assert [row["status"] for row in found["corrections"].to_pylist()] == ["replaced", "agrees"]


def test_what_follows_from_a_correction() -> None:
    """A ball that came down out ends the point; a hitter is somebody else; a serve is a serve."""
    machine = machine_tables()["machine_shots"].to_pylist()
    last = machine[12]
    assert (last["hitter"], last["in_court"]) == ("far", True)
    out = Correction("shot", "change", last["t_contact_s"], "far", {"in_court": False})
    point = chain(numbered([out], 1))["points"].to_pylist()[last["point_id"]]
    assert point["won_by"] == "near" and point["ended_by"].startswith("error_")
    deep = Correction("shot", "change", last["t_contact_s"], "far",
                      {"bounce_x_m": 0.0, "bounce_y_m": -13.5})  # fmt: skip
    found = chain(numbered([deep], 1))
    assert found["points"].to_pylist()[last["point_id"]]["ended_by"] == "error_long"
    assert found["shots"].to_pylist()[12]["in_court"] is False
    # A first serve that was good is no fault, so no second serve follows.
    serve = machine[0]
    good = Correction("point", "change", serve["t_contact_s"], None, {"ended_by": "ace"})
    table = chain(numbered([good], 1))["points"].to_pylist()
    assert table[0]["won_by"] == "near" and table[1]["serve_number"] == 1
    assert table[1]["score"] is None, "the half from which it is served does not fit any more"


def test_replay_leaves_contacts_as_they_were() -> None:
    events, arcs = read_events(play().events), read_arcs(play().arcs)
    before = list(events)
    restate(events, arcs, numbered([Correction("shot", "remove", 13.09, "near")], 1), {})
    assert events == before


def test_agreement_counts_what_was_looked_at() -> None:
    machine = machine_tables()["machine_shots"].to_pylist()

    def at(number: int, action: str, **told: Value) -> Correction:
        row = machine[number]
        return Correction("shot", action, row["t_contact_s"], row["hitter"], told)

    said = [at(3, "change", stroke="approach"), at(4, "remove"), *(at(k, "right") for k in
                                                                   range(8, 16))]  # fmt: skip
    found = chain(numbered(said, 1))
    told = agreement(machine_shots=found["machine_shots"], shots=found["shots"],
                     machine_points=found["machine_points"], points=found["points"],
                     corrections=found["corrections"])  # fmt: skip
    assert (told.shots.looked_at.wrong, told.shots.looked_at.rows) == (2, 10)
    # Wilson's interval for 2 of 10, from statsmodels proportion_confint(2, 10, method="wilson").
    assert told.shots.looked_at.low is not None and told.shots.looked_at.high is not None
    assert abs(told.shots.looked_at.low - 0.056682) < 1e-4
    assert abs(told.shots.looked_at.high - 0.509838) < 1e-4
    assert told.shots.removed == 1 and told.shots.added == 0
    assert told.shots.columns["stroke"].wrong == 1
    assert told.shots.columns["stroke"].rows == len(machine) - 1
    assert told.sentences()[0].startswith("of 10 strokes looked at 2 were wrong: 20%")
    assert share_of(0, 0).share is None


def test_a_corrected_stroke_is_found_as_it_now_stands_and_as_it_was() -> None:
    machine = machine_tables()["machine_shots"].to_pylist()[4]
    t_s, side, other = machine["t_contact_s"], machine["hitter"], "near"
    assert side == "far"
    rows_in_order = [
        Correction("shot", "change", t_s, side, {"hitter": other, "t_contact_s": t_s + 0.6}),
        Correction("shot", "change", t_s + 0.6, other, {"stroke": "lob"}),
        Correction("shot", "change", t_s, side, {"wing": "backhand", "stroke": "volley"}),
    ]
    given_rows = [replace(row, number=k, row=2) for k, row in enumerate(rows_in_order, 1)]
    found = chain(given_rows)
    (row,) = (row for row in found["shots"].to_pylist()
              if abs(row["t_contact_s"] - t_s - 0.6) < 1e-6)  # fmt: skip
    assert (row["hitter"], row["stroke"], row["wing"]) == (other, "volley", "backhand")
    told = {(row["application_number"], row["cell"]): row["status"]
            for row in found["corrections"].to_pylist()}  # fmt: skip
    assert told == {
        (1, "hitter"): "stands", (1, "t_contact_s"): "stands", (2, "stroke"): "replaced",
        (3, "wing"): "stands", (3, "stroke"): "stands",
    }  # fmt: skip


def test_scores_are_counted_on_from_a_stated_one() -> None:
    table = machine_tables()["machine_points"].to_pylist()
    # A second serve that nobody returns: double fault from the deuce half at 15-15.
    said = Correction("point", "change", table[5]["start_s"], None, {"score": "4-5, 15-15"})
    points = chain(numbered([said], 1))["points"].to_pylist()
    assert points[4]["score"] is not None and points[4]["score"] == table[4]["score"]
    assert points[5]["score"] == "4-5, 15-15" and points[5]["won_by"] == "far"
    assert points[6]["score"] == points[7]["score"] == "4-5, 15-30"
    assert points[8]["score"] == "4-5, 30-30"
    # None ends the counting.
    ended = Correction("point", "change", table[5]["start_s"], None, {"score": None})
    points = chain(numbered([ended], 1))["points"].to_pylist()
    assert [row["score"] for row in points[5:]] == [None] * 5


def test_a_hitter_on_the_other_side_did_not_strike_where_it_was_read() -> None:
    machine = machine_tables()["machine_shots"].to_pylist()[4]
    row = Correction("shot", "change", machine["t_contact_s"], "far", {"hitter": "near"})
    shot = chain(numbered([row], 1))["shots"].to_pylist()[4]
    assert shot["hitter"] == "near" and shot["contact_y_m"] is None
    placed = replace(row, values={"hitter": "near", "contact_x_m": 1.0, "contact_y_m": -11.0})
    shot = chain(numbered([placed], 1))["shots"].to_pylist()[4]
    assert (shot["contact_x_m"], shot["contact_y_m"], shot["contact_y_m_sd"]) == (1.0, -11.0, 0.1)
