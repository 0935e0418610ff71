"""The place of play: court, surroundings and light, drawn at random from a seed.

A venue is plain data; :meth:`Venue.vector` packs it for the compiled shaders.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from rallymill import court
from rallymill.arena import scene_textures
from rallymill.arena import shade_venue as place
from rallymill.arena.looks import Split
from rallymill.arena.world import Colour

Array = NDArray[np.float64]
Image = NDArray[np.float32]
TIERS = ("easy", "broadcast", "club", "hostile")
FIRST_UNSEEN_SEED = 100_000


@dataclass(frozen=True)
class Light:
    """A far light: unit vector towards it, linear colour, width of its penumbra in metres."""

    direction: tuple[float, float, float]
    colour: Colour
    penumbra_m: float = 0.0


@dataclass(frozen=True)
class Venue:
    """Everything that stands still round a match."""

    seed: int
    tier: str
    surface: str
    inner: Colour
    outer: Colour
    line: Colour
    inner_half_m: tuple[float, float]
    """Half width and half length of the differently coloured court."""
    line_opacity: float
    line_fade: float
    doubles: bool
    line_width_m: float
    baseline_width_m: float
    wall_y_m: float
    side_x_m: float
    wall_height_m: float
    wall_colour: Colour
    fence: bool
    slope: float
    stand_depth_m: float
    crowd: float
    seat: Colour
    beyond: str
    sky: Colour
    banner_m: tuple[float, float]
    ambient: Colour
    lights: tuple[Light, ...]
    shadow_edge: tuple[float, float, float] | None
    texture: float
    mesh: float
    mesh_colour: Colour
    band_colour: Colour
    singles_sticks: bool
    neighbours: bool
    words: tuple[str, ...] = field(default=())

    def vector(self) -> Array:
        """Numbers of the venue in the order of the ``V_`` constants of the shaders."""
        v = np.zeros(place.V_SIZE)

        def put(first: int, *values: float) -> None:
            v[first : first + len(values)] = values

        put(place.V_INNER, *self.inner)
        put(place.V_OUTER, *self.outer)
        put(place.V_LINE, *self.line)
        put(place.V_INNER_X, *self.inner_half_m)
        put(place.V_LINE_OPACITY, self.line_opacity)
        put(place.V_WALL_Y, self.wall_y_m, self.side_x_m, self.wall_height_m, *self.wall_colour)
        put(place.V_SLOPE, self.slope, self.stand_depth_m, self.crowd)
        put(place.V_BEYOND, {"trees": 0.0, "roof": 1.0, "sky": 2.0}[self.beyond], *self.sky)
        put(place.V_BANNER_LOW, *self.banner_m)
        put(place.V_AMBIENT, *self.ambient)
        put(place.V_SEED, self.seed % 100_003, self.line_fade)
        if self.shadow_edge is not None:
            put(place.V_EDGE_ON, 1.0, *self.shadow_edge)
        put(place.V_TEXTURE, self.texture, *self.seat, 1.0 if self.fence else 0.0)
        return v

    def line_rows(self) -> Array:
        """Painted rectangles (N, 5): x low, x high, y low, y high, opacity."""
        rows = []
        painted = court.lines(self.doubles, self.line_width_m, self.baseline_width_m)
        offsets = (0.0, -18.3, 18.3) if self.neighbours else (0.0,)
        for offset in offsets:
            for line in painted:
                corners = line.corners()
                low, high = corners.min(0), corners.max(0)
                rows.append([low[0] + offset, high[0] + offset, low[1], high[1], 1.0])
        return np.array(rows)

    def light_rows(self) -> Array:
        """Lights (N, 6): direction and colour."""
        rows = [[*light.direction, *light.colour] for light in self.lights]
        return np.array(rows).reshape(-1, 6)

    def net_row(self) -> Array:
        """Numbers of the net for the shader."""
        post = court.SINGLES_POST_X_M if self.singles_sticks else court.DOUBLES_POST_X_M
        return np.array(
            [
                post, court.NET_CENTRE_M, court.NET_POST_M, self.mesh, *self.mesh_colour,
                *self.band_colour, 0.06, court.DOUBLES_POST_X_M,
            ]
        )

    def textures(self) -> tuple[Image, Image, Image]:
        """Variation of the ground's colour at three scales."""
        return scene_textures.ground(self.seed, self.surface, self.tier)

    def banners(self) -> tuple[Image, Image]:
        """Advertising boards at two scales, linear light."""
        return scene_textures.banners(self.seed, self.words, self.wall_colour)


def split_of(seed: int) -> Split:
    """Which kits may be worn: those for training below seed 100,000, the others above."""
    return "train" if seed < FIRST_UNSEEN_SEED else "test"


def _hsv(hue: float, saturation: float, value: float) -> Colour:
    """Linear colour of hue, saturation and value, all 0 to 1."""
    k = [(n + hue * 6) % 6 for n in (5, 3, 1)]
    rgb = [value * (1 - saturation * max(0.0, min(x, 4 - x, 1.0))) for x in k]
    return (rgb[0] ** 2.2, rgb[1] ** 2.2, rgb[2] ** 2.2)


