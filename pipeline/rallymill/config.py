"""The configuration: one section a stage, and how to run apart from what changes results.

A configuration file is YAML. It has a section for each stage, checked by the stage's own
``config_class``, an ``execution`` section (device, batch size, threads, workers: they change how
a run goes but never what comes out, so they are not part of a fingerprint), and ``models``, the
folder of weights. A value such as ``!file rules.yaml`` stands for the content of another YAML
file beside it. What is left out takes the stage's default.
"""

from __future__ import annotations

import os
from collections.abc import Hashable, Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

import yaml
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from rallymill.errors import ConfigError, did_you_mean
from rallymill.stages.base import Execution, Stage, StageConfig
from rallymill.yamlread import document, read_text, shown

DEFAULT_NAME = "default.yaml"
HOME_VARIABLE = "RALLYMILL_HOME"
MAX_FAULTS = 8

Model = TypeVar("Model", bound=BaseModel)


class ExecutionConfig(BaseModel):
    """Options that change how a run goes but never its results."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    device: str = Field("auto", description="auto, cpu, or a device name of the inference library")
    batch: int = Field(8, ge=1, description="pictures given to the detector at a time")
    threads: int = Field(2, ge=1, description="threads a match may use")
    workers: int = Field(1, ge=1, description="matches read at the same time")
    span_workers: int = Field(
        1, ge=1, description="processes that share the views of one match in detection; they share "
        "its threads too, so more than one pays from four cores on"
    )
    chunk_frames: int = Field(
        250, ge=1, description="frames after which a long stage keeps what it has; a kill costs "
        "no more than these, or than 2 s where detection follows the ball"
    )
    copying_wait_s: float = Field(
        2.0, ge=0, description="time over which a file that is just a minute old is watched, "
        "lest it is still being copied"
    )
    stall_minutes: float = Field(
        60.0, gt=0, description="a match without progress for so long is stopped and tried again"
    )

    def for_stage(self) -> Execution:
        """What a stage may know of it."""
        return Execution(
            device=self.device, batch=self.batch, threads=self.threads,
            chunk_frames=self.chunk_frames,
        )


@dataclass(frozen=True)
class AppConfig:
    """A checked configuration: ``stages`` holds a configuration object for every stage.

    ``guests`` are stages that have no section of their own but read that of another.
    """

    stages: Mapping[str, StageConfig]
    execution: ExecutionConfig
    models: Path
    source: Path | None = None
    guests: frozenset[str] = frozenset()

    def resolved(self) -> dict[str, Any]:
        """Every option with its value, as plain data in the layout of a configuration file."""
        plain: dict[str, Any] = {
            "execution": self.execution.model_dump(mode="json"),
            "models": str(self.models),
        }
        for name, section in self.stages.items():
            if name not in self.guests:
                plain[name] = section.model_dump(mode="json")
        return plain

    def with_execution(self, **changes: Any) -> AppConfig:
        """The same configuration with other execution options; None leaves one as it is.

        Raises
        ------
        ConfigError
            A value is out of range.
        """
        given = {key: value for key, value in changes.items() if value is not None}
        merged = {**self.execution.model_dump(), **given}
        execution = _validated(ExecutionConfig, merged, "execution", "the command line")
        return replace(self, execution=execution)


def home() -> Path:
    """Folder that holds ``configs`` and ``models``.

    The folder in the environment variable RALLYMILL_HOME, else the checkout that this package
    runs from, else the working folder.
    """
    if named := os.environ.get(HOME_VARIABLE):
        return Path(named)
    checkout = Path(__file__).resolve().parents[2]
    for root in (checkout, Path.cwd()):
        if (root / "configs" / DEFAULT_NAME).is_file():
            return root
    return Path.cwd()


def load(path: Path | None, stages: Iterable[Stage]) -> AppConfig:
    """Read and check a configuration file; None means ``configs/default.yaml`` of :func:`home`.

    Raises
    ------
    ConfigError
        The file is missing, is not YAML, or says something that no stage knows; every fault is
        listed, with the nearest known name.
    """
    if path is None:
        found = home() / "configs" / DEFAULT_NAME
        path = found if found.is_file() else None
    if path is None:
        return build({}, stages, home(), None)
    return build(read_yaml(path), stages, _root_of(path), path)


def _root_of(path: Path) -> Path:
    """Folder against which ``models`` is taken: the one above ``configs``, else our home."""
    parent = path.resolve().parent
    return parent.parent if parent.name == "configs" else home()


def build(
    given: Mapping[str, Any], stages: Iterable[Stage], root: Path, source: Path | None
) -> AppConfig:
    """Check plain data in the layout of a configuration file.

    Raises
    ------
    ConfigError
        As :func:`load`.
    """
    stages = list(stages)
    where = source.name if source else "the configuration"
    guests = frozenset(stage.name for stage in stages if section_of(stage) != stage.name)
    known = [stage.name for stage in stages if stage.name not in guests]
    known += ["execution", "models"]
    for key in given:
        if key not in known:
            raise ConfigError(f"{where}: unknown section {shown(key)}", did_you_mean(key, known))
    sections = {
        stage.name: _validated(
            stage.config_class, given.get(section_of(stage)), section_of(stage), where
        )
        for stage in stages
    }
    execution = _validated(ExecutionConfig, given.get("execution"), "execution", where)
    models = root / str(given.get("models") or "models")
    return AppConfig(sections, execution, models, source, guests)


def section_of(stage: Stage) -> str:
    """Section that a stage is given: its attribute ``section``, else the one of its own name."""
    return str(getattr(stage, "section", stage.name))


def _validated(kind: type[Model], given: object, section: str, where: str) -> Model:
    if given is None:
        given = {}
    if not isinstance(given, Mapping):
        raise ConfigError(
            f"{where}: section {section} holds no keys and values",
            f"write lines such as `{next(iter(kind.model_fields), 'name')}: value` under it",
        )
    try:
        return kind.model_validate(dict(given))
    except ValidationError as error:
        faults, hints = [], []
        for item in error.errors()[:MAX_FAULTS]:
            place = ".".join([section, *(str(part) for part in item["loc"])])
            if item["type"] == "extra_forbidden":
                faults.append(f"{place} is not an option")
                hints.append(did_you_mean(item["loc"][-1], _fields_at(kind, item["loc"][:-1])))
            else:
                faults.append(f"{place}: {item['msg'].removeprefix('Value error, ')}")
        remedy = "; ".join(dict.fromkeys(hints)) or "correct the value"
        raise ConfigError(f"{where}: " + "; ".join(faults), remedy) from error


def _fields_at(kind: type[BaseModel], loc: tuple[int | str, ...]) -> list[str]:
    """Names of the options of a nested section, by its place."""
    for part in loc:
        field = kind.model_fields.get(str(part))
        annotation = field.annotation if field else None
        if not (isinstance(annotation, type) and issubclass(annotation, BaseModel)):
            return []
        kind = annotation
    return list(kind.model_fields)


class _Loader(yaml.SafeLoader):
    """YAML with ``!file``, and without keys that stand twice."""

    folder: Path
    chain: tuple[Path, ...]


def _no_doubles(loader: _Loader, node: yaml.MappingNode, deep: bool = False) -> dict[Any, Any]:
    seen: set[Any] = set()
    for key_node, _ in node.value:
        key = loader.construct_object(key_node, deep=True)
        if not isinstance(key, Hashable):
            raise ConfigError(
                f"line {key_node.start_mark.line + 1}: a list or section stands for a name",
                "write a name before the colon",
            )
        if key in seen:
            raise ConfigError(
                f"{shown(key)} stands twice (line {key_node.start_mark.line + 1})",
                "keep one of them",
            )
        seen.add(key)
    return yaml.SafeLoader.construct_mapping(loader, node, deep=True)


def _other_file(loader: _Loader, node: yaml.Node) -> Any:
    if not isinstance(node, yaml.ScalarNode) or not node.value:
        raise ConfigError(
            f"line {node.start_mark.line + 1}: !file names no file", "write !file rules.yaml"
        )
    return _read(loader.folder / str(node.value), loader.chain)


_Loader.add_constructor(yaml.resolver.BaseResolver.DEFAULT_MAPPING_TAG, _no_doubles)
_Loader.add_constructor("!file", _other_file)


def read_yaml(path: Path) -> dict[str, Any]:
    """Keys and values of a YAML file; an empty file gives none.

    Raises
    ------
    ConfigError
        The file is missing, is not YAML, or holds no keys and values.
    """
    return _read(path, ())


def _read(path: Path, chain: tuple[Path, ...]) -> dict[str, Any]:
    """A file's content; ``chain`` are the files that draw it in."""
    text = read_text(path, shown(path, 300), ConfigError)
    own = path.resolve()
    if own in chain:
        raise ConfigError(f"{path.name} draws itself in with !file", "take that line out")
    given = document(
        text, path.name, "correct that line", ConfigError, _Loader, folder=path.parent,
        chain=(*chain, own),
    )
    if given is None:
        return {}
    if not isinstance(given, dict):
        raise ConfigError(f"{path.name} holds no keys and values", "write `section:` lines")
    return given
