"""Fit all flights of a rally jointly to image points.

Unknowns are the time and place of every contact and the velocity and spin with which the ball
leaves it. Each flight starts at its contact and must end, within half a centimetre, at the next
one; so flights on both sides of a contact share its place and time. A bounce ties the flights
across it: restitution, loss of speed along the ground, direction kept, and the spin that the loss
of speed implies (Brody 1984: the change of speed along the ground times 1 / alpha R). Robust
(Cauchy) loss on image points, Gauss-Newton steps with Levenberg-Marquardt damping; every flight
touches only its own unknowns and its two contacts, so that the normal equations are summed from
small blocks. Deviations: :mod:`rallymill.flightfit.rally_spread`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from rallymill.flight import BALL_RADIUS_M, DRAG_COEFFICIENT, INERTIA_FACTOR, compiled_states
from rallymill.flightfit import rally_spread
from rallymill.flightfit.arc import CAUCHY, SPIN_UNIT, STEP_S

Array = NDArray[np.float64]

MEET_SD_M = 0.004
"""How closely a flight must end at the next contact."""


@dataclass(frozen=True)
class BouncePrior:
    """What is known of the ground before it is seen: means and standard deviations. Real balls
    grip and gain a tenth of their spin (Cross 2002, from memory), simulated ones do not."""

    restitution: float = 0.78
    restitution_sd: float = 0.08
    speed_ratio: float = 0.70
    speed_ratio_sd: float = 0.12
    turn_sd: float = 0.04
    topspin_sd_radps: float = 40.0
    sidespin_sd_radps: float = 15.0


@dataclass(frozen=True)
class Setting:
    """What a rally is fitted to.

    Image points: ``t_s`` (N,), ``image_px`` (N, 2), ``matrix`` (N, 3, 4), ``sigma_px`` (N,).
    Contacts: ``bounce`` (M,) marks bounces, ``place_mean`` and ``place_sd`` (M, 3), ``time_sd_s``
    (M,) about the first guess. Flights: ``spin_mean``, ``spin_sd`` (M - 1, 2), used where a flight
    does not start with a bounce that has a flight before it. ``spread`` says how sure the cameras
    are, where that is known.
    """

    t_s: Array
    image_px: Array
    matrix: Array
    sigma_px: Array
    bounce: NDArray[np.bool_]
    place_mean: Array
    place_sd: Array
    time_sd_s: Array
    spin_mean: Array
    spin_sd: Array
    ground: BouncePrior = BouncePrior()
    spread: rally_spread.CameraSpread | None = None


@dataclass(frozen=True)
class RallyFit:
    """A fitted rally.

    ``time_s`` (M,), ``place`` (M, 3) of contacts; ``velocity`` (M - 1, 3), ``spin`` (M - 1, 2) of
    flights at their start; ``end_velocity`` (M - 1, 3); standard deviations likewise. ``rms_px``,
    ``n_points``, ``mean_cost`` (M - 1,) describe how well points are met, ``meet_m`` (M - 1,) how
    far each flight ends from its contact.
    """

    time_s: Array
    place: Array
    velocity: Array
    spin: Array
    end_velocity: Array
    time_sd: Array
    place_sd: Array
    velocity_sd: Array
    spin_sd: Array
    rms_px: Array
    n_points: NDArray[np.int64]
    n_offered: NDArray[np.int64]
    mean_cost: Array
    meet_m: Array
    cost: float


@njit(cache=True)
def _flight(start, topspin, sidespin, tau, end_tau, uv, matrix, weight, hessian, gradient, end,  # type: ignore[no-untyped-def]
            end_sens, rows, off, states, differentiate):
    """Cost of one flight's points; adds to the (10, 10) normal equations when asked.

    Local unknowns: start time, place (3), velocity (3), spin (2); column 9 is the end time, which
    only moves the end. ``rows`` (n, 2, 10) takes the weighted derivatives of the image points along
    the ball's way in the picture and across it, ``off`` (n, 2) the residuals likewise, ``states``
    (n, 6) the ball's. Returns cost, capped count and squares.
    """
    n = tau.shape[0]
    grid = np.empty(n + 1)
    grid[:n] = tau
    grid[n] = end_tau
    path = compiled_states(start, topspin, sidespin, grid, DRAG_COEFFICIENT, STEP_S)
    end[:] = path[n]
    states[:] = path[:n]
    c2 = CAUCHY * CAUCHY
    cost = 0.0
    square = 0.0
    count = 0
    sens = np.zeros((n + 1, 6, 10))
    if differentiate:
        for i in range(n + 1):
            for j in range(3):
                sens[i, j, 1 + j] = 1.0
        moved = start.copy()
        for j in range(5):
            h = 0.02 if j < 3 else 2.0
            top, side = topspin, sidespin
            moved[:] = start
            if j < 3:
                moved[3 + j] += h
            elif j == 3:
                top += h
            else:
                side += h
            shifted = compiled_states(moved, top, side, grid, DRAG_COEFFICIENT, STEP_S)
            unit = 1.0 if j < 3 else SPIN_UNIT
            for i in range(n + 1):
                for k in range(6):
                    sens[i, k, 4 + j] = (shifted[i, k] - path[i, k]) / h * unit
        h = 0.001
        for i in range(n + 1):
            ahead = compiled_states(
                path[i].copy(), topspin, sidespin, np.array([h]), DRAG_COEFFICIENT, STEP_S
            )
            for k in range(6):
                rate = (ahead[0, k] - path[i, k]) / h
                # A later start leaves less time: the state at a fixed time moves back.
                sens[i, k, 0] = -rate
                if i == n:
                    sens[i, k, 9] = rate
        end_sens[:] = sens[n]
    for i in range(n):
        w = matrix[i, 2, 3]
        u = matrix[i, 0, 3]
        v = matrix[i, 1, 3]
        for k in range(3):
            w += matrix[i, 2, k] * path[i, k]
            u += matrix[i, 0, k] * path[i, k]
            v += matrix[i, 1, k] * path[i, k]
        if w < 0.3:
            cost += 20.0
            off[i] = 1e2
            continue
        point = np.array([u / w, v / w])
        rx = (point[0] - uv[i, 0]) * weight[i]
        ry = (point[1] - uv[i, 1]) * weight[i]
        r2 = rx * rx + ry * ry
        cost += 0.5 * c2 * np.log(1 + r2 / c2)
        if r2 < 9.0:
            count += 1
            square += r2 / weight[i] ** 2
        if not differentiate:
            continue
        robust = np.sqrt(1.0 / (1.0 + r2 / c2))
        du = dv = 0.0
        for k in range(3):
            du += (matrix[i, 0, k] - point[0] * matrix[i, 2, k]) * path[i, 3 + k]
            dv += (matrix[i, 1, k] - point[1] * matrix[i, 2, k]) * path[i, 3 + k]
        pace = max(np.sqrt(du * du + dv * dv), 1e-9)
        du, dv = du / pace, dv / pace
        off[i, 0] = rx * du + ry * dv
        off[i, 1] = ry * du - rx * dv
        for j in range(9):
            u = v = 0.0
            for k in range(3):
                u += (matrix[i, 0, k] - point[0] * matrix[i, 2, k]) * sens[i, k, j]
                v += (matrix[i, 1, k] - point[1] * matrix[i, 2, k]) * sens[i, k, j]
            rows[i, 0, j] = robust * (u * du + v * dv) / w * weight[i]
            rows[i, 1, j] = robust * (v * du - u * dv) / w * weight[i]
        for axis in range(2):
            row = rows[i, axis]
            for j in range(9):
                gradient[j] += row[j] * robust * off[i, axis]
                for k in range(9):
                    hessian[j, k] += row[j] * row[k]
    return cost, count, square


def _join_residuals(meeting: tuple[Array, Array, Array, Array], ground: BouncePrior) -> Array:
    """What a bounce leaves unexplained, (..., 5), in standard deviations.

    ``meeting`` is velocity and spin before it, velocity and spin after it.
    """
    v_in, s_in, v_out, s_out = meeting
    down = np.maximum(-v_in[..., 2], 0.5)
    level_in = np.sqrt(v_in[..., 0] ** 2 + v_in[..., 1] ** 2 + 1e-6)
    level_out = np.sqrt(v_out[..., 0] ** 2 + v_out[..., 1] ** 2 + 1e-6)
    restitution = (v_out[..., 2] / down - ground.restitution) / ground.restitution_sd
    ratio = (level_out / np.maximum(level_in, 1.0) - ground.speed_ratio) / ground.speed_ratio_sd
    cross = v_in[..., 0] * v_out[..., 1] - v_in[..., 1] * v_out[..., 0]
    turn = cross / np.maximum(level_in * level_out, 1.0) / ground.turn_sd
    gained = (level_in - level_out) / (INERTIA_FACTOR * BALL_RADIUS_M)
    top = (s_out[..., 0] * SPIN_UNIT - s_in[..., 0] * SPIN_UNIT - gained) / ground.topspin_sd_radps
    side = (s_out[..., 1] - s_in[..., 1]) * SPIN_UNIT / ground.sidespin_sd_radps
    return np.stack([restitution, ratio, turn, top, side], axis=-1)


@dataclass(frozen=True)
class _Detail:
    """What each flight gave: end state, inliers, points offered, their squares in px, cost.

    ``where`` (10,) are the unknowns that the columns of a flight's rows stand for.
    """

    end: Array
    count: NDArray[np.int64]
    offered: NDArray[np.int64]
    square: Array
    cost: Array
    points: list[rally_spread.FlightPoints]
    where: list[NDArray[np.int64]]


class _Problem:
    """Normal equations of a rally at a set of unknowns."""

    def __init__(self, setting: Setting, first_time_s: Array) -> None:
        self.s = setting
        self.first = first_time_s
        self.m = len(first_time_s)
        self.weight = 1.0 / setting.sigma_px
        self.joined = np.flatnonzero(setting.bounce[1:-1]) + 1

    def split(self, x: Array) -> tuple[Array, Array]:
        """Contacts (M, 4) and flights (M - 1, 5) of the unknowns."""
        n = 4 * self.m
        return x[:n].reshape(-1, 4), x[n:].reshape(-1, 5)

    def evaluate(self, x: Array, differentiate: bool) -> tuple[float, Array, Array, _Detail]:
        """Cost, normal matrix, gradient and what each flight gave."""
        s, m = self.s, self.m
        contacts, flights = self.split(x)
        size = len(x)
        hessian, gradient = np.zeros((size, size)), np.zeros(size)
        times = contacts[:, 0]
        bounds = np.searchsorted(s.t_s, times)
        total = 0.0
        ends = np.empty((m - 1, 6))
        sens = np.zeros((m - 1, 6, 10))
        counts = np.zeros(m - 1, dtype=np.int64)
        offered = np.zeros(m - 1, dtype=np.int64)
        squares, costs = np.zeros(m - 1), np.zeros(m - 1)
        index, points = [], []
        for i in range(m - 1):
            low, high = bounds[i], max(bounds[i + 1], bounds[i])
            own = rally_spread.FlightPoints.empty(slice(low, high), self.weight[low:high])
            start = np.concatenate([contacts[i, 1:], flights[i, :3]])
            local_h, local_g = np.zeros((10, 10)), np.zeros(10)
            cost, counts[i], squares[i] = _flight(
                start, flights[i, 3] * SPIN_UNIT, flights[i, 4] * SPIN_UNIT,
                s.t_s[low:high] - times[i], times[i + 1] - times[i], s.image_px[low:high],
                s.matrix[low:high], self.weight[low:high], local_h, local_g, ends[i], sens[i],
                own.rows, own.off, own.states, differentiate,
            )
            points.append(own)
            offered[i] = high - low
            costs[i] = cost
            where = np.concatenate([
                4 * i + np.arange(4), 4 * m + 5 * i + np.arange(5), [4 * (i + 1)]
            ])
            index.append(where)
            total += cost
            apart = (ends[i, :3] - contacts[i + 1, 1:]) / MEET_SD_M
            total += 0.5 * float(apart @ apart)
            if differentiate:
                hessian[np.ix_(where, where)] += local_h
                gradient[where] += local_g
                meets = np.concatenate([sens[i, :3], -np.eye(3)], axis=1) / MEET_SD_M
                places = np.concatenate([where, 4 * (i + 1) + 1 + np.arange(3)])
                hessian[np.ix_(places, places)] += meets.T @ meets
                gradient[places] += meets.T @ apart
        total += self._priors(contacts, flights, hessian, gradient)
        total += self._joins(flights, ends, sens, index, hessian, gradient, differentiate)
        return total, hessian, gradient, _Detail(
            ends, counts, offered, squares, costs, points, index)

    def _priors(self, contacts: Array, flights: Array, hessian: Array, gradient: Array) -> float:
        s, m = self.s, self.m
        off = np.concatenate([
            ((contacts[:, 0] - self.first) / s.time_sd_s)[:, None],
            (contacts[:, 1:] - s.place_mean) / s.place_sd,
        ], axis=1).ravel()
        scale = np.concatenate([1 / s.time_sd_s[:, None], 1 / s.place_sd], axis=1).ravel()
        where = np.arange(4 * m)
        hessian[where, where] += scale**2
        gradient[where] += scale * off
        total = 0.5 * float(off @ off)
        for i in range(m - 1):
            if i and s.bounce[i]:
                continue
            at = 4 * m + 5 * i + 3 + np.arange(2)
            weight = SPIN_UNIT / s.spin_sd[i]
            gap = (flights[i, 3:] - s.spin_mean[i] / SPIN_UNIT) * weight
            hessian[at, at] += weight**2
            gradient[at] += weight * gap
            total += 0.5 * float(gap @ gap)
        return total

    def _joins(self, flights: Array, ends: Array, sens: Array, index: list[Array],
               hessian: Array, gradient: Array, differentiate: bool) -> float:
        k = self.joined
        if not len(k):
            return 0.0
        values = (ends[k - 1, 3:], flights[k - 1, 3:], flights[k, :3], flights[k, 3:])
        residual = _join_residuals(values, self.s.ground)
        if differentiate:
            slopes = np.empty((len(k), 5, 10))
            column = 0
            for part in range(4):
                for j in range(values[part].shape[1]):
                    moved = (values[0].copy(), values[1].copy(), values[2].copy(), values[3].copy())
                    moved[part][:, j] += 1e-4
                    slopes[:, :, column] = (
                        _join_residuals(moved, self.s.ground) - residual) / 1e-4
                    column += 1
            for a, i in enumerate(k):
                before = index[i - 1]
                after = 4 * self.m + 5 * i + np.arange(5)
                rows = np.zeros((5, 15))
                rows[:, :10] = slopes[a, :, :3] @ sens[i - 1, 3:]
                rows[:, 7:9] += slopes[a, :, 3:5]
                rows[:, 10:] = slopes[a, :, 5:]
                places = np.concatenate([before, after])
                hessian[np.ix_(places, places)] += rows.T @ rows
                gradient[places] += rows.T @ residual[a]
        return 0.5 * float(np.sum(residual**2))


def fit(
    setting: Setting, time_s: Array, place: Array, velocity: Array, spin_radps: Array,
    turns: int = 25,
) -> RallyFit:
    """Fit a rally from first guesses: times (M,), places (M, 3), velocities (M - 1, 3), spins.

    Image points belong to the flight in whose time they lie, anew at every step.
    """
    problem = _Problem(setting, np.asarray(time_s, dtype=float))
    x = np.concatenate([
        np.column_stack([time_s, place]).ravel(),
        np.column_stack([velocity, spin_radps / SPIN_UNIT]).ravel(),
    ])
    cost, hessian, gradient, detail = problem.evaluate(x, True)
    damping = 1e-3
    for _ in range(turns):
        moved = False
        gain = 0.0
        for _ in range(6):
            system = hessian + np.diag(damping * np.diag(hessian) + 1e-9)
            trial = x - np.linalg.solve(system, gradient)
            contacts, flights = problem.split(trial)
            if (np.diff(contacts[:, 0]) > 0.005).all() and (np.abs(flights[:, :3]) < 95).all():
                new = problem.evaluate(trial, True)
                if new[0] < cost:
                    gain = cost - new[0]
                    x, (cost, hessian, gradient, detail) = trial, new
                    damping = max(damping * 0.2, 1e-8)
                    moved = True
                    break
            damping *= 10
        if not moved or gain < 1e-2:
            break
    return _result(problem, x, cost, hessian, detail)


def _result(problem: _Problem, x: Array, cost: float, hessian: Array, detail: _Detail
            ) -> RallyFit:
    contacts, flights = problem.split(x)
    count = detail.count
    spread = rally_spread.covariance(hessian, detail.points, detail.where, problem.s.spread)
    sd = np.sqrt(np.maximum(np.diag(spread), 0))
    contact_sd, flight_sd = problem.split(sd)
    with np.errstate(invalid="ignore", divide="ignore"):
        rms = np.sqrt(detail.square / count)
        mean_cost = np.where(detail.offered > 0, detail.cost / detail.offered, np.inf)
    return RallyFit(
        contacts[:, 0].copy(), contacts[:, 1:].copy(), flights[:, :3].copy(),
        flights[:, 3:] * SPIN_UNIT, detail.end[:, 3:], contact_sd[:, 0], contact_sd[:, 1:],
        flight_sd[:, :3], flight_sd[:, 3:] * SPIN_UNIT, rms, count, detail.offered, mean_cost,
        np.linalg.norm(detail.end[:, :3] - contacts[1:, 1:], axis=1), cost,
    )
