from __future__ import annotations

import numpy as np

from rallymill import benchmark_ablation
from rallymill.stages.flight import candidates, path


def test_parts_are_left_out_and_the_whole_beats_the_baseline() -> None:
    found = benchmark_ablation.run(100_930, 1, 10.0, 1)
    assert list(found) == list(benchmark_ablation.VARIANTS)
    hits = {
        name: next(row.value for row in rows if row.quantity.startswith("hits"))
        for name, rows in found.items()
    }
    whole = hits["all of it"]
    assert whole is not None and whole > 0.5
    assert whole > (hits["bends of the image path alone"] or 0.0) + 0.2


def test_the_most_confident_box_of_each_frame() -> None:
    slot = np.array([0, 0, 1, 3, 3, 3])
    sure = np.array([0.2, 0.9, 0.1, 0.3, 0.8, 0.5])
    place = np.zeros((6, 2))
    found = candidates.Candidates(slot, slot / 25, place, place, sure, np.full(6, 4.0))
    chosen, chain = path.most_confident(found)
    assert chosen.tolist() == [1, 2, 4] and not chain.any()
    none = found.take(np.zeros(6, dtype=bool))
    assert len(path.most_confident(none)[0]) == 0
