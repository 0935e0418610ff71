"""Tiers of films: from a tier, a split and a number to the configuration of a film.

A tier's YAML file names its splits by their seeds and says how films of it are cut. Everything
else comes from the seed: venue, players and camera as for training pictures of the tier, and the
chain (size, rate, shutter, fields, codec) from the same odds (see ``film_chain``). Three things
that training pictures have are left out of films: blowing up a small film, a second codec, and
compression so hard that nothing is left of the ball for anyone to find.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from rallymill.arena import film_chain
from rallymill.arena.film_config import RATES, FilmConfig, read_yaml, refuse_unknown
from rallymill.arena.scene import TIERS, split_of
from rallymill.errors import ConfigError

SPLITS = {"training": "train", "validation": "validation", "test": "test"}

WORST_CRF = {
    "h264": {"easy": 24, "broadcast": 27, "club": 29, "hostile": 32},
    "h265": {"easy": 26, "broadcast": 29, "club": 31, "hostile": 34},
}
LEAST_BITS = {"easy": 0.1, "broadcast": 0.06, "club": 0.06, "hostile": 0.04}
"""Compression of whole films goes no further: quality by codec and tier, bits a pixel.

What is left of the ball depends on the picture too, so ``balls_left`` of a tier has the last word:
a film in which nobody could follow the ball is no film that anyone keeps.
"""


@dataclass(frozen=True)
class TierConfig:
    """How films of a tier are made.

    ``splits`` gives the first and last seed of each split. ``n_points`` and ``pause_s`` are low
    and high; ``cutaways`` and ``replays`` the odds within a film, ``score_graphic`` and
    ``opening`` the odds that a film has one at all. ``balls_left`` is the share of the moving balls
    that coding must leave something of, as in :class:`FilmConfig`.
    """

    name: str
    tier: str
    splits: dict[str, tuple[int, int]]
    n_points: tuple[int, int] = (2, 4)
    max_duration_s: float = 25.0
    cutaways: float = 0.0
    replays: float = 0.0
    score_graphic: float = 0.0
    opening: float = 0.0
    pause_s: tuple[float, float] = (3.0, 6.0)
    balls_left: float = 0.0

    def __post_init__(self) -> None:
        faults = []
        if self.tier not in TIERS:
            faults.append(f"tier {self.tier!r} is not one of {', '.join(TIERS)}")
        for split, (first, last) in self.splits.items():
            if split not in SPLITS:
                faults.append(f"split {split!r} is not one of {', '.join(SPLITS)}")
            elif not 0 <= first <= last:
                faults.append(f"seeds {first} to {last} of {split} are none")
            elif {split_of(first), split_of(last)} != {SPLITS[split]}:
                faults.append(f"seeds {first} to {last} do not look like {split}")
        if not self.splits:
            faults.append("there is no split")
        if not 1 <= self.n_points[0] <= self.n_points[1]:
            faults.append(f"n_points {self.n_points} are not two growing numbers from 1 on")
        for label in ("cutaways", "replays", "score_graphic", "opening", "balls_left"):
            if not 0 <= getattr(self, label) <= 1:
                faults.append(f"{label} {getattr(self, label)} is not between 0 and 1")
        if faults:
            raise ConfigError("; ".join(faults), "correct the tier's configuration")


def load_tier(path: Path) -> TierConfig:
    """Tier of a YAML file; its name is the file's stem.

    Raises
    ------
    ConfigError
        The file cannot be read, has an unknown name or a value that cannot stand.
    """
    path = Path(path)
    given = read_yaml(path)
    if not isinstance(given, dict) or not isinstance(given.get("splits"), dict):
        raise ConfigError(f"{path}: holds no splits", "see configs/arena/club.yaml")
    refuse_unknown(given, TierConfig, str(path))
    try:
        values: dict[str, Any] = {"name": path.stem, **given}
        values["splits"] = {
            str(split): (int(low), int(high)) for split, (low, high) in given["splits"].items()
        }
        for name in ("n_points", "pause_s"):
            if name in values:
                low, high = values[name]
                values[name] = (low, high)
        return TierConfig(**values)
    except (TypeError, ValueError) as error:
        raise ConfigError(f"{path}: {error}", "see configs/arena/club.yaml") from error


def is_tier(path: Path) -> bool:
    """Whether a YAML file describes a tier rather than one film."""
    try:
        given = read_yaml(Path(path))
    except ConfigError:
        return False
    return isinstance(given, dict) and "splits" in given


def _rate(rate_fps: float) -> Fraction:
    return min(RATES, key=lambda rate: abs(float(rate) - rate_fps))


def film_of(tier: TierConfig, seed: int) -> FilmConfig:
    """Configuration of the film of a seed."""
    rng = np.random.default_rng([seed, 89])
    chain = film_chain.draw_chain(rng, tier.tier)
    coding = chain.codings[-1]
    bits = coding.bits_per_pixel
    rate = _rate(chain.rate)
    trembles = tier.tier != "easy" and rng.random() < 0.5
    return FilmConfig(
        name=f"{tier.name}_{seed:06d}",
        seed=seed,
        tier=tier.tier,
        n_points=int(rng.integers(tier.n_points[0], tier.n_points[1] + 1)),
        width_px=chain.size[0],
        height_px=chain.size[1],
        rate=rate,
        shutter_s=min(chain.shutter_s, 1 / float(rate)),
        crf=min(coding.crf, WORST_CRF[coding.codec][tier.tier]),
        cutaways=tier.cutaways,
        replays=tier.replays,
        score_graphic=bool(rng.random() < tier.score_graphic),
        opening_s=float(rng.uniform(1.0, 2.5)) if rng.random() < tier.opening else 0.0,
        pause_s=tier.pause_s,
        max_duration_s=tier.max_duration_s,
        fields=chain.fields,
        readout_s=chain.readout_s,
        shake_rad=float(rng.uniform(0, film_chain.SHAKE_RAD[tier.tier])) if trembles else 0.0,
        breathing=float(rng.uniform(0, film_chain.BREATHING[tier.tier])) if trembles else 0.0,
        window=chain.upright == "window",
        codec=coding.codec,
        bits_per_pixel=None if bits is None else max(bits, LEAST_BITS[tier.tier]),
        balls_left=tier.balls_left,
    )


def films(tier: TierConfig, split: str, count: int, first: int = 0) -> list[FilmConfig]:
    """``count`` films of a split, from its ``first``-th seed on.

    Raises
    ------
    ConfigError
        The tier has no such split, or the split not so many seeds.
    """
    if split not in tier.splits:
        raise ConfigError(
            f"{tier.name} has no split {split!r}", f"use one of {', '.join(tier.splits)}"
        )
    low, high = tier.splits[split]
    if first < 0 or count < 1 or low + first + count - 1 > high:
        raise ConfigError(
            f"{split} of {tier.name} has {high - low + 1} seeds, not {first} + {count}",
            "ask for fewer films or an earlier first one",
        )
    return [film_of(tier, low + first + number) for number in range(count)]
