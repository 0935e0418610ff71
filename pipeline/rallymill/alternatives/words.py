"""Alternatives in words: what a direction had room for at the height of the contact."""

from __future__ import annotations

import math
from collections.abc import Sequence

from rallymill import tactics
from rallymill.alternatives.drawing import N_DRAWS
from rallymill.alternatives.scatter import MISHIT_TIMES, Scatter
from rallymill.alternatives.stroke import SERVE, Stroke
from rallymill.alternatives.targets import ANGLE_MARGIN_M, DEEP_M, SIDE_MARGIN_M
from rallymill.alternatives.what_if import OUT_OF_REACH, Alternative
from rallymill.court import HALF_LENGTH_M, NET_CENTRE_M

DIRECTIONS = {
    "cross_court": "cross-court", "down_the_line": "down the line", "middle": "through the middle",
    "inside_out": "inside-out", "inside_in": "inside-in", "wide": "wide", "body": "to the body",
    "t": "to the T",
}
DEPTHS = {"deep": "deep ", "short": "short ", "middle": ""}
CLEARLY_MORE = 0.2
"""By how much a share must be greater to be called so: a few times what the draws are good to."""
JUST_S = 0.05
HIGHER_M = 0.05
"""By how much the net must be higher than in its middle for a sentence to say so."""


def tenths(share: float) -> str:
    """A share in words, in tenths."""
    count = round(10 * share)
    if share > 0 and count == 0:
        return "fewer than 1 in 20"
    return {0: "none", 10: "nearly all" if share < 1 else "all"}.get(count, f"{count} of 10")


def length(metres: float) -> str:
    """A short length in words: centimetres below a metre."""
    return f"{metres:.1f} m" if metres >= 1 else f"{100 * metres:.0f} cm"


def name_of(one: Alternative, stroke: Stroke) -> str:
    """The direction and depth of an alternative."""
    direction = DIRECTIONS.get(one.target.direction, "that way")
    if stroke.family == SERVE:
        return direction
    return f"{DEPTHS.get(one.target.depth, '')}{direction}"


def sentence(one: Alternative, stroke: Stroke) -> str:
    """What an alternative comes to, in one or two sentences."""
    start = f"From {stroke.contact[2]:.1f} m high"
    way = "that ball again" if one.played else name_of(one, stroke)
    if one.reason == OUT_OF_REACH:
        return f"{start} {way}: {OUT_OF_REACH}."
    if one.reason:
        return f"{start} {way}: cannot be told, {one.reason}."
    gap = one.clearance_m
    over = f"{length(abs(gap.median))} {'over' if gap.median >= 0 else 'under'}"
    net = "the net" if gap.median >= 0 else "the top of the net"
    if one.net_m > NET_CENTRE_M + HIGHER_M:
        net += f", which is higher there ({one.net_m:.2f} m)"
    said = (
        f"{start} {way} passes {over} {net}, give or take {length(gap.sd)}; "
        f"{tenths(one.goes_in)} go in."
    )
    return said + _opponent(one)


def _opponent(one: Alternative) -> str:
    late = one.late_s
    if late.median != late.median:
        return ""
    if abs(late.median) < JUST_S:
        return f" The opponent is there just in time, give or take {late.sd:.1f} s."
    if late.median < 0:
        return f" The opponent has {-late.median:.1f} s to spare, give or take {late.sd:.1f} s."
    return (
        f" The opponent comes {late.median:.1f} s too late, give or take {late.sd:.1f} s, and "
        f"misses {tenths(one.beats / one.goes_in)} of those."
    )


def _best_by_way(found: Sequence[Alternative]) -> dict[str, Alternative]:
    """Of each direction what goes in most often; a sharp angle is a way of its own."""
    best: dict[str, Alternative] = {}
    for one in found:
        if one.played or one.goes_in != one.goes_in:
            continue
        way = one.target.direction if one.target.depth != "short" else (
            f"{one.target.direction} short")
        if way not in best or one.goes_in > best[way].goes_in:
            best[way] = one
    return best


def _listed(found: Sequence[str]) -> str:
    return found[0] if len(found) == 1 else f"{', '.join(found[:-1])} and {found[-1]}"


def comparison(found: Sequence[Alternative], stroke: Stroke) -> str | None:
    """Which directions there was room for at the height of the contact, and which would have been
    out of the opponent's reach more often; None where nothing could be told.
    """
    best = _best_by_way(found)
    start = f"From {stroke.contact[2]:.1f} m high"
    if not best:
        silent = all(one.reason != OUT_OF_REACH for one in found)
        return None if silent else f"{start} no other place could be reached at this pace."
    ways = sorted(best.values(), key=lambda one: -one.goes_in)
    said = []
    for room, word in (("open", "room"), ("narrow", "little room"), ("closed", "hardly any room")):
        names = [
            f"{name_of(one, stroke)} ({tenths(one.goes_in)} in)"
            for one in ways if one.room == room
        ]
        if names:
            said.append(f"there was {word} {_listed(names)}")
    return f"{start}, at this pace, {'; '.join(said)}." + _more_out_of_reach(found, stroke)


def _more_out_of_reach(found: Sequence[Alternative], stroke: Stroke) -> str:
    played = next((one for one in found if one.played), None)
    told = [one for one in found if not one.played and one.beats == one.beats]
    if played is None or played.beats != played.beats or not told:
        return ""
    best = max(told, key=lambda one: one.beats)
    if best.beats < played.beats + CLEARLY_MORE:
        return " No other place would have been out of the opponent's reach much more often."
    return (
        f" {name_of(best, stroke).capitalize()}, {tenths(best.beats)} would have been in and out "
        f"of the opponent's reach, and {tenths(played.beats)} as it was played."
    )


def assumptions(
    stroke: Stroke, scatter: Scatter, mover: tactics.Mover, n_draws: int = N_DRAWS
) -> str:
    """What a stroke's alternatives rest on."""
    spin = (
        "topspin as measured" if stroke.topspin_measured else
        f"topspin not measured and taken as {stroke.topspin_radps:.0f} rad/s, give or take "
        f"{stroke.topspin_sd_radps:.0f}"
    )
    own = (
        f"from {scatter.n_strokes} own strokes and what is usual at {scatter.level} level"
        if scatter.n_strokes else f"as is usual at {scatter.level} level"
    )
    aimed = (
        "aimed inside the box" if stroke.family == SERVE else
        f"aimed {SIDE_MARGIN_M:g} m inside the sideline ({ANGLE_MARGIN_M:g} m for a sharp angle) "
        f"and, where deep, {HALF_LENGTH_M - DEEP_M:.1f} m inside the baseline"
    )
    return (
        f"same contact and pace, at rest or on the run; {spin}; no sidespin; {aimed}; scatter "
        f"{math.degrees(scatter.elevation_rad):.1f} degrees up and down, "
        f"{math.degrees(scatter.azimuth_rad):.1f} across and {100 * scatter.pace_share:.0f} % of "
        f"the pace, {MISHIT_TIMES:g} times as much in {100 * scatter.mishits:.0f} % of strokes, "
        f"{own}; opponent reacts after {mover.reaction_s:g} s, gains "
        f"{mover.acceleration_mps2:g} m/s a second up to {mover.speed_mps:g} m/s and reaches "
        f"{mover.reach_m:g} m; no net cords; {n_draws} draws"
    )
