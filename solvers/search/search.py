"""The search: positions and drives together, for every count asked for.

1. Where all layouts can be tried: one sweep of the drives for each, then more sweeps for the leading tenth
   (successive halving).
2. Chains of hops from many starts: one sub is thrown elsewhere and the plan lands again, position and drive of
   one sub after another, until chains with starts of their own agree.
3. The leading layouts: their drives searched again from several starts, and polished on all frequencies.

Every random choice follows from the seed, the count and the number of the start; results are gathered in the
order of the starts. So the same seed gives the same plans whatever the number of threads, with the same version of
this program, of the numerical libraries and of the processor's instructions: the last bit of a sum hangs on them.
"""

import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from math import expm1

from roommodes.running import Running
from solvers.search.columns import layouts_possible, patterns
from solvers.search.exhaustive import require_provable, try_every_drive
from solvers.search.explore import Effort, explore
from solvers.search.finish import finish
from solvers.search.kernels.compiled import compile_once, compiled_before
from solvers.search.layouts_met import Pool
from solvers.search.problem import Outcome, Problem, Stop
from solvers.search.progress import SearchProgress
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
SCREEN_STAGE, EXPLORE_STAGE, FINISH_STAGE = "trying every layout", "searching layouts and settings", "polishing"
PROVE_STAGE = "trying every setting"
# parts of the time that one count takes, about, for the progress
FINDING = 0.8  # layouts; the rest is polishing
SCREENING = 0.3  # of the finding, where every layout is tried
PROVING = (0.1, 0.8)  # where every drive is tried, which dwarfs what stands before it


