"""Compiled polish of the drives of a plan in float32, for the thousands of plans that a search looks at.

Seat-to-seat variation is a sum of squares, V^2 = mean_f sum_s a_s (L - Lm)^2, so Levenberg's and Marquardt's damped
Gauss-Newton steps, projected on the limits of delay and gain, reach a local optimum in a few steps (`polish` has
the same in float64). With q_c = w_c H_c / p: dL/dgain_c = Re q_c, dL/ddelay_c = (20 / ln 10) omega Im q_c.
It works on the blocks of `search.kernels.sweep.Tables`, tile by tile: sixteen frequencies at all seats, which stay near
the processor. Good to about 1e-5 of the value.

| name | meaning | shape |
| --- | --- | --- |
| x | gains [dB], then delays [ms] | [2 slot] |
| w | weight of each slot, real and imaginary | [slot, 2, block, point] |
| t | parts w H of the pressure, real, then imaginary; their slopes take their place | [tile, row, seat, lane] |
| d | derivative of the level by x, centred over seats and weighted | [tile, row, seat, lane] |
| r | level [dB], then its weighted deviation from the mean over seats | [tile, seat, lane] |
| row | 2 slot, and as many of zeros as make a multiple of four | |
"""

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from solvers.search.kernels.compiled import kernel
from solvers.search.kernels.lanes import WIDTH, larger, load, splat, store, total
from solvers.search.kernels.sweep import FLOOR, LOG_UNIT_DB, QUARTER, ZERO, Tables, log2_fast, sin_turn

Array = NDArray[Any]

UNIT = np.float32(LOG_UNIT_DB)
DB_PER_TURN_MS = np.float32(2.0 * np.pi * 20e-3 / np.log(10.0))
HOPEFUL_STEPS = 2  # of a polish before it may be given up


class Scratch(NamedTuple):
    """Memory that a polish works in, and what is known beforehand.

    w, d, r : as above; d holds t first.
    p : (tile, 2, seat, lane) pressure over its power, times the roots of the seat's and the frequency's weight.
    products : (row, row, lane) sums of d d. lean, rise : (row, lane) sums of d r, and of the mean of d over seats.
    root_f, root_s : (block, point), (seat,) roots of the weights.
    m : (3, 2 slot, 2 slot) of the steps. held : (2 slot,) bool, unknowns that stay at a limit.
    """

    w: Array
    d: Array
    r: Array
    p: Array
    products: Array
    lean: Array
    rise: Array
    root_f: Array
    root_s: Array
    m: Array
    held: Array


@kernel
def scratch_of(tables: Tables, n_slot: int) -> Scratch:
    """Memory for polishing plans of so many slots."""
    _, n_block, n_seat, n_point = tables.re.shape
    n_tile = n_block * n_point // WIDTH
    n_x = 2 * n_slot
    n_row = (n_x + 3) // 4 * 4
    return Scratch(
        np.zeros((n_slot, 2, n_block, n_point), np.float32),
        np.zeros((n_tile, n_row, n_seat, WIDTH), np.float32),
        np.zeros((n_tile, n_seat, WIDTH), np.float32),
        np.zeros((n_tile, 2, n_seat, WIDTH), np.float32),
        np.zeros((n_row, n_row, WIDTH), np.float32),
        np.zeros((n_row, WIDTH), np.float32),
        np.zeros((n_row, WIDTH), np.float32),
        np.sqrt(tables.wf),
        np.sqrt(tables.a),
        np.zeros((3, max(3, n_x), max(3, n_x))),
        np.zeros(n_x, np.bool_),
    )


@kernel
def weights_of(tables: Tables, pol: Array, x: Array, w: Array) -> None:
    """Weight of each slot at its drive into w."""
    n = len(pol)
    n_block, n_point = tables.wf.shape
    for c in range(n):
        amplitude = np.float32(pol[c] * 10.0 ** (x[c] / 20.0))
        delay_s = np.float32(1e-3 * x[n + c])
        for k in range(n_block):
            for f in range(0, n_point, WIDTH):
                t = load(tables.hz, (k, f)) * delay_s
                store(w, (c, 0, k, f), amplitude * sin_turn(t + QUARTER))
                store(w, (c, 1, k, f), -amplitude * sin_turn(t))


