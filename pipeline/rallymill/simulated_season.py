"""A season that never was, table by table: points of simulated rallies, drawn again and again.

Rallies come from the simulator; a match draws its points from them by the laws of the score, with
a new clock, new numbers and a little scatter on what is measured. Nothing is rendered, so a match
of three hours takes a moment.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

import rallymill
from rallymill import tableio
from rallymill.arena.play import simulate
from rallymill.runner.store import MatchRecord, MatchStore, write_json
from rallymill.runner.summary import MATCHES_NAME
from rallymill.stages.points_score import Score
from rallymill.tables import EVENTS, FLAGS, MATCHES, OPPORTUNITIES, POINTS, SHOTS

SIDES = ("near", "far")
SURFACES = ("hard", "clay", "grass")
EVENT_NAMES = ("Lantern Quay Open", "Lantern Quay Winter Cup", "Lantern Quay Juniors")
FIRST_NAMES = ("Ilva", "Tamsin", "Dov", "Renzo", "Mael", "Sorcha", "Imre", "Halla")
LAST_NAMES = ("Marrec", "Orrow", "Kestrell", "Alamay", "Brandoch", "Quillan", "Vessary", "Tolm")
WORLD_POINTS = 6
PAUSE_S = (18.0, 70.0)
SCATTER = {"speed_mps": 0.6, "contact_x_m": 0.1, "bounce_x_m": 0.1, "bounce_y_m": 0.15,
           "opponent_x_m": 0.15, "opponent_y_m": 0.15}  # fmt: skip
RULES = ("recovery", "split_step", "short_ball", "open_court")
FLAGGED_SHARE = 0.06
ASKED_SHARE = 0.4
"""Share of the strokes at which the question of each rule arises."""
UNTOLD_SHARE = 0.15


@dataclass(frozen=True)
class DrawnPoint:
    """A point as the score counts it: rows of ``points`` (two after a fault) and their strokes."""

    points: pd.DataFrame
    shots: pd.DataFrame
    server: str
    winner: str


def library(first_seed: int, n_worlds: int) -> list[DrawnPoint]:
    """Points of some simulated worlds, in which the sides serve by turns."""
    found: list[DrawnPoint] = []
    for number in range(n_worlds):
        server = SIDES[number % 2]
        world = simulate(first_seed + number, WORLD_POINTS, start_server=server, n_others=0)
        truth = world.truth()
        points, shots = truth["points"].to_pandas(), truth["shots"].to_pandas()
        held: list[int] = []
        for row in points.itertuples():
            held.append(int(row.point_id))
            if pd.isna(row.won_by):
                continue
            found.append(DrawnPoint(
                points[points.point_id.isin(held)], shots[shots.point_id.isin(held)],
                str(row.server), str(row.won_by),
            ))  # fmt: skip
            held = []
    return found


def players(count: int) -> list[dict[str, Any]]:
    """Invented players with codes of their own."""
    made = []
    for number in range(count):
        first = FIRST_NAMES[number % len(FIRST_NAMES)]
        turn = number // len(FIRST_NAMES)
        last = LAST_NAMES[(number + turn) % len(LAST_NAMES)]
        made.append({"name": f"{first} {last}", "code": f"{last[:2].upper()}{number:02d}",
                     "hand": "left" if number % 5 == 0 else "right"})  # fmt: skip
    return made


def draw_match(
    rng: np.random.Generator, match_id: str, stock: Sequence[DrawnPoint],
    codes: tuple[str, str], n_points: int,
) -> dict[str, pa.Table]:
    """Tables of a match of ``n_points`` points between two players, near and far."""
    by_server = {side: [one for one in stock if one.server == side] for side in SIDES}
    code_of = dict(zip(SIDES, codes, strict=True))
    score = Score("near", (0, 0), (0, 0))
    clock_s = 60.0
    points: list[pd.DataFrame] = []
    shots: list[pd.DataFrame] = []
    n_rows = 0
    for _ in range(n_points):
        one = by_server[score.server][rng.integers(len(by_server[score.server]))]
        shift_s = clock_s - float(one.points.start_s.iloc[0])
        first_id = int(one.points.point_id.iloc[0])
        point = one.points.assign(
            point_id=one.points.point_id - first_id + n_rows,
            start_s=one.points.start_s + shift_s, end_s=one.points.end_s + shift_s,
            score=score.text(), serve_side=score.serve_side,
        )  # fmt: skip
        points.append(point)
        shots.append(one.shots.assign(
            point_id=one.shots.point_id - first_id + n_rows,
            t_contact_s=one.shots.t_contact_s + shift_s,
            t_bounce_s=one.shots.t_bounce_s + shift_s,
        ))  # fmt: skip
        n_rows += len(point)
        clock_s = float(point.end_s.iloc[-1]) + rng.uniform(*PAUSE_S)
        score = score.after(one.winner)
    all_points = pd.concat(points, ignore_index=True)
    all_shots = pd.concat(shots, ignore_index=True)
    all_points["match_id"] = all_shots["match_id"] = match_id
    all_points["server_player"] = all_points.server.map(code_of)
    all_points["won_by_player"] = all_points.won_by.map(code_of)
    all_shots["shot_id"] = np.arange(len(all_shots))
    all_shots["player"] = all_shots.hitter.map(code_of)
    all_shots["opponent"] = all_shots.hitter.map(dict(zip(SIDES, codes[::-1], strict=True)))
    _scatter(rng, all_shots)
    flags = _flags(rng, match_id, all_shots)
    return {
        "points": tableio.from_pandas(POINTS, all_points),
        "shots": tableio.from_pandas(SHOTS, all_shots),
        "flags": flags,
        "opportunities": _opportunities(rng, match_id, all_shots, flags),
        "events": _events(match_id, all_shots),
    }


def _scatter(rng: np.random.Generator, shots: pd.DataFrame) -> None:
    """Move what is measured a little, and give the places of recovery that the truth leaves out."""
    for column, sd in SCATTER.items():
        shots[column] += rng.normal(0.0, sd, len(shots))
        shots[f"{column}_sd"] = sd
    answered = ~shots.ended_point.to_numpy(bool)
    shots["recovery_error_m"] = np.where(answered, rng.normal(0.3, 0.9, len(shots)), np.nan)
    shots["recovery_error_m_sd"] = np.where(answered, 0.2, np.nan)


def _flags(rng: np.random.Generator, match_id: str, shots: pd.DataFrame) -> pa.Table:
    chosen = shots[rng.random(len(shots)) < FLAGGED_SHARE]
    rows = [
        {"match_id": match_id, "flag_id": number, "rule": str(rng.choice(RULES)),
         "kind": str(rng.choice(("fault", "fault", "credit", "note"))),
         "severity": float(rng.uniform(0.2, 1.0)), "confidence": float(rng.uniform(0.5, 1.0)),
         "point_id": row["point_id"], "shot_id": row["shot_id"], "side": row["hitter"],
         "player": row["player"], "sentence": f"{row['player']} was late back.",
         "evidence": [{"name": "distance", "value": float(rng.uniform(1, 4)), "unit": "m"}],
         "clip_start_s": row["t_contact_s"] - 2.0, "clip_end_s": row["t_contact_s"] + 2.0}
        for number, row in enumerate(chosen.to_dict("records"))
    ]  # fmt: skip
    return tableio.from_rows(FLAGS, rows)


def _opportunities(
    rng: np.random.Generator, match_id: str, shots: pd.DataFrame, flags: pa.Table
) -> pa.Table:
    """The flags' own opportunities, and those at which there was nothing to say or to be told."""
    columns = ["rule", "point_id", "shot_id", "side", "player", "confidence"]
    flagged = flags.select([*columns, "kind"]).to_pandas().rename(columns={"kind": "outcome"})
    asked = []
    for rule in RULES:
        own = shots[rng.random(len(shots)) < ASKED_SHARE]
        said = own.shot_id.isin(flagged.shot_id[flagged.rule == rule])
        clear = own[~said].assign(rule=rule, side=lambda rows: rows.hitter, confidence=0.9)
        untold = rng.random(len(clear)) < UNTOLD_SHARE
        asked.append(clear[columns].assign(outcome=np.where(untold, "not_measurable", "clear")))
    rows = pd.concat([flagged, *asked]).sort_values(["shot_id", "rule"], ignore_index=True)
    untold = rows.outcome == "not_measurable"
    rows["reason"] = ["not measured: contact_z_m" if one else None for one in untold]
    rows["confidence"] = rows.confidence.mask(untold)
    rows["match_id"], rows["opportunity_id"] = match_id, np.arange(len(rows))
    return tableio.from_pandas(OPPORTUNITIES, rows)


