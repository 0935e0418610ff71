"""Tables of simulated play beside published figures, as text for people."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from rallymill.arena.play_behaviours import BEHAVIOURS, rates
from rallymill.arena.play_figures import QUANTITIES, Quantity, played
from rallymill.arena.play_sample import PlaySample, sample
from rallymill.arena.player_profile import Level

SPREAD = 1_000
"""Seeds between one group of players and the next."""


@dataclass(frozen=True)
class Group:
    """Players of a kind: tour groups are held against published ranges."""

    name: str
    level: Level
    women: bool | None
    share: float


GROUPS = (
    Group("men, tour", "tour", False, 1.0),
    Group("women, tour", "tour", True, 1.0),
    Group("college", "college", None, 0.5),
    Group("club", "club", None, 0.5),
)


def samples(first_seed: int, n_points: int, surface: str = "hard") -> dict[str, PlaySample]:
    """A sample for each of ``GROUPS``; lower levels get half as many points."""
    return {
        group.name: sample(
            first_seed + SPREAD * number, max(1, round(group.share * n_points)), group.level,
            group.women, surface,
        )
        for number, group in enumerate(GROUPS)
    }


def _range(quantity: Quantity, woman: bool) -> str:
    low, high = quantity.range_of(woman)
    return f"{low:.{quantity.digits}f} to {high:.{quantity.digits}f}"


def _value(quantity: Quantity, value: float, woman: bool | None) -> str:
    text = f"{value:.{quantity.digits}f}"
    if woman is None:
        return text
    low, high = quantity.range_of(woman)
    return text if low <= float(text) <= high else f"**{text}**"


def _rows(header: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    lines = ["| " + " | ".join(header) + " |", "|" + " --- |" * len(header)]
    return lines + ["| " + " | ".join(row) + " |" for row in rows]


def outside(found: Mapping[str, PlaySample]) -> list[str]:
    """Names of quantities of tour groups that lie outside the published range."""
    names = []
    for group in GROUPS:
        if group.women is None or group.name not in found:
            continue
        for quantity in QUANTITIES:
            value = quantity.measure(found[group.name])
            if _value(quantity, value, group.women).startswith("**"):
                names.append(f"{group.name}: {quantity.name}")
    return names


def _sampling(found: Mapping[str, PlaySample]) -> float:
    """Standard error of a share of a third, in points of 100, of the largest group."""
    most = max(len(played(s)) for s in found.values())
    return 100 * float(np.sqrt((1 / 3) * (2 / 3) / max(most, 1)))


def report(found: Mapping[str, PlaySample]) -> str:
    """Markdown: figures beside published ones, then rates of behaviours."""
    rows = []
    for q in QUANTITIES:
        row = [q.name, q.unit]
        for group in GROUPS:
            row.append(_value(q, q.measure(found[group.name]), group.women))
            if group.women is not None:
                row.append(_range(q, group.women))
        rows.append([*row, q.source])
    counted = ", ".join(f"{len(played(s))} {name}" for name, s in found.items())
    n_outside = len(outside(found))
    lines = [
        f"Points: {counted}. Shares of points are sure to about {_sampling(found):.0f} in 100. "
        f"{2 * len(QUANTITIES) - n_outside} of {2 * len(QUANTITIES)} figures of the tour lie "
        "inside the published range, those outside in bold.",
        "",
        *_rows(
            ("quantity", "unit", "men", "published", "women", "published", "college", "club",
             "source"),
            rows,
        ),
        "",
        "Behaviours that rules and stages look for, how often in 100 points and what is meant:",
        "",
    ]
    shown = {name: rates(found[name]) for name in found}
    rows = [
        [
            behaviour.what,
            *(f"{shown[group.name][behaviour.kind]:.1f}" for group in GROUPS),
            f"{behaviour.low:g} to {behaviour.high:g}",
        ]
        for behaviour in BEHAVIOURS
    ]
    lines += _rows(("behaviour", "men", "women", "college", "club", "meant, any level"), rows)
    return "\n".join(lines) + "\n"
