from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from rallymill import tableio, tables
from rallymill.scoring import contacts
from rallymill.scoring.rows import NotMeasured, Tally
from tests.scoring import by_hand


def test_no_events_miss_everything(make_clip) -> None:
    clip = make_clip(events=tables.EVENTS.empty())
    assert contacts.hits(clip) == Tally(0, 0, 3)
    assert contacts.bounces(clip) == Tally(0, 0, 3)


def test_tolerances_at_50_frames_a_second(make_clip) -> None:
    on_time = make_clip(events=by_hand.events(later_s=0.02))
    assert contacts.bounces(on_time) == Tally(3, 0, 0)
    late = make_clip(events=by_hand.events(later_s=0.03))
    assert contacts.bounces(late) == Tally(0, 3, 3)
    assert contacts.hits(make_clip(events=by_hand.events(later_s=0.08))) == Tally(3, 0, 0)
    assert contacts.hits(make_clip(events=by_hand.events(later_s=0.09))) == Tally(0, 3, 3)


def test_slower_clips_have_two_of_their_own_frames() -> None:
    assert contacts.hit_tolerance_s(1 / 24) == pytest.approx(2 / 24)
    assert contacts.hit_tolerance_s(1 / 60) == pytest.approx(0.08)


def test_a_hit_on_the_wrong_side_is_false_and_missed(make_clip) -> None:
    table = by_hand.events().to_pandas()
    table.loc[0, "side"] = "far"
    clip = make_clip(events=tableio.from_pandas(tables.EVENTS, table))
    assert contacts.hits(clip) == Tally(2, 1, 1)


def test_events_in_a_replay_are_false(make_clip) -> None:
    table = by_hand.events().to_pandas()
    table.loc[5, "t_s"] = 4.5
    clip = make_clip(events=tableio.from_pandas(tables.EVENTS, table))
    assert contacts.bounces(clip) == Tally(2, 1, 1)
    beyond = table.copy()
    beyond.loc[5, "t_s"] = 9.0
    clip = make_clip(events=tableio.from_pandas(tables.EVENTS, beyond))
    assert contacts.bounces(clip) == Tally(2, 0, 1)


def test_bounces_of_a_dead_ball_count_neither_way(make_clip) -> None:
    table = by_hand.events().to_pandas()
    end_s = float(by_hand.points()["end_s"][0].as_py())
    more = table.iloc[[5]].assign(t_s=end_s + 0.2, event_id=6)
    clip = make_clip(events=tableio.from_pandas(tables.EVENTS, pd.concat([table, more])))
    assert contacts.bounces(clip) == Tally(3, 0, 0)
    before = table.iloc[[5]].assign(t_s=end_s - 0.2, event_id=6)
    clip = make_clip(events=tableio.from_pandas(tables.EVENTS, pd.concat([table, before])))
    assert contacts.bounces(clip) == Tally(3, 1, 0)


def test_bounce_place_by_half(make_clip) -> None:
    clip = make_clip(events=by_hand.events(shift_m=0.25))
    assert contacts.bounce_place(clip, "near").values.tolist() == pytest.approx([0.25])
    assert contacts.bounce_place(clip, "far").values.tolist() == pytest.approx([0.25, 0.25])


def test_landing_is_the_first_frame_on_the_ground() -> None:
    times = np.arange(6) / 50
    heights = np.array([0.0, 0.1, 0.1, 0.0, 0.0, 0.1])
    assert contacts.landings_s(times, heights).tolist() == [times[3]]
    assert not len(contacts.landings_s(times, np.array([0.1, np.nan, 0.0, 0.0, 0.0, 0.0])))


def test_split_step_right_late_and_not_measured(make_clip) -> None:
    # The near player lands at frame 72 (1.44 s), the far one hits at 1.40 s.
    same = contacts.split_steps(make_clip())
    assert (same.part, same.whole) == (1, 1)
    late = by_hand.tracks().to_pandas()
    late.loc[(late["role"] == "near") & late["frame"].between(72, 74), "z_m"] = 0.2
    found = contacts.split_steps(make_clip(tracks=tableio.from_pandas(tables.TRACKS, late)))
    assert (found.part, found.whole) == (0, 1)
    late["z_m"] = np.nan
    none = contacts.split_steps(make_clip(tracks=tableio.from_pandas(tables.TRACKS, late)))
    assert isinstance(none, NotMeasured)
