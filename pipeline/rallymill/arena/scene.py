"""The place of play: court, surroundings and light, drawn at random from a seed.

A venue is plain data; :meth:`Venue.vector` packs it for the compiled shaders.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from rallymill import court
from rallymill.arena import scene_textures
from rallymill.arena import shade_venue as place
from rallymill.arena.looks import Split
from rallymill.arena.scene_ground import Bar, Line, other_lines, shadow_bar
from rallymill.arena.scene_light import Light, court_colours, exposed, hsv, lighting
from rallymill.arena.world import Colour

Array = NDArray[np.float64]
Image = NDArray[np.float32]
TIERS = ("easy", "broadcast", "club", "hostile")
NEIGHBOUR_X_M = 18.3
"""From the middle of a court to that of the next one; common practice, no source."""
FIRST_VALIDATION_SEED = 100_000
FIRST_TEST_SEED = 110_000


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
    other_lines: tuple[Line, ...] = ()
    broken: float = 0.0
    """How much of the lines' paint has come off in patches, 0 to 1."""
    dapple: float = 0.0
    """Brightness of spots of sun under trees, of the full sun."""
    bar: Bar | None = None
    lamps: float = 0.0
    glitter: float = 0.0
    logos: bool = False
    litter: int = 0
    """Things that lie about: balls, bottles, bags, towels."""
    passers: int = 0
    """People who walk or stand behind and beside the court."""

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
        put(place.V_BROKEN, self.broken, 0.0, self.dapple)
        if self.bar is not None:
            put(place.V_BAR_NX, *self.bar)
        put(place.V_LAMPS, self.lamps, self.glitter)
        return v

    def line_rows(self) -> Array:
        """Painted rectangles (N, 8): x low, x high, y low, y high, opacity, colour."""
        rows: list[list[float]] = [list(line) for line in self.other_lines]
        painted = court.lines(self.doubles, self.line_width_m, self.baseline_width_m)
        offsets = (0.0, -NEIGHBOUR_X_M, NEIGHBOUR_X_M) if self.neighbours else (0.0,)
        for offset in offsets:
            for line in painted:
                corners = line.corners()
                low, high = corners.min(0), corners.max(0)
                rows.append(
                    [low[0] + offset, high[0] + offset, low[1], high[1], 1.0, *self.line]
                )
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
        return scene_textures.ground(
            self.seed, self.surface, self.tier, self.words if self.logos else ()
        )

    def banners(self) -> tuple[Image, Image]:
        """Advertising boards at two scales, linear light."""
        return scene_textures.banners(self.seed, self.words, self.wall_colour)


def split_of(seed: int) -> Split:
    """The split that a seed belongs to; sample clips (300,000 on) look like the test split.

    Seeds 0 to 99,999 are for training, 100,000 to 109,999 for validation, the others for tests.
    The splits share no seed, so no venue, no texture and no player; their kits have hues of their
    own (see ``looks``). The test split alone has: purple, magenta and bare asphalt hard courts
    and green clay (``scene_light``); steep and far-off-axis main cameras (``camera_work``); score
    graphics in a strip across the picture (``graphics``).
    """
    if seed < FIRST_VALIDATION_SEED:
        return "train"
    return "validation" if seed < FIRST_TEST_SEED else "test"


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
    split = split_of(seed)
    odds = {
        "easy": (0.8, 0.1, 0.1), "broadcast": (0.5, 0.3, 0.2), "club": (0.55, 0.38, 0.07),
        "hostile": (0.25, 0.63, 0.12),
    }
    drawn = str(rng.choice(["hard", "clay", "grass"], p=odds[tier]))
    surface = surface or drawn
    inner, outer = court_colours(rng, surface, split)
    club = tier in ("club", "hostile") and bool(rng.random() < (0.9 if tier == "club" else 0.6))
    kinds = {
        "easy": (0.3, 0.2, 0.5), "broadcast": (0.5, 0.3, 0.2), "club": (0.5, 0.15, 0.35),
        "hostile": (0.72, 0.18, 0.1),
    }
    kind = str(rng.choice(["sun", "floods", "soft"], p=kinds[tier]))
    ambient, lights = lighting(rng, kind, tier)
    ambient, lights = exposed(rng, ambient, lights, inner, outer)
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
    hard_going = tier in ("club", "hostile")
    bar = None
    if kind == "sun" and rng.random() < {"easy": 0.0, "broadcast": 0.15}.get(tier, 0.25):
        bar = shadow_bar(rng, lights[0].direction)
    wall_height = float(rng.uniform(2.6, 4.2) if club else rng.uniform(1.0, 3.2))
    wall_hue = float(rng.choice([0.3, 0.36, 0.4, 0.58, 0.6, 0.66, 0.75]))
    wall_colour = hsv(wall_hue, rng.uniform(0.3, 0.8), rng.uniform(0.12, 0.42))
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
    white = float(rng.uniform(0.6 if hard_going else 0.72, 0.9))
    shared = club and surface == "hard" and bool(rng.random() < 0.35)
    broken = 0.0
    if hard_going and rng.random() < (0.5 if tier == "hostile" else 0.25):
        broken = float(rng.uniform(0.2, 0.8))
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
        seat=hsv(rng.uniform(0, 1), rng.uniform(0.1, 0.7), rng.uniform(0.25, 0.6)),
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
        other_lines=other_lines(rng) if shared else (),
        broken=broken,
        dapple=float(rng.uniform(0.4, 1.0)) if edge and club and rng.random() < 0.6 else 0.0,
        bar=bar,
        lamps=float(rng.uniform(0.25, 0.7)) if roof and rng.random() < 0.6 else 0.0,
        glitter=0.0 if tier == "easy" else float(rng.uniform(0.0, 0.02)),
        logos=not club and bool(rng.random() < 0.5),
        litter=int(rng.integers(0, {"easy": 2, "broadcast": 7}.get(tier, 16))),
        passers=int(rng.integers(0, 6)) if hard_going and rng.random() < 0.6 else 0,
    )
