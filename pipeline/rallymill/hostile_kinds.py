"""Kinds of hostile input: for each, a way to make one by chance and to give it to who reads such.

Each goes the way that a command goes, and what the command line tells as a problem with a remedy is
as it should be. Anything else that is raised is a fault.
"""

from __future__ import annotations

import csv
import io
import json
import os
import random
import shutil
import subprocess
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, redirect_stderr, redirect_stdout, suppress
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import yaml

from rallymill import court as court_lines
from rallymill import courtpoints, matchsheet, video
from rallymill.config import AppConfig, home, load
from rallymill.corrections.rows import Correction
from rallymill.corrections.store import FOLDER, Applied
from rallymill.corrections.template import template
from rallymill.hostile_books import workbook
from rallymill.hostile_match import CLIP, SHEET, make_clip, make_match, read_folder
from rallymill.hostile_mutations import WORDS, spoiled_bytes, spoiled_text, spoiled_tree
from rallymill.hostile_sql import ARGUMENTS, any_sql, places_sql
from rallymill.runner.fingerprint import sheet_hash
from rallymill.runner.folder import VIDEO_SUFFIXES
from rallymill.runner.match import describe_video
from rallymill.runner.registry import load_stages
from rallymill.runner.store import MatchStore
from rallymill.tables import ALL

MOST_FRAMES = 60


@cache
def _court_text() -> str:
    """A filled in file of court points, as somebody would take them from a picture."""
    centre, forward = np.array([0.0, -24.0, 9.0]), np.array([0.0, 24.0, -9.0]) / np.hypot(24, 9)
    right = np.array([1.0, 0.0, 0.0])
    lines = ["doubles: true", "frames:", "  - at_s: 4.800", "    width_px: 1280", "    points:"]
    for name, place in court_lines.named_points().items():
        way = np.array(place) - centre
        seen = np.array([way @ right, way @ np.cross(forward, right)])
        across, down = 1000 * seen / (way @ forward)
        lines.append(f"      {name}: [{640 + across:.1f}, {360 + down:.1f}]")
    return "\n".join(lines) + "\n"


class NotSaidError(Exception):
    """The command line ended otherwise than it says it does."""


@contextmanager
def _quiet() -> Iterator[io.BytesIO]:
    """Take what is printed, as strictly as a terminal takes it."""
    content = io.BytesIO()
    text = io.TextIOWrapper(content, encoding="utf-8", errors="strict", write_through=True)
    try:
        with redirect_stdout(text), redirect_stderr(text):
            yield content
    finally:
        text.detach()


def command(*arguments: str) -> int:
    """Run the command line in this process; its exit code.

    Raises
    ------
    NotSaidError
        It ended with a code or a text that it must not.
    """
    from rallymill.cli.main import run

    with _quiet() as printed:
        code = run(list(arguments))
    if code not in (0, 1, 2) or b"Traceback" in printed.getvalue():
        raise NotSaidError(f"exit code {code}: {printed.getvalue()[-300:]!r}")
    return code


def container(chance: random.Random, inside: Path) -> bool:
    """A film of a second, damaged, in one of several containers; or no film at all."""
    content = (inside / "clips" / chance.choice(CLIP)).read_bytes()
    if chance.random() < 0.05:
        content = chance.randbytes(chance.randrange(3000))
    if chance.random() < 0.05:
        content = chance.choice((b"", b"ftyp", content[:8], b"RIFF" * 9, b"#EXTM3U\n/etc/passwd\n",
                                 b"ffconcat version 1.0\nfile '/etc/passwd'\n"))  # fmt: skip
    path = inside / f"film{chance.choice(sorted(VIDEO_SUFFIXES))}"
    path.write_bytes(spoiled_bytes(chance, content))
    try:
        describe_video(path)
        for number, _ in enumerate(video.frames(path, width_px=40)):
            if number >= MOST_FRAMES:
                break
        return video.cut(path, 0.1, 0.5, inside / "cut.mp4") > 0
    finally:
        path.unlink()


