"""Folders of recordings and tables given as URLs, by fsspec.

Tables are put in place by renames, and locks and checkpoints are files too, which storage of
objects does not offer. So a URL must lead to a file system that is mounted here, and with
``--cluster`` on every worker under the same path.
"""

from __future__ import annotations

from pathlib import Path

from rallymill.errors import InputError

MOUNT = "mount it under the same path on every machine and give that path"


def folder_of(given: str) -> Path:
    """The path of a folder given as a path or as a URL such as ``file:///data/recordings``.

    Raises
    ------
    InputError
        The URL is of no storage that is known or installed here, or leads to none that is mounted.
    """
    if "://" not in given:
        return Path(given)
    try:
        from fsspec.core import url_to_fs
        from fsspec.implementations.local import LocalFileSystem
    except ModuleNotFoundError as error:
        raise InputError(
            f"{given}: a URL needs fsspec", "pip install rallymill[cluster], or give a path"
        ) from error
    try:
        storage, path = url_to_fs(given)
    except (ValueError, ImportError) as error:
        raise InputError(f"{given}: {error}", MOUNT) from error
    if not isinstance(storage, LocalFileSystem):
        kind = given.split("://", 1)[0]
        raise InputError(f"{given}: {kind} is not a file system of this machine", MOUNT)
    return Path(path)
