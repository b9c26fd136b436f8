"""Compiled polish of the drives of a plan in float32, for the thousands of plans that a search looks at.

Seat-to-seat variation is a sum of squares, V^2 = mean_f sum_s a_s (L - Lm)^2, so Levenberg's and Marquardt's damped
Gauss-Newton steps, projected on the limits of delay and gain, reach a local optimum in a few steps (`polish` has
the same in float64). With q_c = w_c H_c / p: dL/dgain_c = Re q_c, dL/ddelay_c = (20 / ln 10) omega Im q_c.
It works on the blocks of `search.kernels.sweep.Tables`, written so that every inner loop
runs over frequencies or points in the processor's vector registers. Good to about 1e-5 of the value.

| name | meaning | shape |
| --- | --- | --- |
| x | gains [dB], then delays [ms] | [2 slot] |
| w | weight of each slot, real and imaginary | [slot, 2, block, point] |
| d | derivative of the level by x, then centred over seats and weighted | [2 slot, block, seat, point] |
| r | level [dB], then its weighted deviation from the mean over seats | [block, seat, point] |
"""

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from solvers.search.kernels.compiled import kernel
from solvers.search.kernels.sweep import FLOOR, LOG_UNIT_DB, ONE, ZERO, Tables, log2_fast

Array = NDArray[Any]

UNIT = np.float32(LOG_UNIT_DB)
DB_PER_NEPER_MS = np.float32(20e-3 / np.log(10.0))
HOPEFUL_STEPS = 2  # of a polish before it may be given up
QUARTER = np.float32(0.25)
HALF = np.float32(0.5)
# sin(2 pi t) / t in powers of t^2 on a quarter turn: own least-maximum fit at Chebyshev nodes, 3e-11 off
S0 = np.float32(6.283185307)
S1 = np.float32(-41.34170212)
S2 = np.float32(81.60522621)
S3 = np.float32(-76.70428132)
S4 = np.float32(42.00980571)
S5 = np.float32(-14.39413522)


class Scratch(NamedTuple):
    """Memory that a polish works in: w, p (2, point), mean (point,), d, r as above; m (4, 2 slot, 2 slot)."""

    w: Array
    p: Array
    mean: Array
    d: Array
    r: Array
    m: Array


@kernel
def scratch_of(tables: Tables, n_slot: int) -> Scratch:
    """Memory for polishing plans of so many slots."""
    _, n_block, n_seat, n_point = tables.re.shape
    n_x = 2 * n_slot
    return Scratch(
        np.zeros((n_slot, 2, n_block, n_point), np.float32),
        np.zeros((2, n_point), np.float32),
        np.zeros(n_point, np.float32),
        np.zeros((n_x, n_block, n_seat, n_point), np.float32),
        np.zeros((n_block, n_seat, n_point), np.float32),
        np.zeros((4, max(4, n_x), max(4, n_x))),
    )


@kernel
def sin_turn(t: Any) -> Any:
    """sin(2 pi t), float32."""
    t = t - np.floor(t + HALF)
    if t > QUARTER:
        t = HALF - t
    if t < -QUARTER:
        t = -HALF - t
    u = t * t
    return t * (S0 + u * (S1 + u * (S2 + u * (S3 + u * (S4 + u * S5)))))


@kernel
def centre_points(tables: Tables, values: Array, mean: Array) -> float:
    """Take the weighted mean over seats away, weight what is left for a sum of squares; returns the whole mean."""
    n_block, n_seat, n_point = values.shape
    whole = ZERO
    for k in range(n_block):
        for f in range(n_point):
            mean[f] = ZERO
        for s in range(n_seat):
            for f in range(n_point):
                mean[f] += tables.a[s] * values[k, s, f]
        for f in range(n_point):
            whole += tables.wf[k, f] * mean[f]
        for s in range(n_seat):
            for f in range(n_point):
                values[k, s, f] = (values[k, s, f] - mean[f]) * np.sqrt(tables.wf[k, f] * tables.a[s])
    return float(whole)


@kernel
def levels_and_slopes(tables: Tables, columns: Array, pol: Array, x: Array, scratch: Scratch) -> None:
    """Level at every point into r and its derivatives by x into d [dB, dB per unit]."""
    w, p, _, d, r, _ = scratch
    n = len(columns)
    _, n_block, n_seat, n_point = tables.re.shape
    for c in range(n):
        amplitude = np.float32(pol[c] * 10.0 ** (x[c] / 20.0))
        turn_s = np.float32(x[n + c] * 1e-3 / (2.0 * np.pi))
        for k in range(n_block):
            for f in range(n_point):
                t = np.float32(tables.omega[k, f]) * turn_s
                w[c, 0, k, f] = amplitude * sin_turn(t + QUARTER)
                w[c, 1, k, f] = -amplitude * sin_turn(t)
    for k in range(n_block):
        for s in range(n_seat):
            for f in range(n_point):
                p[0, f] = ZERO
                p[1, f] = ZERO
            for c in range(n):
                column = columns[c]
                for f in range(n_point):
                    h_re = tables.re[column, k, s, f]
                    h_im = tables.im[column, k, s, f]
                    t_re = w[c, 0, k, f] * h_re - w[c, 1, k, f] * h_im
                    t_im = w[c, 0, k, f] * h_im + w[c, 1, k, f] * h_re
                    d[c, k, s, f] = t_re
                    d[n + c, k, s, f] = t_im
                    p[0, f] += t_re
                    p[1, f] += t_im
            for f in range(n_point):
                power = max(p[0, f] * p[0, f] + p[1, f] * p[1, f], FLOOR)
                r[k, s, f] = UNIT * log2_fast(power)
                inverse = ONE / power
                p[0, f] *= inverse
                p[1, f] *= inverse
            for c in range(n):
                for f in range(n_point):
                    t_re = d[c, k, s, f]
                    t_im = d[n + c, k, s, f]
                    d[c, k, s, f] = t_re * p[0, f] + t_im * p[1, f]
                    slope = DB_PER_NEPER_MS * np.float32(tables.omega[k, f])
                    d[n + c, k, s, f] = slope * (t_im * p[0, f] - t_re * p[1, f])


