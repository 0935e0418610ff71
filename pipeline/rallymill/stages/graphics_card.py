"""The detector's trained weights on a graphics card.

What goes up are levels of eight bits, a quarter of the bytes; they are made numbers there. What
comes down are the few places that say something.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import torch

Levels = NDArray[np.uint8]
Output = NDArray[np.float32]

Detect = Callable[[Levels], list[Output]]
"""From levels (N, C, H, W) to what is said of places, one array (4 + labels, places) a picture."""


def card_of(device: str) -> str | None:
    """Name of the graphics card that a device in the configuration means; None for processors.

    ``auto`` is the first card where there is one, a number the card of that number. Other names are
    the library's own.
    """
    if device == "auto":
        import torch

        return "cuda:0" if torch.cuda.is_available() else None
    if device.isdigit():
        return f"cuda:{device}"
    return None if device == "cpu" else device


def detector(weights: Path, device: str, least: float) -> Detect:
    """The library's backend with trained weights (a ``.pt`` file), several pictures at a time.

    It reckons in half precision on CUDA's cards, else in full precision. Places of which no label
    is more likely than ``least`` stay there. Several threads may call it.
    """
    import torch
    from ultralytics.nn.autobackend import AutoBackend

    place = torch.device(device)
    half = place.type == "cuda"
    network = AutoBackend(str(weights), place, fp16=half, verbose=False)
    network.eval()

    def said_of(levels: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
        said = network((levels.half() if half else levels.float()) / 255)
        said = said[0] if isinstance(said, list | tuple) else said
        return said, said[:, 4:].amax(1) > least

    asked = Recorded(said_of, place)

    def above(given: Levels) -> list[Output]:
        with asked.lock:
            said, likely = asked(given)
            picture, place_in = likely.nonzero(as_tuple=True)
            rows = said[picture, :, place_in].float()
            found = torch.cat([picture[:, None].float(), rows], 1).cpu().numpy()
        return [found[found[:, 0] == k, 1:].T for k in range(len(given))]

    return above


class Recorded:
    """A computation that a CUDA card records once for each shape and then runs at one call.

    Hundreds of operations called one by one wait for whatever other threads of the process do in
    between. Elsewhere it is computed as it is. Whoever calls holds ``lock`` until the answers,
    which the next call overwrites, have been used.
    """

    def __init__(self, compute: Callable[..., Any], place: torch.device) -> None:
        self._compute, self._place = compute, place
        self._made: dict[tuple[tuple[int, ...], ...], _Recording] = {}
        self.lock = threading.Lock()

    def __call__(self, *given: NDArray[Any]) -> Any:
        """Answers to arrays."""
        import torch

        with torch.inference_mode():
            if self._place.type != "cuda":
                return self._compute(*(torch.from_numpy(one).to(self._place) for one in given))
            with torch.cuda.device(self._place):
                shape = tuple(one.shape for one in given)
                if shape not in self._made:
                    with _RECORDING:
                        self._made[shape] = _Recording(self._compute, given, self._place)
                return self._made[shape](given)


_RECORDING = threading.Lock()
"""A card records one thing at a time."""
BEFORE_RECORDING = 3
"""Times that something is computed before it is recorded: the card chooses its ways by then."""


class _Recording:
    """What a card has recorded for arrays of some shapes."""

    def __init__(
        self, compute: Callable[..., Any], given: Sequence[NDArray[Any]], place: torch.device
    ) -> None:
        import torch

        # Memory that the card reads by itself, and where it puts what it reads.
        self._pinned = [torch.from_numpy(one.copy()).pin_memory() for one in given]
        self._there = [one.to(place) for one in self._pinned]
        aside = torch.cuda.Stream(place)
        aside.wait_stream(torch.cuda.current_stream(place))
        with torch.cuda.stream(aside):
            for _ in range(BEFORE_RECORDING):
                compute(*self._there)
        torch.cuda.current_stream(place).wait_stream(aside)
        self._graph = torch.cuda.CUDAGraph()
        with torch.cuda.graph(self._graph, capture_error_mode="thread_local"):
            self._answers = compute(*self._there)

    def __call__(self, given: Sequence[NDArray[Any]]) -> Any:
        import torch

        for one, pinned, there in zip(given, self._pinned, self._there, strict=True):
            pinned.copy_(torch.from_numpy(one))
            there.copy_(pinned, non_blocking=True)
        self._graph.replay()
        return self._answers