def _court_colours(rng: np.random.Generator, surface: str) -> tuple[Colour, Colour]:
    if surface == "clay":
        hue = rng.uniform(0.025, 0.065)
        inner = _hsv(hue, rng.uniform(0.45, 0.68), rng.uniform(0.62, 0.82))
        if rng.random() < 0.06:
            inner = _hsv(rng.uniform(0.33, 0.42), rng.uniform(0.15, 0.3), rng.uniform(0.45, 0.6))
        tint = rng.uniform(0.92, 1.05)
        return inner, (inner[0] * tint, inner[1] * tint, inner[2] * tint)
    if surface == "grass":
        hue = rng.uniform(0.2, 0.3)
        inner = _hsv(hue, rng.uniform(0.35, 0.6), rng.uniform(0.45, 0.66))
        tint = rng.uniform(0.85, 1.0)
        return inner, (inner[0] * tint, inner[1] * tint, inner[2] * tint)
    hues = [0.58, 0.6, 0.62, 0.33, 0.38, 0.45, 0.75, 0.03, 0.55]
    inner = _hsv(
        float(rng.choice(hues)) + rng.uniform(-0.03, 0.03), rng.uniform(0.4, 0.78),
        rng.uniform(0.35, 0.72),
    )
    if rng.random() < 0.12:
        grey = rng.uniform(0.03, 0.18)
        inner = (grey, grey, grey * rng.uniform(1.0, 1.2))
    style = rng.random()
    if style < 0.3:
        tint = rng.uniform(0.6, 1.3)
        outer = (inner[0] * tint, inner[1] * tint, inner[2] * tint)
    else:
        outer = _hsv(
            float(rng.choice(hues)) + rng.uniform(-0.03, 0.03), rng.uniform(0.3, 0.7),
            rng.uniform(0.3, 0.65),
        )
    return inner, outer


def _sun(rng: np.random.Generator, low: float, high: float) -> tuple[float, float, float]:
    elevation = np.radians(rng.uniform(low, high))
    azimuth = rng.uniform(0, 2 * np.pi)
    return (
        float(np.cos(elevation) * np.cos(azimuth)), float(np.cos(elevation) * np.sin(azimuth)),
        float(np.sin(elevation)),
    )


def _lighting(
    rng: np.random.Generator, kind: str, tier: str
) -> tuple[Colour, tuple[Light, ...]]:
    if kind == "sun":
        low = tier == "hostile"
        direction = _sun(rng, 9, 24) if low else _sun(rng, 28, 68)
        warm = rng.uniform(0.72, 0.9) if low else rng.uniform(0.88, 1.0)
        power = rng.uniform(0.75, 1.0) / max(direction[2], 0.3) ** 0.6
        sun = Light(direction, (power, power * (0.3 + 0.7 * warm), power * warm * 0.95))
        sky = rng.uniform(0.22, 0.42)
        return (sky * 0.92, sky * 0.98, sky * 1.12), (sun,)
    if kind == "floods":
        power = rng.uniform(0.2, 0.3)
        elevation = np.radians(rng.uniform(35, 55))
        lights = []
        for sx in (-1, 1):
            for sy in (-1, 1):
                azimuth = np.arctan2(sy, sx) + rng.uniform(-0.35, 0.35)
                direction = (
                    float(np.cos(elevation) * np.cos(azimuth)),
                    float(np.cos(elevation) * np.sin(azimuth)), float(np.sin(elevation)),
                )
                p = power * rng.uniform(0.8, 1.2)
                lights.append(Light(direction, (p, p, p * 0.97), 0.05))
        a = rng.uniform(0.28, 0.45)
        return (a, a, a), tuple(lights)
    a = rng.uniform(0.75, 1.0)
    soft = Light((0.0, 0.0, 1.0), (0.12, 0.12, 0.12), 0.5)
    return (a * 0.97, a, a * 1.04), (soft,)


def _exposed(
    rng: np.random.Generator, ambient: Colour, lights: tuple[Light, ...], inner: Colour,
    outer: Colour,
) -> tuple[Colour, tuple[Light, ...]]:
    """The light as a camera's exposure sets it: about as bright whatever the court's colour."""
    weights = np.array([0.25, 0.65, 0.1])
    total = weights @ np.array(ambient)
    for light in lights:
        total += weights @ np.array(light.colour) * max(light.direction[2], 0.0)
    albedo = float(weights @ (0.6 * np.array(inner) + 0.4 * np.array(outer)))
    wanted = rng.uniform(0.85, 1.15) * float(np.clip((0.2 / albedo) ** 0.45, 0.8, 1.7))
    gain = wanted / float(total)

    def bright(colour: Colour) -> Colour:
        return (colour[0] * gain, colour[1] * gain, colour[2] * gain)

    return bright(ambient), tuple(replace(light, colour=bright(light.colour)) for light in lights)


