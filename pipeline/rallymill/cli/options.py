"""Options that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from rallymill.errors import InputError
from rallymill.runner.storage import folder_of


class Place(click.Path):
    """A path that may be given as a URL of a file system that is mounted here."""

    def __init__(self, **kinds: Any) -> None:
        super().__init__(path_type=Path, **kinds)

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> Any:
        """The path of what was given; a URL that leads elsewhere is wrong usage."""
        if isinstance(value, str):
            try:
                value = folder_of(value)
            except InputError as error:
                self.fail(f"{error.problem} ({error.remedy})", param, ctx)
        return super().convert(value, param, ctx)


out_option = click.option(
    "--out",
    type=Place(file_okay=False),
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
