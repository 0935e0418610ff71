"""A frame of a film as it leaves the camera, before any codec, and what is true of it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rallymill.arena import render_develop, render_fields
from rallymill.arena.camera_work import CameraWork
from rallymill.arena.render import Renderer
from rallymill.arena.render_seen import Picture

Bytes = NDArray[np.uint8]
FIELD_TIMES = (-0.25, 0.25)
"""When the two fields of a frame are taken, in frames from its own time."""


@dataclass(frozen=True)
class Exposure:
    """How frames are taken: shutter, frames a second, fields (see ``film_chain``), readout."""

    shutter_s: float
    rate: float
    fields: str = "progressive"
    readout_s: float = 0.0


def shoot(
    renderer: Renderer, work: CameraWork, t_s: float, exposure: Exposure,
    how: render_develop.Processing, seed: tuple[int, ...], frame: int = 0, speed: float = 1.0,
) -> tuple[Bytes, Picture]:
    """Frame number ``frame`` at a moment of the world, (H, W, 3) uint8 BGR, and what it shows.

    ``seed`` decides its noise; with ``speed`` below 1 the world goes by more slowly.
    """
    shutter_s = exposure.shutter_s * speed
    camera = work.at(t_s)
    if exposure.fields in ("progressive", "bob"):
        readout_s = exposure.readout_s * speed
        picture = renderer.picture(camera, t_s, shutter_s, readout_s)
        image = render_develop.develop(picture.light, how, seed, t_s)
        if exposure.fields == "bob":
            image = render_fields.bob(image, frame % 2)
        return image, picture
    pictures, images = [], []
    moments = [t_s + speed * share / exposure.rate for share in FIELD_TIMES]
    for number, moment in enumerate(moments):
        picture = renderer.picture(work.at(moment), moment, shutter_s)
        images.append(render_develop.develop(picture.light, how, (*seed, number), moment))
        # Only what it shows is needed further on; its light is large.
        pictures.append(replace(picture, light=picture.light[:1, :1]))
    first, second = pictures
    if exposure.fields == "comb":
        # What moves is filled in from the first field: the second is not seen of it.
        t_s, second = moments[0], first
    seen = render_fields.seen_between(renderer.world, camera, t_s, first, second)
    return render_fields.join(exposure.fields, images[0], images[1]), seen
