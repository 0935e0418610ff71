"""Colours of the court and the light on it, drawn from a seed's generator.

Some looks are kept for the test split and never drawn for training or validation: purple and
magenta hard courts, bare asphalt, and green clay.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from rallymill.arena.looks import Split
from rallymill.arena.world import Colour

HARD_HUES = (0.58, 0.6, 0.62, 0.55, 0.33, 0.38, 0.45, 0.03)
RESERVED_HARD_HUES = (0.75, 0.8, 0.88)
RESERVED_SHARE = 0.45
"""Share of the test split's hard courts whose look training never has."""


@dataclass(frozen=True)
class Light:
    """A far light: unit vector towards it, linear colour, width of its penumbra in metres."""

    direction: tuple[float, float, float]
    colour: Colour
    penumbra_m: float = 0.0


def hsv(hue: float, saturation: float, value: float) -> Colour:
    """Linear colour of hue, saturation and value, all 0 to 1."""
    k = [(n + hue * 6) % 6 for n in (5, 3, 1)]
    rgb = [value * (1 - saturation * max(0.0, min(x, 4 - x, 1.0))) for x in k]
    return (rgb[0] ** 2.2, rgb[1] ** 2.2, rgb[2] ** 2.2)


def _tinted(colour: Colour, tint: float) -> Colour:
    return (colour[0] * tint, colour[1] * tint, colour[2] * tint)


def _clay(rng: np.random.Generator, reserved: bool) -> tuple[Colour, Colour]:
    hue = rng.uniform(0.025, 0.065)
    inner = hsv(hue, rng.uniform(0.42, 0.70), rng.uniform(0.55, 0.84))
    if reserved:
        inner = hsv(rng.uniform(0.33, 0.42), rng.uniform(0.15, 0.3), rng.uniform(0.45, 0.6))
    return inner, _tinted(inner, rng.uniform(0.85, 1.08))


def _grass(rng: np.random.Generator) -> tuple[Colour, Colour]:
    inner = hsv(rng.uniform(0.2, 0.3), rng.uniform(0.3, 0.62), rng.uniform(0.42, 0.68))
    return inner, _tinted(inner, rng.uniform(0.8, 1.0))


def _hard(rng: np.random.Generator, reserved: bool) -> tuple[Colour, Colour]:
    hues = RESERVED_HARD_HUES if reserved else HARD_HUES

    def drawn(low: float, high: float) -> Colour:
        hue = float(rng.choice(hues)) + rng.uniform(-0.03, 0.03)
        # Paint is seldom bright, green paint least of all.
        most = 0.52 if 0.25 < hue < 0.5 else 0.66
        return hsv(hue, rng.uniform(low, high), rng.uniform(0.3, most))

    inner = drawn(0.25, 0.55) if reserved else drawn(0.3, 0.72)
    if reserved and rng.random() < 0.4:
        grey = rng.uniform(0.03, 0.18)
        inner = (grey, grey, grey * rng.uniform(1.0, 1.2))
    if rng.random() < 0.3:
        return inner, _tinted(inner, rng.uniform(0.6, 1.3))
    if reserved and rng.random() < 0.6:
        hues = HARD_HUES
    return inner, drawn(0.2, 0.45) if reserved else drawn(0.25, 0.65)


def court_colours(
    rng: np.random.Generator, surface: str, split: Split
) -> tuple[Colour, Colour]:
    """Colours of the court and of what surrounds it."""
    reserved = split == "test" and bool(rng.random() < RESERVED_SHARE)
    if surface == "clay":
        return _clay(rng, reserved and bool(rng.random() < 0.4))
    if surface == "grass":
        return _grass(rng)
    return _hard(rng, reserved)


def _sun(rng: np.random.Generator, low: float, high: float) -> tuple[float, float, float]:
    elevation = np.radians(rng.uniform(low, high))
    azimuth = rng.uniform(0, 2 * np.pi)
    return (
        float(np.cos(elevation) * np.cos(azimuth)), float(np.cos(elevation) * np.sin(azimuth)),
        float(np.sin(elevation)),
    )


def lighting(
    rng: np.random.Generator, kind: str, tier: str
) -> tuple[Colour, tuple[Light, ...]]:
    """Light of the sky and the lamps: ``sun``, ``floods`` (four masts) or ``soft``."""
    if kind == "sun":
        low = tier == "hostile"
        direction = _sun(rng, 8, 24) if low else _sun(rng, 26, 68)
        warm = rng.uniform(0.72, 0.9) if low else rng.uniform(0.88, 1.0)
        power = rng.uniform(0.75, 1.0) / max(direction[2], 0.3) ** 0.6
        sun = Light(direction, (power, power * (0.3 + 0.7 * warm), power * warm * 0.95))
        sky = rng.uniform(0.18, 0.42)
        return (sky * 0.92, sky * 0.98, sky * 1.12), (sun,)
    if kind == "floods":
        power = rng.uniform(0.2, 0.3)
        elevation = np.radians(rng.uniform(30, 55))
        lights = []
        for sx in (-1, 1):
            for sy in (-1, 1):
                azimuth = np.arctan2(sy, sx) + rng.uniform(-0.35, 0.35)
                direction = (
                    float(np.cos(elevation) * np.cos(azimuth)),
                    float(np.cos(elevation) * np.sin(azimuth)), float(np.sin(elevation)),
                )
                p = power * rng.uniform(0.6, 1.3)
                lights.append(Light(direction, (p, p, p * 0.97), 0.05))
        a = rng.uniform(0.2, 0.45)
        return (a, a, a), tuple(lights)
    a = rng.uniform(0.75, 1.0)
    soft = Light((0.0, 0.0, 1.0), (0.12, 0.12, 0.12), 0.5)
    return (a * 0.97, a, a * 1.04), (soft,)


def exposed(
    rng: np.random.Generator, ambient: Colour, lights: tuple[Light, ...], inner: Colour,
    outer: Colour,
) -> tuple[Colour, tuple[Light, ...]]:
    """The light as a camera's exposure sets it: about as bright whatever the court's colour."""
    weights = np.array([0.25, 0.65, 0.1])
    total = weights @ np.array(ambient)
    for light in lights:
        total += weights @ np.array(light.colour) * max(light.direction[2], 0.0)
    albedo = float(weights @ (0.6 * np.array(inner) + 0.4 * np.array(outer)))
    wanted = rng.uniform(0.8, 1.2) * float(np.clip((0.2 / albedo) ** 0.45, 0.8, 1.7))
    gain = wanted / float(total)
    return _tinted(ambient, gain), tuple(
        replace(light, colour=_tinted(light.colour, gain)) for light in lights
    )
