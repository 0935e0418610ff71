"""The detector's trained weights on a graphics card.

What goes up are levels of eight bits, a quarter of the bytes; they are made numbers there. What
comes down are the few places that say something.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Levels = NDArray[np.uint8]
Output = NDArray[np.float32]

Detect = Callable[[Levels], list[Output]]
"""From levels (N, C, H, W) to what is said of places, one array (4 + labels, places) a picture."""


def card_of(device: str) -> str | None:
    """Name of the graphics card that stands for a device in the configuration; None for none.

    ``auto`` is the first card where there is one.
    """
    if device == "auto":
        import torch

        return "cuda:0" if torch.cuda.is_available() else None
    if device.isdigit():
        return f"cuda:{device}"
    return device if device.startswith("cuda") else None


def detector(weights: Path, device: str, least: float) -> Detect:
    """The library's backend with trained weights (a ``.pt`` file), several pictures at a time.

    It reckons in half precision on a card, in full precision on processors. Places of which no
    label is more likely than ``least`` stay there. Several threads may call it.
    """
    import torch
    from ultralytics.nn.autobackend import AutoBackend

    place = torch.device(device)
    half = place.type == "cuda"
    network = AutoBackend(str(weights), place, fp16=half, verbose=False)
    network.eval()
    own = threading.local()
    # Its last layer keeps the places of the shape that it saw first.
    one_at_a_time = threading.Lock()

    def above(given: Levels) -> list[Output]:
        if half:
            # Memory that the card reads by itself, while this thread goes on.
            if getattr(own, "shape", None) != given.shape:
                own.shape = given.shape
                own.pinned = torch.empty(given.shape, dtype=torch.uint8, pin_memory=True)
            levels = own.pinned.copy_(torch.from_numpy(given)).to(place, non_blocking=True)
        else:
            levels = torch.from_numpy(given)
        with torch.inference_mode():
            with one_at_a_time:
                said = network((levels.half() if half else levels.float()) / 255)
            said = said[0] if isinstance(said, list | tuple) else said
            picture, place_in = (said[:, 4:].amax(1) > least).nonzero(as_tuple=True)
            rows = said[picture, :, place_in].float()
            found = torch.cat([picture[:, None].float(), rows], 1).cpu().numpy()
        return [found[found[:, 0] == k, 1:].T for k in range(len(given))]

    return above
