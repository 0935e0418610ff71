"""Read YAML that somebody else wrote: whatever is wrong with it is told in one line.

A text may be no YAML, hold values that no date or number has, nest without end, or stand for more
than memory holds by names that refer to each other. None of that may end in anything but a problem
and a remedy.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import yaml

from rallymill.errors import InputError, RallymillError

MOST_VALUES = 200_000
"""Values that a text may stand for, with those counted again that are referred to."""
DEEPEST = 100
MAX_BYTES = 5_000_000
LONGEST_SHOWN = 60


def read_text(path: Path, what: str, kind: type[RallymillError] = InputError) -> str:
    """Text of a small file in UTF-8.

    Raises
    ------
    RallymillError
        Of the kind given: it is no file, cannot be read, is too large or is not UTF-8.
    """
    try:
        if not path.is_file():
            raise kind(f"{what} cannot be read: it is not there or no file", "check the path")
        if path.stat().st_size > MAX_BYTES:
            raise kind(f"{what} is too large to be one", "is it the right file?")
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise kind(f"{what} is not a text file in UTF-8", "save it as UTF-8") from error
    except (OSError, ValueError) as error:
        # A path with a null byte is a ValueError.
        said = getattr(error, "strerror", None) or "its path is none"
        raise kind(f"{what} cannot be read: {said}", "check its path and permissions") from error


def document(
    text: str, what: str, remedy: str, kind: type[RallymillError] = InputError,
    loader_class: Any = yaml.SafeLoader, **attributes: Any,
) -> Any:
    """The one document of a YAML text as plain data; None for an empty text.

    ``attributes`` are set on the loader before it constructs anything.

    Raises
    ------
    RallymillError
        Of the kind given: the text is not YAML, with the line, or no plain data.
    """
    try:
        loader = loader_class(text)
    except yaml.YAMLError as error:
        raise kind(f"{what} is not YAML{_place(text, error)}: a character in it cannot be shown",
                   "take the character out") from error  # fmt: skip
    for name, value in attributes.items():
        setattr(loader, name, value)
    try:
        node = loader.get_single_node()
        if node is None:
            return None
        _check_size(node, what, kind)
        return loader.construct_document(node)
    except yaml.YAMLError as error:
        raise kind(f"{what} is not YAML{_place(text, error)}", remedy) from error
    except RecursionError as error:
        raise kind(f"{what} nests too deep", "write it without so many brackets") from error
    except (ValueError, TypeError, OverflowError, AttributeError) as error:
        # A date such as 2026-02-30, a number of ten thousand digits, a list as a name.
        said = str(error).splitlines()[0][:80] if str(error) else "a value that is none"
        raise kind(f"{what} holds a value that cannot be: {said}", "correct that value") from error
    finally:
        loader.dispose()


def _place(text: str, error: yaml.YAMLError) -> str:
    mark = getattr(error, "problem_mark", None) or getattr(error, "context_mark", None)
    if mark is not None:
        return f" in line {mark.line + 1}"
    at = getattr(error, "position", None)
    return f" in line {text[:at].count(chr(10)) + 1}" if isinstance(at, int) else ""


def _check_size(node: yaml.Node, what: str, kind: type[RallymillError]) -> None:
    """Refuse what refers to itself, nests too deep, or stands for too much."""
    sizes: dict[int, int] = {}
    open_nodes: set[int] = set()

    def size(one: yaml.Node, depth: int) -> int:
        key = id(one)
        if key in open_nodes:
            raise kind(f"{what} holds a value that refers to itself", "write it out")
        if depth > DEEPEST:
            raise kind(f"{what} nests too deep", "write it without so many brackets")
        if key not in sizes:
            open_nodes.add(key)
            count = 1
            if isinstance(one, yaml.MappingNode):
                count += sum(size(part, depth + 1) for pair in one.value for part in pair)
            elif isinstance(one, yaml.SequenceNode):
                count += sum(size(part, depth + 1) for part in one.value)
            open_nodes.discard(key)
            sizes[key] = count
        return sizes[key]

    if size(node, 0) > MOST_VALUES:
        raise kind(f"{what} stands for more than {MOST_VALUES} values", "is it the right file?")


def shown(value: Any, longest: int = LONGEST_SHOWN) -> str:
    """A value of a file as it may stand in a line: in one line, and not all of it if it is long."""
    text = " ".join(str(value).split())
    return text if len(text) <= longest else text[:longest] + " …"