@kernel
def value_quick(
    tables: Tables,
    columns: Array,
    pol: Array,
    x: Array,
    reward: float,
    scratch: Scratch,
    slope: Array,
    curvature: Array,
) -> float:
    """V^2 - reward * mean level [dB^2]; gradient and Gauss-Newton matrix are written to slope, curvature."""
    n_x = 2 * len(columns)
    levels_and_slopes(tables, columns, pol, x, scratch)
    r = scratch.r.reshape(scratch.r.size)
    d = scratch.d.reshape((n_x, r.size))
    mean_level = centre_points(tables, scratch.r, scratch.mean)
    total = ZERO
    for q in range(len(r)):
        total += r[q] * r[q]
    value = float(total) - reward * mean_level
    for i in range(n_x):
        mean_slope = centre_points(tables, scratch.d[i], scratch.mean)
        total = ZERO
        for q in range(len(r)):
            total += d[i, q] * r[q]
        slope[i] = 2.0 * total - reward * mean_slope
        for j in range(i + 1):
            total = ZERO
            for q in range(len(r)):
                total += d[i, q] * d[j, q]
            curvature[i, j] = 2.0 * total
            curvature[j, i] = 2.0 * total
    return value


@kernel
def damped_step(curvature: Array, slope: Array, held: Array, damping: float, factor: Array, step: Array) -> None:
    """Solve (C + damping * diag C) step = -slope on the unknowns that are not held, by Cholesky's method."""
    n = len(slope)
    for i in range(n):
        step[i] = 0.0 if held[i] else -slope[i]
        for j in range(i + 1):
            factor[i, j] = 0.0 if held[i] or held[j] else curvature[i, j]
        factor[i, i] = 1.0 if held[i] else curvature[i, i] * (1.0 + damping) + 1e-12
    for i in range(n):
        for j in range(i + 1):
            total = factor[i, j]
            for k in range(j):
                total -= factor[i, k] * factor[j, k]
            if i == j:
                factor[i, i] = np.sqrt(max(total, 1e-18))
            else:
                factor[i, j] = total / factor[j, j]
    for i in range(n):
        for k in range(i):
            step[i] -= factor[i, k] * step[k]
        step[i] /= factor[i, i]
    for i in range(n - 1, -1, -1):
        for k in range(i + 1, n):
            step[i] -= factor[k, i] * step[k]
        step[i] /= factor[i, i]


@kernel
def polish_quick(
    tables: Tables,
    columns: Array,
    pol: Array,
    low: Array,
    high: Array,
    reward: float,
    max_steps: int,
    tolerance: float,
    give_up: float,
    x: Array,
    scratch: Scratch,
) -> float:
    """Descend from x, changed in place, between low and high; returns the value reached [dB^2].

    After a few steps it goes on only from below `give_up`.
    """
    n = len(x)
    slope = scratch.m[0, 0, :n]
    new_slope = scratch.m[0, 1, :n]
    step = scratch.m[0, 2, :n]
    trial = scratch.m[0, 3, :n]
    curvature = scratch.m[1, :n, :n]
    new_curvature = scratch.m[2, :n, :n]
    factor = scratch.m[3, :n, :n]
    held = np.empty(n, np.bool_)
    for i in range(n):
        x[i] = min(max(x[i], low[i]), high[i])
    value = np.inf
    damping = 1e-2
    trial[:] = x
    for step_number in range(max_steps + 1):
        new_value = value_quick(tables, columns, pol, trial, reward, scratch, new_slope, new_curvature)
        if new_value < value:
            last = value - new_value < tolerance * abs(new_value)
            value = new_value
            x[:] = trial
            slope[:] = new_slope
            curvature[:] = new_curvature
            damping = max(damping * 0.2, 1e-6)
            if last or (step_number >= HOPEFUL_STEPS and value > give_up):
                break
        else:
            damping *= 5.0
            if damping > 1e4:
                break
        for i in range(n):
            held[i] = low[i] == high[i] or (x[i] <= low[i] and slope[i] > 0.0) or (x[i] >= high[i] and slope[i] < 0.0)
        damped_step(curvature, slope, held, damping, factor, step)
        for i in range(n):
            trial[i] = min(max(x[i] + step[i], low[i]), high[i])
    return value
