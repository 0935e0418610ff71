"""How a player moves through time: place and velocity at any moment, start of a run, hops.

Built from columns of the tracks table; pure arrays, no tables.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import median_filter

from rallymill.flight import GRAVITY_MPS2

Array = NDArray[np.float64]

STATURE_M = 1.8
"""Height of a person that scales pixels to metres where nothing better is known."""
GROUND_SD_M, HALF_MISSED_SD_M, MISSED_POWER = 0.005, 0.01, 3.0
"""Deviation of the height of feet that are surely on the ground, how much more than that is as
often a hop that was missed as none, and how steeply that goes (films for validation: 27 times that
no hop was seen in 1.2 s about an opponent's stroke; below 0.006 none of 14 hid a hop, above 6 of
13. Elsewhere in play it is none of 520 and 5 of 231)."""
AIR_SD_M = 0.04905
"""Times the root of the probability that a moment is read wrongly, what this adds to the deviation
of a height: the height of a hop of 0.2 s."""
EXPECTED_ODDS = 10.0
"""How much likelier a hop is about an opponent's stroke than at other times: a third of what it is
in simulated play, where players split at nine strokes of ten and hop otherwise once in four
seconds."""
HOP_SHORTEST_S = 0.08
HOP_LONGEST_S = 0.5
"""A split step is airborne for 0.1 to 0.4 s; common practice, no source."""


@dataclass(frozen=True)
class Stance:
    """Place, velocity and uncertainty of a player at a moment.

    ``from_box`` tells that they come from a box about body and racket.
    """

    x_m: float
    y_m: float
    vx_mps: float
    vy_mps: float
    x_m_sd: float
    y_m_sd: float
    z_m: float
    observed: bool
    from_box: bool = False


@dataclass(frozen=True)
class Hop:
    """A hop: when the feet leave the ground, when they come down, and how high they were."""

    take_off_s: float
    landing_s: float
    height_m: float


@dataclass(frozen=True)
class PlayerTrack:
    """Track of one side's player: arrays (N,) in ascending time.

    ``feet_px`` and ``head_px`` are the vertical picture coordinates of the feet and of the top of
    the box; ``z_m`` is the height of the feet where it was measured, ``z_m_sd`` its deviation,
    where one is stated. Unknown values are NaN.
    """

    t_s: Array
    x_m: Array
    y_m: Array
    vx_mps: Array
    vy_mps: Array
    x_m_sd: Array
    y_m_sd: Array
    z_m: Array
    feet_px: Array
    head_px: Array
    observed: NDArray[np.bool_]
    z_m_sd: Array | None = None

    @staticmethod
    def of_columns(columns: Mapping[str, ArrayLike]) -> PlayerTrack:
        """Track from columns of the tracks table that belong to one player, in any order.

        Rows without a ground point are left out; velocities that are not given are differences.
        """
        def get(name: str) -> Array:
            return np.asarray(columns[name], dtype=float)

        known = np.isfinite(get("x_m")) & np.isfinite(get("y_m"))
        order = np.flatnonzero(known)[np.argsort(get("t_s")[known], kind="stable")]
        t, keep = np.unique(get("t_s")[order], return_index=True)
        order = order[keep]
        picked = {name: get(name)[order] for name in (
            "x_m", "y_m", "vx_mps", "vy_mps", "x_m_sd", "y_m_sd", "z_m", "v_px", "y1_px")}
        for speed, place in (("vx_mps", "x_m"), ("vy_mps", "y_m")):
            if len(t) > 1:
                slope = np.gradient(picked[place], t)
                picked[speed] = np.where(np.isfinite(picked[speed]), picked[speed], slope)
        observed = np.asarray(columns["observed"], dtype=bool)[order]
        return PlayerTrack(
            t, picked["x_m"], picked["y_m"], picked["vx_mps"], picked["vy_mps"],
            picked["x_m_sd"], picked["y_m_sd"], picked["z_m"], picked["v_px"], picked["y1_px"],
            observed, get("z_m_sd")[order] if "z_m_sd" in columns else None,
        )

    def at(self, t_s: float, longest_gap_s: float = 0.25) -> Stance | None:
        """Stance at a moment by straight lines; None where no row is near enough in time."""
        if not len(self.t_s):
            return None
        right = int(np.searchsorted(self.t_s, t_s))
        left = max(right - 1, 0)
        right = min(right, len(self.t_s) - 1)
        if self.t_s[right] == t_s:
            left = right
        gap = max(t_s - self.t_s[left], self.t_s[right] - t_s, 0.0)
        if t_s < self.t_s[0] or t_s > self.t_s[-1]:
            gap = min(abs(t_s - self.t_s[0]), abs(t_s - self.t_s[-1]))
        if gap > longest_gap_s:
            return None
        span = self.t_s[right] - self.t_s[left]
        share = min(max((t_s - self.t_s[left]) / span, 0.0), 1.0) if span > 0 else 0.0

        def mix(values: Array) -> float:
            return float(values[left] + share * (values[right] - values[left]))

        return Stance(
            mix(self.x_m), mix(self.y_m), mix(self.vx_mps), mix(self.vy_mps),
            mix(self.x_m_sd), mix(self.y_m_sd), mix(self.z_m),
            bool(self.observed[left] or self.observed[right]),
            bool(np.isfinite(self.head_px[[left, right]]).any()),
        )

    def within(self, start_s: float, end_s: float) -> slice:
        """Rows whose time lies in a span, ends included."""
        return slice(
            int(np.searchsorted(self.t_s, start_s, side="left")),
            int(np.searchsorted(self.t_s, end_s, side="right")),
        )

    def rate_hz(self, start_s: float, end_s: float) -> float:
        """Rows a second in a span by the median step, 0 with fewer than three rows."""
        steps = np.diff(self.t_s[self.within(start_s, end_s)])
        return float(1 / np.median(steps)) if len(steps) > 1 else 0.0

    def starts_toward(
        self, x_m: float, start_s: float, end_s: float, speed_mps: float
    ) -> float | None:
        """First time in a span at which the player moves toward ``x_m`` at a speed or more."""
        rows = self.within(start_s, end_s)
        toward = self.vx_mps[rows] * np.sign(x_m - self.x_m[rows])
        moving = np.flatnonzero(toward >= speed_mps)
        return float(self.t_s[rows][moving[0]]) if len(moving) else None

    def heights_measured(self) -> bool:
        """Whether heights of the feet were measured.

        Nought all along means filled in, unless it is said how sure it is.
        """
        return self._heights_measured

    @cached_property
    def _heights_measured(self) -> bool:
        # Asked at every stroke, answered by the track of the whole match.
        stated = self.z_m_sd is not None and np.isfinite(self.z_m_sd).any()
        return bool(len(self.z_m) and (stated or np.nanmax(np.nan_to_num(self.z_m)) > 0))

    def heights_stated(self, start_s: float, end_s: float) -> bool:
        """Whether all heights in a span come with a deviation."""
        if self.z_m_sd is None:
            return False
        return bool(np.isfinite(self.z_m_sd[self.within(start_s, end_s)]).all())

    def likely_hops(self, start_s: float, end_s: float) -> list[Hop]:
        """Hops of :func:`likely_hops` in a span; none where deviations are not stated."""
        rows = self.within(start_s, end_s)
        if self.z_m_sd is None or not self.heights_stated(start_s, end_s):
            return []
        return likely_hops(self.t_s[rows], self.z_m[rows], self.z_m_sd[rows])

    def feet_height_m(self, start_s: float, end_s: float) -> tuple[Array, Array, float]:
        """Times, heights of the feet over the ground (N,) and their standard deviation, in a span.

        From measured heights where there are any: the deviation is that of a moment on the ground,
        of the least sure one where no hop was seen. Otherwise from the picture: a hop lifts feet
        and head alike for a moment, so the lesser rise of the two over their running median
        counts, scaled by the height of the box. The deviation is then that of the second
        differences of the signal, NaN when nothing was measured.
        """
        rows = self.within(start_s, end_s)
        t, z = self.t_s[rows], self.z_m[rows]
        if self.heights_measured():
            if len(t) < 5 or not np.isfinite(z).all():
                return t, np.full(len(t), np.nan), float("nan")
            if self.z_m_sd is None or not self.heights_stated(start_s, end_s):
                return t, z, 0.01
            on_ground = self.z_m_sd[rows][z == 0]
            if not len(on_ground):
                return t, z, 0.01
            return t, z, float(np.median(on_ground) if (z > 0).any() else on_ground.max())
        feet, head = self.feet_px[rows], self.head_px[rows]
        if len(t) < 5 or not (np.isfinite(feet).all() and np.isfinite(head).all()):
            return t, np.full(len(t), np.nan), float("nan")
        scale = np.median(feet - head) / STATURE_M
        if scale <= 0:
            return t, np.full(len(t), np.nan), float("nan")
        window = max(3, round(2 * HOP_LONGEST_S / float(np.median(np.diff(t)))))
        rises = [(median_filter(values, window, mode="nearest") - values) / scale
                 for values in (feet, head)]
        noise = np.diff(rises[0], 2)
        deviation = float(1.4826 * np.median(np.abs(noise)) / np.sqrt(6)) + 0.005
        return t, np.minimum(*rises), deviation


def none_missed(z_m_sd: float) -> float:
    """Probability that there was no hop where none was seen, by the greatest deviation of heights.

    Looks at feet err for as long as legs look alike, so a whole hop can be missed; where that may
    be the deviations tell, though they hold for single moments.
    """
    more = max(z_m_sd - GROUND_SD_M, 0.0)
    return 1 / (1 + (more / HALF_MISSED_SD_M) ** MISSED_POWER)


def likely_hops(t_s: Array, height_m: Array, z_m_sd: Array) -> list[Hop]:
    """Hops that are likely only where one is expected, about an opponent's stroke.

    From the heights (N,) and their deviations: where these say that a moment on the ground may be
    one in the air, ``EXPECTED_ODDS`` raises its odds, and where they are even feet leave the ground
    and come back.
    """
    doubt = np.clip((z_m_sd - GROUND_SD_M) / AIR_SD_M, 0.0, np.sqrt(0.5)) ** 2
    in_air = np.where(height_m > 0, 1 - doubt, doubt)
    odds = EXPECTED_ODDS * in_air / np.maximum(1 - in_air, 1e-9)
    share = odds / (1 + odds)
    above = share > 0.5
    edges = np.flatnonzero(np.diff(np.concatenate([[False], above, [False]]).astype(int)))
    found: list[Hop] = []
    for first, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        take_off = _crossing(t_s, share, first, -1, 0.5)
        landing = _crossing(t_s, share, end - 1, 1, 0.5)
        if take_off is None or landing is None:
            continue
        air_s = landing - take_off
        if HOP_SHORTEST_S <= air_s <= HOP_LONGEST_S:
            found.append(Hop(take_off, landing, GRAVITY_MPS2 * air_s**2 / 8))
    return found


def hops(t_s: Array, height_m: Array, least_m: float) -> list[Hop]:
    """Hops in a signal of heights (N,) over times (N,): rises over ``least_m`` of a hop's length.

    The moments of take-off and landing are where the height crosses a quarter of its peak, by
    straight lines, moved out to the ground as for a parabola.
    """
    found: list[Hop] = []
    above = np.isfinite(height_m) & (height_m > least_m)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], above, [False]]).astype(int)))
    for first, end in zip(edges[::2], edges[1::2], strict=True):
        peak = float(height_m[first:end].max())
        level = peak / 4
        take_off = _crossing(t_s, height_m, first, -1, level)
        landing = _crossing(t_s, height_m, end - 1, 1, level)
        if take_off is None or landing is None:
            continue
        # A parabola is above a quarter of its height for sqrt(3)/2 of its time.
        grown = (landing - take_off) * (2 / np.sqrt(3) - 1) / 2
        take_off, landing = take_off - grown, landing + grown
        repeated = bool(found) and abs(found[-1].landing_s - landing) < 1e-6
        if HOP_SHORTEST_S <= landing - take_off <= HOP_LONGEST_S and not repeated:
            found.append(Hop(float(take_off), float(landing), peak))
    return found


def _crossing(t_s: Array, height_m: Array, start: int, step: int, level: float) -> float | None:
    """Time at which the height falls through a level, walking from a row over it; None at an end.
    """
    row = start
    while 0 <= row + step < len(t_s):
        if height_m[row + step] <= level:
            low, high = height_m[row + step], height_m[row]
            share = (high - level) / max(high - low, 1e-12)
            return float(t_s[row] + share * (t_s[row + step] - t_s[row]))
        row += step
    return None