@kernel
def value_alone(tables: Tables, columns: Array, pol: Array, x: Array, reward: float, scratch: Scratch) -> float:
    """V^2 - reward * mean level [dB^2]; parts, pressure and deviations stay in the scratch for `slopes_there`."""
    w, t, r, p = scratch.w, scratch.d, scratch.r, scratch.p
    n = len(columns)
    _, n_block, n_seat, n_point = tables.re.shape
    weights_of(tables, pol, x, w)
    squares, mean_level = splat(ZERO), splat(ZERO)
    tile = 0
    for k in range(n_block):
        for f in range(0, n_point, WIDTH):
            root = load(scratch.root_f, (k, f))
            mean = splat(ZERO)
            for s in range(n_seat):
                p_re, p_im = splat(ZERO), splat(ZERO)
                for c in range(n):
                    h_re = load(tables.re, (columns[c], k, s, f))
                    h_im = load(tables.im, (columns[c], k, s, f))
                    w_re = load(w, (c, 0, k, f))
                    w_im = load(w, (c, 1, k, f))
                    t_re = w_re * h_re - w_im * h_im
                    t_im = w_re * h_im + w_im * h_re
                    store(t, (tile, c, s, 0), t_re)
                    store(t, (tile, n + c, s, 0), t_im)
                    p_re += t_re
                    p_im += t_im
                power = larger(p_re * p_re + p_im * p_im, splat(FLOOR))
                level = UNIT * log2_fast(power)
                inverse = (scratch.root_s[s] * root) / power
                store(r, (tile, s, 0), level)
                store(p, (tile, 0, s, 0), p_re * inverse)
                store(p, (tile, 1, s, 0), p_im * inverse)
                mean += tables.a[s] * level
            mean_level += load(tables.wf, (k, f)) * mean
            for s in range(n_seat):
                deviation = (load(r, (tile, s, 0)) - mean) * (scratch.root_s[s] * root)
                store(r, (tile, s, 0), deviation)
                squares += deviation * deviation
            tile += 1
    return float(total(squares)) - reward * float(total(mean_level))


@kernel
def centred_slopes(tables: Tables, scratch: Scratch, n: int, k: int, f: int, tile: int) -> None:
    """Parts of one tile turned into slopes of the level, centred and weighted; sums of lean and rise go on."""
    d, r, p, root_s = scratch.d, scratch.r, scratch.p, scratch.root_s
    n_seat = len(root_s)
    root = load(scratch.root_f, (k, f))
    swing = DB_PER_TURN_MS * load(tables.hz, (k, f))
    for c in range(n):
        mean_g, mean_t = splat(ZERO), splat(ZERO)
        for s in range(n_seat):
            t_re, t_im = load(d, (tile, c, s, 0)), load(d, (tile, n + c, s, 0))
            p_re, p_im = load(p, (tile, 0, s, 0)), load(p, (tile, 1, s, 0))
            by_gain = t_re * p_re + t_im * p_im
            by_turn = t_im * p_re - t_re * p_im
            store(d, (tile, c, s, 0), by_gain)
            store(d, (tile, n + c, s, 0), by_turn)
            mean_g += root_s[s] * by_gain
            mean_t += root_s[s] * by_turn
        lean_g, lean_t = load(scratch.lean, (c, 0)), load(scratch.lean, (n + c, 0))
        for s in range(n_seat):
            by_gain = load(d, (tile, c, s, 0)) - root_s[s] * mean_g
            by_delay = swing * (load(d, (tile, n + c, s, 0)) - root_s[s] * mean_t)
            store(d, (tile, c, s, 0), by_gain)
            store(d, (tile, n + c, s, 0), by_delay)
            deviation = load(r, (tile, s, 0))
            lean_g += by_gain * deviation
            lean_t += by_delay * deviation
        store(scratch.lean, (c, 0), lean_g)
        store(scratch.lean, (n + c, 0), lean_t)
        store(scratch.rise, (c, 0), load(scratch.rise, (c, 0)) + root * mean_g)
        store(scratch.rise, (n + c, 0), load(scratch.rise, (n + c, 0)) + root * (swing * mean_t))


@kernel
def four(sums: Array, i: int, j: int) -> Any:
    """Four lanes beside each other."""
    return load(sums, (i, j, 0)), load(sums, (i, j + 1, 0)), load(sums, (i, j + 2, 0)), load(sums, (i, j + 3, 0))


@kernel
def keep_four(sums: Array, i: int, j: int, m0: Any, m1: Any, m2: Any, m3: Any) -> None:
    """Write four lanes beside each other."""
    store(sums, (i, j, 0), m0)
    store(sums, (i, j + 1, 0), m1)
    store(sums, (i, j + 2, 0), m2)
    store(sums, (i, j + 3, 0), m3)


