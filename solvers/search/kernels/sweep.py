"""Compiled sweeps: every delay, gain and polarity of one sub at a time, the others held.

The level of a plan at a point (frequency f, seat s) needs |p|^2. With the others' pressure R and one sub's H,
delayed by tau, scaled by g and perhaps inverted,

    |R +- g e^{-j omega tau} H|^2 = A + g^2 B +- 2 g D,
    A = |R|^2, B = |H|^2, D = X cos(omega tau) + Y sin(omega tau), X + jY = conj(R) H,

so that a trial of both polarities costs a few products and two logarithms a point.

| name | meaning | shape |
| --- | --- | --- |
| column | the transfer of one sub, or of a pair with one drive | [column, block, seat, point] |
| block, point | the frequencies, dealt out so that each block spans the band; padded with weight zero | |
| a | seat weight, sum 1 | [seat] |
| wf | frequency weight, sum 1 | [block, point] |
| hz | frequency [Hz] | [block, point] |
| cost | mean over f of the variance over seats of log2 |p|^2, less `reward` times its mean | |
| tau, g_db, pol | delay [s], gain [dB], polarity of each slot | [slot] |

Costs are in units of (log2 of power)^2: variation_db = 10 lg(2) sqrt(cost) where reward = 0.
`reference` holds the same in plain NumPy.
"""

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from solvers.search.kernels.compiled import kernel
from solvers.search.kernels.lanes import (
    WIDTH,
    exponent,
    floor,
    larger,
    load,
    mantissa,
    smaller,
    splat,
    store,
    total,
)

Array = NDArray[Any]

# log2(1 + t) / t on [-1/3, 1/3]: own least-maximum fit at Chebyshev nodes, 4e-6 off at most in log2
L0 = np.float32(1.4427053868212263)
L1 = np.float32(-0.7213798819641528)
L2 = np.float32(0.47925118907167813)
L3 = np.float32(-0.35838903199300076)
L4 = np.float32(0.32672571711493137)
L5 = np.float32(-0.27999619408650633)
# sin(2 pi t) / t in powers of t^2 on a quarter turn: own least-maximum fit at Chebyshev nodes, 3e-11 off
S0 = np.float32(6.283185307)
S1 = np.float32(-41.34170212)
S2 = np.float32(81.60522621)
S3 = np.float32(-76.70428132)
S4 = np.float32(42.00980571)
S5 = np.float32(-14.39413522)
FLOOR = np.float32(1e-20)  # the least power a point may have, where the mean power of its frequency is 1
SEATS = 6  # between two looks at whether a drive is hopeless
ONE = np.float32(1.0)
TWO = np.float32(2.0)
HALF = np.float32(0.5)
QUARTER = np.float32(0.25)
ZERO = np.float32(0.0)
LOG_UNIT_DB = 10.0 * np.log10(2.0)
LEAST_GAIN = 1e-6  # part of the cost that a change must save


class Tables(NamedTuple):
    """The columns on a grid of frequencies, and the grid of delays.

    re, im : (column, block, seat, point) float32.
    hz : (block, point) float32 [Hz]. wf : (block, point) float32. a : (seat,) float32.
    cos_table, sin_table : (row, block, point) float32; row r is the delay (r - n_row // 2) * delay_step.
    """

    re: Array
    im: Array
    hz: Array
    wf: Array
    a: Array
    cos_table: Array
    sin_table: Array


class Limits(NamedTuple):
    """What may be adjusted, and what counts.

    delay_step, delay_span : [s]; the span is the largest difference between two slots. gain_span : alike [dB],
    in gain_steps steps. both : either polarity. reward : of the mean level, in cost per log2 of power.
    """

    delay_step: float
    delay_span: float
    gain_span: float
    gain_steps: int
    both: bool
    reward: float


@kernel
def log2_fast(x: Any) -> Any:
    """log2 of positive normal lanes or of a float32."""
    t = mantissa(x) - ONE
    return exponent(x) + t * (L0 + t * (L1 + t * (L2 + t * (L3 + t * (L4 + t * L5)))))


@kernel
def sin_turn(t: Any) -> Any:
    """sin(2 pi t), of lanes or of a float32."""
    t = t - floor(t + HALF)
    t = smaller(t, HALF - t)
    t = larger(t, -HALF - t)
    u = t * t
    return t * (S0 + u * (S1 + u * (S2 + u * (S3 + u * (S4 + u * S5)))))


