"""Compiled descent over positions and drives together.

From slot to slot: look at every column, delay and polarity on few frequencies, the others held; polish the most
promising of these with all drives free; move when one is better. When no slot finds anything better, the plan has
landed.
"""

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from solvers.search.kernels.compiled import kernel
from solvers.search.kernels.quick import Scratch, polish_quick, scratch_of
from solvers.search.kernels.sweep import LOG_UNIT_DB, Limits, Tables, best_drive, delay_rows, others_power

Array = NDArray[Any]

NEAR_GAIN, FAR_GAIN = 0.25, 0.7  # parts of the gain span below the loudest sub, where the first look is taken
ENOUGH = 1e-3  # part of the value that a move must save
LANDING_STEPS = 40  # of polish for a new start
HOPE = 0.3  # part above the best so far at which a polish may still go on after its first steps
STRIDE = 3  # delays per step of the first look


class Rules(NamedTuple):
    """Which columns may stand together.

    group : (column,); a slot takes only columns of the group it began with.
    clash : (column, column) bool, the diagonal included.
    zone_size, zone_limit : (column, zone), (zone,): subs that a column adds to a zone, and the most it may hold.
    """

    group: Array
    clash: Array
    zone_size: Array
    zone_limit: Array


class Habits(NamedTuple):
    """How thorough a visit to a slot is.

    looks : columns looked at. moves : most promising changes that are polished. steps : of such a polish at most.
    """

    looks: int
    moves: int
    steps: int


class Plans(NamedTuple):
    """Plans: value (plan,), columns, polarity (plan, slot), x (plan, 2 slot): gains [dB], delays [ms]."""

    value: Array
    columns: Array
    pol: Array
    x: Array


class Bounds(NamedTuple):
    """What a plan may be: low, high (2 slot,) limits of x; reward, worth of one dB of mean level [dB]."""

    low: Array
    high: Array
    reward: float


class Bench(NamedTuple):
    """Memory that a landing works in.

    scratch : of a polish. work : (7, block, seat, point) of a first look. cost (move,), moves (move, 4) : what it
    found. tau : (slot,) delays [s]. columns, pol (slot,), x (2 slot,) : the plan that is tried.
    best_x : (2 slot,) of the best tried.
    """

    scratch: Scratch
    work: Array
    cost: Array
    moves: Array
    tau: Array
    columns: Array
    pol: Array
    x: Array
    best_x: Array


@kernel
def bench_of(quick: Tables, tables: Tables, n_slot: int, n_move: int) -> Bench:
    """Memory for landing plans of so many slots, with so many changes to polish at each."""
    return Bench(
        scratch_of(tables, n_slot),
        np.empty((7, quick.re.shape[1], quick.re.shape[2], quick.re.shape[3]), np.float32),
        np.empty(n_move),
        np.empty((n_move, 4)),
        np.empty(n_slot),
        np.empty(n_slot, np.int64),
        np.empty(n_slot),
        np.empty(2 * n_slot),
        np.empty(2 * n_slot),
    )


@kernel
def may_stand(rules: Rules, c: int, slot: int, cand: Array) -> bool:
    """Whether column c may take the slot beside the others."""
    if rules.group[c] != rules.group[cand[slot]]:
        return False
    for j in range(len(cand)):
        if j != slot and rules.clash[c, cand[j]]:
            return False
    for z in range(len(rules.zone_limit)):
        if rules.zone_size[c, z] == 0:
            continue
        total = rules.zone_size[c, z]
        for j in range(len(cand)):
            if j != slot:
                total += rules.zone_size[cand[j], z]
        if total > rules.zone_limit[z]:
            return False
    return True


@kernel
def centre(x: Array, low: Array, high: Array) -> None:
    """Shift the common gain and the common delay to the middle of their ranges."""
    n = len(x) // 2
    for start in (0, n):
        least = np.inf
        most = -np.inf
        for c in range(start, start + n):
            least = min(least, x[c])
            most = max(most, x[c])
        shift = 0.5 * (low[start] + high[start] - least - most)
        for c in range(start, start + n):
            x[c] += shift


@kernel
def settle(x: Array, low: Array, high: Array, reward: float) -> None:
    """Put a plan between its limits: centred, or as loud as allowed where output is rewarded."""
    centre(x, low, high)
    if reward != 0.0:
        n = len(x) // 2
        loudest = -np.inf
        for c in range(n):
            loudest = max(loudest, x[c])
        for c in range(n):
            x[c] += high[0] - loudest


@kernel
def first_look(
    quick: Tables,
    limits: Limits,
    rules: Rules,
    slot: int,
    trials: Array,
    begin: int,
    looks: int,
    now: Array,
    pol: Array,
    x: Array,
    bench: Bench,
) -> None:
    """The most promising changes of one slot into the bench's moves: column, delay, gain, polarity; and their cost.

    Columns are taken from `trials` from `begin` on, and the one that stands there. The bench's tau receives the
    others' delays [s], the earliest of them 0, to which the delay refers.
    """
    n = len(now)
    tau, work, cost, moves = bench.tau, bench.work, bench.cost, bench.moves
    middle = quick.cos_table.shape[0] // 2
    rows = np.empty(3, np.int64)
    for j in range(n):
        tau[j] = 1e-3 * x[n + j]
    delay_rows(limits, tau, slot, middle, rows)
    rows[2] = STRIDE
    loudest = -np.inf
    for j in range(n):
        if j != slot:
            loudest = max(loudest, x[j])
    gains = np.empty((3, 2 if limits.gain_span > 0.0 else 1))
    gains[2, 0] = loudest - NEAR_GAIN * limits.gain_span
    if limits.gain_span > 0.0:
        gains[2, 1] = loudest - FAR_GAIN * limits.gain_span
    for i in range(gains.shape[1]):
        gains[0, i] = 10.0 ** (gains[2, i] / 20.0)
        gains[1, i] = limits.reward * loudest / LOG_UNIT_DB
    others_power(quick, now, tau, x[:n], pol, slot, work)
    cost[:] = np.inf
    worst = 0
    for k in range(looks):
        c = now[slot] if k == 0 else trials[(begin + k) % len(trials)]
        if (k > 0 and c == now[slot]) or not may_stand(rules, c, slot, now):
            continue
        found, row, i, p = best_drive(quick, limits, c, work[6], work[4:6], rows, gains, limits.both, cost[worst], work)
        if row < 0:
            continue
        cost[worst] = found
        moves[worst, 0] = c
        moves[worst, 1] = (row - middle) * limits.delay_step
        moves[worst, 2] = gains[2, i]
        moves[worst, 3] = p
        for i in range(len(cost)):
            if cost[i] > cost[worst]:
                worst = i


