"""When a player is in the air, and how high, from what was said of single frames.

What the detector says of a frame (``detections.airborne``) is uncertain, yet feet do not leave the
ground and come back within a frame or two. So frames are read together: a chain of two states,
ground and air, with the rates at which people leave either (Rabiner 1989, the forward-backward
algorithm). A hop is a free fall: of its time in the air follows its height at any moment.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rallymill.flight import GRAVITY_MPS2
from rallymill.tactics_motion import AIR_SD_M, GROUND_SD_M

Array = NDArray[np.float64]

SHORTEST_S = 0.07
"""What is shorter is no hop: a foot that was taken for one (a rise of 6 mm)."""
LONGEST_S = 0.5
"""Nobody who plays stays up longer, a jump of 0.3 m: what looks so is not known."""


@dataclass(frozen=True)
class AirHabits:
    """How often players leave the ground, how long they stay away, and what silence means."""

    take_offs_per_s: float
    air_s: float
    base_rate: float
    """Share of frames in the air that the stated probabilities are calibrated for."""
    silence_s: float
    """Farther than this from any frame that was looked at, nothing is known."""
    memory_s: float
    """Looks so close in time see the same legs and err together: together they count as one."""


@dataclass(frozen=True)
class Heights:
    """Height of the feet over the ground and its deviation, (N,) each; NaN where not known."""

    z_m: Array
    z_m_sd: Array


def chain(t_s: Array, airborne: Array, habits: AirHabits) -> Array:
    """Probability (N,) that a player is in the air, each frame in the light of all.

    ``airborne`` (N,) is what was said of each frame alone, NaN where nothing was.
    """
    n = len(t_s)
    said = np.clip(np.nan_to_num(airborne, nan=habits.base_rate), 1e-4, 1 - 1e-4)
    ratio = said / (1 - said) * (1 - habits.base_rate) / habits.base_rate
    gaps = np.diff(t_s, prepend=t_s[:1])
    usual_s = float(np.median(gaps[1:])) if n > 1 else habits.memory_s
    seen = np.column_stack([np.ones(n), ratio ** min(1.0, usual_s / habits.memory_s)])
    up, down = habits.take_offs_per_s, 1 / habits.air_s
    rest = down / (up + down)
    stay = np.exp(-(up + down) * gaps)
    forward = np.empty((n, 2))
    state = np.array([rest, 1 - rest])
    for k in range(n):
        state = np.array([rest, 1 - rest]) * (1 - stay[k]) + state * stay[k]
        state = state * seen[k]
        state = state / state.sum()
        forward[k] = state
    backward = np.ones((n, 2))
    for k in range(n - 2, -1, -1):
        later = backward[k + 1] * seen[k + 1]
        mean = rest * later[0] + (1 - rest) * later[1]
        backward[k] = mean * (1 - stay[k + 1]) + later * stay[k + 1]
        backward[k] /= backward[k].sum()
    both = forward * backward
    return np.asarray(both[:, 1] / both.sum(axis=1))


def flights(t_s: Array, in_air: Array) -> list[tuple[float, float]]:
    """When feet leave the ground and come back: where the probability (N,) crosses one half."""
    above = in_air > 0.5
    edges = np.flatnonzero(np.diff(np.concatenate([[False], above, [False]]).astype(int)))
    found = []
    for first, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        start = t_s[first] if first == 0 else _half(t_s, in_air, first - 1)
        stop = t_s[end - 1] if end == len(t_s) else _half(t_s, in_air, end - 1)
        if stop - start >= SHORTEST_S:
            found.append((float(start), float(stop)))
    return found


def _half(t_s: Array, in_air: Array, k: int) -> float:
    share = (0.5 - in_air[k]) / (in_air[k + 1] - in_air[k])
    return float(t_s[k] + share * (t_s[k + 1] - t_s[k]))


def heights(t_s: Array, airborne: Array, habits: AirHabits) -> Heights:
    """Height of a player's feet at ascending times (N,), from what was said of each frame.

    In a hop from ``a`` to ``b`` it is g (t - a) (b - t) / 2. The deviation comes from moments known
    to half a frame, and from how likely the frame is read wrongly.
    """
    z = np.full(len(t_s), np.nan)
    spread = np.full(len(t_s), np.nan)
    looked = np.flatnonzero(np.isfinite(airborne))
    if len(looked) < 2:
        return Heights(z, spread)
    in_air = chain(t_s, airborne, habits)
    right = np.clip(np.searchsorted(looked, np.arange(len(t_s))), 0, len(looked) - 1)
    left = np.maximum(right - 1, 0)
    away = np.minimum(np.abs(t_s[looked[right]] - t_s), np.abs(t_s - t_s[looked[left]]))
    known = away <= habits.silence_s
    frame_s = float(np.median(np.diff(t_s)))
    doubt = np.minimum(in_air, 1 - in_air)
    z[known] = 0.0
    spread[known] = GROUND_SD_M + AIR_SD_M * np.sqrt(doubt[known])
    for start, stop in flights(t_s, in_air):
        rows = known & (t_s > start) & (t_s < stop)
        if stop - start > LONGEST_S:
            z[rows] = spread[rows] = np.nan
            continue
        since, until = t_s[rows] - start, stop - t_s[rows]
        z[rows] = GRAVITY_MPS2 * since * until / 2
        of_moments = GRAVITY_MPS2 / 2 * frame_s / np.sqrt(12) * np.hypot(since, until)
        spread[rows] = np.hypot(of_moments, spread[rows])
    return Heights(z, spread)
