"""A player's plan turned into states at any moment."""

from __future__ import annotations

from bisect import bisect_right

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from rallymill.arena.player_motion import SAMPLE_RATE, Body, Hop, Swing
from rallymill.arena.world import PersonState

Array = NDArray[np.float64]

RUN_FROM_MPS = 2.6
MOVE_FROM_MPS = 0.45
WALK_FROM_MPS = 0.25
FACING_SMOOTHING_S = 0.12
RECOVER_FOR_S = 1.0
SPLIT_BEFORE_S = 0.12
SPLIT_AFTER_S = 0.10


class BodyTrack:
    """States of a player, interpolated between samples of the smoothed plan."""

    def __init__(self, body: Body, duration_s: float, watched: Array) -> None:
        """``watched`` (N, 2) is what the player looks at, at every sample, NaN for nothing."""
        self._places = body.sample(duration_s)
        self._velocities = np.gradient(self._places, 1 / SAMPLE_RATE, axis=0)
        speed = np.linalg.norm(self._velocities, axis=1)
        # A leg cycle is about 1.3 m long when walking and 2.6 m at a run.
        cycle_m = 1.3 + 1.3 * np.clip((speed - 1.5) / 4.0, 0, 1)
        self._gait = np.cumsum(speed / cycle_m) / SAMPLE_RATE
        self._hops = sorted(body.hops, key=lambda hop: hop.take_off_s)
        self._take_offs = [hop.take_off_s for hop in self._hops]
        self._swings = sorted(body.swings, key=lambda swing: swing.contact_s)
        self._contacts = [swing.contact_s for swing in self._swings]
        self._feints = list(body.feints)
        moods = sorted(body.moods, key=lambda mood: mood[0])
        self._mood_starts = [start for start, _ in moods]
        self._moods = [mood for _, mood in moods]
        self._facing = self._face(watched[: len(self._places)], speed)

    def _face(self, watched: Array, speed: Array) -> Array:
        toward = watched - self._places
        times = np.arange(len(speed)) / SAMPLE_RATE
        index = np.searchsorted(self._mood_starts, times, side="right") - 1
        walking = np.array([self._moods[i] == "walk" for i in np.maximum(index, 0)])
        along = walking & (speed > 0.5)
        toward[along] = self._velocities[along]
        angle = np.unwrap(np.arctan2(toward[:, 1], toward[:, 0]))
        return gaussian_filter1d(angle, FACING_SMOOTHING_S * SAMPLE_RATE, mode="nearest")

    @property
    def hops(self) -> tuple[Hop, ...]:
        """All hops in order of take-off."""
        return tuple(self._hops)

    def place(self, t_s: float) -> tuple[Array, Array]:
        """Position (2,) and velocity (2,)."""
        at, share = self._where(t_s)
        return (
            self._places[at] + share * (self._places[at + 1] - self._places[at]),
            self._velocities[at] + share * (self._velocities[at + 1] - self._velocities[at]),
        )

    def path(self, times_s: Array) -> tuple[Array, Array]:
        """Positions (N, 2) and velocities (N, 2) at times (N,)."""
        x = np.clip(times_s * SAMPLE_RATE, 0.0, len(self._places) - 1.001)
        at = x.astype(int)
        share = (x - at)[:, None]
        return (
            self._places[at] + share * (self._places[at + 1] - self._places[at]),
            self._velocities[at] + share * (self._velocities[at + 1] - self._velocities[at]),
        )

    def height(self, t_s: float) -> float:
        """Height of the feet."""
        return max((hop.z_m(t_s) for hop in self._hops_near(t_s)), default=0.0)

    def _hops_near(self, t_s: float) -> list[Hop]:
        """Hops that a moment may belong to; hops last less than 0.5 s and are seldom closer."""
        index = bisect_right(self._take_offs, t_s)
        return self._hops[max(0, index - 3) : index + 2]

    def _where(self, t_s: float) -> tuple[int, float]:
        x = min(max(t_s * SAMPLE_RATE, 0.0), len(self._places) - 1.001)
        at = int(x)
        return at, x - at

    def _mood(self, t_s: float) -> str:
        return self._moods[max(0, bisect_right(self._mood_starts, t_s) - 1)]

    def _swing(self, t_s: float) -> Swing | None:
        index = bisect_right(self._contacts, t_s)
        for swing in self._swings[max(0, index - 1) : index + 1]:
            if swing.start_s <= t_s <= swing.end_s:
                return swing
        return None

    def _since_own_stroke(self, t_s: float) -> float:
        index = bisect_right(self._contacts, t_s) - 1
        return t_s - self._contacts[index] if index >= 0 else float("inf")

    def at(self, t_s: float) -> PersonState:
        """State at a time."""
        place, velocity = self.place(t_s)
        at, share = self._where(t_s)
        angle = self._facing[at] + share * (self._facing[at + 1] - self._facing[at])
        facing = float((angle + np.pi) % (2 * np.pi) - np.pi)
        gait = float(self._gait[at] + share * (self._gait[at + 1] - self._gait[at]))
        action, phase, swing = self._action(t_s, float(np.linalg.norm(velocity)), gait)
        return PersonState(
            float(place[0]),
            float(place[1]),
            self.height(t_s),
            float(velocity[0]),
            float(velocity[1]),
            facing,
            action,
            phase,
            gait % 1.0,
            swing.contact_m if swing else None,
            swing.stretch if swing else 0.0,
        )

    def _action(self, t_s: float, speed: float, gait: float) -> tuple[str, float, Swing | None]:
        swing = self._swing(t_s)
        if swing is not None:
            return swing.action, swing.phase(t_s), swing
        for feint in self._feints:
            if feint.start_s <= t_s <= feint.end_s:
                return feint.action, feint.phase(t_s), None
        for hop in self._hops_near(t_s):
            start, end = hop.take_off_s - SPLIT_BEFORE_S, hop.landing_s + SPLIT_AFTER_S
            if hop.split and start <= t_s <= end:
                return "split_step", (t_s - start) / (end - start), None
        mood = self._mood(t_s)
        if mood == "bounce_ball":
            return "bounce_ball", (t_s / 0.7) % 1.0, None
        if mood == "walk":
            if speed > RUN_FROM_MPS:
                return "run", gait % 1.0, None
            return ("walk", gait % 1.0, None) if speed > WALK_FROM_MPS else ("stand", 0.0, None)
        if speed > RUN_FROM_MPS:
            return "run", gait % 1.0, None
        if speed > MOVE_FROM_MPS:
            recovering = self._since_own_stroke(t_s) < RECOVER_FOR_S
            return ("recover" if recovering else "sidestep"), gait % 1.0, None
        return "ready", (t_s / 1.1) % 1.0, None