@kernel
def remember(archive: Plans, value: float, columns: Array, pol: Array, x: Array) -> None:
    """Keep a plan if its layout is new or better and it is among the best so far."""
    n = len(columns)
    worst = 0
    for i in range(len(archive.value)):
        if archive.value[i] > archive.value[worst]:
            worst = i
        if not np.isfinite(archive.value[i]):
            continue
        same = 0
        for j in range(n):
            for k in range(n):
                if archive.columns[i, k] == columns[j]:
                    same += 1
        if same == n:
            if archive.value[i] <= value:
                return
            worst = i
            break
    if archive.value[worst] > value:
        archive.value[worst] = value
        archive.columns[worst] = columns
        archive.pol[worst] = pol
        archive.x[worst] = x


@kernel
def as_it_is(slot: int, columns: Array, pol: Array, x: Array, bench: Bench) -> None:
    """The plan itself as the only move of a slot."""
    n = len(columns)
    bench.cost[:] = np.inf
    bench.cost[0] = 0.0
    bench.tau[:] = 1e-3 * x[n:]
    bench.moves[0, 0] = columns[slot]
    bench.moves[0, 1] = 1e-3 * x[n + slot]
    bench.moves[0, 2] = x[slot]
    bench.moves[0, 3] = pol[slot]


@kernel
def changed(move: Array, slot: int, columns: Array, pol: Array, x: Array, bench: Bench) -> None:
    """Write the plan with one slot changed by a move into the bench; the others' delays are its tau."""
    n = len(columns)
    bench.columns[:] = columns
    bench.pol[:] = pol
    bench.x[:n] = x[:n]
    bench.x[n:] = 1e3 * bench.tau
    bench.columns[slot] = int(move[0])
    bench.x[n + slot] = 1e3 * move[1]
    bench.x[slot] = move[2]
    bench.pol[slot] = move[3]


@kernel
def best_move(
    tables: Tables,
    bounds: Bounds,
    slot: int,
    steps: int,
    value: float,
    columns: Array,
    pol: Array,
    x: Array,
    bench: Bench,
    archive: Plans,
) -> tuple[int, float]:
    """Polish the plan with each of the bench's moves, all drives free; x of the best goes into its best_x.

    Returns
    -------
    (index of the best move, -1 where none is below `value`; its value [dB^2]).
    """
    best = value
    choice = -1
    for i in range(len(bench.cost)):
        if not np.isfinite(bench.cost[i]):
            continue
        changed(bench.moves[i], slot, columns, pol, x, bench)
        settle(bench.x, bounds.low, bounds.high, bounds.reward)
        give_up = best + HOPE * abs(best)
        found = polish_quick(
            tables,
            bench.columns,
            bench.pol,
            bounds.low,
            bounds.high,
            bounds.reward,
            steps,
            ENOUGH,
            give_up,
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
def land(
    quick: Tables,
    tables: Tables,
    limits: Limits,
    rules: Rules,
    habits: Habits,
    bounds: Bounds,
    order: Array,
    trials: Array,
    columns: Array,
    pol: Array,
    x: Array,
    archive: Plans,
) -> tuple[float, int]:
    """Go from slot to slot and move while something is better.

    Parameters
    ----------
    quick, tables : the columns on few frequencies and on all.
    limits, rules, habits, bounds : what may be adjusted, what may stand together, how much is tried, limits of x.
    order : slots in the order of their visits.
    trials : (column,) all columns, in the order in which they are looked at.
    columns, pol, x : the plan, changed to the one landed on.
    archive : receives the best plans met.

    Returns
    -------
    (value of the plan [dB^2], visits to slots).
    """
    n = len(columns)
    bench = bench_of(quick, tables, n, habits.moves)
    looks = min(habits.looks, len(trials))
    value = np.inf
    idle = 0
    visits = -1
    while idle < n:
        slot = order[visits % n]
        if visits < 0:  # the plan itself, with enough steps to reach its local optimum
            as_it_is(slot, columns, pol, x, bench)
        else:
            begin = (visits // n) * habits.looks
            first_look(quick, limits, rules, slot, trials, begin, looks, columns, pol, x, bench)
        steps = LANDING_STEPS if visits < 0 else habits.steps
        choice, best = best_move(tables, bounds, slot, steps, value, columns, pol, x, bench, archive)
        visits += 1
        if choice >= 0 and (np.isinf(value) or best < value - ENOUGH * abs(value)):
            value = best
            columns[slot] = int(bench.moves[choice, 0])
            pol[slot] = bench.moves[choice, 3]
            x[:] = bench.best_x
            idle = 0
        else:
            idle += 1
    return value, visits
