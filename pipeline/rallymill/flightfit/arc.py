"""Fit one free flight to image points, with soft knowledge of where it starts and ends.

The flight starts at a given time with eight unknowns: place, velocity, topspin and sidespin. The
fit minimises the robust (Cauchy) reprojection error in each frame's own camera plus Gaussian
priors on the ends and the spin, by Levenberg-Marquardt steps on differences; the start comes from a
linear solution in which drag and lift of the previous round are known accelerations.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from rallymill.flight import DRAG_COEFFICIENT, GRAVITY_MPS2, compiled_states

Array = NDArray[np.float64]

CAUCHY = 2.5
"""Scale of the robust loss, in standard deviations of an image point."""
CAP = 5.0
"""Most that one image point may add to a flight's cost."""
STEP_S = 0.041
SPIN_UNIT = 100.0
"""Spin is fitted in units of 100 rad/s, to keep the steps of like size."""


@dataclass(frozen=True)
class ArcFit:
    """A fitted flight.

    ``start`` and ``end`` are states (6,); ``start_cov`` and ``end_cov`` their covariances (6, 6);
    ``spin_radps`` is (topspin, sidespin); ``cost`` the capped negative log likelihood of the image
    points; ``prior`` that of the ends and the spin.
    """

    start: Array
    end: Array
    spin_radps: Array
    start_cov: Array
    end_cov: Array
    cost: float
    prior: float
    n_points: int
    rms_px: float


@njit(cache=True)
def fly(theta, tau, out):  # type: ignore[no-untyped-def]
    """States (N, 6) of the flight theta (8,) at times tau (N,) after its start."""
    out[:] = compiled_states(
        theta[:6], theta[6] * SPIN_UNIT, theta[7] * SPIN_UNIT, tau, DRAG_COEFFICIENT, STEP_S
    )


@njit(cache=True)
def project(matrix, x, y, z, out):  # type: ignore[no-untyped-def]
    """Write the image point of a place; False when it is behind the camera."""
    w = matrix[2, 0] * x + matrix[2, 1] * y + matrix[2, 2] * z + matrix[2, 3]
    if w < 0.3:
        out[0] = 1e4
        out[1] = 1e4
        return False
    out[0] = (matrix[0, 0] * x + matrix[0, 1] * y + matrix[0, 2] * z + matrix[0, 3]) / w
    out[1] = (matrix[1, 0] * x + matrix[1, 1] * y + matrix[1, 2] * z + matrix[1, 3]) / w
    return True


@njit(cache=True)
def linear_start(tau, end_tau, uv, matrix, weight, start_mean, start_w, end_mean, end_w,  # type: ignore[no-untyped-def]
                 spin_mean, rounds):
    """Place, velocity and the given spin (8,) that solve the linear projection equations."""
    n = tau.shape[0]
    theta = np.zeros(8)
    theta[6:] = spin_mean
    grid = np.empty(n + 1)
    grid[:n] = tau
    grid[n] = end_tau
    path = np.empty((n + 1, 6))
    bend = np.zeros((n + 1, 3))
    depth = np.empty(n)
    trust = np.ones(n)
    for i in range(n):
        depth[i] = matrix[i, 2, 2] * 1.0 + matrix[i, 2, 3]
        bend[i, 2] = -0.5 * GRAVITY_MPS2 * tau[i] * tau[i]
    bend[n, 2] = -0.5 * GRAVITY_MPS2 * end_tau * end_tau
    a = np.empty((6, 6))
    b = np.empty(6)
    row = np.empty(6)
    point = np.empty(2)
    for turn in range(rounds):
        a[:] = 0.0
        b[:] = 0.0
        for i in range(6):
            a[i, i] = 1e-6
        for i in range(n):
            scale = trust[i] * weight[i] / depth[i]
            for axis in range(2):
                right = -(matrix[i, axis, 3] - uv[i, axis] * matrix[i, 2, 3])
                for j in range(3):
                    g = matrix[i, axis, j] - uv[i, axis] * matrix[i, 2, j]
                    row[j] = g * scale
                    row[j + 3] = g * tau[i] * scale
                    right -= g * bend[i, j]
                right *= scale
                for j in range(6):
                    b[j] += row[j] * right
                    for k in range(6):
                        a[j, k] += row[j] * row[k]
        for j in range(3):
            w2 = start_w[j] * start_w[j]
            a[j, j] += w2
            b[j] += w2 * start_mean[j]
            w2 = end_w[j] * end_w[j]
            value = end_mean[j] - bend[n, j]
            a[j, j] += w2
            a[j, j + 3] += w2 * end_tau
            a[j + 3, j] += w2 * end_tau
            a[j + 3, j + 3] += w2 * end_tau * end_tau
            b[j] += w2 * value
            b[j + 3] += w2 * end_tau * value
        # Keep the speed within reason where the data hardly fix it.
        for j in range(3, 6):
            a[j, j] += 1.0 / (40.0 * 40.0)
        theta[:6] = np.linalg.solve(a, b)
        speed = np.sqrt(theta[3] ** 2 + theta[4] ** 2 + theta[5] ** 2)
        if speed > 80.0:
            theta[3:6] *= 80.0 / speed
        if turn == rounds - 1:
            break
        fly(theta, grid, path)
        for i in range(n + 1):
            for j in range(3):
                bend[i, j] = path[i, j] - theta[j] - theta[j + 3] * grid[i]
        # Wild points lose their weight step by step, the gauge closing from wide to narrow.
        gauge = max(40.0 / 2.0**turn, 5.0)
        for i in range(n):
            d = matrix[i, 2, 3]
            for j in range(3):
                d += matrix[i, 2, j] * path[i, j]
            depth[i] = max(d, 1.0)
            if project(matrix[i], path[i, 0], path[i, 1], path[i, 2], point):
                off = ((point[0] - uv[i, 0]) ** 2 + (point[1] - uv[i, 1]) ** 2) * weight[i] ** 2
                trust[i] = 1.0 / np.sqrt(1.0 + off / (gauge * gauge))
    return theta


