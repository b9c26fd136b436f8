"""Layouts that only the mains make good: as good as every layout tried, within every wish, cancelled between two."""

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest

from roommodes.running import Running, Step
from solvers.crossover.beside_subs import HELPS_DB, Setter
from solvers.crossover.exchange import exchanged
from solvers.search.columns import columns_of, every_layout, patterns
from solvers.search.problem import DriveRange, FoundPlan, KindWishes, Problem, Wishes
from solvers.search.state import equal_drives, plan_of, state_of
from tests.solvers.crossover.test_beside_subs import HZ, field, mains_of

MAINS = mains_of(field(2, 11))
SINGLE = DriveRange(delay_s=(0.0, 0.0), gain_db=(0.0, 0.0), polarity=False)
ANY = Wishes()


def problem_of(count: int, drives: DriveRange = SINGLE, wishes: Wishes = ANY) -> Problem:
    return Problem(frequency_hz=HZ, transfer=field(count, 4), seat_weight=np.ones(3), drives=drives, wishes=wishes)


def every_plan(problem: Problem, count: int) -> list[FoundPlan]:
    """Every layout that fits, all subs alike, the most even without the mains first."""
    columns = columns_of(problem)
    layouts = np.array([one for pattern in patterns(columns, count) for one in every_layout(columns, pattern)])
    plans = [plan_of(problem, columns, equal_drives(one)) for one in layouts[columns.fits(layouts)]]
    return sorted(plans, key=lambda plan: plan.variation_db)


@pytest.mark.parametrize("count", [1, 2])
def test_with_one_setting_the_best_of_all_layouts_is_met(count: int) -> None:
    problem = problem_of(8)
    plans = every_plan(problem, count)
    leading = plans[:3]
    values = {tuple(plan.candidate_index): MAINS.variation_db(problem, plan) for plan in plans}
    found = exchanged(problem, MAINS, leading, entropy=[1])
    known = [*leading, *found]
    best = min(values[tuple(plan.candidate_index)] for plan in known)
    assert best == min(values.values())
    assert best < min(values[tuple(plan.candidate_index)] for plan in leading)
    assert len({tuple(plan.candidate_index) for plan in known}) == len(known)


def test_settings_and_places_are_as_good_as_every_layout_with_polished_settings() -> None:
    problem = problem_of(5, DriveRange(delay_s=(0.0, 0.008), gain_db=(-6.0, 0.0)))
    columns, plans = columns_of(problem), every_plan(problem, 2)
    setter = Setter(problem=problem, mains=MAINS, columns=columns)
    brute = [setter.descended(plan)[1] for plan in plans]
    found = exchanged(problem, MAINS, plans[:1], entropy=[1])
    assert len(plans) == len(list(combinations(range(5), 2)))
    assert MAINS.variation_db(problem, found[0]) <= min(brute) + HELPS_DB
    assert MAINS.variation_db(problem, found[0]) < brute[0]


def test_every_wish_is_kept_by_layouts_that_are_met() -> None:
    position = np.random.default_rng(0).uniform(0.0, 4.0, (10, 3))
    halves = np.repeat([0, 1], 5)
    price = np.array([100, 300])
    kinds = KindWishes(kind=halves, size_m=np.zeros((2, 3)), up_m=np.zeros(2), price=price, budget=500)
    near = Wishes(fixed=(2,), zone=halves, zone_limit=np.array([2, 1]), position_m=position, least_distance_m=1.5)
    priced = Wishes(position_m=np.tile(position[:5], (2, 1)), kinds=kinds)
    mirror = np.array([1, 0, 3, 2, 5, 4, 7, 6, 8, -1])
    mirrored = replace(problem_of(10), mirror_of=mirror)
    for problem in (problem_of(10, wishes=near), problem_of(10, wishes=priced), mirrored):
        columns = columns_of(problem)
        worst = every_plan(problem, 3)[-1:]  # from where much can be won
        found = exchanged(problem, MAINS, worst, entropy=[1])
        assert found
        for plan in found:
            assert columns.fits(state_of(columns, plan).column[None])[0]
            assert set(problem.wishes.fixed) <= set(plan.candidate_index.tolist())
            assert plan.candidate_index.size == 3
        if problem.mirror_of is not None:
            assert all(set(mirror[plan.candidate_index]) == set(plan.candidate_index) for plan in found)
    cost = [int(price[halves[plan.candidate_index]].sum()) for plan in every_plan(problem_of(10, wishes=priced), 3)]
    assert max(cost) == 500


def test_a_walk_is_cancelled_between_two_exchanges() -> None:
    problem, steps = problem_of(8), list[Step]()
    running = Running(report=steps.append, cancelled=lambda: len(steps) >= 2)
    plans = every_plan(problem, 2)
    exchanged(problem, MAINS, plans[:3], entropy=[1], running=running)
    assert len(steps) == 2
    assert "layouts with the mains" in steps[0].note
