"""The search: positions and drives together, for every count asked for.

1. Where all layouts can be tried: one sweep of the drives for each, then more sweeps for the leading tenth
   (successive halving).
2. Chains of hops from many starts: one sub is thrown elsewhere and the plan lands again, position and drive of
   one sub after another, until chains with starts of their own agree.
3. The leading layouts: their drives searched again from several starts, and polished on all frequencies.

Every random choice follows from the seed, the count and the number of the start; results are gathered in the
order of the starts. So the same seed gives the same plans whatever the number of threads.
"""

import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from math import expm1, inf, sqrt

import numpy as np

from solvers.running.threads import thread_count
from solvers.search.columns import layouts_possible, patterns
from solvers.search.exhaustive import require_provable, try_every_drive
from solvers.search.explore import Effort, explore
from solvers.search.finish import finish
from solvers.search.kernels.compiled import compile_once, compiled_before
from solvers.search.layouts_met import Pool
from solvers.search.problem import CancelCall, Outcome, Plan, Problem, Progress, ProgressCall, Stop
from solvers.search.screen import can_try_all, screen
from solvers.search.state import State
from solvers.search.workbench import Tools, tools_of

REPORT_EVERY_S = 0.25
SCREENED_SHARE = 4  # where every layout was tried, this part of the hops is enough
GROW_FROM = 8  # plans with fewer subs
ONE_SEAT = (
    "Only one seat counts, so the seat-to-seat variation is zero for every plan; "
    "the plans are ranked by output instead."
)
COMPILE_STAGE = "compiling, this once"
SCREEN_STAGE, EXPLORE_STAGE, FINISH_STAGE = "trying every layout", "searching layouts and drives", "polishing"
PROVE_STAGE = "trying every drive"


def search(
    problem: Problem,
    *,
    counts: Sequence[int],
    seed: int,
    keep: int = 20,
    threads: int | None = None,
    effort: Effort | None = None,
    prove: bool = False,
    progress: ProgressCall | None = None,
    cancelled: CancelCall | None = None,
    compile_first: bool = True,
) -> tuple[Outcome, ...]:
    """Find the plans that make the seats most alike.

    Parameters
    ----------
    problem : candidates, seats and what may be adjusted.
    counts : numbers of subs, each >= 1.
    seed : >= 0; the same seed gives the same plans.
    keep : plans per count at most.
    threads : as many as the process may use, by default.
    effort : how long to go on where not everything can be tried.
    prove : after the search, try every layout at every drive of a grid; for small problems.
    progress : called a few times a second at most, from the calling thread.
    cancelled : polled several times a second; once true, the best found so far is returned.
    compile_first : have the kernels compiled by another process where they are not in the cache yet, see `compiled`.

    Returns
    -------
    One outcome per count, in the order asked.

    Raises
    ------
    ProjectInvalid : what is to be proven has too many layouts and drives.
    """
    n_thread = thread_count(threads)
    asked = sorted(set(counts))
    shares = {count: float(count * count) for count in asked}
    outcomes: dict[int, Outcome] = {}
    seeds: list[State] = []
    cancel = cancelled or (lambda: False)
    if compile_first and not compiled_before():
        if progress:
            progress(Progress(count=asked[0], stage=COMPILE_STAGE, fraction=0.0, best_db=inf))
        compile_once()
    with ThreadPoolExecutor(n_thread, thread_name_prefix="search") as pool:
        tools = tools_of(problem, pool, n_thread, cancel)
        if prove:
            require_provable(tools, asked)
        done = 0.0
        for count in asked:
            reporter = _Reporter(progress, count, done / sum(shares.values()), shares[count] / sum(shares.values()))
            outcomes[count], found = _one_count(tools, count, seed, keep, seeds, effort or Effort(), prove, reporter)
            seeds = found[:GROW_FROM] + seeds[:GROW_FROM]
            done += shares[count]
    return tuple(outcomes[count] for count in counts)


