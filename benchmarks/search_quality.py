"""How much the search loses: small rooms against all layouts x many starts, large ones against ten times the time.

    python -m benchmarks.search_quality [--small] [--large]

Regret is the variation of the plan found less that of the best plan known from either search [dB].
"""

import argparse
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from time import perf_counter

import numpy as np

from benchmarks.rooms_seeded import seeded_room
from roommodes.running import Running
from solvers.search.columns import every_layout
from solvers.search.explore import Effort
from solvers.search.finish import best_drives
from solvers.search.problem import Problem
from solvers.search.search import search
from solvers.search.state import equal_drives
from solvers.search.workbench import tools_of

SMALL = ((11, 2, 24), (12, 2, 20), (13, 3, 13), (14, 3, 12), (15, 4, 10), (16, 4, 10))  # seed, subs, candidates
STARTS = 60  # per layout, each a sweep and a polish
LARGE = ((21, 4, 120), (22, 6, 200))
MORE = 10  # times the effort
MEAN_DB, WORST_DB, LARGE_DB = 0.02, 0.05, 0.1


def exhaustive_db(problem: Problem, count: int) -> float:
    """Best variation over all layouts, each with its drives searched from many starts."""
    running = Running()
    with ThreadPoolExecutor(running.thread_count) as pool:
        tools = tools_of(problem, pool, running)
        layouts = list(every_layout(tools.columns, (1,) * count))
        jobs = list(enumerate(layouts))
        found = tools.each(
            lambda job: best_drives(tools, [99], job[0], STARTS, 0, equal_drives(np.array(job[1]))), jobs
        )
        states = [state for _, state in sorted(found, key=lambda entry: entry[0])[:5]]
        return float(min(tools.polisher.polish(state)[1] for state in states)) ** 0.5


def small() -> bool:
    """The small rooms; true when within bounds."""
    regrets = []
    head = ("room", "subs", "of", f"all x {STARTS}", "time", "search", "time", "regret")
    print("{:>4} {:>4} {:>4} {:>9} {:>7} {:>8} {:>7} {:>7}".format(*head))
    for seed, count, n_candidate in SMALL:
        problem = seeded_room(seed, n_candidate=n_candidate)
        begun = perf_counter()
        best = exhaustive_db(problem, count)
        middle = perf_counter()
        found = search(problem, counts=[count], seed=1)[0].plans[0].variation_db
        ended = perf_counter()
        regrets.append(max(0.0, found - best))
        print(
            f"{seed:4d} {count:4d} {n_candidate:4d} {best:9.4f} {middle - begun:6.1f}s {found:8.4f} "
            f"{ended - middle:6.1f}s {round(found - best, 4) + 0.0:+7.4f}",
            flush=True,
        )
    mean, worst = float(np.mean(regrets)), max(regrets)
    print(f"mean regret {mean:.4f} dB (allowed {MEAN_DB}), worst {worst:.4f} dB (allowed {WORST_DB})")
    return mean < MEAN_DB and worst < WORST_DB


def large() -> bool:
    """The large rooms; true when within bounds."""
    good = True
    for seed, count, n_candidate in LARGE:
        problem = seeded_room(seed, n_candidate=n_candidate)
        normal = search(problem, counts=[count], seed=1)[0]
        base = Effort()
        effort = replace(base, hops=MORE * base.hops, confirmations=10**6)
        longer = search(problem, counts=[count], seed=2, effort=effort)[0]
        best = min(normal.plans[0].variation_db, longer.plans[0].variation_db)
        regret = normal.plans[0].variation_db - best
        good = good and regret < LARGE_DB
        print(
            f"{count} of {n_candidate}: {normal.plans[0].variation_db:.4f} dB in {normal.seconds:.1f} s; "
            f"{longer.plans[0].variation_db:.4f} dB in {longer.seconds:.1f} s; regret {regret:.4f} dB "
            f"(allowed {LARGE_DB})",
            flush=True,
        )
    return good


def main(arguments: list[str] | None = None) -> int:
    """Run what is asked for, everything by default."""
    parser = argparse.ArgumentParser(
        prog="python -m benchmarks.search_quality", description=(__doc__ or "").split("\n")[0]
    )
    parser.add_argument("--small", action="store_true", help="only the small rooms (about half a minute)")
    parser.add_argument("--large", action="store_true", help="only the large rooms (about a quarter of an hour)")
    asked = parser.parse_args(arguments)
    both = asked.small == asked.large
    good = True
    if both or asked.small:
        good = small() and good
    if both or asked.large:
        good = large() and good
    return 0 if good else 1


if __name__ == "__main__":
    raise SystemExit(main())
