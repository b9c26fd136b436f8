"""The leading layouts: their drives searched again from several starts, polished, ranked and written as plans."""

import numpy as np

from solvers.search.hop import THOROUGH, Burst
from solvers.search.layouts_met import Pool
from solvers.search.problem import FoundPlan
from solvers.search.progress import SearchProgress
from solvers.search.state import State, plan_of, random_drives
from solvers.search.workbench import Tools

LANDINGS = 8  # leading plans whose every neighbour is tried
CANDIDATES_PER_PLAN = 3  # layouts taken into the first round, per plan to be kept
FIRST_STARTS = 4  # per layout
SECOND_STARTS = 16  # per plan to be kept
SETTLED = 1e-10  # part of the value that the last step of a plan's polish saves: one layout met twice is one plan


def finish(
    tools: Tools, pool: Pool, *, keep: int, entropy: list[int], progress: SearchProgress
) -> tuple[FoundPlan, ...]:
    """Turn the pool's leading layouts into plans, best first.

    Parameters
    ----------
    tools, pool : the problem, and the layouts with values in dB^2.
    keep : plans to return at most.
    entropy : what the random numbers follow from.
    progress : of this stage.
    """
    if min(len(state.column) for _, state in pool.best(1)) > 1 and not tools.problem.drives.is_single:
        landings = tools.each(lambda job: _landed(tools, entropy, *job), list(enumerate(pool.best(LANDINGS))))
        for burst in landings:
            for value, state in burst.met:
                pool.offer(value, state)
    done = 0
    rounds = ((CANDIDATES_PER_PLAN * keep, FIRST_STARTS), (keep, SECOND_STARTS))
    total = sum(min(number, len(pool)) for number, _ in rounds)
    for turn, (number, starts) in enumerate(rounds):
        jobs = [(k, starts, turn, state) for k, (_, state) in enumerate(pool.best(number))]
        refined = []
        for found in tools.each(lambda job: best_drives(tools, entropy, *job), jobs):
            done += 1
            refined.append(found)
            progress.at(done / total, min(value for value, _ in refined))
        if refined:  # estimates give way to values that were reached
            pool.keep_only(refined)
    exact = [tools.polisher.polish(state, tolerance=SETTLED)[0] for _, state in pool.best(keep)]
    plans = [plan_of(tools.problem, tools.columns, state) for state in exact]
    if len(tools.columns.seat_weight) == 1:
        return tuple(sorted(plans, key=lambda plan: -plan.output_db))
    return tuple(sorted(plans, key=lambda plan: plan.variation_db))


def _landed(tools: Tools, entropy: list[int], number: int, entry: tuple[float, State]) -> Burst:
    """A leading plan, every change of one sub tried."""
    random = np.random.default_rng([*entropy, 2, number])
    return tools.hopper.burst(entry[1], value=np.inf, hops=1, random=random, habits=THOROUGH)


def best_drives(
    tools: Tools, entropy: list[int], number: int, starts: int, turn: int, state: State
) -> tuple[float, State]:
    """Best settings of one layout: from the known ones and from random ones."""
    drives = tools.problem.drives
    n = len(state.column)
    best = tools.hopper.polish(state)
    if n == 1 or drives.is_single:
        return best
    random = np.random.default_rng([*entropy, turn, number])
    begin = best[1]
    for k in range(1 + starts):
        if k > 0:
            begin = random_drives(state.column, drives, random)
        found = tools.hopper.polish(tools.fine.drives(begin))
        if found[0] < best[0]:
            best = found
    return best
