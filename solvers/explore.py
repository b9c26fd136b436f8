"""Descents over positions and drives from many starts."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from solvers.pool import Pool, neighbours
from solvers.problem import Integers
from solvers.state import State
from solvers.tools import DB2_PER_UNIT, Tools

ROUND = 16  # starts between two looks at what has been found
SAME = 1e-4  # values closer than this part are the same plan
NEAR = 1.6  # neighbours above this times the best value are not kept
LEADERS = 6  # plans that are thrown about
POLISH_ROUNDS = 3  # of polish and descent after the first


@dataclass(frozen=True, slots=True, kw_only=True)
class Effort:
    """How much is spent on one count.

    Parameters
    ----------
    starts : descents at most.
    patience : descents in a row that find nothing better before the search ends.
    confirmations : times that starts of their own must lead to the best plan before it counts as settled.
    """

    starts: int = 480
    patience: int = 160
    confirmations: int = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Exploration:
    """How an exploration ended: `settled` when the same plan was found again and again, `spent` at the limit."""

    settled: bool
    layouts: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Start:
    state: State
    order: Integers
    own: bool  # not derived from the best plan


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Trial:
    value: float
    state: State
    near: list[tuple[float, State]]
    met: set[tuple[int, ...]]
    own: bool


def explore(
    tools: Tools,
    pool: Pool,
    sizes: tuple[int, ...],
    *,
    seeds: Sequence[State],
    effort: Effort,
    entropy: Sequence[int],
    report: Callable[[float, float], None],
) -> Exploration:
    """Fill the pool with plans whose slots have the given sizes.

    Parameters
    ----------
    tools : the problem.
    pool : receives polished plans and their neighbours, values in dB^2.
    sizes : of the slots' columns.
    seeds : good plans with fewer slots, to grow from.
    effort : when to end.
    entropy : what the random numbers follow from.
    report : called with (fraction, best value).
    """
    choices = sum(int(np.sum(tools.columns.size == size)) for size in sizes)
    best = np.inf
    best_layout: tuple[int, ...] = ()
    hits = since = done = number = 0
    met: set[tuple[int, ...]] = set()
    grown = [seed for seed in seeds if len(seed.column) < len(sizes)]
    while done < effort.starts and not tools.cancelled():
        starts: list[_Start | None] = []
        for k in range(ROUND):
            random = np.random.default_rng([*entropy, number])
            number += 1
            if done == 0 and k < min(len(grown), ROUND // 2):
                starts.append(_grown(tools, sizes, grown[k], random))
            elif done == 0 or k % 2 == 0 or len(pool) == 0:
                starts.append(_start(tools, sizes, None, [-1] * len(sizes), random))
            else:
                leaders = pool.best(LEADERS)
                starts.append(_thrown(tools, sizes, leaders[k // 2 % len(leaders)][1], random))
        possible = [start for start in starts if start is not None]
        if not possible:
            break
        for trial in tools.each(lambda start: _run(tools, start), possible):
            done += 1
            met |= trial.met
            pool.offer(trial.value, trial.state)
            since += 1
            if np.isinf(best) or trial.value < best - SAME * abs(best):
                hits = since = 0
            if trial.value < best:
                best, best_layout = trial.value, trial.state.layout
            if trial.own and trial.state.layout == best_layout and trial.value <= best + SAME * abs(best):
                hits += 1
            for value, state in trial.near:
                if value <= best + (NEAR - 1.0) * abs(best):
                    pool.offer(value, state)
            report(done / effort.starts, best)
        if hits >= effort.confirmations or since >= effort.patience:
            break
    return Exploration(
        settled=hits >= effort.confirmations or since >= effort.patience, layouts=len(met) * (choices // len(sizes))
    )


def _run(tools: Tools, start: _Start) -> _Trial:
    """Descend on few frequencies, polish, then descend and polish on all until nothing changes."""
    descent = tools.coarse.descend(start.state, order=start.order)
    met = _rests(descent.visited)
    value, state = tools.polish(descent.state)
    for _ in range(POLISH_ROUNDS):
        descent = tools.fine.descend(state, order=start.order)
        met |= _rests(descent.visited)
        new_value, new_state = tools.polish(descent.state)
        gained = value - new_value > SAME * abs(value)
        if new_value < value:
            value, state = new_value, new_state
        if not gained:
            break
    near = [(cost * DB2_PER_UNIT, other) for cost, other in neighbours(descent)]
    return _Trial(value=value, state=state, near=near, met=met, own=start.own)


def _rests(visited: Integers) -> set[tuple[int, ...]]:
    return {tuple(sorted(row)) for row in visited.tolist()}


def _start(
    tools: Tools, sizes: tuple[int, ...], base: State | None, kept: Sequence[int], random: np.random.Generator
) -> _Start | None:
    """A start that keeps some slots of a base and draws columns and drives of the others.

    Parameters
    ----------
    sizes : of the start's slots.
    base : where kept slots come from; None when none is kept.
    kept : for each slot of the start the slot of the base it is kept from, -1 where it is drawn.
    """
    n = len(sizes)
    drives = tools.problem.drives
    column = np.full(n, -1, dtype=np.int64)
    delay = random.uniform(0.0, 1.0, n) * drives.delay_span_s
    gain = random.uniform(-0.5, 0.0, n) * drives.gain_span_db
    polarity = random.choice([-1.0, 1.0], n) if drives.polarity else np.ones(n)
    for slot, source in enumerate(kept):
        if base is not None and source >= 0:
            column[slot], delay[slot] = base.column[source], base.delay_s[source]
            gain[slot], polarity[slot] = base.gain_db[source], base.polarity[source]
    drawn = [slot for slot in random.permutation(n).tolist() if column[slot] < 0]
    for slot in drawn:
        others = column[column >= 0]
        fits = (tools.columns.size == sizes[slot]) & ~tools.columns.clash[:, others].any(axis=1)
        if not fits.any():
            return None
        column[slot] = random.choice(np.flatnonzero(fits))
    order = drawn + [slot for slot in random.permutation(n).tolist() if slot not in drawn]
    return _Start(
        state=State(column=column, delay_s=delay, gain_db=gain, polarity=polarity),
        order=np.array(order, dtype=np.int64),
        own=len(drawn) == n,
    )


def _thrown(tools: Tools, sizes: tuple[int, ...], leader: State, random: np.random.Generator) -> _Start | None:
    """The leader with one to half of its slots thrown elsewhere."""
    n = len(sizes)
    kept = np.arange(n)
    kept[random.permutation(n)[: int(random.integers(1, max(2, n // 2 + 1)))]] = -1
    return _start(tools, sizes, leader, kept.tolist(), random)


def _grown(tools: Tools, sizes: tuple[int, ...], seed: State, random: np.random.Generator) -> _Start | None:
    """A good smaller plan, its slots matched by size; the rest is drawn and searched first."""
    left = list(range(len(seed.column)))
    kept = []
    for size in sizes:
        match = next((j for j in left if tools.columns.size[seed.column[j]] == size), -1)
        kept.append(match)
        if match >= 0:
            left.remove(match)
    return _start(tools, sizes, seed, kept, random)