@kernel
def add_products(d: Array, tile: int, i: int, j: int, sums: Array) -> None:
    """Products of rows i to i + 3 with rows j to j + 3 of one tile, added to their sums, which stay in registers."""
    a0, a1, a2, a3 = four(sums, i, j)
    b0, b1, b2, b3 = four(sums, i + 1, j)
    c0, c1, c2, c3 = four(sums, i + 2, j)
    d0, d1, d2, d3 = four(sums, i + 3, j)
    for s in range(d.shape[2]):
        u0, u1 = load(d, (tile, j, s, 0)), load(d, (tile, j + 1, s, 0))
        u2, u3 = load(d, (tile, j + 2, s, 0)), load(d, (tile, j + 3, s, 0))
        row = load(d, (tile, i, s, 0))
        a0 += row * u0
        a1 += row * u1
        a2 += row * u2
        a3 += row * u3
        row = load(d, (tile, i + 1, s, 0))
        b0 += row * u0
        b1 += row * u1
        b2 += row * u2
        b3 += row * u3
        row = load(d, (tile, i + 2, s, 0))
        c0 += row * u0
        c1 += row * u1
        c2 += row * u2
        c3 += row * u3
        row = load(d, (tile, i + 3, s, 0))
        d0 += row * u0
        d1 += row * u1
        d2 += row * u2
        d3 += row * u3
    keep_four(sums, i, j, a0, a1, a2, a3)
    keep_four(sums, i + 1, j, b0, b1, b2, b3)
    keep_four(sums, i + 2, j, c0, c1, c2, c3)
    keep_four(sums, i + 3, j, d0, d1, d2, d3)


@kernel
def slopes_there(tables: Tables, n: int, reward: float, scratch: Scratch, slope: Array, curvature: Array) -> None:
    """Gradient and Gauss-Newton matrix where `value_alone` was asked last, which may be done once."""
    products, lean, rise = scratch.products, scratch.lean, scratch.rise
    products[:] = ZERO
    lean[:] = ZERO
    rise[:] = ZERO
    n_block, n_point = tables.wf.shape
    tile = 0
    for k in range(n_block):
        for f in range(0, n_point, WIDTH):
            centred_slopes(tables, scratch, n, k, f, tile)
            for i in range(0, 2 * n, 4):
                for j in range(0, i + 1, 4):
                    add_products(scratch.d, tile, i, j, products)
            tile += 1
    for i in range(2 * n):
        slope[i] = 2.0 * float(total(load(lean, (i, 0)))) - reward * float(total(load(rise, (i, 0))))
        for j in range(i + 1):
            curvature[i, j] = 2.0 * float(total(load(products, (i, j, 0))))
            curvature[j, i] = curvature[i, j]


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
    value = value_alone(tables, columns, pol, x, reward, scratch)
    slopes_there(tables, len(columns), reward, scratch, slope, curvature)
    return value


@kernel
def damped_step(curvature: Array, slope: Array, held: Array, damping: float, factor: Array, step: Array) -> None:
    """Solve (C + damping * diag C) step = -slope on the unknowns that are not held, by Cholesky's method.

    `factor` receives the factor's columns as rows, so that inner loops run along them.
    """
    n = len(slope)
    for i in range(n):
        step[i] = 0.0 if held[i] else -slope[i]
        for j in range(i, n):
            factor[i, j] = 0.0 if held[i] or held[j] else curvature[i, j]
        factor[i, i] = 1.0 if held[i] else curvature[i, i] * (1.0 + damping) + 1e-12
    for i in range(n):
        inverse = 1.0 / np.sqrt(max(factor[i, i], 1e-18))
        for k in range(i, n):
            factor[i, k] *= inverse
        step[i] *= inverse
        for j in range(i + 1, n):
            part = factor[i, j]
            for k in range(j, n):
                factor[j, k] -= part * factor[i, k]
            step[j] -= part * step[i]
    for i in range(n - 1, -1, -1):
        for k in range(i + 1, n):
            step[i] -= factor[i, k] * step[k]
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
    step = scratch.m[0, 1, :n]
    trial = scratch.m[0, 2, :n]
    curvature = scratch.m[1, :n, :n]
    factor = scratch.m[2, :n, :n]
    held = scratch.held
    for i in range(n):
        x[i] = min(max(x[i], low[i]), high[i])
    value = np.inf
    damping = 1e-2
    trial[:] = x
    for step_number in range(max_steps + 1):
        new_value = value_alone(tables, columns, pol, trial, reward, scratch)
        if new_value < value:
            last = value - new_value < tolerance * abs(new_value)
            value = new_value
            x[:] = trial
            damping = max(damping * 0.2, 1e-6)
            if last or step_number == max_steps or (step_number >= HOPEFUL_STEPS and value > give_up):
                break
            slopes_there(tables, len(columns), reward, scratch, slope, curvature)
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
