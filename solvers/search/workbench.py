"""The tables, grids and threads that all stages of the search of one problem share."""

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from math import log10
from typing import TypeVar

from roommodes.running import Running
from solvers.search.columns import Columns, columns_of
from solvers.search.hop import Hopper, rules_of
from solvers.search.polish import Polisher, polisher_of
from solvers.search.problem import Problem
from solvers.search.sweep import Sweeper, sweeper_of

Job = TypeVar("Job")
Result = TypeVar("Result")

COARSE_POINTS = 32  # frequencies of the first sweep of every layout
QUICK_POINTS = 16  # frequencies of the first look at the changes of one sub
DB2_PER_UNIT = (10.0 * log10(2.0)) ** 2  # kernel costs are in (log2 of power)^2
DB_PER_UNIT = 10.0 * log10(2.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tools:
    """The problem in the forms that sweeping and polishing need, and the threads to do it with."""

    problem: Problem
    columns: Columns
    hopper: Hopper
    coarse: Sweeper
    fine: Sweeper
    polisher: Polisher
    pool: ThreadPoolExecutor
    running: Running

    def each(self, work: Callable[[Job], Result], jobs: Iterable[Job]) -> Iterator[Result]:
        """Results of the jobs, in order; fewer when cancelled."""
        return self.running.each(self.pool, work, jobs)


def tools_of(problem: Problem, pool: ThreadPoolExecutor, running: Running) -> Tools:
    """Prepare a problem. With one seat heard, variation is zero for all, and output is rewarded instead."""
    columns = columns_of(problem)
    reward = 1.0 if len(columns.seat_weight) == 1 else 0.0
    unit_reward = reward / DB_PER_UNIT
    quick = sweeper_of(problem, columns, at_most=QUICK_POINTS, reward=unit_reward)
    fine = sweeper_of(problem, columns, at_most=None, reward=unit_reward)
    return Tools(
        problem=problem,
        columns=columns,
        hopper=Hopper(
            quick=quick.tables,
            tables=fine.tables,
            limits=fine.limits,
            rules=rules_of(columns),
            columns=columns,
            drives=problem.drives,
            reward=reward,
        ),
        coarse=sweeper_of(problem, columns, at_most=COARSE_POINTS, reward=unit_reward),
        fine=fine,
        polisher=polisher_of(problem, columns, reward=reward),
        pool=pool,
        running=running,
    )
