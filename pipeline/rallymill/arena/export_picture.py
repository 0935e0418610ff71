"""Some neighbouring frames of a film, drawn and sent through a chain of their own.

A few of them are looked at, each among its five moments: drawing costs most, so moments are shared.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from rallymill import motion_picture
from rallymill.arena import (
    camera_moves,
    camera_work,
    graphics,
    render_develop,
)
from rallymill.arena.export_codec import compressed
from rallymill.arena.film_chain import BREATHING, SHAKE_RAD, Chain, Size, draw_chain
from rallymill.arena.film_shoot import Exposure, shoot
from rallymill.arena.render import Renderer
from rallymill.arena.render_seen import Picture
from rallymill.arena.scene import Venue, split_of
from rallymill.arena.world import BallState, World
from rallymill.camera import Camera
from rallymill.detect_scores import lies_still

Bytes = NDArray[np.uint8]
BASE_SIZE: Size = (1280, 720)
BETWEEN = 0.5
"""Share of shots in which nobody plays: the ball in a hand, bounced and tossed before a serve,
rolling or flying past a player after the point. Films show it so more than half of the time."""
TAIL = 1
"""Frames that the codec sees after the last one needed, so that it can look both ways."""


REACH = max(motion_picture.MOMENTS)
N_LOOKED_AT, APART = 3, 2
"""So many frames of a shot are looked at, so many frames apart."""


@dataclass(frozen=True)
class Shot:
    """Frames (BGR) that follow each other, and what they show.

    ``raw`` are as they were drawn, in size ``size``; ``frames`` have gone through the codecs and
    have the size of the chain's film. ``pictures`` is empty where no court is in the picture.
    ``cameras`` are None where the stage that reads films would know none. ``looked_at`` are the
    places of frames that have all their moments in the shot.
    """

    raw: tuple[Bytes, ...]
    frames: tuple[Bytes, ...]
    pictures: tuple[Picture, ...]
    cameras: tuple[Camera | None, ...]
    looked_at: tuple[int, ...]
    size: Size
    chain: Chain


@dataclass
class Studio:
    """Draws shots of one world."""

    seed: int
    tier: str
    venue: Venue
    world: World
    renderer: Renderer
    _mains: dict[Size, camera_work.CameraWork] = field(default_factory=dict)

    def main(self, size: Size) -> camera_work.CameraWork:
        """Main camera in a shape of picture; made once."""
        if size not in self._mains:
            self._mains[size] = camera_work.main_camera(self.world, self.seed, self.tier, *size)
        return self._mains[size]

    def moment(self, rng: np.random.Generator) -> float:
        """A moment of the world, with the ball in play or between points."""
        return self.between(rng) if rng.random() < BETWEEN else self.played(rng)

    def played(self, rng: np.random.Generator) -> float:
        """A moment of the world, mostly with the ball in play."""
        return self.moment_with(rng, lambda ball: ball.live, 8)

    def between(self, rng: np.random.Generator) -> float:
        """A moment between points with a ball that does not lie still, if there is one."""
        return self.moment_with(
            rng,
            lambda ball: not ball.live and not lies_still(ball.velocity_mps, ball.position_m[2]),
            60,
        )

    def moment_with(
        self, rng: np.random.Generator, wanted: Callable[[BallState], bool], tries: int
    ) -> float:
        """A moment with a ball as wanted, or any if so many draws find none."""
        t = 1.0
        for _ in range(tries):
            t = float(rng.uniform(0.3, max(self.world.duration_s - 0.3, 0.4)))
            ball = self.world.ball(0, t)
            if ball is not None and wanted(ball):
                break
        return t

    def _main_work(self, rng: np.random.Generator, chain: Chain) -> camera_work.CameraWork:
        """Main camera in the size of a chain, with what befalls it."""
        if chain.upright == "phone":
            work: camera_work.CameraWork = camera_moves.Scaled(self.main((608, 1080)), *chain.size)
        elif chain.upright == "window":
            height = chain.size[1]
            wide = camera_moves.Scaled(self.main(BASE_SIZE), round(height * 16 / 9), height)
            work = camera_moves.Window(wide, self.world, chain.size[0])
        else:
            work = camera_moves.Scaled(self.main(BASE_SIZE), *chain.master)
        if rng.random() < 0.5 and SHAKE_RAD[self.tier]:
            work = camera_moves.unsteady(
                work, rng, float(rng.uniform(0, SHAKE_RAD[self.tier])),
                float(rng.uniform(0, BREATHING[self.tier])),
            )
        return work

    def shot(self, rng: np.random.Generator, k: int) -> Shot:
        """The ``k``-th shot, whose chain, camera and moment come from ``rng``."""
        return self.drawn(rng, k, draw_chain(rng, self.tier))

    def drawn(
        self, rng: np.random.Generator, k: int, chain: Chain, main_only: bool = False
    ) -> Shot:
        """A shot of a given chain; now and then no main camera unless ``main_only``."""
        how = render_develop.draw_processing(rng, self.tier)
        t = self.moment(rng)
        draw, number = float(rng.random()), int(rng.integers(0, 2**31))
        draw = max(draw, 0.1) if main_only else draw
        work = self._main_work(rng, chain)
        size = chain.size if chain.upright else chain.master
        overlay, has_court = None, True
        who = int(rng.integers(0, 2))
        if draw < 0.03 and self.venue.slope > 0:
            work = camera_work.crowd_camera(
                number, *size, self.venue.side_x_m, self.venue.wall_height_m, self.venue.slope
            )
            has_court = False
        elif draw < 0.06:
            work = camera_work.close_up(number, *size, self.world, who, t)
        elif draw < 0.09:
            work = camera_work.side_camera(number, *size, self.world, who, t)
        elif draw < 0.10:
            has_court = False
        elif draw < 0.45 and self.tier != "club":
            overlay = graphics.score_graphic(number, *size, split=split_of(self.seed))
        full_graphic = 0.09 <= draw < 0.10
        exposure = Exposure(chain.shutter_s, chain.rate, chain.fields, chain.readout_s)
        frames: list[Bytes] = []
        seen: list[Picture] = []
        cameras: list[Camera | None] = []
        first = chain.lead + REACH
        looked_at = tuple(first + APART * number for number in range(N_LOOKED_AT))
        for j in range(looked_at[-1] + REACH + TAIL + 1):
            # Frames between the moments that are looked at are never drawn.
            moment = t + (j - first) * chain.step / chain.rate
            if full_graphic:
                frames.append(graphics.full_screen(number, *size, j * chain.step / chain.rate))
                cameras.append(None)
                continue
            image, picture = shoot(
                self.renderer, work, moment, exposure, how, (self.seed, k, j), j
            )
            if overlay is not None:
                graphics.lay_over(image, overlay)
                picture = graphics.hide_balls(picture, overlay)
            frames.append(image)
            cameras.append(work.at(moment) if draw >= 0.10 else None)
            if has_court:
                # Only what it shows is needed; its light is large.
                seen.append(replace(picture, light=picture.light[:1, :1]))
        return Shot(
            tuple(frames), tuple(through(frames, chain)), tuple(seen), tuple(cameras), looked_at,
            size, chain,
        )


def through(frames: list[Bytes], chain: Chain) -> list[Bytes]:
    """Frames after all codecs of a chain; scaled to the film's size before the last."""
    for number, coding in enumerate(chain.codings):
        if number == len(chain.codings) - 1 and frames[0].shape[1::-1] != chain.size:
            frames = [
                np.asarray(cv2.resize(frame, chain.size, interpolation=cv2.INTER_CUBIC), np.uint8)
                for frame in frames
            ]
        frames = compressed(frames, coding, chain.rate / chain.step)
    return frames
