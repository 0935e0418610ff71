"""Frames at moments of films, as `detect` sees them; weights of few bits are fitted to them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from rallymill.stages.detect_networks import DetectConfig
    from rallymill.stages.detect_stream import Seen


def glimpses(
    films: Sequence[Path], count: int, seed: int, config: DetectConfig
) -> Iterator[Seen]:
    """``count`` frames of each film with truth, with the moments around them."""
    from rallymill import benchmark_detect
    from rallymill.stages import detect, detect_stream

    rng = np.random.default_rng(seed)
    for film in films:
        spans = benchmark_detect.main_spans(film)
        cameras = detect.cameras_by_frame(benchmark_detect.truth_of(film, "frames"))
        for _ in range(count if spans else 0):
            first, last, spacing_s = spans[int(rng.integers(len(spans)))]
            at = int(rng.integers(first, last + 1))
            reach = detect_stream.REACH * detect_stream.frame_step(spacing_s, config.interval_s)
            around = (max(first, at - reach), min(last, at + reach), spacing_s)
            for seen in benchmark_detect.seen_of(film, [around], cameras, config):
                if seen.at.frame == at:
                    yield seen
