from __future__ import annotations

import pytest

from rallymill.report import timeline
from rallymill.report.content import Played
from tests.report import by_hand


def test_a_recording_without_length_has_no_bar() -> None:
    assert timeline.draw([], [], [], 0.0, "nothing") is None


def test_spans_and_points_stand_at_their_share_of_the_time() -> None:
    points = [Played(k + 1, (row,)) for k, row in enumerate(by_hand.POINTS)]
    found = timeline.draw(by_hand.VIEWS, points, by_hand.FLAGS, 10.0, "said <here>")
    assert found is not None
    assert 'class="span main"' in found.bar and 'x="400" y="22" width="200"' in found.bar
    assert "<title>point 2 at 0:08</title>" in found.bar
    assert 'x="800" y="16" width="60"' in found.bar
    assert found.bar.count('class="flag fault"') == 2
    assert "said &lt;here&gt;" in found.bar
    assert [(tick.second, round(tick.percent)) for tick in found.ticks] == [
        (second, 10 * second) for second in range(10)
    ]


@pytest.mark.parametrize("duration", [0.5, 8.0, 61.0, 5400.0, 20000.0, 90000.0])
def test_there_are_few_ticks_at_any_length(duration: float) -> None:
    assert duration / timeline.tick_step_s(duration) <= timeline.GREATEST_TICKS
