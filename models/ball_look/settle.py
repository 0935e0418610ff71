"""Train the head of the second look on, on films and on real pictures, the trunks as they are.

Real films without a ball are few: a whole network would know them by heart. What the trunks make of
places is worked out once; the head then learns from it in seconds.
"""

from __future__ import annotations

import copy
from collections.abc import Sequence
from pathlib import Path

import look_fit
import numpy as np
import pace
import torch
from looks import Look
from torch import nn
from torch.nn import functional

KEPT = 0.995
"""Share of the running mean of weights that stays with each step."""
FORGET, UNHEARD = 0.15, 0.15
"""Shares of numbers that are left out, and of what the detector said."""


def numbers_of(net: Look, looks: np.ndarray) -> torch.Tensor:
    """What the trunks make of looks."""
    heads, net.head, net.forget = (net.head, net.forget), nn.Identity(), nn.Identity()
    try:
        return torch.from_numpy(look_fit.answers(net, looks))
    finally:
        net.head, net.forget = heads


def gathered(net: Look, folders: Sequence[Path]) -> tuple[torch.Tensor, torch.Tensor]:
    """Numbers and rows of the looks of folders, a file at a time."""
    numbers, rows = [], []
    for path in [path for folder in folders for path in look_fit.files_of(folder)]:
        with np.load(path) as one:
            if len(one["rows"]):
                numbers.append(numbers_of(net, one["looks"]))
                rows.append(torch.from_numpy(one["rows"]))
    return torch.cat(numbers), torch.cat(rows)


def settled(
    net: Look, films: Sequence[Path], real: Sequence[Path], weight: int, passes: int, rate: float,
    seed: int, columns: tuple[int, slice, slice],
) -> Look:
    """The network with a head that has seen films, and real ones ``weight`` times in each pass.

    ``columns`` of rows are whether the ball is there, the offset to it and what the detector said.
    """
    kind, offset, said = columns
    numbers, rows = gathered(net, films)
    more, real_rows = gathered(net, real)
    order = np.concatenate([
        np.arange(len(rows)), *[len(rows) + np.arange(len(real_rows))] * weight
    ])
    numbers, rows = torch.cat([numbers, more]), torch.cat([rows, real_rows])
    print(f"{len(rows)} places, {len(real_rows)} of them real", flush=True)
    torch.manual_seed(seed)
    head, kept = net.head, copy.deepcopy(net.head)
    forget = nn.Dropout(FORGET)
    optimizer = torch.optim.AdamW(head.parameters(), lr=rate, weight_decay=0.02)
    for number in range(passes):
        drawn = torch.from_numpy(np.random.default_rng([seed, number]).permutation(order))
        for chosen in drawn.split(256):
            heard = torch.rand(len(chosen), 1) >= UNHEARD
            found = head(torch.cat([forget(numbers[chosen]), rows[chosen, said] * heard], 1))
            right = (rows[chosen, kind] > 0).float()
            loss = functional.binary_cross_entropy_with_logits(found[:, 0], right)
            away = functional.smooth_l1_loss(
                found[:, 1:], rows[chosen, offset], reduction="none"
            ).mean(1)
            loss = loss + 0.1 * (away * right).sum() / right.sum().clamp(min=1)
            optimizer.zero_grad()
            loss.backward()
            optimizer.step()
            pace.lean(kept, head, KEPT)
    net.head = kept
    return net