def _spoiled_yaml(chance: random.Random, text: str) -> bytes:
    """A YAML text with words and marks spoiled, or with other values in its tree."""
    if chance.random() < 0.5:
        return spoiled_text(chance, text)
    tree = yaml.safe_load(text.replace("!file rules.yaml", "{}"))
    for _ in range(chance.choice((1, 1, 2, 4))):
        tree = spoiled_tree(chance, tree)
    return yaml.safe_dump(tree, allow_unicode=True, sort_keys=False).encode("utf-8", "replace")


def sheet(chance: random.Random, inside: Path) -> bool:
    """A match sheet, read as a run does and given to the stages that draw on it."""
    film = inside / "film.mp4"
    path = matchsheet.path_for(film)
    path.write_bytes(_spoiled_yaml(chance, SHEET))
    given = matchsheet.for_video(film)
    sheet_hash(given)
    make_match(inside / "other", given, write=False)
    return True


def config(chance: random.Random, inside: Path) -> bool:
    """A configuration file, with or without the file that it draws in."""
    folder = inside / "configs"
    folder.mkdir(exist_ok=True)
    for name in ("default.yaml", "rules.yaml"):
        text = _configuration(name)
        spoil = chance.random() < (0.8 if name == "default.yaml" else 0.4)
        (folder / name).write_bytes(_spoiled_yaml(chance, text) if spoil else text.encode())
    found: AppConfig = load(folder / "default.yaml", load_stages())
    found.resolved()
    return True


@cache
def _configuration(name: str) -> str:
    return (home() / "configs" / name).read_text(encoding="utf-8")


def court(chance: random.Random, inside: Path) -> bool:
    """A file of court points, and cameras from it."""
    film = inside / "film.mp4"
    courtpoints.path_for(film).write_bytes(_spoiled_yaml(chance, _court_text()))
    for frame in courtpoints.for_video(film).frames:
        courtpoints.camera_of(frame, 1280, 720)
    return True


def correction(chance: random.Random, inside: Path) -> bool:
    """A correction file, held against a match; or a file in the folder of those applied."""
    (out,) = (inside / "outputs",)
    (match,) = (path.name for path in (out / "matches").iterdir())
    if chance.random() < 0.2:
        return _kept_correction(chance, out / "matches" / match, out, match)
    rows = list(csv.reader(io.StringIO(_template(inside))))
    picked = [rows[0], *chance.sample(rows[1:], min(len(rows) - 1, chance.choice((1, 3, 10))))]
    for row in picked[1:]:
        row[1] = chance.choice(("", "", "add", "remove", "right", "delete"))
        for _ in range(chance.randrange(4)):
            row[chance.randrange(len(row))] = chance.choice((*WORDS, "lob", "winner", "3.5", "1,5"))
    text = io.StringIO()
    csv.writer(text, delimiter=chance.choice(",,;\t")).writerows(picked)
    path = inside / f"said{chance.choice(('.csv', '.csv', '.csv', '.txt', '.xlsx', '.ods'))}"
    if path.suffix in (".xlsx", ".ods"):
        path.write_bytes(spoiled_bytes(chance, workbook(path.suffix, picked[:3])))
    else:
        path.write_bytes(spoiled_text(chance, text.getvalue()))
    try:
        return command("correct", match, path.name, "--dry-run", "--out", str(out)) == 0
    finally:
        path.unlink()


