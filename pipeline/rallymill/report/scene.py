"""What a diagram of a point shows, in metres of the court frame; drawing it is done elsewhere.

The same scene is drawn as SVG for the page and as pixels for pictures, so that both show the same
numbers. All numbers come from the tables as they are.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rallymill import court, flight
from rallymill.report.words import is_missing

Array = NDArray[np.float64]
Rows = Sequence[Mapping[str, Any]]

SAMPLE_S = 0.04
EARLY_S = 0.06
"""A flight may start this much before the contact that it belongs to, by their errors in time."""
MARGIN_X_M = 2.6
MARGIN_Y_M = 3.4
GREATEST_X_M = 10.5
GREATEST_Y_M = 20.0
LEAST_HEIGHT_M = 3.5
GREATEST_HEIGHT_M = 9.0
OTHER = {"near": "far", "far": "near"}
TAG_M = 0.52
"""Radius of a number tag in the plan."""
MARK_M = 0.55
"""Radius of a flag mark in the plan."""


@dataclass(frozen=True)
class Path:
    """The ball between two contacts: points (N, 3) in metres; heights are NaN where not known.

    ``after_bounce`` is false on the way from the racket. ``fitted`` is true where the points are
    those of a fitted flight, false for a straight line between two places. Points follow each
    other by equal times from ``start_s`` to ``end_s``, which are NaN where not known.
    """

    shot_id: int
    points_m: Array
    after_bounce: bool
    fitted: bool
    start_s: float = float("nan")
    end_s: float = float("nan")


@dataclass(frozen=True)
class Contact:
    """A racket contact; the tag with its number stands at (tag_x_m, tag_y_m)."""

    shot_id: int
    number: int
    slot: str
    x_m: float
    y_m: float
    z_m: float | None
    tag_x_m: float
    tag_y_m: float


@dataclass(frozen=True)
class Bounce:
    """The first bounce after a stroke."""

    shot_id: int
    number: int
    slot: str
    x_m: float
    y_m: float
    in_court: bool | None


@dataclass(frozen=True)
class Feet:
    """Where a player stands at a contact: the hitter, or the opponent who waits."""

    shot_id: int
    number: int
    slot: str
    hitter: bool
    x_m: float
    y_m: float


@dataclass(frozen=True)
class Mark:
    """A flag, beside the feet of the player concerned."""

    shot_id: int
    flag_id: int
    kind: str
    letter: str
    x_m: float
    y_m: float


@dataclass(frozen=True)
class Scene:
    """A point in plan and in profile."""

    paths: tuple[Path, ...] = ()
    contacts: tuple[Contact, ...] = ()
    bounces: tuple[Bounce, ...] = ()
    feet: tuple[Feet, ...] = ()
    marks: tuple[Mark, ...] = ()
    half_width_m: float = court.HALF_DOUBLES_M + MARGIN_X_M
    near_m: float = -court.HALF_LENGTH_M - MARGIN_Y_M
    far_m: float = court.HALF_LENGTH_M + MARGIN_Y_M
    height_m: float = LEAST_HEIGHT_M


RINGS_M = (0.0, 0.8, 1.2, 1.7, 2.3)
TURNS = 12
# Places to try about an anchor, outward first: offsets (N, 2), and what a long leash costs.
_TURN = np.arange(TURNS)
_ANGLES = np.pi / 2 + (_TURN + 1) // 2 * (2 * np.pi / TURNS) * (-1.0) ** _TURN
OFFSETS_M: Array = np.concatenate([
    ring * np.column_stack([np.cos(_ANGLES), np.sin(_ANGLES)])[: TURNS if ring else 1]
    for ring in RINGS_M
])
LEASH_COST = 0.15 * np.hypot(OFFSETS_M[:, 0], OFFSETS_M[:, 1])


@dataclass
class _Places:
    """Circles that are taken in the plan: x, y and radius in metres."""

    taken: list[tuple[float, float, float]] = field(default_factory=list)

    def find(self, x_m: float, y_m: float, radius_m: float) -> tuple[float, float]:
        """The free place nearest to (x, y), away from the net first; the least crowded if none."""
        outward = 1.0 if y_m >= 0 else -1.0
        tried = np.array([x_m, y_m]) + OFFSETS_M * [1.0, outward]
        taken = np.array(self.taken, dtype=float).reshape(-1, 3)
        apart = np.hypot(
            tried[:, 0, None] - taken[:, 0], tried[:, 1, None] - taken[:, 1]
        )
        overlap = np.maximum(radius_m + taken[:, 2] - apart, 0.0).sum(axis=1)
        x, y = tried[int(np.argmin(overlap + LEASH_COST))]
        self.taken.append((float(x), float(y), radius_m))
        return float(x), float(y)


def arc_points(arc: Mapping[str, Any]) -> Array | None:
    """Points (N, 3) along a fitted flight, None if the fit has no full start."""
    names = ("x_m", "y_m", "z_m", "vx_mps", "vy_mps", "vz_mps")
    if any(is_missing(arc.get(name)) for name in names):
        return None
    start = [float(arc[name]) for name in names]
    spin = [
        0.0 if is_missing(arc.get(name)) else float(arc[name])
        for name in ("topspin_radps", "sidespin_radps")
    ]
    length = float(arc["end_s"]) - float(arc["start_s"])
    if length <= 0:
        return None
    times = np.linspace(0, length, max(int(np.ceil(length / SAMPLE_S)) + 1, 3))
    return flight.states(start, spin, times)[:, :3]


def _place(row: Mapping[str, Any] | None, prefix: str) -> tuple[float, float] | None:
    if row is None:
        return None
    x, y = row.get(f"{prefix}_x_m"), row.get(f"{prefix}_y_m")
    return None if is_missing(x) or is_missing(y) else (float(x), float(y))  # type: ignore[arg-type]


def _flat(points: Sequence[tuple[float, float]]) -> Array:
    plan = np.array(points, dtype=float)
    return np.column_stack([plan, np.full(len(plan), np.nan)])


def shot_paths(
    shot: Mapping[str, Any], following: Mapping[str, Any] | None, arcs: Rows, end_s: float
) -> list[Path]:
    """Ball paths that belong to a stroke: fitted flights if there are, straight lines otherwise."""
    shot_id, start = int(shot["shot_id"]), float(shot["t_contact_s"])
    until = float(following["t_contact_s"]) if following is not None else end_s
    found = []
    for arc in arcs:
        if not start - EARLY_S <= arc["start_s"] < until - EARLY_S:
            continue
        points = arc_points(arc)
        if points is not None:
            found.append(Path(
                shot_id, points, arc["start_kind"] != "hit", True,
                float(arc["start_s"]), float(arc["end_s"]),
            ))
    if found:
        return found
    contact, bounce = _place(shot, "contact"), _place(shot, "bounce")
    after = _place(following, "contact")
    bounce_s = shot.get("t_bounce_s")
    down = float("nan") if is_missing(bounce_s) else float(bounce_s)  # type: ignore[arg-type]
    if contact and bounce:
        found.append(Path(shot_id, _flat([contact, bounce]), False, False, start, down))
        if after:
            found.append(Path(shot_id, _flat([bounce, after]), True, False, down, until))
    elif contact and after:
        found.append(Path(shot_id, _flat([contact, after]), False, False, start, until))
    return found


def letters(n: int) -> list[str]:
    """``n`` short labels: a to z, then a2, b2 and so on."""
    alphabet = "abcdefghijklmnopqrstuvwxyz"
    return [
        alphabet[i % 26] + (str(i // 26 + 1) if i >= 26 else "") for i in range(n)
    ]


def build(
    shots: Rows, flags: Rows, arcs: Rows, slot_of: Mapping[str, str], end_s: float
) -> Scene:
    """Scene of a point.

    Parameters
    ----------
    shots, flags : rows of the point, in order.
    arcs : rows of the match; those within the point's time are used.
    slot_of : slot (``a`` or ``b``) by player and by side; the player has precedence.
    end_s : time at which the ball is dead.
    """
    paths: list[Path] = []
    bounces, feet = [], []
    places = _Places()
    anchors: list[tuple[Mapping[str, Any], tuple[float, float]]] = []
    if shots:
        start = float(shots[0]["t_contact_s"]) - EARLY_S
        arcs = [arc for arc in arcs if start <= arc["start_s"] < end_s]
    for index, shot in enumerate(shots):
        following = shots[index + 1] if index + 1 < len(shots) else None
        shot_id, n = int(shot["shot_id"]), int(shot["shot_number"])
        own = slot(slot_of, shot.get("player"), shot["hitter"])
        other = slot(slot_of, shot.get("opponent"), OTHER[shot["hitter"]])
        paths += shot_paths(shot, following, arcs, end_s)
        if bounce := _place(shot, "bounce"):
            bounces.append(Bounce(shot_id, n, own, *bounce, shot.get("in_court")))
            places.taken.append((*bounce, 0.3))
        for hitter, prefix, who in ((True, "hitter", own), (False, "opponent", other)):
            if stand := _place(shot, prefix):
                feet.append(Feet(shot_id, n, who, hitter, *stand))
                places.taken.append((*stand, 0.35))
        if contact := _place(shot, "contact") or _place(shot, "hitter"):
            anchors.append((shot, contact))
    contacts = []
    for shot, (x, y) in anchors:
        tag = places.find(x, y, TAG_M)
        height = shot.get("contact_z_m")
        contacts.append(Contact(
            int(shot["shot_id"]), int(shot["shot_number"]),
            slot(slot_of, shot.get("player"), shot["hitter"]), x, y,
            None if is_missing(height) else float(height), *tag,  # type: ignore[arg-type]
        ))
    marks = _marks(flags, shots, places)
    return _bounded(paths, contacts, bounces, feet, marks)


def slot(slot_of: Mapping[str, str], player: str | None, side: str) -> str:
    """Slot of a player, or of a side where the player is not known."""
    return slot_of.get(player or "", slot_of.get(side, "a"))


def _marks(flags: Rows, shots: Rows, places: _Places) -> list[Mark]:
    by_id = {int(shot["shot_id"]): shot for shot in shots}
    marks = []
    for flag, letter in zip(flags, letters(len(flags)), strict=True):
        shot = by_id.get(int(flag["shot_id"]))
        if shot is None:
            continue
        waits = flag.get("side") == OTHER[shot["hitter"]]
        anchor = (
            _place(shot, "opponent" if waits else "hitter") or _place(shot, "contact")
        )
        if anchor:
            x, y = places.find(*anchor, MARK_M)
            marks.append(Mark(
                int(flag["shot_id"]), int(flag["flag_id"]), str(flag["kind"]), letter, x, y
            ))
    return marks


def _bounded(
    paths: list[Path], contacts: list[Contact], bounces: list[Bounce], feet: list[Feet],
    marks: list[Mark],
) -> Scene:
    """Scene with an extent that holds all that is shown, within reason."""
    blank = Scene()
    x = [blank.half_width_m - 0.8]
    y = [blank.near_m + 0.8, blank.far_m - 0.8]
    shown = [(thing.x_m, thing.y_m) for thing in bounces]
    shown += [(thing.x_m, thing.y_m) for thing in feet]
    shown += [(thing.x_m, thing.y_m) for thing in marks]
    shown += [(thing.x_m, thing.y_m) for thing in contacts]
    shown += [(thing.tag_x_m, thing.tag_y_m) for thing in contacts]
    x += [abs(place[0]) for place in shown]
    y += [place[1] for place in shown]
    heights = [LEAST_HEIGHT_M - 0.3]
    heights += [c.z_m for c in contacts if c.z_m is not None]
    for path in paths:
        known = path.points_m[:, 2][np.isfinite(path.points_m[:, 2])]
        if len(known):
            heights.append(float(known.max()))
    return Scene(
        tuple(paths), tuple(contacts), tuple(bounces), tuple(feet), tuple(marks),
        min(max(x) + 0.8, GREATEST_X_M), max(min(y) - 0.8, -GREATEST_Y_M),
        min(max(y) + 0.8, GREATEST_Y_M), min(max(heights) + 0.3, GREATEST_HEIGHT_M),
    )