@njit(cache=True)
def _cost(theta, grid, uv, matrix, weight, cap, start_mean, start_w, end_mean, end_w, spin_mean,  # type: ignore[no-untyped-def]
          spin_w, path, residual):
    n = uv.shape[0]
    fly(theta, grid, path)
    c2 = CAUCHY * CAUCHY
    point = np.empty(2)
    total = 0.0
    capped = 0.0
    for i in range(n):
        project(matrix[i], path[i, 0], path[i, 1], path[i, 2], point)
        residual[i, 0] = (point[0] - uv[i, 0]) * weight[i]
        residual[i, 1] = (point[1] - uv[i, 1]) * weight[i]
        r2 = residual[i, 0] ** 2 + residual[i, 1] ** 2
        rho = 0.5 * c2 * np.log(1 + r2 / c2)
        total += rho
        capped += min(rho, cap[i])
    prior = 0.0
    for j in range(3):
        prior += 0.5 * ((theta[j] - start_mean[j]) * start_w[j]) ** 2
        prior += 0.5 * ((path[n, j] - end_mean[j]) * end_w[j]) ** 2
    for j in range(2):
        prior += 0.5 * ((theta[6 + j] - spin_mean[j]) * spin_w[j]) ** 2
    return total, capped, prior


@njit(cache=True)
def fit_kernel(tau, end_tau, uv, matrix, weight, cap, start_mean, start_w, end_mean, end_w,  # type: ignore[no-untyped-def]
               spin_mean, spin_w, give_up, turns, tolerance):
    """Levenberg-Marquardt fit; see :func:`fit` for what it returns, flat."""
    n = tau.shape[0]
    theta = linear_start(tau, end_tau, uv, matrix, weight, start_mean, start_w, end_mean, end_w,
                         spin_mean, 6)
    grid = np.empty(n + 1)
    grid[:n] = tau
    grid[n] = end_tau
    path = np.empty((n + 1, 6))
    shifted = np.empty((n + 1, 6))
    residual = np.empty((n, 2))
    scratch = np.empty((n, 2))
    sens = np.zeros((n + 1, 6, 8))
    jtj = np.zeros((8, 8))
    grad = np.zeros(8)
    best, capped, prior = _cost(theta, grid, uv, matrix, weight, cap, start_mean, start_w, end_mean,
                                end_w, spin_mean, spin_w, path, residual)
    best += prior
    damping = 1e-3
    c2 = CAUCHY * CAUCHY
    point = np.empty(2)
    for turn in range(turns + 1):
        # Sensitivity of the states: the place shifts the whole flight, the rest by differences.
        for j in range(3):
            for i in range(n + 1):
                sens[i, j, j] = 1.0
        for j in range(3, 8):
            h = 0.05
            old = theta[j]
            theta[j] = old + h
            fly(theta, grid, shifted)
            theta[j] = old
            for i in range(n + 1):
                for k in range(6):
                    sens[i, k, j] = (shifted[i, k] - path[i, k]) / h
        jtj[:] = 0.0
        grad[:] = 0.0
        row = np.empty(8)
        for i in range(n):
            r2 = residual[i, 0] ** 2 + residual[i, 1] ** 2
            robust = 1.0 / (1.0 + r2 / c2)
            w = matrix[i, 2, 3]
            for k in range(3):
                w += matrix[i, 2, k] * path[i, k]
            if w < 0.3:
                continue
            project(matrix[i], path[i, 0], path[i, 1], path[i, 2], point)
            for axis in range(2):
                for j in range(8):
                    value = 0.0
                    for k in range(3):
                        slope = matrix[i, axis, k] - point[axis] * matrix[i, 2, k]
                        value += slope * sens[i, k, j]
                    row[j] = value / w * weight[i]
                for j in range(8):
                    grad[j] += robust * row[j] * residual[i, axis]
                    for k in range(8):
                        jtj[j, k] += robust * row[j] * row[k]
        for m in range(3):
            w2 = start_w[m] ** 2
            jtj[m, m] += w2
            grad[m] += w2 * (theta[m] - start_mean[m])
            w2 = end_w[m] ** 2
            off = path[n, m] - end_mean[m]
            if w2 > 0:
                for j in range(8):
                    grad[j] += w2 * sens[n, m, j] * off
                    for k in range(8):
                        jtj[j, k] += w2 * sens[n, m, j] * sens[n, m, k]
        for m in range(2):
            w2 = spin_w[m] ** 2
            jtj[6 + m, 6 + m] += w2
            grad[6 + m] += w2 * (theta[6 + m] - spin_mean[m])
        for j in range(3, 6):
            jtj[j, j] += 1e-6
        if turn == turns:
            break
        improved = False
        gain = 0.0
        for _ in range(5):
            damped = jtj.copy()
            for j in range(8):
                damped[j, j] += damping * (jtj[j, j] + 1e-6)
            step = np.linalg.solve(damped, grad)
            trial = theta - step
            speed = np.sqrt(trial[3] ** 2 + trial[4] ** 2 + trial[5] ** 2)
            if speed < 90.0 and abs(trial[6]) < 12.0 and abs(trial[7]) < 12.0:
                total, cap2, prior2 = _cost(trial, grid, uv, matrix, weight, cap, start_mean,
                                            start_w, end_mean, end_w, spin_mean, spin_w, shifted,
                                            scratch)
                if total + prior2 < best:
                    gain = best - total - prior2
                    best = total + prior2
                    capped = cap2
                    prior = prior2
                    theta[:] = trial
                    path[:] = shifted
                    residual[:] = scratch
                    damping = max(damping * 0.2, 1e-7)
                    improved = True
                    break
            damping *= 8.0
        if turn == 1 and capped > give_up:
            break
        if not improved or gain < tolerance:
            # So small a step leaves the normal equations as good as at the solution.
            break
    # A point is an inlier within three standard deviations.
    square = 0.0
    count = 0
    for i in range(n):
        r2 = residual[i, 0] ** 2 + residual[i, 1] ** 2
        if r2 < 9.0:
            count += 1
            square += r2 / weight[i] ** 2
    return theta, capped, prior, jtj, path[n].copy(), sens[n].copy(), count, square