@kernel
def try_drive(tables: Tables, work: Array, A: Array, row: int, g: Any, reward: Any, give_up: Any) -> tuple[Any, Any]:
    """Cost at a row's delay and amplitude g, upright and inverted; B, X and Y are work[:3].

    Once both exceed `give_up`, so far summed over frequencies and some of the seats, they are left as they are: the
    spread of some seats about their own mean is never more than their part in the spread of all.
    """
    n_block, n_seat, n_point = A.shape
    g_squared = g * g
    g_double = TWO * g
    upright = ZERO
    inverted = ZERO
    for k in range(n_block):
        for f in range(0, n_point, WIDTH):
            turn_re = g_double * load(tables.cos_table, (row, k, f))
            turn_im = g_double * load(tables.sin_table, (row, k, f))
            first_up, second_up = splat(ZERO), splat(ZERO)
            first_down, second_down = splat(ZERO), splat(ZERO)
            w = load(tables.wf, (k, f))
            share = ZERO
            for begin in range(0, n_seat, SEATS):
                for s in range(begin, min(begin + SEATS, n_seat)):
                    u = load(A, (k, s, f)) + g_squared * load(work, (0, k, s, f))
                    v = load(work, (1, k, s, f)) * turn_re + load(work, (2, k, s, f)) * turn_im
                    plus = log2_fast(larger(u + v, splat(FLOOR)))
                    minus = log2_fast(larger(u - v, splat(FLOOR)))
                    part = tables.a[s] * plus
                    first_up += part
                    second_up += part * plus
                    part = tables.a[s] * minus
                    first_down += part
                    second_down += part * minus
                    share += tables.a[s]
                if begin + SEATS < n_seat and reward == ZERO:
                    inverse = ONE / share
                    least_up = upright + total(w * (second_up - first_up * (inverse * first_up)))
                    least_down = inverted + total(w * (second_down - first_down * (inverse * first_down)))
                    if least_up > give_up and least_down > give_up:
                        return least_up, least_down
            upright += total(w * (second_up - first_up * (first_up + reward)))
            inverted += total(w * (second_down - first_down * (first_down + reward)))
        if upright > give_up and inverted > give_up:
            break
    return upright, inverted


@kernel
def field_of(tables: Tables, cand: Array, tau: Array, g_db: Array, pol: Array, skip: int, field: Array) -> None:
    """Pressure of all slots but `skip` (-1: of all) into field (2, block, seat, point): real and imaginary part."""
    _, n_block, n_seat, n_point = field.shape
    field[:] = ZERO
    for j in range(len(cand)):
        if j == skip:
            continue
        c = cand[j]
        amplitude = np.float32(pol[j] * 10.0 ** (g_db[j] / 20.0))
        delay_s = np.float32(tau[j])
        for k in range(n_block):
            for f in range(0, n_point, WIDTH):
                t = load(tables.hz, (k, f)) * delay_s
                w_re = amplitude * sin_turn(t + QUARTER)
                w_im = -amplitude * sin_turn(t)
                for s in range(n_seat):
                    h_re = load(tables.re, (c, k, s, f))
                    h_im = load(tables.im, (c, k, s, f))
                    store(field, (0, k, s, f), load(field, (0, k, s, f)) + w_re * h_re - w_im * h_im)
                    store(field, (1, k, s, f), load(field, (1, k, s, f)) + w_re * h_im + w_im * h_re)


@kernel
def cost_of(tables: Tables, field: Array, reward: float) -> float:
    """Cost of a pressure field."""
    _, n_block, n_seat, n_point = field.shape
    worth = np.float32(reward)
    cost = 0.0
    for k in range(n_block):
        for f in range(0, n_point, WIDTH):
            first, second = splat(ZERO), splat(ZERO)
            for s in range(n_seat):
                p_re = load(field, (0, k, s, f))
                p_im = load(field, (1, k, s, f))
                level = log2_fast(larger(p_re * p_re + p_im * p_im, splat(FLOOR)))
                part = tables.a[s] * level
                first += part
                second += part * level
            cost += total(load(tables.wf, (k, f)) * (second - first * (first + worth)))
    return cost


@kernel
def best_drive(
    tables: Tables,
    limits: Limits,
    c: int,
    A: Array,
    field: Array,
    rows: Array,
    gains: Array,
    both: bool,
    give_up: float,
    work: Array,
) -> tuple[float, int, int, float]:
    """Best of all delays, gains and polarities of one column beside the others' field.

    Parameters
    ----------
    tables, limits : what is searched.
    c : the column.
    A : (block, seat, point) power of `field`.
    field : (2, block, seat, point) the others' pressure.
    rows : (3,) first and last delay row, and the stride.
    gains : (2, gain): amplitude, and what each adds to the cost.
    both : try both polarities.
    give_up : costs above this need not be exact.
    work : (3, block, seat, point) float32 or more: receives B, X and Y.

    Returns
    -------
    (cost, row, index of the gain, polarity); row -1 where nothing came below `give_up`.
    """
    n_block, n_seat, n_point = A.shape
    reward = np.float32(limits.reward)
    for k in range(n_block):
        for s in range(n_seat):
            for f in range(0, n_point, WIDTH):
                h_re = load(tables.re, (c, k, s, f))
                h_im = load(tables.im, (c, k, s, f))
                r_re = load(field, (0, k, s, f))
                r_im = load(field, (1, k, s, f))
                store(work, (0, k, s, f), h_re * h_re + h_im * h_im)
                store(work, (1, k, s, f), r_re * h_re + r_im * h_im)
                store(work, (2, k, s, f), r_re * h_im - r_im * h_re)
    best = give_up
    best_row = -1
    best_gain = -1
    best_pol = 1.0
    for row in range(rows[0], rows[1] + 1, rows[2]):
        for i in range(gains.shape[1]):
            extra = gains[1, i]
            limit = best - extra if limits.reward == 0.0 else np.inf  # with a reward, a block may lower the sum
            upright, inverted = try_drive(tables, work, A, row, np.float32(gains[0, i]), reward, np.float32(limit))
            if upright + extra < best:
                best = upright + extra
                best_row = row
                best_gain = i
                best_pol = 1.0
            if both and inverted + extra < best:
                best = inverted + extra
                best_row = row
                best_gain = i
                best_pol = -1.0
    return best, best_row, best_gain, best_pol