def _kept_correction(chance: random.Random, folder: Path, out: Path, match: str) -> bool:
    place = folder / FOLDER
    row = Correction("shot", "change", 10.0, "near", {"stroke": "lob"}, row=2)
    applied = Applied(1, "2026-08-14T10:00:00", "", "", "said.csv", (row,))
    if chance.random() < 0.6:
        text = json.dumps(spoiled_tree(chance, applied.plain()), default=str)
        content = text.encode()
    else:
        content = spoiled_text(chance, json.dumps(applied.plain(), indent=1))
    place.mkdir(exist_ok=True)
    path = place / "0001.json"
    path.write_bytes(content)
    try:
        taken = command("correct", match, "--list", "--out", str(out)) == 0
        said = folder.parent.parent.parent / "said.csv"
        said.write_text("what,t_s,side,stroke\nshot,10,near,lob\n", encoding="utf-8")
        command("correct", match, str(said), "--dry-run", "--out", str(out))
        return taken
    finally:
        path.unlink()


@cache
def _template(inside: Path) -> str:
    out = inside / "outputs"
    (match,) = (path.name for path in (out / "matches").iterdir())
    store = MatchStore(out, match)
    shots, points = (store.read_table(ALL[name]).to_pylist() for name in ("shots", "points"))
    return template(shots, points, 0)


def sql(chance: random.Random, inside: Path) -> bool:
    """A question in SQL, in all forms of printing."""
    question = any_sql(chance, inside)
    form = chance.choice(([], ["--csv"], ["--json"]))
    return command("query", *form, "--out", str(inside / "outputs"), "--", question) == 0


def named_question(chance: random.Random, inside: Path) -> bool:
    """A named question with arguments that it may not have, and values that they cannot take."""
    from rallymill.season.questions import load as load_questions

    known = load_questions(home() / "configs" / "questions")
    name = chance.choice(sorted(known))
    arguments = []
    for _ in range(chance.randrange(4)):
        argument = chance.choice([*known[name].arguments, chance.choice(WORDS)])
        sign = chance.choice(("=", "=", "=", "", "=="))
        value = chance.choice((*ARGUMENTS, *WORDS)).replace("\0", "")
        arguments.append(f"{argument}{sign}{value}".replace("\0", ""))
    return command("query", "--out", str(inside / "outputs"), "--", name, *arguments) == 0


def clips(chance: random.Random, inside: Path) -> bool:
    """Rows whose match and times try to lead a clip out of its folder."""
    code = command("query", "--clips", str(inside / "cut"), "--out", str(inside / "outputs"), "--",
                   places_sql(chance, inside))  # fmt: skip
    shutil.rmtree(inside / "cut", ignore_errors=True)
    return code == 0


def season(chance: random.Random, inside: Path) -> bool:
    """A match whose event and season would name folders elsewhere, added and taken out again."""
    from rallymill.season.layout import partitions

    words = ("..", ".", "/", "../../x", "a/b", "~", "", " ", "CON", "a" * 60, "%2e%2e", *WORDS[:60])
    given = {"event": chance.choice(words).replace("\0", "")[:80], "date": "2026-08-14"}
    out = inside / "played"
    make_match(out, given, write=True)
    root = inside / "season"
    named = chance.choice((*words, "2026")).replace("\0", "")[:80]
    code = command("season", "add", "--out", str(out), "--season-dir", str(root),
                   *(["--season", named] if chance.random() < 0.7 else []))  # fmt: skip
    if code == 0 and len(list(partitions(root))) != 1:
        raise NotSaidError(f"a match of the season {named!r} is not in its place")
    shutil.rmtree(root, ignore_errors=True)
    shutil.rmtree(out, ignore_errors=True)
    return code == 0


def file_name(chance: random.Random, inside: Path) -> bool:
    """A recording and its sheet under a name that asks for trouble."""
    films, out = inside / "films", inside / "named"
    films.mkdir()
    try:
        name = hostile_name(chance)
        place = films / "below" if chance.random() < 0.3 else films
        place.mkdir(exist_ok=True)
        path = os.path.join(os.fsencode(place), name)
        with open(path, "wb") as out_file:
            content = (inside / "clips" / CLIP[0]).read_bytes()
            out_file.write(content if chance.random() < 0.7 else spoiled_bytes(chance, content))
    except (OSError, ValueError):
        # A name that the disk itself refuses.
        shutil.rmtree(films)
        return False
    try:
        with _quiet():
            unread = read_folder(films, out)
        strange = [entry.name for entry in out.rglob("*") if ".." in entry.parts]
        if strange:
            raise NotSaidError(f"strange files {strange}")
        return not unread
    finally:
        shutil.rmtree(films)
        shutil.rmtree(out, ignore_errors=True)


