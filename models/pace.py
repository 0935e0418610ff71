"""How fast is learned as time goes by, and which weights are kept: for all training loops."""

from __future__ import annotations

import time

import numpy as np
import torch
from torch import nn


def spent_of(started_s: float, minutes: float, step: int, most_steps: int | None) -> float:
    """Share of the time that is over, or of the steps where that is more."""
    spent = (time.monotonic() - started_s) / 60 / minutes
    return spent if most_steps is None else max(spent, step / most_steps)


def set_rate(
    optimizer: torch.optim.Optimizer, rate: float, step: int, warm_steps: int, spent: float
) -> None:
    """The rate of a step: it grows over the first steps and falls to nothing as time is spent."""
    for group in optimizer.param_groups:
        group["lr"] = rate * min(1.0, (step + 1) / warm_steps) * 0.5 * (1 + np.cos(np.pi * spent))


def lean(kept: nn.Module, net: nn.Module, share: float) -> None:
    """Running mean of weights: ``share`` of those that are kept, the rest of those of a network."""
    with torch.no_grad():
        old = [v for v in kept.state_dict().values() if v.is_floating_point()]
        now = [v for v in net.state_dict().values() if v.is_floating_point()]
        torch._foreach_lerp_(old, now, 1 - share)