class _Reporter:
    """Passes progress on, a few times a second at most."""

    def __init__(self, call: ProgressCall | None, count: int, before: float, share: float) -> None:
        self._call, self._count, self._before, self._share = call, count, before, share
        self._last = -np.inf

    def stage(self, name: str, begin: float, end: float) -> Callable[[float, float], None]:
        """A callback for a stage that spans begin to end of this count."""

        def report(fraction: float, best: float) -> None:
            now = time.monotonic()
            if self._call is None or now - self._last < REPORT_EVERY_S:
                return
            self._last = now
            whole = self._before + self._share * (begin + (end - begin) * min(1.0, fraction))
            best_db = sqrt(max(best, 0.0)) if np.isfinite(best) else np.inf
            self._call(Progress(count=self._count, stage=name, fraction=whole, best_db=best_db))

        return report


def _one_count(
    tools: Tools,
    count: int,
    seed: int,
    keep: int,
    seeds: Sequence[State],
    effort: Effort,
    prove: bool,
    reporter: _Reporter,
) -> tuple[Outcome, list[State]]:
    begun = time.monotonic()
    possible = layouts_possible(tools.columns, count)
    pool = Pool()
    tried = looked = 0
    settled = True
    screened = can_try_all(tools, count)
    own_effort = replace(effort, hops=effort.hops // SCREENED_SHARE) if screened else effort
    ways = patterns(tools.columns, count)
    for k, sizes in enumerate(ways):
        part = (k / len(ways), (k + 1) / len(ways))
        middle = part[0] + 0.3 * (part[1] - part[0]) if screened else part[0]
        if screened and not tools.cancelled():
            report = reporter.stage(SCREEN_STAGE, 0.8 * part[0], 0.8 * middle)
            tried += screen(tools, pool, sizes, entropy=[seed, count, k, 0], report=report)
        if len(sizes) > 1 and not tools.cancelled() and not (screened and tools.problem.drives.is_single):
            report = reporter.stage(EXPLORE_STAGE, 0.8 * middle, 0.8 * part[1])
            own = Pool()
            ended = explore(
                tools, own, sizes, seeds=seeds, effort=own_effort, entropy=[seed, count, k, 1], report=report
            )
            settled = settled and ended.settled
            looked += ended.layouts
            for value, state in own.best(len(own)):
                pool.offer(value, state)
    on_grid = prove and not tools.cancelled()
    for k, sizes in enumerate(ways if on_grid else ()):
        report = reporter.stage(PROVE_STAGE, 0.1 + 0.7 * k / len(ways), 0.1 + 0.7 * (k + 1) / len(ways))
        on_grid = try_every_drive(tools, pool, sizes, report=report) and on_grid
    plans: tuple[Plan, ...] = ()
    found: list[State] = []
    if len(pool):
        found = [state for _, state in pool.best(GROW_FROM)]
        plans = finish(tools, pool, keep=keep, entropy=[seed, count, 2], report=reporter.stage(FINISH_STAGE, 0.8, 1.0))
    all_tried = screened and bool(plans) and not tools.cancelled()
    proven = on_grid or (all_tried and (tools.problem.drives.is_single or all(len(sizes) == 1 for sizes in ways)))
    if all_tried:
        possible = tried  # those that clash were left out
    outcome = Outcome(
        count=count,
        plans=plans,
        layouts_searched=possible
        if all_tried or on_grid
        else max(tried, min(_distinct(looked, possible), possible - 1)),
        layouts_possible=possible if plans or tools.cancelled() else 0,
        seconds=time.monotonic() - begun,
        exhaustive=proven,
        stop=Stop.EVERY_GRID_DRIVE
        if on_grid and plans
        else _stop(tools, possible=possible, all_tried=all_tried, proven=proven, found=bool(plans), settled=settled),
        remarks=(ONE_SEAT,) if len(tools.columns.seat_weight) == 1 else (),
    )
    return outcome, found


def _distinct(looked: int, possible: int) -> int:
    """About how many distinct layouts so many looks have met, had they been independent of each other."""
    return round(possible * -expm1(-looked / possible)) if possible else 0


def _stop(tools: Tools, *, possible: int, all_tried: bool, proven: bool, found: bool, settled: bool) -> Stop:
    if tools.cancelled():
        return Stop.INTERRUPTED
    if possible == 0 or not found:
        return Stop.NO_LAYOUT
    if proven:
        return Stop.EVERY_DRIVE_TRIED if tools.problem.drives.is_single else Stop.EVERY_PLACE_TRIED
    if all_tried:
        return Stop.ALL_TRIED
    return Stop.SETTLED if settled else Stop.BUDGET_SPENT
