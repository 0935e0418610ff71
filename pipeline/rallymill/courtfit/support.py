"""Whether a court is really where a camera says: lines where they should be and nowhere else."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from rallymill.camera import Camera
from rallymill.courtfit import look as looking
from rallymill.courtfit import model
from rallymill.courtfit.model import Paint

Array = NDArray[np.float64]
Picture = NDArray[Any]

LEAST_ON = 0.55
LEAST_EXCESS = 0.33
LEAST_ACROSS, LEAST_DOWN = 2, 2
LEAST_LINES = 5
"""Lines that must be mostly seen; every main camera shows more than these."""
MOST_MISSING = 1
MISSING_SHARE = 0.12
"""Share of a line's visible places below which the line is not there."""
SEEN_SHARE = 0.45
"""Share of a line's visible places that must be found for the line to count as seen."""
FAINTEST = 0.2
"""Least contrast of a place, against the median of all."""
BESIDE_SHARE = 0.5
"""Least contrast beside a line, against the line's own, at which there is another line. Stained
ground, grain and strong sharpening show faint lines everywhere."""
LEAST_NET = 0.3
"""Share of the net's band that must be seen where it is in view: a court moved by one line's
distance has lines in many right places, but its net in a wrong one."""
WHOLE_ACROSS, WHOLE_DOWN, WHOLE_ON, WHOLE_NET = 4, 4, 0.85, 0.05
"""A court of which so many lines are seen, so well and none missing, needs no more than a trace of
its net: moved by one line's distance it would miss a line, and a faint net fades before the lines
do."""
COMPLETE_DOWN, COMPLETE_ON, COMPLETE_OFF = 5, 0.95, 0.03
"""A court of which every line there is, is seen all along and nothing beside them, needs no net:
from high up, with the light behind it, the band is as dark as the ground and as thin as a line."""
FIRST_NET, FIRST_EXCESS, FIRST_WHOLE_EXCESS = 0.7, 0.7, 0.8
"""Of a court that nothing was known of before, so much of the net's band must be seen, as of nearly
every right one, unless the court is whole and this much more is seen on its lines than beside them;
with two lines across only, so much more must be too: edges of shadows pass for a line or two."""
CLEAN_DOWN, CLEAN_ON, CLEAN_OFF, CLEAN_NET = 4, 0.85, 0.04, 0.5
"""Where hardly anything is seen beside the lines so much of the net does: a wrong court has some of
its lines where there are none, or others beside them."""
SHORTEST_SHARE = 0.03
"""A line counts only if its visible part is at least this share of the picture's width."""


@dataclass(frozen=True)
class Support:
    """How well a picture agrees with a court.

    ``on`` is the share of visible line (by length) with a line under it, ``off`` the same beside
    the lines, where none should be; ``across`` and ``down`` count the court lines that are mostly
    seen, ``missing`` those of which almost nothing is; ``net`` is the share of the net's band seen
    (NaN where out of view); ``score_px`` is the length of line seen, less what is missing and what
    is seen beside.
    """

    on: float
    off: float
    across: int
    down: int
    missing: int
    net: float
    visible_px: float
    score_px: float

    @property
    def good(self) -> bool:
        """Whether the court may be believed."""
        return (
            self.on >= LEAST_ON
            and self.on - self.off >= LEAST_EXCESS
            and self.across >= LEAST_ACROSS
            and self.down >= LEAST_DOWN
            and self.across + self.down >= LEAST_LINES
            and self.missing <= MOST_MISSING
            and not self.net < self._least_net(LEAST_NET, self.whole)
        )

    @property
    def certain(self) -> bool:
        """Whether the court may be believed where nothing was known of it before."""
        excess = self.on - self.off
        whole = self.whole and excess >= FIRST_WHOLE_EXCESS
        return (
            self.good
            and (self.across > LEAST_ACROSS or excess >= FIRST_EXCESS)
            and not self.net < self._least_net(CLEAN_NET if self.clean else FIRST_NET, whole)
        )

    def _least_net(self, usual: float, whole: bool) -> float:
        if self.complete:
            return 0.0
        return WHOLE_NET if whole else usual

    @property
    def whole(self) -> bool:
        """Whether all lines across and the sidelines are seen."""
        return (
            self.across >= WHOLE_ACROSS and self.down >= WHOLE_DOWN and self.missing == 0
            and self.on >= WHOLE_ON
        )

    @property
    def complete(self) -> bool:
        """Whether every line of a court with alleys is seen all along, and nothing beside them."""
        return (
            self.whole and self.down >= COMPLETE_DOWN
            and self.on >= COMPLETE_ON and self.off <= COMPLETE_OFF
        )

    @property
    def clean(self) -> bool:
        """Whether no line is missing and hardly anything is seen beside them."""
        return (
            self.down >= CLEAN_DOWN and self.missing == 0
            and self.on >= CLEAN_ON and self.off <= CLEAN_OFF
        )


