"""Checks of a simulated world against physics, bodies and the rules of tennis.

Each check takes a world and its truth and yields a sentence for whatever is wrong, so that many
random worlds can be checked by a test and by a command alike. The umpire of :func:`rules` reads
only the events, not the simulator's own verdicts.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from rallymill import court, flight, tableio, tables
from rallymill.arena.body import solids
from rallymill.arena.play import PlayWorld, simulate
from rallymill.arena.player_profile import LEVELS
from rallymill.errors import RallymillError

Array = NDArray[np.float64]
Truth = Mapping[str, pa.Table]
Row = dict[str, Any]

RATE_HZ = 100.0
TOP_SPEED_MPS = 8.0
TOP_ACCELERATION_MPS2 = 9.5
"""Mean acceleration over a tenth of a second; sprinters reach about 9 to 10 in the first steps
(from memory)."""
ACCELERATION_OVER_S = 0.1
LONGEST_IN_AIR_S = 0.45
HIGHEST_HOP_M = 0.30
GROUND_M = 0.001
SOLE_M = 0.03
OTHER = {"near": "far", "far": "near"}
NEVER_FILLED = ("_sd", "rms_px", "n_points")
"""What a measurement has and truth has not."""


def ball(world: PlayWorld, truth: Truth) -> Iterator[str]:
    """Bounces at ball radius; nothing below the ground; energy never rising between strokes."""
    for event in truth["events"].to_pylist():
        if event["kind"] == "bounce" and abs(event["z_m"] - court.BALL_RADIUS_M) > GROUND_M:
            yield f"bounce at {event['t_s']:.3f} s is {event['z_m']:.4f} m high"
    for rally in world.rallies:
        arcs = [*rally.before, *rally.arcs]
        for arc in arcs:
            states = arc.many(np.linspace(arc.start_s, arc.end_s, 25))
            if states[:, 2].min() < court.BALL_RADIUS_M - GROUND_M:
                yield f"ball under the ground at {arc.start_s:.3f} s"
            energy = 0.5 * (states[:, 3:] ** 2).sum(1) + flight.GRAVITY_MPS2 * states[:, 2]
            if (np.diff(energy) > 1e-6).any():
                yield f"energy rises in the flight from {arc.start_s:.3f} s"
        for one, two in pairwise(arcs):
            if two.start_kind != "hit" and _motion(two.state, two.spin) > 1e-6 + _motion(
                one.end(), one.spin
            ):
                yield f"energy rises in the {two.start_kind} at {two.start_s:.3f} s"
            gap = np.abs(two.state[0:3] - one.end()[0:3]).max()
            if two.start_kind != "hit" and gap > court.BALL_RADIUS_M:
                yield f"ball jumps {gap:.3f} m at {two.start_s:.3f} s"


def _motion(state: Array, spin: Array) -> float:
    """Energy a mass of moving and turning: topspin can make a ball kick forward."""
    turning = flight.INERTIA_FACTOR * (flight.BALL_RADIUS_M * float(spin[0])) ** 2
    return 0.5 * (float((state[3:] ** 2).sum()) + turning)


def players(world: PlayWorld, truth: Truth) -> Iterator[str]:
    """Human speeds; feet on the ground but in hops that are falls of the right length."""
    times = np.arange(0.0, world.duration_s, 1 / RATE_HZ)
    for index, side in enumerate(("near", "far")):
        place, velocity = world.path(side, times)
        speed = np.linalg.norm(velocity, axis=1)
        if speed.max() > TOP_SPEED_MPS:
            yield f"{side} runs {speed.max():.1f} m/s"
        steps = np.gradient(velocity, 1 / RATE_HZ, axis=0)
        mean = uniform_filter1d(steps, int(ACCELERATION_OVER_S * RATE_HZ), axis=0)
        hardest = float(np.linalg.norm(mean, axis=1).max())
        if hardest > TOP_ACCELERATION_MPS2:
            yield f"{side} accelerates by {hardest:.1f} m/s2"
        if (place[:, 1] * (-1 if side == "near" else 1) <= 0).any():
            yield f"{side} is on the other side of the net"
        yield from _hops(world, index, side)


def _hops(world: PlayWorld, index: int, side: str) -> Iterator[str]:
    for hop in world.hops(side):
        air = hop.landing_s - hop.take_off_s
        fall = flight.GRAVITY_MPS2 * air**2 / 8
        if not 0.05 < air < LONGEST_IN_AIR_S or not 0.8 * fall < hop.height_m < HIGHEST_HOP_M:
            yield f"{side} hops {hop.height_m:.3f} m in {air:.3f} s at {hop.take_off_s:.2f} s"
        middle = world.person(index, (hop.take_off_s + hop.landing_s) / 2).z_m
        around = [hop.take_off_s - 0.005, hop.landing_s + 0.005]
        others = [h for h in world.hops(side) if h is not hop]
        alone = not any(h.take_off_s < hop.landing_s and hop.take_off_s < h.landing_s
                        for h in others)
        if alone and (middle <= 0 or any(world.person(index, t).z_m > 0.01 for t in around)):
            yield f"{side} does not leave the ground and land at {hop.take_off_s:.2f} s"


def bodies(world: PlayWorld, truth: Truth, every_s: float = 0.5) -> Iterator[str]:
    """The lower sole is at the height of the state: on the ground but in the air of a hop."""
    for t in np.arange(0.1, world.duration_s, every_s):
        for index in (0, 1):
            state = world.person(index, float(t))
            joints = solids(state, world.looks[index])[1]
            lowest = float(min(joints[0][2], joints[1][2]))
            if abs(lowest - state.z_m) > SOLE_M:
                yield (
                    f"lower sole of {world.roles[index]} {lowest:.3f} m over ground, state "
                    f"{state.z_m:.3f} m, {state.action} at {t:.2f} s"
                )


def filled(world: PlayWorld, truth: Truth) -> Iterator[str]:
    """Tables keep to their schemas, and no quantity is left out."""
    for name, table in truth.items():
        try:
            tableio.check(tables.ALL[name], table)
        except RallymillError as error:
            yield f"{name}: {error}"
        if table.num_rows < (2 if name != "points" else 1):
            continue
        for column in tables.ALL[name].columns:
            if column.name.endswith(NEVER_FILLED):
                continue
            if table.column(column.name).null_count == table.num_rows:
                if _may_be_empty(column.name, truth):
                    continue
                yield f"{name}.{column.name} is never filled"


def _may_be_empty(column: str, truth: Truth) -> bool:
    """Whether a short stretch of play may have nothing to put into a column."""
    replies = truth["shots"].num_rows > truth["points"].num_rows
    landed = truth["shots"].column("bounce_x_m").null_count < truth["shots"].num_rows
    if column.startswith(("incoming", "time_to_prepare", "recovery")):
        return not replies or column.startswith("incoming_bounce")
    if column in ("won_by", "won_by_player"):
        return all(e in ("fault", "let") for e in truth["points"].column("ended_by").to_pylist())
    return column.startswith(("bounce", "t_bounce", "in_court")) and not landed


def rules(world: PlayWorld, truth: Truth) -> Iterator[str]:
    """Score, servers, halves and endings as the rules have them, from the events alone."""
    rallies: dict[int, list[Row]] = {}
    for event in truth["events"].to_pylist():
        rallies.setdefault(event["rally_id"], []).append(event)
    points = truth["points"].to_pylist()
    won = {"near": 0, "far": 0}
    server, number = points[0]["server"] if points else "near", 1
    for point in points:
        where = f"point {point['point_id']}"
        half = "ad" if sum(won.values()) % 2 else "deuce"
        if (point["server"], point["serve_side"], point["serve_number"]) != (server, half, number):
            yield f"{where}: {server} should serve {number} from {half}"
        own = rallies[point["point_id"]]
        if own[0]["side"] != point["server"]:
            yield f"{where}: {own[0]['side']} served, not {point['server']}"
        yield from _serve_place(where, own[0], half)
        verdict, winner = umpire(own, half, point["serve_number"])
        if (verdict, winner) != (point["ended_by"], point["won_by"]):
            yield f"{where}: ended by {point['ended_by']}, the umpire says {verdict} for {winner}"
        if verdict == "let":
            continue
        number = 2 if verdict == "fault" else 1
        if winner is not None:
            won[winner] += 1
            if won[winner] >= 4 and won[winner] - won[OTHER[winner]] >= 2:
                won, server = {"near": 0, "far": 0}, OTHER[server]


def _serve_place(where: str, hit: Row, half: str) -> Iterator[str]:
    sign = -1.0 if hit["side"] == "near" else 1.0
    if abs(hit["y_m"]) < court.HALF_LENGTH_M - 1.0 or hit["y_m"] * sign < 0:
        yield f"{where}: served from {hit['y_m']:.1f} m"
    if court.serve_side(hit["x_m"], sign) != half and abs(hit["x_m"]) > 0.6:
        yield f"{where}: served from the wrong half"


def umpire(events: Sequence[Row], half: str, serve_number: int) -> tuple[str, str | None]:
    """How a rally ended and who won it, from its contacts in order (ITF rules 16 to 24)."""
    strokes: list[list[Row]] = []
    for event in events:
        if event["kind"] == "hit":
            strokes.append([])
        strokes[-1].append(event)
    for number, (hit, *after) in enumerate(strokes, 1):
        hitter, last = hit["side"], number == len(strokes)
        sign = 1.0 if hitter == "near" else -1.0
        fault = ("double_fault", OTHER[hitter]) if serve_number == 2 else ("fault", None)
        grounds = [event for event in after if event["kind"] != "net"]
        if not grounds and not last:
            continue
        if not grounds or grounds[0]["y_m"] * sign <= 0:
            return fault if number == 1 else ("error_net", OTHER[hitter])
        x, y = grounds[0]["x_m"], grounds[0]["y_m"]
        bounced = grounds[0]["kind"] == "bounce"
        if number == 1:
            if not bounced or not court.in_service_box(x, y, -sign, half):
                return fault
            if len(grounds) < len(after) and after[0]["kind"] == "net":
                return "let", None
        elif not bounced or not court.in_singles(x, y):
            long = abs(y) > court.HALF_LENGTH_M + court.BALL_RADIUS_M
            return ("error_long" if long else "error_wide"), OTHER[hitter]
        if last:
            return ("ace" if number == 1 else "winner"), hitter
    return "unknown", None


CHECKS = {"ball": ball, "players": players, "bodies": bodies, "tables": filled, "rules": rules}


def faults(world: PlayWorld) -> list[str]:
    """Everything that is wrong with a world, the check's name first."""
    truth = world.truth()
    return [
        f"{name}: {sentence}" for name, check in CHECKS.items() for sentence in check(world, truth)
    ]


def scene(seed: int) -> tuple[int, PlayWorld]:
    """Random scene of a seed: one to four points on any surface at any level."""
    rng = np.random.default_rng([seed, 90])
    return seed, simulate(
        seed,
        int(rng.integers(1, 5)),
        surface=str(rng.choice(sorted(flight.SURFACES))),
        level=LEVELS[int(rng.integers(len(LEVELS)))],
        start_server=("near", "far")[int(rng.integers(2))],
    )