def search(
    problem: Problem,
    *,
    counts: Sequence[int],
    seed: int,
    keep: int = 20,
    effort: Effort | None = None,
    prove: bool = False,
    compile_first: bool = True,
    running: Running = Running(),
) -> tuple[Outcome, ...]:
    """Find the plans that make the seats most alike.

    Parameters
    ----------
    problem : candidates, seats and what may be adjusted.
    counts : numbers of subs, each >= 1.
    seed : >= 0; the same seed gives the same plans on one machine.
    keep : plans per count at most.
    effort : how long to go on where not everything can be tried.
    prove : after the search, try every layout at every setting of a grid; for small problems.
    compile_first : have the kernels compiled by another process where they are not in the cache yet, see `compiled`.
    running : progress, cancelling, threads; once cancelled, the best found so far is returned.

    Returns
    -------
    One outcome per count, in the order asked.

    Raises
    ------
    ProjectInvalid : what is to be proven has too many layouts and drives.
    """
    asked = sorted(set(counts))
    if compile_first and not compiled_before():
        SearchProgress(running=running, count=asked[0], doing=COMPILE_STAGE).at(0.0)
        compile_once(running)
        running.check("interrupted while the search was compiled, which is done once")
    wishes = _Wishes(seed=seed, keep=keep, effort=effort or Effort(), prove=prove)
    shares = {count: float(count * count) for count in asked}
    outcomes: dict[int, Outcome] = {}
    seeds: list[State] = []
    told = running.seldom(REPORT_EVERY_S)
    with ThreadPoolExecutor(running.thread_count, thread_name_prefix="search") as pool:
        tools = tools_of(problem, pool, running)
        if prove:
            require_provable(tools, asked)
        done = 0.0
        for count in asked:
            whole = sum(shares.values())
            part = told.part(done / whole, (done + shares[count]) / whole)
            outcomes[count], found = _Count(tools=tools, count=count, wishes=wishes, running=part).searched(seeds)
            seeds = found[:GROW_FROM] + seeds[:GROW_FROM]
            done += shares[count]
    return tuple(outcomes[count] for count in counts)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wishes:
    """What is asked of every count: as for `search`."""

    seed: int
    keep: int
    effort: Effort
    prove: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class _Found:
    """Where the finding of layouts ended: how many were tried and looked at, whether all, whether chains agreed."""

    tried: int
    looked: int
    screened: bool
    settled: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Count:
    """The search for one number of subs; the 0 to 1 of `running` are its part of the whole."""

    tools: Tools
    count: int
    wishes: _Wishes
    running: Running

    def searched(self, seeds: Sequence[State]) -> tuple[Outcome, list[State]]:
        """The outcome, and plans that a larger count may grow from; `seeds` are those of smaller counts."""
        begun = time.monotonic()
        pool = Pool()
        ways = patterns(self.tools.columns, self.count)
        found = self._find(pool, ways, seeds)
        on_grid = self.wishes.prove and self._prove(pool, ways)
        leading = [state for _, state in pool.best(GROW_FROM)] if len(pool) else []
        entropy, told = [self.wishes.seed, self.count, 2], self._progress(FINISH_STAGE, FINDING, 1.0)
        plans = finish(self.tools, pool, keep=self.wishes.keep, entropy=entropy, progress=told) if len(pool) else ()
        stopped = self.tools.running.stop_asked()
        single = self.tools.problem.drives.is_single
        all_tried = found.screened and bool(plans) and not stopped
        proven = on_grid or (all_tried and (single or all(len(sizes) == 1 for sizes in ways)))
        # where all were tried, those that clash were left out
        possible = found.tried if all_tried else layouts_possible(self.tools.columns, self.count)
        searched = possible
        if not (all_tried or on_grid):
            searched = max(found.tried, min(_distinct(found.looked, possible), possible - 1))
        outcome = Outcome(
            count=self.count,
            plans=plans,
            layouts_searched=searched,
            layouts_possible=possible if plans or stopped else 0,
            seconds=time.monotonic() - begun,
            exhaustive=proven,
            stop=Stop.EVERY_GRID_DRIVE
            if on_grid and plans
            else _stop(
                self.tools,
                possible=possible,
                all_tried=all_tried,
                proven=proven,
                found=bool(plans),
                settled=found.settled,
            ),
            remarks=(ONE_SEAT,) if len(self.tools.columns.seat_weight) == 1 else (),
        )
        return outcome, leading

    def _find(self, pool: Pool, ways: Sequence[tuple[int, ...]], seeds: Sequence[State]) -> _Found:
        """Fill the pool: every layout once where there are few, then chains of hops."""
        tools, effort = self.tools, self.wishes.effort
        screened = can_try_all(tools, self.count)
        if screened:
            effort = replace(effort, hops=effort.hops // SCREENED_SHARE)
        tried = looked = 0
        settled = True
        for k, sizes in enumerate(ways):
            entropy = [self.wishes.seed, self.count, k]
            begin, end = FINDING * k / len(ways), FINDING * (k + 1) / len(ways)
            middle = begin + SCREENING * (end - begin) if screened else begin
            if screened and not tools.running.stop_asked():
                told = self._progress(SCREEN_STAGE, begin, middle)
                tried += screen(tools, pool, sizes, entropy=[*entropy, 0], progress=told)
            alone = len(sizes) == 1 or (screened and tools.problem.drives.is_single)
            if not alone and not tools.running.stop_asked():
                told = self._progress(EXPLORE_STAGE, middle, end)
                own = Pool()
                ended = explore(tools, own, sizes, seeds=seeds, effort=effort, entropy=[*entropy, 1], progress=told)
                settled = settled and ended.settled
                looked += ended.layouts
                for value, state in own.best(len(own)):
                    pool.offer(value, state)
        return _Found(tried=tried, looked=looked, screened=screened, settled=settled)

    def _prove(self, pool: Pool, ways: Sequence[tuple[int, ...]]) -> bool:
        """Try every layout at every setting of the grid; whether none was left out."""
        whole = not self.tools.running.stop_asked()
        begin, end = PROVING
        for k, sizes in enumerate(ways if whole else ()):
            part = (begin + (end - begin) * k / len(ways), begin + (end - begin) * (k + 1) / len(ways))
            whole = try_every_drive(self.tools, pool, sizes, progress=self._progress(PROVE_STAGE, *part)) and whole
        return whole

    def _progress(self, doing: str, begin: float, end: float) -> SearchProgress:
        return SearchProgress(running=self.running.part(begin, end), count=self.count, doing=doing)


def _distinct(looked: int, possible: int) -> int:
    """About how many distinct layouts so many looks have met, had they been independent of each other."""
    return round(possible * -expm1(-looked / possible)) if possible else 0


def _stop(tools: Tools, *, possible: int, all_tried: bool, proven: bool, found: bool, settled: bool) -> Stop:
    if tools.running.stop_asked():
        return Stop.INTERRUPTED
    if possible == 0 or not found:
        return Stop.NO_LAYOUT
    if proven:
        return Stop.EVERY_DRIVE_TRIED if tools.problem.drives.is_single else Stop.EVERY_PLACE_TRIED
    if all_tried:
        return Stop.ALL_TRIED
    return Stop.SETTLED if settled else Stop.BUDGET_SPENT
