"""Plans judged side by side in arrays, against the same plans one at a time.

    python -m benchmarks.judging

Plans of four subs at random in a seeded room: the plan with its levels, variation and output; smoothness and decay;
headroom, with the demo's sub and amplifier; the best free weights. First both ways must agree, figures to the last
bit and weights to 1e-9; then CPU time a plan is printed for two numbers of seats. Ends with an error if they differ.
"""

import sys
from collections.abc import Callable
from importlib.resources import files
from time import process_time

import numpy as np

from benchmarks.rooms_seeded import seeded_room
from roommodes.project.reading import parse_project
from solvers.choice.figures import figures_of
from solvers.choice.free_weights import free_weights_of
from solvers.loudness.headroom import loudness_of
from solvers.search.columns import columns_of
from solvers.search.problem import Problem
from solvers.search.state import plan_of, plans_of, random_drives

CANDIDATES, SUBS, PLANS, WEIGHED = 43, 4, 1500, 20
SEATS = (7, 30)
Kind = tuple[str, int, Callable[[], list[object]], Callable[[], list[object]]]  # what, plans, side by side, one by one


def main() -> int:
    """Print the table; 1 if the two ways differ."""
    print(f"{'what':24s} seats  side by side  one at a time  ratio   CPU time a plan")
    for seats in SEATS:
        for what, n_plan, together, apart in kinds(seeded_room(3, n_candidate=CANDIDATES, n_seat=seats)):
            (first, seconds), (second, plain) = timed(together), timed(apart)
            if not alike(first, second):
                print(f"{what}: the two ways differ", file=sys.stderr)
                return 1
            each, by_one = 1e6 * seconds / n_plan, 1e6 * plain / n_plan
            print(f"{what:24s} {seats:5d} {each:10.0f} us {by_one:11.0f} us {by_one / each:6.1f}")
    return 0


def kinds(problem: Problem) -> list[Kind]:
    """What is timed."""
    text = files("roommodes.project").joinpath("demo.toml").read_text(encoding="utf-8")
    loudness = loudness_of(parse_project(text, source="demo.toml"), problem.frequency_hz)
    columns, random = columns_of(problem), np.random.default_rng(1)
    layouts = [random.choice(columns.count, SUBS, replace=False) for _ in range(PLANS)]
    states = [random_drives(layout, problem.drives, random) for layout in layouts]
    plans = plans_of(problem, columns, states, rewards=[0.0] * PLANS)
    few = plans[:WEIGHED]

    def figures(loud: bool) -> tuple[Callable[[], list[object]], Callable[[], list[object]]]:
        given = loudness if loud else None
        return (
            lambda: [*figures_of(problem, plans, given).values()],
            lambda: [figures_of(problem, [plan], given)[plan] for plan in plans],
        )

    def told(several: bool) -> list[object]:
        found = plans_of(problem, columns, states, rewards=[0.0] * PLANS) if several else None
        each = found or [plan_of(problem, columns, state) for state in states]
        return [(plan.variation_db, plan.output_db, plan.level_db.tobytes()) for plan in each]

    def weighed(several: bool) -> list[object]:
        if several:
            return [one.spread_db for one in free_weights_of(problem, few)]
        return [free_weights_of(problem, [plan])[0].spread_db for plan in few]

    return [
        ("level, variation, output", PLANS, lambda: told(True), lambda: told(False)),
        ("smoothness, decay", PLANS, *figures(False)),
        ("and headroom", PLANS, *figures(True)),
        ("best free weights", WEIGHED, lambda: weighed(True), lambda: weighed(False)),
    ]


def timed(work: Callable[[], list[object]]) -> tuple[list[object], float]:
    """What it gives, and its CPU time the second time [s]."""
    work()
    begun = process_time()
    return work(), process_time() - begun


def alike(first: list[object], second: list[object]) -> bool:
    """Whether both ways give the same."""
    if isinstance(first[0], np.ndarray):
        return bool(np.allclose(np.array(first), np.array(second), rtol=1e-9, atol=1e-12))
    return first == second


if __name__ == "__main__":
    sys.exit(main())
