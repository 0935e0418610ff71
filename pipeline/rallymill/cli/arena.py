"""``rallymill arena``: films of simulated rallies, a sheet of frames, the renderer's speed."""

from __future__ import annotations

import importlib
import logging
from pathlib import Path

import click


@click.group()
def arena() -> None:
    """Make films of simulated rallies with known truth."""


def _say_progress() -> None:
    # Drawing takes minutes; the arena says how far it is.
    logging.getLogger("rallymill.arena").setLevel(logging.INFO)


@arena.command()
@click.argument("config", type=click.Path(path_type=Path, exists=True, dir_okay=False))
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    required=True,
    help="Folder for the film, its match sheet and its truth.",
)
@click.option("--split", type=click.Choice(["training", "validation", "test"]), default="test",
              show_default=True, help="Split of a tier's films.")
@click.option("--count", type=click.IntRange(min=1), default=1, show_default=True,
              help="Films of a tier.")
@click.option("--first", type=click.IntRange(min=0), default=0, show_default=True,
              help="Number of the first film within the split.")
def render(config: Path, out: Path, split: str, count: int, first: int) -> int:
    """Render the film that CONFIG describes, or films of a tier, with match sheet and truth.

    A file with `splits` describes a tier (easy, club, broadcast, hostile in configs/arena), any
    other one film.

    \b
    Examples:
      rallymill arena render configs/arena/sample_club.yaml --out sample_clips
      rallymill arena render configs/arena/hostile.yaml --split test --count 3 --out films
    """
    film = importlib.import_module("rallymill.arena.film")
    film_tier = importlib.import_module("rallymill.arena.film_tier")
    _say_progress()
    if film_tier.is_tier(config):
        configs = film_tier.films(film_tier.load_tier(config), split, count, first)
    else:
        configs = [film.load_config(config)]
    for one in configs:
        click.echo(film.render(film.make(one), out))
    return 0


@arena.command()
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False),
              default=Path("outputs/arena_sheet.png"), show_default=True, help="The picture.")
@click.option("--first-seed", type=click.IntRange(min=0), default=0, show_default=True)
@click.option("--count", type=click.IntRange(min=1), default=48, show_default=True)
@click.option("--columns", type=click.IntRange(min=1), default=6, show_default=True)
@click.option("--plain", is_flag=True, help="Without the codecs and scaling of a chain.")
def sheet(out: Path, first_seed: int, count: int, columns: int, plain: bool) -> int:
    """Draw frames of many seeds, all tiers in turn, into one picture with captions."""
    module = importlib.import_module("rallymill.arena.sheet")
    _say_progress()
    click.echo(module.write(out, first_seed, count, columns, plain))
    return 0


@arena.command()
@click.option("--frames", type=click.IntRange(min=2), default=40, show_default=True,
              help="Frames that each process draws.")
@click.option("--processes", type=click.IntRange(min=1), multiple=True, default=(1, 2),
              show_default=True)
@click.option("--tier", default="broadcast", show_default=True)
@click.option("--seed", type=click.IntRange(min=0), default=300_003, show_default=True)
def speed(frames: int, processes: tuple[int, ...], tier: str, seed: int) -> int:
    """Measure how many frames of 1280 x 720 are drawn in a second by so many processes."""
    module = importlib.import_module("rallymill.arena.speed")
    for number in processes:
        click.echo(module.measure(number, frames, tier, seed).text())
    return 0