NOTHING = Support(0.0, 1.0, 0, 0, 0, np.nan, 0.0, -np.inf)


def check(
    white: Picture, camera: Camera, paint: Paint, net_m: float = 0.0,
    reach_px: float | None = None, step_m: float = 0.35,
) -> Support:
    """Compare a whiteness picture (H, W) with the court that a camera should see.

    Places are found within ``reach_px`` (usually 2 for 1280 pixels of width) of where they should
    be. The comparison beside the lines is made on both sides, where no other court line is near.
    """
    scale = max(white.shape[1] / 1280, 0.5)
    reach_px = max(1.2, 2.0 * scale) if reach_px is None else reach_px
    at = looking.expected(camera, paint, step_m, net=True, net_m=net_m)
    inside = at.inside(camera, reach_px + 12 * scale)
    at = at.take(inside)
    if len(at.number) == 0:
        return NOTHING
    seen = at.measure(white, reach_px, paint.blur_px)
    # Paint is about equally bright everywhere, even in the shade; edges of colours are fainter.
    usual = float(np.median(seen.contrast[seen.found])) if seen.found.any() else 0.0
    on = seen.found & (seen.contrast > FAINTEST * usual)
    own = np.where(on, seen.contrast, usual)
    taken = _near_lines(camera, paint, white.shape, round(2 * reach_px + 5))
    shift = at.normal * (2 * at.half_px + 3 + 2 * reach_px + 3 * scale)[:, None]
    beside = np.zeros(len(on))
    looked = np.zeros(len(on))
    for sign in (-1.0, 1.0):
        away = at.shifted(sign * shift)
        free = ~taken[tuple(np.round(away.centre_px).astype(int).T[::-1])]
        other = away.measure(white, reach_px, paint.blur_px)
        beside += free * (other.found & (other.contrast > BESIDE_SHARE * own))
        looked += free
    names = model.line_points(paint, step_m).names
    is_net = at.number == len(names)
    length = np.minimum(at.length_px, 0.05 * white.shape[1])
    lines = ~is_net
    weight = length[lines]
    visible = float(weight.sum())
    if visible <= 0:
        return NOTHING
    share_on = float(weight @ on[lines] / visible)
    share_off = float(
        weight @ beside[lines] / max(float(weight @ looked[lines]), 0.1 * visible)
    )
    counts = {"across": 0, "down": 0}
    missing = 0
    for number, name in enumerate(names):
        mine = at.number == number
        seen_px = float(length[mine].sum())
        if seen_px < SHORTEST_SHARE * white.shape[1]:
            continue
        share = float(length[mine] @ on[mine]) / seen_px
        missing += share < MISSING_SHARE
        if share > SEEN_SHARE:
            counts["across" if name in model.ACROSS else "down"] += 1
    net = float(on[is_net].mean()) if is_net.sum() >= 8 else np.nan
    score = visible * (share_on - 0.55 * (1 - share_on) - share_off)
    return Support(
        share_on, share_off, counts["across"], counts["down"], missing, net, visible, score
    )


def _near_lines(
    camera: Camera, paint: Paint, shape: tuple[int, ...], thickness_px: int
) -> NDArray[np.bool_]:
    """Pixels (H, W) about the projected lines and the net's band."""
    mask = np.zeros(shape, np.uint8)
    rail = [looking.net_points(9, paint.post_x_m)]
    for ends in [*(line.ends() for line in paint.lines()), *rail]:
        shares = np.linspace(0, 1, 9)[:, None]
        points = ends if len(ends) > 2 else ends[0] + shares * (ends[1] - ends[0])
        seen = camera.project(points)
        seen = seen[np.isfinite(seen).all(1)]
        if len(seen) > 1:
            drawn = np.clip(np.round(seen), -10_000, 10_000).astype(np.int32)
            cv2.polylines(mask, [drawn], False, 1, thickness_px)
    return mask.astype(bool)
