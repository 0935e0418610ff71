"""``rallymill bench flags``: the rules against planted behaviour, and on measured tables."""

from __future__ import annotations

from pathlib import Path

import click


@click.command()
@click.option("--worlds", type=click.IntRange(min=0), default=4, show_default=True,
              help="Stretches of simulated play at each level to plant behaviour into; 0: none.")
@click.option("--points", type=click.IntRange(min=1), default=25, show_default=True,
              help="Points of a stretch.")
@click.option("--films", type=click.IntRange(min=0), default=4, show_default=True,
              help="Films of each tier, simulated but not drawn, to measure; 0: none.")
@click.option("--seconds", type=click.FloatRange(min=5.0), default=40.0, show_default=True,
              help="Length of such a film.")
@click.option("--first-seed", type=int, default=200_700, show_default=True)
@click.option("--out", type=click.Path(path_type=Path, exists=True, file_okay=False),
              help="Tables of a run over films, instead of films that are not drawn.")
@click.option("--truth", type=click.Path(path_type=Path, exists=True, file_okay=False),
              help="Folder of those films, with their truth beside them.")
@click.option("--level", type=click.Choice(["club", "college", "tour"]), default="tour",
              show_default=True, help="Level of play whose thresholds are taken for films.")
@click.option("--fit", is_flag=True,
              help="Fit the map of confidences to films for validation instead; print its shares.")
@click.option("--workers", type=click.IntRange(min=1), default=1, show_default=True)
@click.option("--table", type=click.Path(path_type=Path), help="Write the tables to this file too.")
def flags(
    worlds: int, points: int, films: int, seconds: float, first_seed: int, out: Path | None,
    truth: Path | None, level: str, fit: bool, workers: int, table: Path | None,
) -> int:
    """Measure the rules: what they find of planted behaviour, and what measurement costs.

    Planted: on true tables, at least 95 % of what players were made to do is found and at most 3 %
    of what was done right is flagged. Measured: flags on measured tables against those of the same
    rules on the truth, F1 at least 0.90 over all and 0.80 for every rule with 20 cases or more.
    What truth has only where it is taken as exact lies too near a threshold to count either way.

    Exit code: 0 every bound is kept, 1 otherwise.
    """
    from datetime import date

    from rallymill import benchmark_flags, benchmark_planted
    from rallymill.arena.scene import split_of

    if (out is None) != (truth is None):
        raise click.UsageError("--out and --truth go together: give both or neither")

    def tell(line: str) -> None:
        click.echo(line, err=True)

    if fit:
        if split_of(first_seed) != "validation":
            raise click.UsageError(
                "--fit needs films for validation: give --first-seed 100000 to 109999")
        read = benchmark_flags.films_of(first_seed, films, seconds, workers, tell)
        click.echo(f"SHARES = {benchmark_flags.fitted(read)}")
        return 0
    text, good = f"# Flags\n\nMeasured {date.today().isoformat()}.\n", True
    if worlds:
        counts = benchmark_planted.run(first_seed, worlds, points, tell)
        good = all(count.good for count in counts)
        text += (
            "\n## Planted behaviour on true tables\n\n`rallymill bench flags --films 0 --worlds "
            f"{worlds} --points {points} --first-seed {first_seed}`\n\n"
            f"{benchmark_planted.table(counts)}"
        )
    found, command = None, ""
    if out is not None and truth is not None:
        found = benchmark_flags.of_folder(out, truth, level)
        command = f"rallymill bench flags --worlds 0 --out {out.name} --truth {truth.name}"
    elif films:
        found = benchmark_flags.simulated(first_seed, films, seconds, level, workers, tell)
        command = (
            f"rallymill bench flags --worlds 0 --films {films} --seconds {seconds:g} --first-seed "
            f"{first_seed}")
    if found is not None:
        command += f" --level {level}"
        good = good and found.good
        left_out = "".join(f"Left out: {reason}.\n\n" for reason in found.left_out)
        text += (
            f"\n## Measured tables against the truth, {found.clips} films\n\n`{command}`\n\n"
            f"{left_out}{benchmark_flags.table(found)}"
        )
    click.echo(text, nl=False)
    if table is not None:
        table.write_text(text, encoding="utf-8")
    return 0 if good else 1
