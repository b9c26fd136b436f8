"""A weighted search that starts from the plans of the unweighted one too.

Weighting moves the frequencies, and chains of hops that agree with each other may all have stopped short of a layout
that even frequencies lead to. So the search is done again on those frequencies that lie nearest to even ones, and what
it finds is searched on over all frequencies, with their weights. A plan of the weighted search is then never less even
than what the other found, judged by the weighted measure.
"""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np

from roommodes.arrays import Floats
from roommodes.project.tables import SearchTable
from roommodes.responses.frequency_grid import log_grid
from roommodes.running import Running
from solvers.search.finish import finish
from solvers.search.layouts_met import Pool
from solvers.search.problem import FoundPlan, Outcome, Problem
from solvers.search.progress import SearchProgress
from solvers.search.search import FINISH_STAGE, search
from solvers.search.state import state_of
from solvers.search.workbench import tools_of

LEADING = 8  # plans of the unweighted search that are gone on from, for each number of subs


def weighted_outcomes(
    problem: Problem, wishes: SearchTable, *, counts: Sequence[int], seed: int, keep: int, prove: bool, running: Running
) -> tuple[Outcome, ...]:
    """As `search`, of a problem whose frequencies stand closer together where they count more.

    Parameters
    ----------
    problem : on weighted frequencies.
    wishes : how many points an octave there are without the weight.
    counts, seed, keep, prove, running : as for `search`.
    """
    even = _nearest_to_even(problem.frequency_hz, wishes.points_per_octave)
    first = running.part(0.0, 0.4 if len(even) < len(problem.frequency_hz) else 1.0)
    outcomes = search(problem, counts=counts, seed=seed, keep=keep, prove=prove, running=first)
    if len(even) == len(problem.frequency_hz) or running.stop_asked():
        return outcomes
    fewer = replace(problem, frequency_hz=problem.frequency_hz[even], transfer=problem.transfer[even])
    others = search(fewer, counts=counts, seed=seed, keep=LEADING, running=running.part(0.4, 0.7))
    with ThreadPoolExecutor(running.thread_count, thread_name_prefix="search") as threads:
        return tuple(
            _with_further(problem, one, other.plans, seed=seed, keep=keep, threads=threads, running=running)
            for one, other in zip(outcomes, others, strict=True)
        )


def _nearest_to_even(frequency_hz: Floats, points_per_octave: float) -> list[int]:
    """Of the frequencies (n_freq,) [Hz] those nearest to evenly spaced ones, over the same band."""
    even = log_grid(float(frequency_hz[0]), float(frequency_hz[-1]), points_per_octave)
    return sorted({int(np.abs(np.log(frequency_hz / hz)).argmin()) for hz in even})


def _with_further(
    problem: Problem,
    outcome: Outcome,
    plans: Sequence[FoundPlan],
    *,
    seed: int,
    keep: int,
    threads: ThreadPoolExecutor,
    running: Running,
) -> Outcome:
    """The outcome with other plans gone on from, the most even first; of one layout the more even plan."""
    tools = tools_of(problem, threads, running)
    if not plans or outcome.exhaustive or len(tools.columns.seat_weight) == 1:
        return outcome
    pool = Pool()
    for plan in plans[:LEADING]:
        pool.offer(*tools.hopper.polish(state_of(tools.columns, plan)))
    told = SearchProgress(running=running.part(0.7, 1.0), count=outcome.count, doing=FINISH_STAGE)
    found = finish(tools, pool, keep=LEADING, entropy=[seed, outcome.count, 5], progress=told)
    best: dict[tuple[int, ...], FoundPlan] = {}
    for plan in sorted((*outcome.plans, *found), key=lambda one: one.variation_db):
        best.setdefault(tuple(plan.candidate_index.tolist()), plan)
    return replace(outcome, plans=tuple(best.values())[:keep])
