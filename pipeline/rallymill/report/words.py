"""Numbers, times and table values in plain words, the same everywhere in a report."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

DASH = "–"
UNKNOWN = "unknown"
KMH_PER_MPS = 3.6

STROKES = {
    "serve": "serve", "return": "return", "groundstroke": "groundstroke", "volley": "volley",
    "overhead": "overhead", "drop_shot": "drop shot", "lob": "lob", "approach": "approach shot",
}
DIRECTIONS = {
    "cross_court": "cross-court", "down_the_line": "down the line", "middle": "to the middle",
    "inside_out": "inside-out", "inside_in": "inside-in", "wide": "wide", "body": "at the body",
    "t": "down the T",
}
ENDINGS = {
    "winner": "winner", "forced_error": "forced error", "unforced_error": "unforced error",
    "error_net": "error into the net", "error_long": "error long", "error_wide": "error wide",
    "double_fault": "double fault", "ace": "ace", "fault": "fault", "let": "let",
    "unknown": "end not known",
}
VIEWS = {
    "main": "main camera", "other": "other view", "replay": "replay", "graphic": "graphic",
    "unreadable": "could not be read",
}
KINDS = {"fault": "fault", "credit": "credit", "note": "note"}
UNITS = {"mps": "m/s", "radps": "rad/s", "share": "", "1": "", "none": ""}


def is_missing(value: object) -> bool:
    """Whether a table value was not measured: null or NaN."""
    return value is None or value != value


def number(value: float | None, digits: int = 1, unit: str = "") -> str:
    """A number with its unit, or a dash where it was not measured."""
    if is_missing(value):
        return DASH
    assert value is not None
    text = f"{value:.{digits}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return f"{text} {unit}".rstrip().replace("-", "−")


def measured(
    value: float | None, deviation: float | None, digits: int = 1, unit: str = "",
    factor: float = 1.0,
) -> str:
    """A number with its standard deviation, as ``12.3 ± 0.4 m``; a dash if not measured."""
    if is_missing(value):
        return DASH
    assert value is not None
    if is_missing(deviation):
        return number(value * factor, digits, unit)
    assert deviation is not None
    spread = max(deviation * factor, 0.0)
    shown = number(spread, digits)
    if spread > 0 and float(shown) == 0:
        shown = f"<{10**-digits:.{digits}f}"
    return f"{number(value * factor, digits)} ± {shown} {unit}".rstrip()


def speed(value_mps: float | None, deviation_mps: float | None = None) -> str:
    """A speed in km/h with its standard deviation."""
    return measured(value_mps, deviation_mps, 0, "km/h", KMH_PER_MPS)


def percent(value: float | None) -> str:
    """A share in per cent."""
    return DASH if is_missing(value) else number(100 * value, 0, "%")  # type: ignore[operator]


def sure(confidence: float | None) -> str:
    """A confidence in per cent; certainty is never claimed."""
    if not is_missing(confidence) and confidence >= 0.995:  # type: ignore[operator]
        return "over 99 % sure"
    return f"{percent(confidence)} sure"


def clock(seconds: float | None, tenths: bool = False) -> str:
    """Seconds into the recording as ``1:02`` or ``1:02:03``, with tenths if wanted."""
    if is_missing(seconds):
        return DASH
    assert seconds is not None
    total = max(round(seconds * 10), 0) if tenths else max(int(seconds), 0) * 10
    minutes, rest = divmod(total, 600)
    hours, minutes = divmod(minutes, 60)
    second = f"{rest / 10:04.1f}" if tenths else f"{rest // 10:02d}"
    return f"{hours}:{minutes:02d}:{second}" if hours else f"{minutes}:{second}"


def duration(seconds: float | None) -> str:
    """A length of time as ``2 h 05 min``, ``3 min 20 s`` or ``8.4 s``."""
    if is_missing(seconds):
        return DASH
    assert seconds is not None
    if seconds < 60:
        return f"{seconds:.1f} s"
    whole = round(seconds)
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"


def count(n: int, one: str, many: str | None = None) -> str:
    """``1 stroke``, ``2 strokes``."""
    return f"{n} {one if n == 1 else many or one + 's'}"


def label(value: str | None, words: Mapping[str, str]) -> str:
    """A table value in words; ``unknown`` where it is not known."""
    if value is None or value == "unknown":
        return words.get("unknown", UNKNOWN)
    return words.get(value, plain(value))


def plain(name: str) -> str:
    """A table name as words: underscores become spaces."""
    return name.replace("_", " ")


def title(name: str) -> str:
    """A table name as words that start with a capital letter."""
    words = plain(name)
    return words[:1].upper() + words[1:]


def evidence(item: Mapping[str, Any]) -> str:
    """A named number of a flag, such as ``recovery error 1.8 m``."""
    unit = str(item.get("unit") or "")
    value = item.get("value")
    name = plain(str(item.get("name") or "value"))
    for suffix in (" m", " s", " mps", " px"):
        if unit and name.endswith(suffix):
            name = name.removesuffix(suffix)
    if unit == "share":
        return f"{name} {percent(value)}"
    whole = value is not None and value == value and float(value).is_integer()
    digits = 0 if whole else 1 if unit in ("px", "km/h", "mps", "m/s") else 2
    return f"{name} {number(value, digits, UNITS.get(unit, unit))}"


def severity(value: float) -> str:
    """How much a flag matters, in a word."""
    return "high" if value >= 2 / 3 else "medium" if value >= 1 / 3 else "low"


def stroke(shot: Mapping[str, Any]) -> str:
    """Stroke and wing: ``forehand`` for a groundstroke, ``volley, backhand`` for the others."""
    kind = label(shot.get("stroke"), STROKES)
    wing = shot.get("wing")
    if kind in ("serve", "overhead"):
        return kind
    if wing not in ("forehand", "backhand"):
        return kind if kind == UNKNOWN else f"{kind}, wing unknown"
    if kind == "groundstroke":
        return str(wing)
    return f"{wing}, stroke unknown" if kind == UNKNOWN else f"{kind}, {wing}"


def bounce(shot: Mapping[str, Any]) -> str:
    """Where the ball came down, in words."""
    if is_missing(shot.get("bounce_y_m")):
        return UNKNOWN
    verdict = {True: "in", False: "out", None: "in or out unknown"}[shot.get("in_court")]
    depth = label(shot.get("depth"), {"middle": "middle"})
    return verdict if verdict == "out" or depth == UNKNOWN else f"{depth}, {verdict}"
