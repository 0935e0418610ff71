"""Make a film of a simulated match: moving pictures, match sheet and truth.

``make`` decides everything from a :class:`FilmConfig`; ``render`` draws it and writes
``<name>.mp4``, ``<name>.sheet.yaml`` and ``<name>.truth.<table>.parquet``.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import yaml
from numpy.typing import NDArray

from rallymill import tableio, tables
from rallymill.arena import (
    film_left,
    film_truth,
    graphics,
    play,
    render_develop,
    scene,
    scene_life,
)
from rallymill.arena.film_config import PLAYERS, FilmConfig, load_config
from rallymill.arena.film_plan import Segment, frame_time_s, plan
from rallymill.arena.film_score import Standing, standings
from rallymill.arena.film_shoot import Exposure, shoot
from rallymill.arena.render import Renderer
from rallymill.arena.render_seen import Picture
from rallymill.arena.world import World
from rallymill.camera import Camera

__all__ = ["Film", "FilmConfig", "FilmFrame", "load_config", "make", "render"]
Bytes = NDArray[np.uint8]
LOG = logging.getLogger(__name__)


@dataclass(frozen=True)
class Film:
    """A film before it is drawn."""

    config: FilmConfig
    world: World
    venue: scene.Venue
    segments: tuple[Segment, ...]
    processing: render_develop.Processing
    sheet: dict[str, Any]
    truth: dict[str, pa.Table]
    standings: tuple[Standing, ...]

    @property
    def n_frames(self) -> int:
        """Number of frames."""
        return self.segments[-1].last_frame + 1

    def codes(self) -> dict[str, str]:
        """Code of each player's name, for the names in the truth and those in the sheet."""
        found = {}
        profiles = getattr(self.world, "profiles", ())
        for side, profile in zip(("near", "far"), profiles, strict=False):
            found[profile.name] = self.sheet["players"][side]["code"]
        return found


@dataclass(frozen=True)
class FilmFrame:
    """A drawn frame; ``camera`` and ``picture`` only where the main camera is on."""

    frame: int
    t_s: float
    view_id: int
    world_s: float
    image: Bytes
    camera: Camera | None
    picture: Picture | None


def _sheet(config: FilmConfig, world: World, truth: dict[str, pa.Table]) -> dict[str, Any]:
    rng = np.random.default_rng([config.seed, 84])
    women = [world.looks[0].woman, world.looks[1].woman]
    pool = PLAYERS[:2] if women[0] else PLAYERS[2:]
    pair = [pool[int(i)] for i in rng.permutation(2)]
    players = {}
    for side, (code, name), look in zip(("near", "far"), pair, world.looks[:2], strict=True):
        hand = "right" if look.right_handed else "left"
        players[side] = {"name": name, "code": code, "hand": hand}
    servers = truth["points"].column("server").to_pylist()
    return {
        "event": config.event,
        "venue": config.venue,
        "date": config.date,
        "surface": world.surface,
        "players": players,
        "first_server": servers[0] if servers else None,
        "score": "0-0, 0-0",
    }


def make(config: FilmConfig) -> Film:
    """Film of a configuration: world, venue, cameras and cuts; nothing is drawn yet."""
    venue = scene.make(config.seed, config.tier, config.surface)
    world: World = play.simulate(
        config.seed,
        config.n_points,
        surface=venue.surface,
        level=config.level or ("club" if config.tier == "club" else "tour"),  # type: ignore[arg-type]
        split=scene.split_of(config.seed),
        pause_s=config.pause_s,
        idle_ball=config.idle_ball,  # type: ignore[arg-type]
    )
    world = scene_life.peopled(world, venue)
    truth = world.truth()
    segments = plan(config, world, venue, truth["points"])
    rng = np.random.default_rng([config.seed, 85])
    return Film(
        config, world, venue, tuple(segments), render_develop.draw_processing(rng, config.tier),
        _sheet(config, world, truth), truth, tuple(standings(truth["points"])),
    )


class _Artist:
    """Draws the frames of a film one by one."""

    def __init__(self, film: Film) -> None:
        self.film = film
        self.renderer = Renderer(film.venue, film.world)
        self._overlay: tuple[Standing | None, Bytes | None] = (None, None)

    def score(self, world_s: float) -> Bytes | None:
        """Score graphic at a moment of the world."""
        config = self.film.config
        if not config.score_graphic:
            return None
        past = [s for s in self.film.standings if s.from_s <= world_s]
        standing = past[-1] if past else Standing(0.0, (0, 0), ("0", "0"), 0)
        if self._overlay[0] != standing:
            players = self.film.sheet["players"]
            names = tuple(players[side]["name"].split()[-1].upper() for side in ("near", "far"))
            graphic = graphics.score_graphic(
                config.seed, config.width_px, config.height_px, names,  # type: ignore[arg-type]
                standing.games, standing.points, standing.server, scene.split_of(config.seed),
            )
            self._overlay = (standing, graphic)
        return self._overlay[1]

    def draw(
        self, segment: Segment, frame: int
    ) -> tuple[Bytes, Camera | None, Picture | None, float]:
        """Frame of a segment (or beyond its end, for a wipe)."""
        config = self.film.config
        since_s = frame_time_s(frame, config.rate) - frame_time_s(segment.first_frame, config.rate)
        world_s = segment.world_s + segment.speed * since_s
        if segment.work is None:
            size = (config.width_px, config.height_px)
            return graphics.full_screen(segment.number, *size, since_s), None, None, world_s
        exposure = Exposure(
            config.shutter_s, float(config.rate), config.fields, config.readout_s
        )
        image, picture = shoot(
            self.renderer, segment.work, world_s, exposure, self.film.processing,
            (config.seed, frame), frame, segment.speed,
        )
        if segment.kind == "main":
            overlay = self.score(world_s)
            if overlay is not None:
                graphics.lay_over(image, overlay)
                picture = graphics.hide_balls(picture, overlay)
        return image, segment.work.at(world_s), picture, world_s


