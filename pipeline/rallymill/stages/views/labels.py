"""Name what each span shows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rallymill.stages.views import replay as replays
from rallymill.stages.views.motion import Changes, Piece
from rallymill.stages.views.probing import Probe, between

Array = NDArray[Any]

MAIN_SHARE = 0.34
"""Least share of probes with the court in a main-camera span."""
OTHER_PLACE = 0.2
"""Cameras further apart than this share of their distance to the net are different cameras."""
REPEATED_SHARE = 0.3
LONGEST_REPLAY_S = 25.0
FLAT_SHARE = 0.8
SHORTEST_LIVE_S = 2.0
"""Between a replay and a wipe, less than this is no return to live play: the replay goes on."""


@dataclass(frozen=True)
class Span:
    """A span with its label, confidence and reason."""

    first: int
    last: int
    label: str
    confidence: float
    reason: str
    transition: bool = False
    wipe: bool = False


def main_place(probes: list[Probe]) -> Array | None:
    """Place (3,) of the camera that sees the court most often, None if none does."""
    centres = [probe.camera.centre_m for probe in probes if probe.camera is not None]
    if not centres:
        return None
    groups: list[list[Array]] = []
    for centre in centres:
        for group in groups:
            if _near(centre, np.median(group, axis=0)):
                group.append(centre)
                break
        else:
            groups.append([centre])
    return np.asarray(np.median(max(groups, key=len), axis=0))


def _near(one: Array, other: Array) -> bool:
    return float(np.linalg.norm(one - other)) < OTHER_PLACE * abs(float(other[1]))


def label_all(
    changes: Changes, cut: list[Piece], probes: list[Probe], flatness: dict[int, float],
    given_s: Sequence[float] = (), again: Mapping[int, str] | None = None,
) -> list[Span]:
    """Label every piece, then give transitions to the neighbour that is not live play.

    ``flatness`` maps probed frames to the share of the picture without any texture; a piece with a
    moment of ``given_s``, for which the court was given by hand, is live play; ``again`` says of
    pieces, by their first frames, what they show again.
    """
    place = main_place(probes)
    spans: list[Span] = []
    for piece in cut:
        if again is not None and piece.first in again:
            spans.append(Span(piece.first, piece.last, "replay", 0.95, again[piece.first]))
            continue
        if piece.transition:
            spans.append(
                Span(piece.first, piece.last, "other", 0.8, "transition", True, piece.wipe)
            )
            continue
        spans.append(_by_court(changes, piece, probes, place, flatness))
    spans = [_or_given(changes, one, given_s) for one in _without_replays(changes, spans)]
    return _with_transitions(spans)


def _or_given(changes: Changes, span: Span, given_s: Sequence[float]) -> Span:
    start, end = changes.t_s[span.first] - 1e-3, changes.t_s[span.last] + 1e-3
    if any(start <= moment <= end for moment in given_s):
        return replace(span, label="main", confidence=1.0, reason="its court was given by hand")
    return span


def _by_court(
    changes: Changes, piece: Piece, probes: list[Probe], place: Array | None,
    flatness: dict[int, float],
) -> Span:
    mine = between(probes, piece.first, piece.last)
    seen = [probe for probe in mine if probe.camera is not None]
    if not mine:
        return Span(piece.first, piece.last, "other", 0.3, "too short to tell")
    share = len(seen) / len(mine)
    here = [
        probe for probe in seen
        if place is not None and probe.camera is not None and _near(probe.camera.centre_m, place)
    ]
    if share >= MAIN_SHARE and len(here) * 2 >= len(seen):
        words = f"court seen in {len(seen)} of {len(mine)} probes"
        return Span(piece.first, piece.last, "main", 0.5 + 0.5 * share, words)
    if share >= MAIN_SHARE:
        return Span(piece.first, piece.last, "other", 0.6, "court seen from another place")
    flat = [flatness[probe.frame] for probe in mine if probe.frame in flatness]
    if flat and float(np.median(flat)) > FLAT_SHARE:
        return Span(piece.first, piece.last, "graphic", 0.6, "no court, drawn surfaces")
    return Span(piece.first, piece.last, "other", 1.0 - share, f"no court: {mine[-1].reason}")


def _without_replays(changes: Changes, spans: list[Span]) -> list[Span]:
    done: list[Span] = []
    for index, span in enumerate(spans):
        done.append(_replay_or_not(changes, spans, index, span, done))
    return done


def _replay_or_not(
    changes: Changes, spans: list[Span], index: int, span: Span, done: list[Span]
) -> Span:
    if span.transition or span.label in ("graphic", "replay"):
        return span
    length_s = changes.t_s[span.last] - changes.t_s[span.first]
    after_wipe = index > 0 and spans[index - 1].wipe and length_s < LONGEST_REPLAY_S
    framed = after_wipe and index < len(spans) - 1 and spans[index + 1].wipe
    if span.label != "main":
        if framed:
            return replace(span, label="replay", confidence=0.7, reason="between two wipes")
        return span
    shown = [one.label for one in done if not one.transition]
    leads_out = index < len(spans) - 1 and spans[index + 1].wipe
    if shown and shown[-1] == "replay" and leads_out and length_s < SHORTEST_LIVE_S:
        return replace(
            span, label="replay", confidence=0.6, reason="too short for play before a wipe"
        )
    live = [(one.first, one.last) for one in done if one.label == "main"]
    repeat = replays.seen_before(changes, span.first, span.last, live)
    if repeat is not None:
        words = f"shows {repeat.from_s:.1f} s again at {repeat.speed:.2f} of the speed"
        return replace(span, label="replay", confidence=0.95, reason=words)
    held = replays.repeated_share(changes, span.first, span.last)
    if held > REPEATED_SHARE and held > _usually_repeated(changes, spans) + 0.15:
        return replace(
            span, label="replay", confidence=0.8, reason=f"{held:.0%} of frames are repeated"
        )
    before = [one.label for one in done if not one.transition]
    if after_wipe and before and before[-1] == "main":
        # Wipes lead out of live play and back: after a replay, the next span is live again.
        sure = 0.75 if framed else 0.6
        return replace(span, label="replay", confidence=sure, reason="wiped in from live play")
    return span


def _usually_repeated(changes: Changes, spans: list[Span]) -> float:
    return float(np.median([
        replays.repeated_share(changes, one.first, one.last)
        for one in spans if one.label == "main"
    ]))


def _with_transitions(spans: list[Span]) -> list[Span]:
    """Join each transition to a neighbour that is not live play; else it stays on its own."""
    done: list[Span] = []
    for span in spans:
        if not span.transition:
            if done and done[-1].transition and span.label != "main":
                before = done.pop()
                span = replace(span, first=before.first)
            done.append(span)
            continue
        if done and done[-1].label != "main" and not done[-1].transition:
            done[-1] = replace(done[-1], last=span.last)
        else:
            done.append(span)
    return done
