"""Spoil bytes, texts and trees of values, each by a seeded chance: the makers of hostile input."""

from __future__ import annotations

import random
import re
from collections.abc import Callable, Sequence
from typing import Any

WORDS = (
    ".inf", "-.inf", ".nan", "nan", "1e999", "-1e999", "1e-400", "null", "~", "none", "true", "yes",
    "on", "0x10", "0o17", "1_000", "12:30:45", "2026-02-30", "2026-13-01", "9" * 30,
    "-" + "9" * 400,
    "0", "-1", "1,5", "''", '""', "'", '"', "[]", "{}", "- x", "? x", "&a [*a, *a]", "*a", "<<: *a",
    "!!python/object/apply:os.system [id]", "!!binary aGk=", "!!set {a, b}", "!!omap [a: 1]",
    "!file rules.yaml", "!file .", "!file /dev/null", "!file ../../../etc/passwd", "%TAG ! x",
    "../../x", "..\\..\\x", "/etc/passwd", "~/x", "|", ">", "---", "...", "#", "\t", "\x00",
    "\x1b[2J",
    "\u202e", "\u0000", "\ufeff", "💥", "é", "ß", "İ", "ﬁ", "<script>alert(1)</script>",
    "{{ 7*7 }}",
    "%s%n%x", "=1+1", "=cmd|' /C calc'!A0", "@x", "x" * 5000, "[" * 300, "{a: " * 150, "near",
    "far",
)  # fmt: skip
NUMBERS = (b"\0\0\0\0", b"\xff\xff\xff\xff", b"\x7f\xff\xff\xff", b"\x80\0\0\0", b"\0\0\0\1")
BOXES = (b"moov", b"trak", b"mdia", b"stbl", b"stsz", b"stts", b"stsc", b"stco", b"ctts", b"mdat",
         b"avcC", b"tkhd", b"mdhd", b"ftyp", b"elst", b"hdlr", b"RIFF", b"LIST",
         b"strf")  # fmt: skip
"""Names of parts of containers, before which their lengths stand."""


def spoiled_bytes(chance: random.Random, content: bytes) -> bytes:
    """Bytes with a few things done to them that damage and malice do."""
    for _ in range(chance.choice((1, 1, 2, 3, 8))):
        content = chance.choice(_BYTES)(chance, content)
    return content


def _flip(chance: random.Random, content: bytes) -> bytes:
    changed = bytearray(content)
    for _ in range(chance.choice((1, 4, 40)) if changed else 0):
        changed[chance.randrange(len(changed))] ^= 1 << chance.randrange(8)
    return bytes(changed)


def _truncate(chance: random.Random, content: bytes) -> bytes:
    return content[: chance.randrange(len(content) + 1)]


def _cut_out(chance: random.Random, content: bytes) -> bytes:
    start, end = _span(chance, content)
    return content[:start] + content[end:]


def _double(chance: random.Random, content: bytes) -> bytes:
    start, end = _span(chance, content)
    return content[:end] + content[start:end] * chance.choice((1, 2, 5)) + content[end:]


def _noise(chance: random.Random, content: bytes) -> bytes:
    start, end = _span(chance, content)
    return content[:start] + chance.randbytes(end - start) + content[end:]


def _number(chance: random.Random, content: bytes) -> bytes:
    at = chance.randrange(max(len(content) - 4, 1))
    return content[:at] + chance.choice(NUMBERS) + content[at + 4 :]


def _length_of_box(chance: random.Random, content: bytes) -> bytes:
    found = [at for name in BOXES for at in _places(content, name)]
    if not found:
        return _number(chance, content)
    at = max(chance.choice(found) + chance.choice((-4, 4, 8, 12, 16)), 0)
    value = chance.choice((*NUMBERS, chance.randbytes(4)))
    return content[:at] + value + content[at + 4 :]


def _places(content: bytes, name: bytes) -> list[int]:
    return [match.start() for match in re.finditer(re.escape(name), content)]


def _span(chance: random.Random, content: bytes) -> tuple[int, int]:
    start = chance.randrange(len(content) + 1)
    return start, min(start + chance.choice((1, 4, 64, 1024)), len(content))


_BYTES: Sequence[Callable[[random.Random, bytes], bytes]] = (
    _flip, _flip, _truncate, _cut_out, _double, _noise, _number, _length_of_box, _length_of_box,
)  # fmt: skip