def make(seed: int, tier: str = "broadcast", surface: str | None = None) -> Venue:
    """Venue of a seed; ``surface`` overrides the drawn one.

    Raises
    ------
    ValueError
        The tier is not one of ``TIERS``.
    """
    if tier not in TIERS:
        raise ValueError(f"tier {tier!r} is not one of {', '.join(TIERS)}")
    rng = np.random.default_rng([seed, 71])
    odds = {
        "easy": (0.8, 0.1, 0.1), "broadcast": (0.5, 0.3, 0.2), "club": (0.55, 0.38, 0.07),
        "hostile": (0.25, 0.63, 0.12),
    }
    drawn = str(rng.choice(["hard", "clay", "grass"], p=odds[tier]))
    surface = surface or drawn
    inner, outer = _court_colours(rng, surface)
    club = tier in ("club", "hostile") and bool(rng.random() < (0.9 if tier == "club" else 0.6))
    kinds = {
        "easy": (0.3, 0.2, 0.5), "broadcast": (0.5, 0.3, 0.2), "club": (0.5, 0.15, 0.35),
        "hostile": (0.72, 0.18, 0.1),
    }
    kind = str(rng.choice(["sun", "floods", "soft"], p=kinds[tier]))
    ambient, lights = _lighting(rng, kind, tier)
    ambient, lights = _exposed(rng, ambient, lights, inner, outer)
    roof = kind != "sun" and bool(rng.random() < (0.3 if club else 0.6))
    edge = None
    wall_y = float(rng.uniform(17.8, 19.5) if club else rng.uniform(18.5, 23.0))
    side_x = float(rng.uniform(8.6, 11.0) if club else rng.uniform(9.6, 13.0))
    neighbours = club and bool(rng.random() < 0.3)
    if neighbours:
        side_x = float(rng.uniform(26.0, 30.0))
    shadowed = {"easy": 0.0, "hostile": 0.5}.get(tier, 0.3)
    if kind == "sun" and rng.random() < shadowed:
        angle = np.arctan2(lights[0].direction[1], lights[0].direction[0]) + np.pi
        angle += rng.uniform(-0.5, 0.5)
        edge = (float(np.cos(angle)), float(np.sin(angle)), float(rng.uniform(-8, 3)))
    wall_height = float(rng.uniform(2.6, 4.2) if club else rng.uniform(1.0, 3.2))
    wall_hue = float(rng.choice([0.3, 0.36, 0.4, 0.58, 0.6, 0.66, 0.75]))
    wall_colour = _hsv(wall_hue, rng.uniform(0.3, 0.8), rng.uniform(0.12, 0.42))
    banner_low = float(rng.uniform(0.08, 0.35))
    banner_high = banner_low + float(rng.uniform(0.6, 0.95))
    if club and rng.random() < 0.7:
        banner_low, banner_high = -2.0, -1.0
    fade = rng.uniform(0.15, 0.5) if tier == "hostile" else rng.uniform(0.0, 0.16)
    if surface != "clay":
        fade *= 0.6
    sky_level = rng.uniform(0.6, 1.0)
    sky: Colour = (0.45 * sky_level, 0.62 * sky_level, 0.9 * sky_level)
    if kind == "soft":
        sky = (0.75 * sky_level, 0.78 * sky_level, 0.8 * sky_level)
    white = float(rng.uniform(0.72, 0.9))
    doubles = bool(rng.random() < 0.92)
    return Venue(
        seed=seed,
        tier=tier,
        surface=surface,
        inner=inner,
        outer=outer,
        line=(white, white, white * float(rng.uniform(0.93, 1.0))),
        inner_half_m=(
            court.HALF_DOUBLES_M if doubles else court.HALF_SINGLES_M, court.HALF_LENGTH_M
        ),
        line_opacity=float(rng.uniform(0.6, 0.9) if tier == "hostile" else rng.uniform(0.85, 1.0)),
        line_fade=float(fade),
        doubles=doubles,
        line_width_m=float(rng.uniform(0.045, 0.055)),
        baseline_width_m=float(rng.choice([0.05, 0.08, 0.10, 0.10])),
        wall_y_m=wall_y,
        side_x_m=side_x,
        wall_height_m=wall_height,
        wall_colour=wall_colour,
        fence=club,
        slope=0.0 if club else float(rng.uniform(0.38, 0.6)),
        stand_depth_m=float(rng.uniform(9.0, 24.0)),
        crowd=float(rng.uniform(0.35, 0.97)),
        seat=_hsv(rng.uniform(0, 1), rng.uniform(0.1, 0.7), rng.uniform(0.25, 0.6)),
        beyond="roof" if roof or kind == "floods" else ("trees" if club or rng.random() < 0.3
                                                        else "sky"),
        sky=sky,
        banner_m=(banner_low, banner_high),
        ambient=ambient,
        lights=lights,
        shadow_edge=edge,
        texture=float(rng.uniform(0.7, 1.2)),
        mesh=float(rng.uniform(0.22, 0.42)),
        mesh_colour=(0.025, 0.028, 0.03),
        band_colour=(0.85, 0.85, 0.83),
        singles_sticks=bool(rng.random() < 0.5),
        neighbours=neighbours,
        words=scene_textures.choose_words(rng),
    )
