"""Compiled landings that are given up early, for more layouts than chains of hops can come to know.

Three of four landings end far above the plan that was hopped off from, and nine of ten changes that are polished are
no better. So a change first takes a few steps on few frequencies, and goes on only while the value that the next step
promises, were levels linear in gains and delays, is near the best; and a landing ends when it is still far above.
`hop.land` sees everything to its end.
"""

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from solvers.search.kernels.compiled import kernel
from solvers.search.kernels.hop import (
    ENOUGH,
    HOPE,
    LANDING_STEPS,
    Bench,
    Bounds,
    Habits,
    Plans,
    Rules,
    as_it_is,
    bench_of,
    best_move,
    changed,
    first_look,
    remember,
    settle,
)
from solvers.search.kernels.quick import Scratch, damped_step, polish_quick, scratch_of, value_quick
from solvers.search.kernels.sweep import Limits, Tables

Array = NDArray[Any]

ROUNDS = (1, 2, 3, 5)  # halves of a round of visits after which a landing may be given up
DAMPING = 1e-2  # of the steps on few frequencies


class Hopes(NamedTuple):
    """When something is given up; parts of the value above the best so far, or above the plan hopped off from.

    coarse : steps on few frequencies before a polish. first, later : of a change, by what its first such step, and
    each later one, promises. landing : of a landing, after each of the `ROUNDS`.
    """

    coarse: int
    first: float
    later: float
    landing: tuple[float, float, float, float]


@kernel
def promised(value: float, slope: Array, curvature: Array, step: Array) -> float:
    """The value after a step, were the levels linear: value + slope . step + step . curvature . step / 2."""
    for i in range(len(step)):
        total = 0.5 * curvature[i, i] * step[i]
        for j in range(i):
            total += curvature[i, j] * step[j]
        value += step[i] * (slope[i] + total)
    return value


@kernel
def coarse_steps(
    quick: Tables, bounds: Bounds, hopes: Hopes, best: float, columns: Array, pol: Array, x: Array, scratch: Scratch
) -> bool:
    """Take a few steps from x, changed in place, on few frequencies; whether it may come near the best after them."""
    n = len(x)
    slope, step, trial = scratch.m[0, 0, :n], scratch.m[0, 1, :n], scratch.m[0, 2, :n]
    curvature, factor = scratch.m[1, :n, :n], scratch.m[2, :n, :n]
    held = np.empty(n, np.bool_)
    value = np.inf
    for i in range(n):
        trial[i] = min(max(x[i], bounds.low[i]), bounds.high[i])
    for taken in range(hopes.coarse + 1):
        found = value_quick(quick, columns, pol, trial, bounds.reward, scratch, slope, curvature)
        if found >= value:
            break
        value = found
        x[:] = trial
        if taken == hopes.coarse:
            break
        for i in range(n):
            low, high = bounds.low[i], bounds.high[i]
            held[i] = low == high or (x[i] <= low and slope[i] > 0.0) or (x[i] >= high and slope[i] < 0.0)
        damped_step(curvature, slope, held, DAMPING, factor, step)
        for i in range(n):
            trial[i] = min(max(x[i] + step[i], bounds.low[i]), bounds.high[i])
            step[i] = trial[i] - x[i]
        part = hopes.first if taken == 0 else hopes.later
        if promised(value, slope, curvature, step) > best + part * abs(best):
            return False
    return value <= best + hopes.later * abs(best)


@kernel
def best_hopeful_move(
    quick: Tables,
    tables: Tables,
    bounds: Bounds,
    slot: int,
    habits: Habits,
    hopes: Hopes,
    value: float,
    columns: Array,
    pol: Array,
    x: Array,
    bench: Bench,
    coarse: Scratch,
    archive: Plans,
) -> tuple[int, float]:
    """As `hop.best_move`, the most promising of the bench's moves first, those without hope left out."""
    best = value
    choice = -1
    for i in np.argsort(bench.cost):
        if not np.isfinite(bench.cost[i]):
            break
        changed(bench.moves[i], slot, columns, pol, x, bench)
        settle(bench.x, bounds.low, bounds.high, bounds.reward)
        if not coarse_steps(quick, bounds, hopes, best, bench.columns, bench.pol, bench.x, coarse):
            continue
        found = polish_quick(
            tables,
            bench.columns,
            bench.pol,
            bounds.low,
            bounds.high,
            bounds.reward,
            habits.steps,
            ENOUGH,
            best + HOPE * abs(best),
            bench.x,
            bench.scratch,
        )
        remember(archive, found, bench.columns, bench.pol, bench.x)
        if found < best:
            best = found
            choice = i
            bench.best_x[:] = bench.x
    return choice, best


@kernel
def hopeless(hopes: Hopes, n_slot: int, visits: int, value: float, home: float) -> bool:
    """Whether a landing is still so far above the plan that was hopped off from that it is given up."""
    for k in range(len(ROUNDS)):
        if visits == ROUNDS[k] * n_slot // 2 and value > home + hopes.landing[k] * abs(home):
            return True
    return False


@kernel
def land_briskly(
    quick: Tables,
    tables: Tables,
    limits: Limits,
    rules: Rules,
    habits: Habits,
    hopes: Hopes,
    bounds: Bounds,
    home: float,
    order: Array,
    trials: Array,
    columns: Array,
    pol: Array,
    x: Array,
    archive: Plans,
) -> tuple[float, int]:
    """As `hop.land`; `hopes` say when changes and the landing are given up.

    `home` is the value of the plan that was hopped off from, infinite for a start of its own [dB^2].
    """
    n = len(columns)
    bench = bench_of(quick, tables, n, habits.moves)
    coarse = scratch_of(quick, n)
    looks = min(habits.looks, len(trials))
    as_it_is(0, columns, pol, x, bench)
    _, value = best_move(tables, bounds, 0, LANDING_STEPS, np.inf, columns, pol, x, bench, archive)
    x[:] = bench.best_x
    idle = 0
    visits = 0
    while idle < n and not hopeless(hopes, n, visits, value, home):
        slot = order[visits % n]
        begin = (visits // n) * habits.looks
        first_look(quick, limits, rules, slot, trials, begin, looks, columns, pol, x, bench)
        choice, best = best_hopeful_move(
            quick, tables, bounds, slot, habits, hopes, value, columns, pol, x, bench, coarse, archive
        )
        visits += 1
        idle += 1
        if choice >= 0 and best < value - ENOUGH * abs(value):
            value = best
            columns[slot] = int(bench.moves[choice, 0])
            pol[slot] = bench.moves[choice, 3]
            x[:] = bench.best_x
            idle = 0
    return value, visits
