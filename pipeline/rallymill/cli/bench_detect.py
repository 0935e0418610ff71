"""``rallymill bench detect``: the detector alone, on drawn films and on real pictures."""

from __future__ import annotations

from pathlib import Path

import click

from rallymill import config as configuration
from rallymill.config import home
from rallymill.runner.registry import load_stages

FOLDER = click.Path(path_type=Path, exists=True, file_okay=False)
FILE = click.Path(path_type=Path, exists=True, dir_okay=False)
CONFIDENCE = 0.4
"""F1 of the ball on 25 validation films, seeds 100400 to 100422 and 100600 to 100614, is flat from
0.3 to 0.5; its highest is at 0.36."""


@click.command()
@click.option("--films", type=FOLDER, help="Films with their truth; without it, some are drawn.")
@click.option("--count", type=click.IntRange(min=1), default=10, show_default=True,
              help="Films to draw.")
@click.option("--first-seed", type=int, default=200_600, show_default=True)
@click.option("--seconds", type=click.FloatRange(min=1.0), default=8.0, show_default=True,
              help="Length of a film that is drawn.")
@click.option("--folder", type=click.Path(path_type=Path), default=Path("outputs/bench_detect"),
              show_default=True, help="Where films that are drawn go.")
@click.option("--validation", type=FOLDER,
              help="Films on which the confidence with the best F1 is looked for.")
@click.option("--confidence", type=click.FloatRange(0, 1), default=CONFIDENCE, show_default=True,
              help="Confidence from which a ball box is an answer, without --validation.")
@click.option("--every", type=click.IntRange(min=1), default=10, show_default=True,
              help="Score one of so many runs of frames.")
@click.option("--real", type=FILE, help="A real film whose people are labelled.")
@click.option("--labels", type=FILE, help="Boxes of its people.  "
              "[default: tests/outside/street_people.csv]")
@click.option("--speed-frames", type=click.IntRange(min=0), default=100, show_default=True,
              help="Frames for the speed; 0: it is not measured.")
@click.option("--speed-workers", type=click.IntRange(min=1), default=1, show_default=True,
              help="Processes that run the stage side by side for another row of the speeds.")
@click.option("--config", type=FILE, help="Configuration.  [default: configs/default.yaml]")
@click.option("--table", type=click.Path(path_type=Path), help="Write the tables to this file too.")
def detect(
    films: Path | None, count: int, first_seed: int, seconds: float, folder: Path,
    validation: Path | None, confidence: float, every: int, real: Path | None,
    labels: Path | None, speed_frames: int, speed_workers: int, config: Path | None,
    table: Path | None,
) -> int:
    """Measure the detector alone: ball, players, confidences, people on real pictures, speed."""
    from datetime import date

    from rallymill import benchmark_detect as bench
    from rallymill import benchmarks
    from rallymill.benchmark_detect_speed import machine, of_usual_size, speed_table
    from rallymill.detect_scores import BallScores, best_confidence
    from rallymill.stages import detect_networks as stage

    def say(line: str) -> None:
        click.echo(line, err=True)

    settings = configuration.load(config, load_stages())
    options = stage.DetectConfig.model_validate(settings.stages["detect"].model_dump())
    execution = settings.execution.for_stage()
    networks = stage.load_networks(settings.models, options, execution)
    chosen = "given"
    if validation is not None:
        tuned = bench.by_tier(bench.films_in(validation), options, networks, every, say)
        confidence = best_confidence(BallScores.joined([one.ball for one in tuned.values()]))
        chosen = "where F1 is best on validation films"
    if films is None:
        paths = benchmarks.render_films(
            benchmarks.fresh_configs(first_seed, count, seconds), folder
        )
    else:
        paths = bench.films_in(films)
    found = bench.by_tier(paths, options, networks, every, say)
    ball = BallScores.joined([one.ball for one in found.values()])
    names = ", ".join(path.stem for path in paths)
    parts = [
        "# The detector alone",
        f"`rallymill bench detect`, {date.today().isoformat()}, {machine(execution.device)}; "
        f"weights `{options.model}`, one of {every} runs of frames of {names}. A ball box is an "
        f"answer from confidence {confidence:.2f} on ({chosen}). Bold: the bound is missed.",
        bench.accuracy_table(found, confidence),
        "## Confidence of ball boxes",
        bench.reliability_table(ball),
    ]
    if real is not None:
        csv = labels or home() / "tests" / "outside" / "street_people.csv"
        parts += [
            "## Real pictures",
            bench.real_table(real, csv, options, networks, settings.models, confidence, every),
        ]
    if speed_frames:
        say("measuring speed")
        parts += [
            "## Speed",
            speed_table(
                of_usual_size(paths), options, settings.models, speed_frames, execution,
                speed_workers,
            ),
        ]
    text = "\n\n".join(part.rstrip() for part in parts) + "\n"
    click.echo(text, nl=False)
    if table is not None:
        table.write_text(text, encoding="utf-8")
    return 0
