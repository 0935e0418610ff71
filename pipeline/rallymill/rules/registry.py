"""All rules, found in the modules of this package, and their configuration.

A new rule is a module here with a tuple ``RULES``, a card in ``cards/`` and a block in
``configs/rules.yaml``; nothing else has to know it.
"""

from __future__ import annotations

import pkgutil
from collections.abc import Iterator
from functools import cache
from importlib import import_module
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, create_model, model_validator

from rallymill import rules
from rallymill.rules.base import LEVELS, Rule, Thresholds

Level = Literal["club", "college", "tour"]
APART = ("base", "calibration", "registry")


@cache
def all_rules() -> tuple[Rule, ...]:
    """Every rule, by name."""
    found: list[Rule] = []
    for module in pkgutil.iter_modules(rules.__path__):
        if module.name not in APART:
            found += import_module(f"{rules.__name__}.{module.name}").RULES
    return tuple(sorted(found, key=lambda rule: rule.name))


class RuleConfig(BaseModel):
    """Configuration of one rule: whether it runs, and its thresholds at each level.

    A level that names some thresholds keeps the rule's own for the others.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    enabled: bool = True

    def at(self, level: str) -> Thresholds:
        """Thresholds at a level."""
        return getattr(self, level)  # type: ignore[no-any-return]


def config_of(rule: Rule) -> type[RuleConfig]:
    """Configuration class of a rule, with its own thresholds as defaults."""
    defaults = {level: rule.thresholds[level] for level in LEVELS}

    def keep_the_rest(cls: type, given: Any) -> Any:
        if not isinstance(given, dict):
            return given
        filled = dict(given)
        for level, default in defaults.items():
            if isinstance(filled.get(level), dict):
                filled[level] = default.model_dump() | filled[level]
        return filled

    fields: dict[str, Any] = {
        level: (type(default), default) for level, default in defaults.items()
    }
    validators: dict[str, Any] = {
        "keep_the_rest": model_validator(mode="before")(keep_the_rest)
    }
    return create_model(
        f"{rule.name.title().replace('_', '')}Config", __base__=RuleConfig,
        __validators__=validators, **fields,
    )


def config_fields() -> dict[str, Any]:
    """Field of each rule for :func:`pydantic.create_model`."""
    fields: dict[str, Any] = {}
    for rule in all_rules():
        kind = config_of(rule)
        fields[rule.name] = (kind, kind())
    return fields


def enabled(config: Any, level: str) -> Iterator[tuple[Rule, Thresholds]]:
    """Rules that a configuration turns on, with their thresholds at a level."""
    for rule in all_rules():
        own: RuleConfig = getattr(config, rule.name)
        if own.enabled:
            yield rule, own.at(level)
