"""Match found events with a small world's true contacts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from tests.support.synthetic import Contact


@dataclass
class Score:
    """Counts and errors of one kind of event."""

    true: int = 0
    found: int = 0
    matched: int = 0
    place_m: tuple[float, ...] = ()
    side_right: int = 0

    @property
    def f1(self) -> float:
        """Harmonic mean of precision and recall."""
        return 2 * self.matched / max(self.true + self.found, 1)


def score(events: pd.DataFrame, truth: list[Contact], kind: str, within_s: float) -> Score:
    """Greedy match in time of events of a kind; true bounces beyond any fence do not count."""
    wanted = [c for c in truth if c.kind == kind
              and not (kind == "bounce" and abs(c.position_m[1]) > 18.5)]
    rows = events[(events["kind"] == kind) & ~((kind == "bounce") & (events["y_m"].abs() > 18.5))]
    left = list(rows.itertuples())
    result = Score(true=len(wanted), found=len(left))
    errors = []
    for contact in wanted:
        near = [row for row in left if abs(row.t_s - contact.t_s) <= within_s]
        if not near:
            continue
        row = min(near, key=lambda r: abs(r.t_s - contact.t_s))
        left.remove(row)
        result.matched += 1
        result.side_right += row.side == contact.side
        errors.append(float(np.hypot(row.x_m - contact.position_m[0],
                                     row.y_m - contact.position_m[1])))
    result.place_m = tuple(errors)
    return result
