"""Options that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from rallymill.errors import InputError
from rallymill.runner.storage import Storage, folder_of, place_of


class Place(click.Path):
    """A path that may be given as a URL of a file system that is mounted here.

    With ``elsewhere`` it may be storage that is not: then the value is a :class:`Storage`.
    """

    def __init__(self, elsewhere: bool = False, **kinds: Any) -> None:
        super().__init__(path_type=Path, **kinds)
        self._elsewhere = elsewhere

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> Any:
        """The path of what was given; a URL that leads elsewhere is wrong usage."""
        if isinstance(value, str):
            try:
                value = place_of(value) if self._elsewhere else folder_of(value)
            except InputError as error:
                self.fail(f"{error.problem} ({error.remedy})", param, ctx)
        return value if isinstance(value, Storage) else super().convert(value, param, ctx)


def out_option_of(place: Place) -> Any:
    """The option for the output folder, which may be given as such a place."""
    return click.option(
        "--out",
        type=place,
        default=Path("outputs"),
        show_default=True,
        help="Folder for the tables and pages.",
    )


out_option = out_option_of(Place(file_okay=False))
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
