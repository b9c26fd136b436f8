"""The leading layouts: their drives searched again from several starts, polished, ranked and written as plans."""

from collections.abc import Callable

import numpy as np

from solvers.pool import Pool
from solvers.problem import Plan
from solvers.state import State, plan_of
from solvers.tools import Tools

CANDIDATES_PER_PLAN = 3  # layouts taken into the first round, per plan to be kept
FIRST_STARTS = 4  # per layout
SECOND_STARTS = 16  # per plan to be kept


def finish(
    tools: Tools, pool: Pool, *, keep: int, entropy: list[int], report: Callable[[float, float], None]
) -> tuple[Plan, ...]:
    """Turn the pool's leading layouts into plans, best first.

    Parameters
    ----------
    tools, pool : the problem, and the layouts with values in dB^2.
    keep : plans to return at most.
    entropy : what the random numbers follow from.
    report : called with (fraction, best value).
    """
    done = 0
    rounds = ((CANDIDATES_PER_PLAN * keep, FIRST_STARTS), (keep, SECOND_STARTS))
    total = sum(min(number, len(pool)) for number, _ in rounds)
    for turn, (number, starts) in enumerate(rounds):
        jobs = [(k, starts, turn, state) for k, (_, state) in enumerate(pool.best(number))]
        refined = []
        for found in tools.each(lambda job: _again(tools, entropy, *job), jobs):
            done += 1
            refined.append(found)
            report(done / total, min(value for value, _ in refined))
        if refined:  # estimates give way to values that were reached
            pool.keep_only(refined)
    plans = [plan_of(tools.problem, tools.columns, state) for _, state in pool.best(keep)]
    if len(tools.columns.seat_weight) == 1:
        return tuple(sorted(plans, key=lambda plan: -plan.output_db))
    return tuple(sorted(plans, key=lambda plan: plan.variation_db))


def _again(tools: Tools, entropy: list[int], number: int, starts: int, turn: int, state: State) -> tuple[float, State]:
    """Best drives of one layout: from the known ones and from random ones."""
    drives = tools.problem.drives
    n = len(state.column)
    best = tools.polish(state)
    if n == 1 or drives.is_single:
        return best
    random = np.random.default_rng([*entropy, turn, number])
    held = np.zeros(n, dtype=np.bool_)
    begin = best[1]
    for k in range(1 + starts):
        if k > 0:
            begin = State(
                column=state.column,
                delay_s=random.uniform(0.0, drives.delay_span_s, n),
                gain_db=random.uniform(-0.5, 0.0, n) * drives.gain_span_db,
                polarity=random.choice([-1.0, 1.0], n) if drives.polarity else np.ones(n),
            )
        order = random.permutation(n)
        found = tools.polish(tools.fine.descend(begin, free=held, order=order).state)
        if found[0] < best[0]:
            best = found
    return best
