"""``rallymill bench`` resume, faults, hostile, season and long: what kills and worse do, how fast
answers come, what a match of hours takes."""

from __future__ import annotations

from pathlib import Path

import click


@click.command()
@click.argument("films", type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.option("--kills", type=click.IntRange(min=1), default=10, show_default=True)
@click.option("--seed", type=int, default=0, show_default=True, help="Seed of the moments.")
@click.option("--chunk-frames", type=click.IntRange(min=1), default=25, show_default=True,
              help="Frames after which detection keeps what it has.")
@click.option("--folder", type=click.Path(path_type=Path), default=Path("outputs/bench_resume"),
              show_default=True, help="Where the tables go; emptied first.")
def resume(films: Path, kills: int, seed: int, chunk_frames: int, folder: Path) -> int:
    """Kill a run over FILMS at random moments, finish it, compare with an uninterrupted run.

    Exit code: 0 the tables are the same and nothing that was finished was made again, 1 otherwise.
    """
    from rallymill import benchmark_resume

    report = benchmark_resume.kill_and_resume(
        films, folder, kills, seed, lambda line: click.echo(line), chunk_frames
    )
    click.echo(report.text(), nl=False)
    return 0 if report.good else 1


@click.command("season")
@click.option("--matches", type=click.IntRange(min=6), default=100, show_default=True)
@click.option("--seed", type=int, default=205_000, show_default=True, help="Seed of the matches.")
@click.option("--folder", type=click.Path(path_type=Path), default=Path("outputs/bench_season"),
              show_default=True, help="Where matches and season go; emptied first.")
@click.option("--table", type=click.Path(path_type=Path), help="Write the table to this file too.")
def season_bench(matches: int, seed: int, folder: Path, table: Path | None) -> int:
    """Simulate a season at table level, add it, roll it up and ask every named question.

    Exit code: 0 every time and the memory keep to their goals, 1 otherwise.
    """
    from rallymill import benchmark_season

    report = benchmark_season.run(folder, matches, seed, lambda line: click.echo(line, err=True))
    click.echo(report.text(), nl=False)
    if table is not None:
        table.write_text(report.text(), encoding="utf-8")
    return 0 if report.good else 1


@click.command()
@click.argument("film", type=click.Path(path_type=Path, exists=True, dir_okay=False),
                required=False)
@click.option("--minutes", type=click.FloatRange(min=0.5), default=120.0, show_default=True,
              help="Length of the film that is made and read.")
@click.option("--tables", is_flag=True,
              help="Instead, how the stages after detection grow with a match that is not drawn.")
@click.option("--folder", type=click.Path(path_type=Path), default=Path("outputs/bench_long"),
              show_default=True, help="Where film and tables go; emptied first.")
@click.option("--table", type=click.Path(path_type=Path), help="Write the table to this file too.")
def long(
    film: Path | None, minutes: float, tables: bool, folder: Path, table: Path | None
) -> int:
    """Read a match of hours and watch time and memory.

    FILM, or the sample clip of a broadcast, is played over and over with cutaways between.

    Exit code: 0 it was read faster than it plays, within 4 GiB (with --tables: no stage takes
    longer a minute of a long match, and two hours stay within 4 GiB), 1 otherwise.
    """
    from rallymill import benchmark_long, benchmark_long_memory, benchmark_long_tables
    from rallymill.config import home

    def say(line: str) -> None:
        click.echo(line, err=True)

    if tables:
        made, sheet = benchmark_long_tables.films()
        held = benchmark_long_memory.measure(say, made, sheet)
        rows = benchmark_long_tables.growth(say, made, sheet)
        text = f"{benchmark_long_tables.text(rows)}\n{benchmark_long_memory.text(held)}"
        good = benchmark_long_tables.good(rows) and benchmark_long_memory.good(held)
    else:
        source = film or home() / "sample_clips" / "broadcast.mp4"
        report = benchmark_long.run(source, minutes, folder, say)
        text, good = report.text(), report.good
    click.echo(text, nl=False)
    if table is not None:
        table.write_text(text, encoding="utf-8")
    return 0 if good else 1


@click.command()
@click.option("--runs", type=click.IntRange(min=1), default=240, show_default=True)
@click.option("--seed", type=int, default=0, show_default=True, help="Seed of faults and moments.")
@click.option("--folder", type=click.Path(path_type=Path), default=Path("outputs/bench_faults"),
              show_default=True, help="Where films and tables go; emptied first.")
@click.option("--table", type=click.Path(path_type=Path), help="Write the table to this file too.")
def faults(runs: int, seed: int, folder: Path, table: Path | None) -> int:
    """Kill, starve and damage runs over small films, and check that all comes out whole.

    Exit code: 0 after every fault and one more run in peace nothing was lost, doubled, different
    or left over, 1 otherwise.
    """
    from rallymill import benchmark_faults

    report = benchmark_faults.run(folder, runs, seed, lambda line: click.echo(line, err=True))
    click.echo(report.text(), nl=False)
    if table is not None:
        table.write_text(report.text(), encoding="utf-8")
    return 0 if report.good else 1


@click.command()
@click.option("--inputs", type=click.IntRange(min=1), default=10_000, show_default=True)
@click.option("--seed", type=int, default=0, show_default=True, help="Seed of the inputs.")
@click.option("--kind", "kinds", multiple=True,
              help="Only this kind of input, with its share; may be given again.")
@click.option("--first", type=click.IntRange(min=0), default=0, show_default=True,
              help="Number of the first input of each kind, to go on from.")
@click.option("--folder", type=click.Path(path_type=Path), default=Path("outputs/bench_hostile"),
              show_default=True, help="Where inputs go; emptied first.")
@click.option("--table", type=click.Path(path_type=Path), help="Write the table to this file too.")
def hostile(
    inputs: int, seed: int, kinds: tuple[str, ...], first: int, folder: Path, table: Path | None
) -> int:
    """Give damaged and malicious files, sheets, questions and names to all that reads such.

    Exit code: 0 none ended in a traceback, wrote where it must not, or hung; 1 otherwise.
    """
    from rallymill import benchmark_hostile

    counts = benchmark_hostile.counts_of(inputs)
    for kind in kinds:
        if kind not in counts:
            raise click.BadParameter(f"{kind}; known are {', '.join(counts)}", param_hint="--kind")
    chosen = {kind: count for kind, count in counts.items() if not kinds or kind in kinds}
    report = benchmark_hostile.run(
        folder, chosen, seed, lambda line: click.echo(line, err=True), first)
    click.echo(report.text(), nl=False)
    if table is not None:
        table.write_text(report.text(), encoding="utf-8")
    return 0 if report.good else 1
