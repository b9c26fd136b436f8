"""Compiled proof: every drive of a grid for every layout.

The first slot is the reference: no delay, no gain, upright. The slots between it and the last one run through all
delays, gains and polarities relative to it that the limits allow together; the last one is searched over all of its
own by `best_drive`, which leaves a trial as soon as the sum over the frequencies so far exceeds the best known. That
sum only grows, so it is a lower bound: a trial is skipped, never a winner.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from solvers.search.kernels.compiled import kernel
from solvers.search.kernels.sweep import Limits, Tables, best_drive, others_power

Array = NDArray[Any]

SLACK = 1e-9


@kernel
def set_between(limits: Limits, k: int, n_delay: int, n_gain: int, t: Array, g: Array, q: Array, span: Array) -> bool:
    """Set the drives of the slots between the first and the last to the k-th of the grid.

    Parameters
    ----------
    limits : of the grid. n_delay, n_gain : its steps of delay and gain each way.
    t, g, q : (slot,) delay [steps], gain [steps], polarity, written.
    span : (4,) least and most delay, least and most gain of all but the last slot [steps], written.

    Returns
    -------
    Whether the limits allow them together.
    """
    n_row = 2 * n_delay + 1
    n_level = 2 * n_gain + 1
    n_pol = 2 if limits.both else 1
    span[:] = 0
    for j in range(1, len(t) - 1):
        digit = k % (n_row * n_level * n_pol)
        k //= n_row * n_level * n_pol
        t[j] = digit % n_row - n_delay
        g[j] = (digit // n_row) % n_level - n_gain
        q[j] = 1.0 if digit < n_row * n_level else -1.0
        span[0] = min(span[0], int(t[j]))
        span[1] = max(span[1], int(t[j]))
        span[2] = min(span[2], int(g[j]))
        span[3] = max(span[3], int(g[j]))
    return bool(span[1] - span[0] <= n_delay and span[3] - span[2] <= n_gain)


@kernel
def every_drive(
    tables: Tables, limits: Limits, layouts: Array, limit: float, cost: Array, tau: Array, g_db: Array, pol: Array
) -> None:
    """Best drive of the grid for each layout, where one lies below the limit.

    Parameters
    ----------
    tables, limits : the columns, the grid of delays, what may be adjusted; without reward.
    layouts : (layout, slot) columns.
    limit : costs from here on are of no interest.
    cost : (layout,) float64, written; infinite where nothing lies below the limit.
    tau, g_db, pol : (layout, slot) [s], [dB], +1 or -1, written.
    """
    n_layout, n = layouts.shape
    _, n_block, n_seat, n_point = tables.re.shape
    work = np.empty((7, n_block, n_seat, n_point), np.float32)
    middle = tables.cos_table.shape[0] // 2
    n_delay = int(np.floor(limits.delay_span / limits.delay_step + SLACK)) if n > 1 else 0
    n_gain = limits.gain_steps if n > 1 and limits.gain_span > 0.0 else 0
    gain_step = limits.gain_span / max(1, limits.gain_steps)
    between = ((2 * n_delay + 1) * (2 * n_gain + 1) * (2 if limits.both else 1)) ** max(0, n - 2)
    t, g, q = np.zeros(n), np.zeros(n), np.ones(n)
    span = np.zeros(4, np.int64)
    rows = np.ones(3, np.int64)
    cost[:] = np.inf
    for i in range(n_layout):
        best = limit
        for k in range(between):
            if not set_between(limits, k, n_delay, n_gain, t, g, q, span):
                continue
            rows[0] = middle + span[1] - n_delay
            rows[1] = middle + span[0] + n_delay
            first = span[3] - n_gain
            gains = np.zeros((2, span[2] + n_gain - first + 1))
            for m in range(gains.shape[1]):
                gains[0, m] = 10.0 ** ((first + m) * gain_step / 20.0)
            others_power(tables, layouts[i], t * limits.delay_step, g * gain_step, q, n - 1, work)
            found, row, m, p = best_drive(
                tables, limits, layouts[i, n - 1], work[6], work[4:6], rows, gains, limits.both, best, work
            )
            if row >= 0:
                best = found
                cost[i] = found
                tau[i] = t * limits.delay_step
                g_db[i] = g * gain_step
                pol[i] = q
                tau[i, n - 1] = (row - middle) * limits.delay_step
                g_db[i, n - 1] = (first + m) * gain_step
                pol[i, n - 1] = p