def fit(
    tau_s: Array, end_s: float, image_px: Array, matrix: Array, sigma_px: Array,
    start_mean: Array, start_sd: Array, end_mean: Array, end_sd: Array,
    spin_mean: Array, spin_sd: Array, give_up: float = np.inf, turns: int = 12,
    tolerance: float = 0.02, worth: Array | None = None,
) -> ArcFit:
    """Fit a flight that starts at time 0 and ends at ``end_s``.

    Parameters
    ----------
    tau_s, image_px, matrix, sigma_px
        Times (N,) after the start in s, image points (N, 2), cameras (N, 3, 4) scaled so that the
        third row gives the distance along the viewing axis, and standard deviations (N,) in px.
    start_mean, start_sd, end_mean, end_sd
        Where the flight starts and ends, (3,) in m; an infinite sd leaves a coordinate free.
    spin_mean, spin_sd
        Topspin and sidespin, (2,) in rad/s.
    give_up
        Cost after the second step above which the fit is not followed further.
    turns, tolerance
        Most steps, and the gain in cost below which no further one is taken.
    worth
        Share (N,) of the most that an image point may cost, 1 if not given.
    """
    cap = np.full(len(tau_s), CAP) if worth is None else CAP * worth
    theta, cost, prior, jtj, end, sens, count, square = fit_kernel(
        tau_s, float(end_s), image_px, matrix, 1.0 / sigma_px, cap, start_mean, 1.0 / start_sd,
        end_mean, 1.0 / end_sd, spin_mean / SPIN_UNIT, SPIN_UNIT / spin_sd, give_up, turns,
        tolerance,
    )
    cov = np.linalg.inv(jtj + 1e-9 * np.eye(8))
    return ArcFit(
        theta[:6], end, theta[6:] * SPIN_UNIT, cov[:6, :6], sens @ cov @ sens.T, float(cost),
        float(prior), int(count), float(np.sqrt(square / count)) if count else float("inf"),
    )
