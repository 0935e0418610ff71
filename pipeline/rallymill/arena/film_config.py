"""What a film is to be: read from YAML, checked, with a remedy for every mistake."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, fields
from fractions import Fraction
from pathlib import Path
from typing import Any

import yaml

from rallymill.arena.film_chain import CODECS, FIELDS
from rallymill.arena.scene import TIERS
from rallymill.errors import ConfigError, did_you_mean

SURFACES = ("hard", "clay", "grass")
LEVELS = ("tour", "college", "club")
RATES = tuple(
    Fraction(text) for text in ("24", "25", "30000/1001", "30", "50", "60000/1001", "60")
)
MOST_BITS = 24
"""Bits a pixel of a picture that is not coded at all."""
PLAYERS = (
    ("MAR", "Ilva Marrec"), ("ORR", "Tamsin Orrow"), ("KES", "Dov Kestrell"),
    ("ALA", "Renzo Alamay"),
)


@dataclass(frozen=True)
class FilmConfig:
    """Parameters of a film.

    ``rate`` is frames a second as a fraction; ``shutter_s`` how long the shutter is open in a
    frame; ``crf`` the encoder's quality. ``cutaways`` and ``replays`` are the odds of one in a
    pause that is long enough; ``opening_s`` the length of a full-screen graphic at the start.
    ``pause_s`` bounds the pauses between points. ``surface`` and ``level`` left out follow from
    seed and tier. ``max_duration_s`` cuts the film short.

    ``fields`` tells how the film came by its frames and ``codec`` what it is coded with, see
    ``film_chain``; ``bits_per_pixel`` bounds the rate of the code. Where coding leaves something
    of fewer than ``balls_left`` of the moving balls that were drawn, it is done finer.
    ``readout_s`` is the time in which a rolling shutter reads a picture, ``shake_rad`` how far the
    main camera trembles, ``breathing`` how far its focal length wanders (a share of it). A film
    that is higher than wide is what a telephone sees, or with ``window`` an upright cut-out that
    follows play.
    """

    name: str = "film"
    seed: int = 300_000
    tier: str = "broadcast"
    surface: str | None = None
    level: str | None = None
    n_points: int = 4
    width_px: int = 1280
    height_px: int = 720
    rate: Fraction = Fraction(25)
    shutter_s: float = 0.008
    crf: int = 22
    cutaways: float = 0.5
    replays: float = 0.3
    score_graphic: bool = True
    opening_s: float = 0.0
    pause_s: tuple[float, float] = (4.0, 8.0)
    idle_ball: str = "rolls"
    event: str = "Lantern Quay Open"
    venue: str = "Lantern Quay Racquet Grounds"
    date: str = "2026-08-14"
    max_duration_s: float | None = None
    fields: str = "progressive"
    readout_s: float = 0.0
    shake_rad: float = 0.0
    breathing: float = 0.0
    window: bool = False
    codec: str = "h264"
    bits_per_pixel: float | None = None
    balls_left: float = 0.0

    def __post_init__(self) -> None:
        faults = []
        if self.tier not in TIERS:
            faults.append(f"tier {self.tier!r} is not one of {', '.join(TIERS)}")
        if self.surface is not None and self.surface not in SURFACES:
            faults.append(f"surface {self.surface!r} is not one of {', '.join(SURFACES)}")
        if self.level is not None and self.level not in LEVELS:
            faults.append(f"level {self.level!r} is not one of {', '.join(LEVELS)}")
        if self.n_points < 1:
            faults.append(f"n_points {self.n_points} is less than 1")
        if self.width_px % 2 or self.height_px % 2 or min(self.width_px, self.height_px) < 64:
            faults.append(f"size {self.width_px} x {self.height_px} is not even and at least 64")
        if not 10 <= self.rate <= 120:
            faults.append(f"rate {self.rate} is not between 10 and 120")
        elif not 0 < self.shutter_s <= 1 / self.rate:
            faults.append(f"shutter_s {self.shutter_s} is not within one frame of {self.rate}/s")
        for label, share in (
            ("cutaways", self.cutaways), ("replays", self.replays), ("balls_left", self.balls_left)
        ):
            if not 0 <= share <= 1:
                faults.append(f"{label} {share} is not between 0 and 1")
        if not 0 <= self.crf <= 51:
            faults.append(f"crf {self.crf} is not between 0 and 51")
        if not 0 < self.pause_s[0] <= self.pause_s[1]:
            faults.append(f"pause_s {self.pause_s} is not two growing lengths of time")
        if self.fields not in FIELDS:
            faults.append(f"fields {self.fields!r} is not one of {', '.join(FIELDS)}")
        if self.codec not in CODECS:
            faults.append(f"codec {self.codec!r} is not one of {', '.join(CODECS)}")
        if not 0 <= self.readout_s * self.rate <= 1:
            faults.append(f"readout_s {self.readout_s} is not within one frame of {self.rate}/s")
        elif self.readout_s and self.fields != "progressive":
            faults.append(f"readout_s and fields {self.fields!r} cannot both be had")
        if not 0 <= self.shake_rad <= 0.02 or not 0 <= self.breathing <= 0.05:
            faults.append("shake_rad is not within 0 to 0.02 or breathing not within 0 to 0.05")
        if self.window and self.width_px * 16 > self.height_px * 9.5:
            faults.append(f"a window of {self.width_px} x {self.height_px} is not upright")
        if self.bits_per_pixel is not None and not 0 < self.bits_per_pixel <= MOST_BITS:
            faults.append(f"bits_per_pixel {self.bits_per_pixel} is not between 0 and {MOST_BITS}")
        if faults:
            raise ConfigError("; ".join(faults), "correct the film's configuration")


def refuse_unknown(given: Iterable[Any], kind: type[Any], where: str) -> None:
    """Refuse names that are no fields of a dataclass.

    Raises
    ------
    ConfigError
        A name is not known.
    """
    known = sorted(field.name for field in fields(kind))
    for name in given:
        if name not in known:
            raise ConfigError(f"{where}: unknown option {name!r}", did_you_mean(name, known))


def read_yaml(path: Path) -> Any:
    """What a YAML file holds.

    Raises
    ------
    ConfigError
        The file cannot be read.
    """
    try:
        return yaml.safe_load(path.read_text(encoding="utf-8"))
    except (OSError, yaml.YAMLError) as error:
        raise ConfigError(f"{path}: {error}", "give a YAML file, see configs/arena") from error


def from_mapping(given: dict[str, Any], where: str = "configuration") -> FilmConfig:
    """Film configuration from names and values.

    Raises
    ------
    ConfigError
        A name is not known, or a value cannot stand.
    """
    refuse_unknown(given, FilmConfig, where)
    values = dict(given)
    try:
        if "rate" in values:
            values["rate"] = Fraction(str(values["rate"])).limit_denominator(1001)
        if "pause_s" in values:
            low, high = values["pause_s"]
            values["pause_s"] = (float(low), float(high))
        if "date" in values:
            values["date"] = str(values["date"])
        return FilmConfig(**values)
    except (TypeError, ValueError, ZeroDivisionError) as error:
        raise ConfigError(f"{where}: {error}", "see configs/arena for examples") from error


def load_config(path: Path) -> FilmConfig:
    """Film configuration of a YAML file; its name is the file's stem unless it says otherwise.

    Raises
    ------
    ConfigError
        The file cannot be read, is not a mapping or says something that cannot stand.
    """
    path = Path(path)
    given = read_yaml(path)
    if not isinstance(given, dict):
        raise ConfigError(f"{path}: holds no options", "see configs/arena for examples")
    return from_mapping({"name": path.stem, **given}, str(path))