def _events(match_id: str, shots: pd.DataFrame) -> pa.Table:
    hits = pd.DataFrame({
        "t_s": shots.t_contact_s, "kind": "hit", "side": shots.hitter, "rally_id": shots.point_id,
        "x_m": shots.contact_x_m, "y_m": shots.contact_y_m, "z_m": shots.contact_z_m,
    })  # fmt: skip
    landed = shots[shots.t_bounce_s.notna()]
    bounces = pd.DataFrame({
        "t_s": landed.t_bounce_s, "kind": "bounce", "rally_id": landed.point_id,
        "side": np.where(landed.bounce_y_m < 0, "near", "far"),
        "x_m": landed.bounce_x_m, "y_m": landed.bounce_y_m, "z_m": 0.033,
    })  # fmt: skip
    both = pd.concat([hits, bounces]).sort_values("t_s", ignore_index=True)
    both["event_id"], both["match_id"] = np.arange(len(both)), match_id
    return tableio.from_pandas(EVENTS, both)


def matches(
    rng: np.random.Generator, stock: Sequence[DrawnPoint], count: int, n_points: int = 110
) -> Iterator[tuple[dict[str, Any], MatchRecord, dict[str, pa.Table]]]:
    """Matches of a season: row of ``matches``, record, and tables of each."""
    field = players(max(4, min(32, count // 3)))
    for number in range(count):
        # Everybody meets everybody, one round after the other.
        near = field[number % len(field)]
        far = field[(number + 1 + number // len(field) % (len(field) - 1)) % len(field)]
        digest = rng.bytes(32).hex()
        match_id = f"court-{number:04d}-{digest[:8]}"
        points = int(rng.integers(n_points * 3 // 4, n_points * 5 // 4 + 1))
        tables = draw_match(rng, match_id, stock, (near["code"], far["code"]), points)
        day = np.datetime64("2026-01-05") + int(rng.integers(0, 300))
        in_play_s = float(np.sum(tables["points"]["end_s"].to_numpy()
                                 - tables["points"]["start_s"].to_numpy()))  # fmt: skip
        duration_s = float(tables["points"]["end_s"].to_numpy()[-1]) + 30.0
        sheet = {
            "event": EVENT_NAMES[number % 3], "date": str(day), "surface": SURFACES[number % 3],
            "players": {"near": near, "far": far},
        }  # fmt: skip
        row = {
            "match_id": match_id, "file": f"court {number:04d}.mp4", "content_hash": digest,
            "status": "read", "duration_s": duration_s, "in_view_s": 0.6 * duration_s,
            "in_play_s": in_play_s, "coverage": 0.98, "ball_coverage": 0.9,
            "n_points": tables["points"].num_rows, "n_shots": tables["shots"].num_rows,
            "n_flags": tables["flags"].num_rows, "player_near": near["name"],
            "player_far": far["name"], "date": sheet["date"], "surface": sheet["surface"],
            "event": sheet["event"], "software_version": rallymill.__version__,
        }  # fmt: skip
        path = f"/recordings/court {number:04d}.mp4"
        yield row, MatchRecord(match_id, row["file"], path, digest, sheet=sheet), tables


def write_outputs(
    out: Path, seed: int, count: int, n_worlds: int = 12, n_points: int = 110
) -> int:
    """Write an output folder of simulated matches as a run would; the number of strokes."""
    rng = np.random.default_rng(seed)
    rows = []
    for row, record, tables in matches(rng, library(seed, n_worlds), count, n_points):
        store = MatchStore(out, record.match_id)
        for name, spec in (("points", POINTS), ("shots", SHOTS), ("flags", FLAGS),
                           ("opportunities", OPPORTUNITIES), ("events", EVENTS)):  # fmt: skip
            tableio.write(store.table_path(name), spec, tables[name])
        write_json(store.folder / "match.json", asdict(record))
        rows.append(row)
    rows.sort(key=lambda row: str(row["file"]))
    tableio.write(out / MATCHES_NAME, MATCHES, tableio.from_rows(MATCHES, rows))
    return sum(int(row["n_shots"]) for row in rows)
