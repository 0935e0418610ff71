"""``rallymill bench``: longer measurements with their own commands."""

from __future__ import annotations

import logging
from pathlib import Path

import click

from rallymill.cli.bench_detect import detect
from rallymill.cli.bench_flags import flags
from rallymill.cli.bench_runs import faults, hostile, long, resume, season_bench
from rallymill.config import home


@click.group()
def bench() -> None:
    """Measure accuracy on fresh films, and what a kill does to a run. Takes minutes."""


@bench.command()
@click.option("--clips", type=click.IntRange(min=1), default=10, show_default=True)
@click.option("--first-seed", type=int, default=200_000, show_default=True)
@click.option("--seconds", type=float, default=16.0, show_default=True, help="Length of a film.")
@click.option("--workers", type=click.IntRange(min=1), default=1, show_default=True)
@click.option("--folder", type=click.Path(path_type=Path), default=Path("outputs/bench_fresh"),
              show_default=True, help="Where films and tables go.")
@click.option("--table", type=click.Path(path_type=Path), help="Write the table to this file too.")
def fresh(
    clips: int, first_seed: int, seconds: float, workers: int, folder: Path, table: Path | None
) -> int:
    """Render films with seeds that were never used in training, read and score them.

    The score of the sample clips stands beside it where they have been read into outputs.
    """
    from rallymill import benchmarks

    logging.getLogger("rallymill.arena").setLevel(logging.INFO)
    samples = (home() / "outputs", home() / "sample_clips")
    text = benchmarks.fresh(folder, first_seed, clips, seconds, workers, samples)
    click.echo(text, nl=False)
    if table is not None:
        table.write_text(text, encoding="utf-8")
    return 0


@bench.command()
@click.option("--films", type=click.IntRange(min=1), default=6, show_default=True)
@click.option("--seconds", type=click.FloatRange(min=1.0), default=25.0, show_default=True,
              help="Longest film.")
@click.option("--first-seed", type=int, default=200_700, show_default=True)
@click.option("--workers", type=click.IntRange(min=1), default=1, show_default=True)
@click.option("--folder", type=click.Path(path_type=Path), default=Path("outputs/bench_court"),
              show_default=True, help="Where films go.")
@click.option("--keep", is_flag=True, help="Keep the films for another run.")
@click.option("--table", type=click.Path(path_type=Path), help="Write the table to this file too.")
def court(
    films: int, seconds: float, first_seed: int, workers: int, folder: Path, keep: bool,
    table: Path | None,
) -> int:
    """Find views and court on fresh films of all tiers and compare with the truth.

    Tiers take turns with the seeds. No detector runs. Times are taken at the end, one film at a
    time.
    """
    from rallymill import benchmark_court

    text = benchmark_court.run(
        first_seed, films, seconds, workers, folder, keep,
        lambda line: click.echo(line, err=True),
    )
    click.echo(text, nl=False)
    if table is not None:
        table.write_text(text, encoding="utf-8")
    return 0


@bench.command()
@click.option("--films", type=click.IntRange(min=1), default=12, show_default=True,
              help="Films of each tier.")
@click.option("--first-seed", type=int, default=200_500, show_default=True)
@click.option("--seconds", type=click.FloatRange(min=5.0), default=40.0, show_default=True,
              help="Length of a film.")
@click.option("--workers", type=click.IntRange(min=1), default=1, show_default=True)
@click.option("--without", is_flag=True,
              help="Contacts with and without each part of reading the flight.")
@click.option("--table", type=click.Path(path_type=Path), help="Write the table to this file too.")
def shots(
    films: int, first_seed: int, seconds: float, workers: int, without: bool, table: Path | None
) -> int:
    """Measure what comes after detection on many points that are simulated but not drawn.

    Boxes with misses, noise and clutter stand for the detector's; everything after is real.
    """
    from datetime import date

    from rallymill import benchmark_ablation, benchmark_shots
    from rallymill.benchmarks import side_by_side
    from rallymill.scoring import deviations
    from rallymill.scoring.run import score_clips

    def tell(line: str) -> None:
        click.echo(line, err=True)

    more = ""
    if without:
        found = benchmark_ablation.run(first_seed, films, seconds, workers, tell)
    else:
        read = benchmark_shots.read_films(first_seed, films, seconds, workers, tell)
        found = {tier: score_clips(clips) for tier, clips in read.items()}
        more = (
            "\n## Normalised errors\n\nErrors divided by their stated deviations: mean square, "
            f"which should be {deviations.LOW:g} to {deviations.HIGH:g}, and share beyond "
            f"three.\n\n{deviations.table(read)}"
        )
    measured = {tier: benchmark_shots.overall(rows) for tier, rows in found.items()}
    title = "Each part of reading the flight left out" if without else "After detection"
    text = (
        f"# {title}, on films that are not drawn\n\n"
        f"`rallymill bench shots --films {films} --first-seed {first_seed} --seconds {seconds:g}"
        f"{' --without' if without else ''}`, "
        f"{date.today().isoformat()}.\n\n{side_by_side(measured)}{more}"
    )
    click.echo(text, nl=False)
    if table is not None:
        table.write_text(text, encoding="utf-8")
    return 0


bench.add_command(resume)
bench.add_command(season_bench)
bench.add_command(faults)
bench.add_command(long)
bench.add_command(detect)
bench.add_command(hostile)
bench.add_command(flags)


@bench.command()
@click.option("--points", type=click.IntRange(min=1), default=600, show_default=True,
              help="Points of men's and of women's tour; college and club get half.")
@click.option("--first-seed", type=click.IntRange(min=0), default=210_000, show_default=True)
@click.option("--surface", type=click.Choice(["hard", "clay", "grass"]), default="hard",
              show_default=True)
@click.option("--table", type=click.Path(path_type=Path), help="Write the table to this file too.")
def play(points: int, first_seed: int, surface: str, table: Path | None) -> int:
    """Simulate points without pictures and hold their figures against published ones.

    Exit code: 0 every figure of tour play lies inside its published range, 1 otherwise.
    """
    from datetime import date

    from rallymill.arena import play_table

    found = play_table.samples(first_seed, points, surface)
    command = f"rallymill bench play --points {points} --first-seed {first_seed}"
    if surface != "hard":
        command += f" --surface {surface}"
    text = (
        "# Simulated play beside published figures\n\n"
        f"`{command}`, {date.today().isoformat()}.\n\n{play_table.report(found)}"
    )
    click.echo(text, nl=False)
    if table is not None:
        table.write_text(text, encoding="utf-8")
    return 1 if play_table.outside(found) else 0


@bench.command()
@click.option("--count", type=click.IntRange(min=1), default=200, show_default=True)
@click.option("--first-seed", type=click.IntRange(min=0), default=220_000, show_default=True)
def scenes(count: int, first_seed: int) -> int:
    """Check random scenes against physics, bodies, schemas and the rules of tennis.

    Exit code: 0 nothing is wrong, 1 otherwise.
    """
    from rallymill.arena import play_checks

    wrong = 0
    for number in range(count):
        seed, world = play_checks.scene(first_seed + number)
        for fault in play_checks.faults(world):
            wrong += 1
            click.echo(f"seed {seed}: {fault}")
    click.echo(f"{count} scenes, {len(play_checks.CHECKS)} kinds of checks, {wrong} faults")
    return 1 if wrong else 0