@kernel
def delay_rows(limits: Limits, tau: Array, slot: int, middle: int, rows: Array) -> None:
    """Shift the delays so that the earliest of the other slots is 0; write the rows that the slot may take."""
    earliest = np.inf
    latest = -np.inf
    for j in range(len(tau)):
        if j != slot:
            earliest = min(earliest, tau[j])
            latest = max(latest, tau[j])
    rows[0] = middle
    rows[1] = middle
    rows[2] = 1
    if len(tau) == 1:
        return
    for j in range(len(tau)):
        tau[j] -= earliest
    if limits.delay_span > 0.0:
        rows[0] += int(np.ceil((latest - earliest - limits.delay_span) / limits.delay_step - 1e-9))
        rows[1] += int(np.floor(limits.delay_span / limits.delay_step + 1e-9))


@kernel
def gain_levels(limits: Limits, g_db: Array, slot: int) -> Array:
    """(3, gain): amplitude, cost of the loudest sub, and level [dB] of each gain that the slot may take."""
    softest = np.inf
    loudest = -np.inf
    for j in range(len(g_db)):
        if j != slot or len(g_db) == 1:
            softest = min(softest, g_db[j])
            loudest = max(loudest, g_db[j])
    first = loudest
    step = 0.0
    n = 1
    if limits.gain_span > 0.0 and len(g_db) > 1:
        step = limits.gain_span / limits.gain_steps
        first = loudest - limits.gain_span
        n += int(np.floor((softest - loudest + 2.0 * limits.gain_span) / step + 1e-9))
    gains = np.empty((3, n))
    for i in range(n):
        level = first + i * step
        gains[0, i] = 10.0 ** (level / 20.0)
        gains[1, i] = limits.reward * max(level, loudest) / LOG_UNIT_DB
        gains[2, i] = level
    return gains


@kernel
def others_power(tables: Tables, cand: Array, tau: Array, g_db: Array, pol: Array, slot: int, work: Array) -> None:
    """Pressure of all other slots into work[4:6] and its power into work[6]."""
    _, n_block, n_seat, n_point = work.shape
    field = work[4:6]
    field_of(tables, cand, tau, g_db, pol, slot, field)
    for k in range(n_block):
        for s in range(n_seat):
            for f in range(0, n_point, WIDTH):
                p_re = load(field, (0, k, s, f))
                p_im = load(field, (1, k, s, f))
                store(work, (6, k, s, f), p_re * p_re + p_im * p_im)


@kernel
def sweep_layouts(
    tables: Tables,
    limits: Limits,
    layouts: Array,
    order: Array,
    max_visits: int,
    cost: Array,
    tau: Array,
    g_db: Array,
    pol: Array,
) -> None:
    """Visit the slots of each layout in turn and give each its best drive, the others held; until none changes.

    Parameters
    ----------
    tables, limits : what is searched.
    layouts : (layout, slot) columns.
    order : slots in the order of their visits.
    max_visits : visits per layout at most.
    cost : (layout,) float64, written.
    tau, g_db, pol : (layout, slot) start, changed in place.
    """
    n_layout, n_slot = layouts.shape
    _, n_block, n_seat, n_point = tables.re.shape
    work = np.empty((7, n_block, n_seat, n_point), np.float32)
    middle = tables.cos_table.shape[0] // 2
    rows = np.empty(3, np.int64)
    both = limits.both and n_slot > 1
    for i in range(n_layout):
        field_of(tables, layouts[i], tau[i], g_db[i], pol[i], -1, work[4:6])
        loudest = -np.inf
        for j in range(n_slot):
            loudest = max(loudest, g_db[i, j])
        current = cost_of(tables, work[4:6], limits.reward) + limits.reward * loudest / LOG_UNIT_DB
        unchanged = 0
        visits = 0
        while visits < max_visits and unchanged < n_slot:
            slot = order[visits % n_slot]
            visits += 1
            delay_rows(limits, tau[i], slot, middle, rows)
            gains = gain_levels(limits, g_db[i], slot)
            others_power(tables, layouts[i], tau[i], g_db[i], pol[i], slot, work)
            give_up = current - LEAST_GAIN * abs(current)
            column = layouts[i, slot]
            found, row, g, p = best_drive(tables, limits, column, work[6], work[4:6], rows, gains, both, give_up, work)
            if row >= 0:
                tau[i, slot] = (row - middle) * limits.delay_step
                g_db[i, slot] = gains[2, g]
                pol[i, slot] = p
                current = found
                unchanged = 0
            else:
                unchanged += 1
        cost[i] = current