def spoiled_text(chance: random.Random, text: str, words: Sequence[str] = WORDS) -> bytes:
    """A text as bytes, with words, lines and now and then bytes spoiled."""
    for _ in range(chance.choice((1, 1, 2, 3, 6))):
        text = chance.choice(_TEXTS)(chance, text, words)
    content = text.encode("utf-8", "surrogatepass")
    if chance.random() < 0.15:
        content = spoiled_bytes(chance, content)
    if chance.random() < 0.03:
        content = text.encode(chance.choice(("utf-16", "latin-1", "cp1252", "utf-32")), "replace")
    return content


def _word(chance: random.Random, text: str, words: Sequence[str]) -> str:
    found = list(re.finditer(r"[\w.+-]+", text))
    if not found:
        return chance.choice(words)
    one = chance.choice(found)
    return text[: one.start()] + chance.choice(words) + text[one.end() :]


def _insert(chance: random.Random, text: str, words: Sequence[str]) -> str:
    at = chance.randrange(len(text) + 1)
    return text[:at] + chance.choice(words) + text[at:]


def _lines(chance: random.Random, text: str, words: Sequence[str]) -> str:
    lines = text.split("\n")
    at = chance.randrange(len(lines))
    what = chance.randrange(5)
    if what == 0:
        del lines[at]
    elif what == 1:
        lines.insert(at, lines[at])
    elif what == 2:
        lines[at] = " " * chance.randrange(9) + lines[at].lstrip()
    elif what == 3:
        chance.shuffle(lines)
    else:
        lines.insert(at, chance.choice(words) + ": " + chance.choice(words))
    return "\n".join(lines)


def _letters(chance: random.Random, text: str, words: Sequence[str]) -> str:
    at = chance.randrange(len(text) + 1)
    code = chance.choice((chance.randrange(32), chance.randrange(0xD800), 0xD800, 0x2028, 0x1F600))
    return text[:at] + chr(code) + text[at + chance.randrange(3) :]


def _marks(chance: random.Random, text: str, words: Sequence[str]) -> str:
    mark = chance.choice(":,-[]{}#&*!|>'\"%@`?=;\t\n()")
    places = [at for at, letter in enumerate(text) if letter == mark]
    if not places or chance.random() < 0.5:
        at = chance.randrange(len(text) + 1)
        return text[:at] + mark + text[at:]
    at = chance.choice(places)
    return text[:at] + text[at + 1 :]


_TEXTS: Sequence[Callable[[random.Random, str, Sequence[str]], str]] = (
    _word, _word, _word, _insert, _lines, _lines, _letters, _marks,
)  # fmt: skip


def spoiled_tree(chance: random.Random, tree: Any) -> Any:
    """Plain data with a part of it replaced, taken away or put in."""
    if isinstance(tree, dict) and tree and chance.random() < 0.85:
        tree = dict(tree)
        key = chance.choice(list(tree))
        what = chance.randrange(8)
        if what == 0:
            del tree[key]
        elif what == 1:
            tree[chance.choice((*WORDS[:12], 7, None, True, 1.5, f"{key}s"))] = tree.pop(key)
        elif what == 2:
            tree[str(chance.choice(WORDS))] = any_value(chance)
        else:
            tree[key] = spoiled_tree(chance, tree[key])
        return tree
    if isinstance(tree, list) and tree and chance.random() < 0.85:
        tree = list(tree)
        at = chance.randrange(len(tree))
        what = chance.randrange(5)
        if what == 0:
            del tree[at]
        elif what == 1:
            tree.insert(at, any_value(chance))
        else:
            tree[at] = spoiled_tree(chance, tree[at])
        return tree
    return any_value(chance)


def any_value(chance: random.Random, depth: int = 0) -> Any:
    """Any plain value."""
    kind = chance.randrange(11 if depth < 3 else 9)
    if kind == 9:
        return [any_value(chance, depth + 1) for _ in range(chance.randrange(4))]
    if kind == 10:
        return {str(chance.choice(WORDS)): any_value(chance, depth + 1)
                for _ in range(chance.randrange(4))}  # fmt: skip
    return chance.choice((
        None, True, False, 0, -1, 1, 2**31, -(2**63), 10**40, 0.5, -1e308, 1e308, float("inf"),
        float("nan"), "", chance.choice(WORDS), chance.choice(WORDS), chance.randrange(1000),
        chance.random(), b"\x00\xff",
    ))
