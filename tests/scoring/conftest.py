from __future__ import annotations

from collections.abc import Callable

import pyarrow as pa
import pytest

from rallymill.scoring.clip import Clip
from tests.scoring import by_hand


@pytest.fixture
def make_clip() -> Callable[..., Clip]:
    def make(true: dict[str, pa.Table] | None = None, **found: pa.Table) -> Clip:
        base = by_hand.truth()
        predicted = base | {"detections": by_hand.detections()} | found
        return Clip("clip", by_hand.MATCH, predicted, true or base, {}, 5.0, 2.0)

    return make