def frames(film: Film) -> Iterator[FilmFrame]:
    """Draw the frames of a film in order."""
    config = film.config
    artist = _Artist(film)
    for view_id, segment in enumerate(film.segments):
        for frame in range(segment.first_frame, segment.last_frame + 1):
            image, camera, picture, world_s = artist.draw(segment, frame)
            if segment.wipe_s > 0:
                image = _wiped(film, artist, view_id, frame, image)
            is_main = segment.label == "main"
            yield FilmFrame(
                frame, frame_time_s(frame, config.rate), view_id, world_s, image,
                camera if is_main else None, picture if is_main else None,
            )


def _wiped(film: Film, artist: _Artist, view_id: int, frame: int, image: Bytes) -> Bytes:
    """Frame of a replay with the wipe from or to its neighbours at its ends."""
    segment = film.segments[view_id]
    length = max(round(segment.wipe_s * film.config.rate), 1)
    since, left = frame - segment.first_frame, segment.last_frame - frame
    if since < length and view_id > 0:
        other = artist.draw(film.segments[view_id - 1], frame)[0]
        return graphics.wipe(other, image, (since + 0.5) / length, film.config.seed)
    if left < length and view_id + 1 < len(film.segments):
        other = artist.draw(film.segments[view_id + 1], frame)[0]
        return graphics.wipe(image, other, 1 - (left + 0.5) / length, film.config.seed)
    return image


def _write(
    film: Film, path: Path
) -> tuple[list[film_truth.Row], list[film_truth.Row], film_left.BallsLeft]:
    """Draw and code a film; rows of its frames and tracks, and what to ask for balls left."""
    from rallymill.video import Writer  # PyAV is not installed on every host that trains

    config, match_id = film.config, path.stem
    frame_rows: list[film_truth.Row] = []
    track_rows: list[film_truth.Row] = []
    bound = None
    if config.bits_per_pixel is not None:
        pixels_per_s = config.width_px * config.height_px * float(config.rate)
        bound = round(config.bits_per_pixel * pixels_per_s)
    left = film_left.BallsLeft(config.rate)
    with Writer(
        path, config.width_px, config.height_px, config.rate, config.crf, codec=config.codec,
        most_bits_per_s=bound,
    ) as out:
        for drawn in frames(film):
            out.write(drawn.image, drawn.t_s)
            if drawn.camera is not None and drawn.picture is not None:
                frame_rows.append(
                    film_truth.frame_row(
                        match_id, drawn.frame, drawn.t_s, drawn.view_id, drawn.camera
                    )
                )
                track_rows += film_truth.track_rows(
                    match_id, drawn.frame, drawn.t_s, film.world, drawn.world_s, drawn.camera,
                    drawn.picture,
                )
            balls = drawn.picture.balls if drawn.picture is not None else ()
            box = next((one.box_px for one in balls if one.index == 0 and one.visible), None)
            left.add(drawn.frame, drawn.view_id, drawn.image, box)
            if drawn.frame % 100 == 99:
                LOG.info("%s: frame %d of %d", path.name, drawn.frame + 1, film.n_frames)
    return frame_rows, track_rows, left


def render(film: Film, path: Path) -> Path:
    """Draw a film and write it with its match sheet and truth; returns the film's path.

    ``path`` is the film's own path, ending in ``.mp4``, or a folder for ``<name>.mp4``. Where the
    codec leaves fewer of the balls than ``config.balls_left``, the film is coded finer until it
    leaves them.
    """
    path = Path(path)
    if path.suffix != ".mp4":
        path = path / f"{film.config.name}.mp4"
    match_id = path.stem
    while True:
        frame_rows, track_rows, left = _write(film, path)
        config = film.config
        lost = left.lost(path)
        share = left.share(lost)
        finer = film_left.finer(config)
        if share >= config.balls_left or finer is None:
            break
        LOG.info("%s: %.2f of balls left at crf %d, drawn again", path.name, share, config.crf)
        film = replace(film, config=finer)
    found = film_truth.play_tables(match_id, film.truth, film.segments, config.rate, film.codes())
    found["views"] = film_truth.views(match_id, film.segments, config.rate)
    found["frames"] = tableio.from_rows(tables.FRAMES, frame_rows)
    track_rows = film_left.without_lost(track_rows, lost, film_truth.BALL_TRACK_ID)
    found["tracks"] = tableio.from_rows(tables.TRACKS, track_rows)
    for name, table in found.items():
        file = path.with_name(f"{match_id}.truth.{name}.parquet")
        tableio.write(file, tables.ALL[name], table)
    sheet = path.with_name(f"{match_id}.sheet.yaml")
    sheet.write_text(yaml.safe_dump(film.sheet, sort_keys=False, allow_unicode=True))
    return path