def hostile_name(chance: random.Random) -> bytes:
    """A file name, as bytes."""
    stems = (
        b"-rf", b"--out", b"..", b"...", b" ", b"a b", b"a\nb", b"a\tb", b"\xff\xfe", b"caf\xe9",
        b"%s",
        b"a" * 240, "ü".encode() * 110, "\u202egnp".encode(), "💥".encode(), "İ".encode(),
        b"'\"`$(id)",
        b"<script>", b"{{7*7}}", b"a;b", b"*", b"?", b"[a]", b"a\\..\\b", b"CON", b"~", b"#",
        b"a=b",
        b"matches", b"match.json", b"a.sheet", b"=1+1", b"\x1b[2J", b"|id", b"&", b"file:",
        b"http:",
        b"pipe:0", b"concat:a|b", b"async:", b"crypto:", "e\u0301".encode(), "\ufeff".encode(),
    )  # fmt: skip
    suffix = chance.choice(sorted(VIDEO_SUFFIXES)).encode()
    stem = b"".join(chance.sample(stems, chance.choice((1, 1, 2))))
    if chance.random() < 0.2:
        stem = bytes(chance.randrange(1, 256) for _ in range(chance.randrange(1, 12)))
    return stem.replace(b"/", b"_").replace(b"\0", b"_") + suffix


def command_line(chance: random.Random, inside: Path) -> bool:
    """One of the above through the command itself, in a process of its own."""
    out = ["--out", str(inside / "outputs")]
    (match,) = (path.name for path in (inside / "outputs" / "matches").iterdir())
    said, settings = inside / "said.csv", inside / "settings.yaml"
    said.write_bytes(spoiled_text(chance, _template(inside)))
    settings.write_bytes(_spoiled_yaml(chance, _configuration("default.yaml")))
    arguments = chance.choice((
        ["query", *out, "--", any_sql(chance, inside)],
        ["query", *out, "--", "flagged-strokes", f"player={chance.choice(ARGUMENTS)}"],
        ["correct", match, str(said), "--dry-run", *out],
        ["config", "--config", str(settings)],
        ["process", str(inside / "nothing"), *out],
        ["status", "--out", str(inside / chance.choice(("outputs", "nothing", "clips")))],
    ))
    arguments = [argument.replace("\0", "") for argument in arguments]
    done = subprocess.run(
        [sys.executable, "-m", "rallymill.cli", *arguments], capture_output=True, timeout=120,
        check=False,
    )  # fmt: skip
    printed = done.stdout + done.stderr
    if done.returncode not in (0, 1, 2) or b"Traceback" in printed:
        raise NotSaidError(f"{arguments[0]} ended with {done.returncode}: {printed[-300:]!r}")
    return done.returncode == 0


KINDS: Mapping[str, Any] = {
    "container": container,
    "match sheet": sheet,
    "configuration": config,
    "court points": court,
    "correction": correction,
    "SQL": sql,
    "named question": named_question,
    "clip of a row": clips,
    "season and event": season,
    "file name": file_name,
    "command line": command_line,
}


def prepare(kind: str, inside: Path) -> None:
    """Put in place what inputs of a kind are held against, and load what reads them."""
    os.environ["RALLYMILL_NO_REPORT"] = "1"
    make_clip(inside / "clips")
    make_match(inside / "outputs", {"event": "Lantern Quay Open", "date": "2026-08-14"}, write=True)
    load_stages()
    for number in range(3):
        with suppress(Exception):
            KINDS[kind](random.Random(f"before {number}"), inside)

