"""Options that several commands share."""

from __future__ import annotations

from pathlib import Path

import click

out_option = click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("outputs"),
    show_default=True,
    help="Folder for the tables and pages.",
)
config_option = click.option(
    "--config",
    "config_path",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Configuration file; left out, configs/default.yaml.",
)
json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON.")
season_option = click.option(
    "--season-dir",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("outputs/season"),
    show_default=True,
    help="Folder of the season.",
)
