"""The bound: laws that any least spread obeys, and a second method on one frequency."""

from dataclasses import replace

import numpy as np
import pytest

from benchmarks.rooms_seeded import seeded_room
from solvers.bound import bound_of
from solvers.explore import Effort
from solvers.problem import Plan, Problem
from solvers.search import search


def _plans(problem: Problem, count: int) -> tuple[Plan, ...]:
    return search(problem, counts=[count], seed=1, effort=Effort(hops=48))[0].plans


PROBLEM = seeded_room(3, n_candidate=8, n_seat=5, points_per_octave=6)


def test_bound_is_below_every_plan_and_falls_with_more_subs() -> None:
    previous = np.inf
    for count in (1, 2, 3):
        plan = _plans(PROBLEM, count)[0]
        bound = bound_of(PROBLEM, plan, seed=1)
        assert bound.variation_db <= plan.variation_db + 1e-9
        assert bound.variation_db < previous
        assert bound.variation_db == pytest.approx(float(np.sqrt(np.mean(bound.spread_db**2))))
        previous = bound.variation_db


def test_one_sub_leaves_nothing_to_free() -> None:
    plan = _plans(PROBLEM, 1)[0]
    assert bound_of(PROBLEM, plan, seed=1).variation_db == pytest.approx(plan.variation_db, rel=1e-9)


def test_as_many_subs_as_seats_reach_zero() -> None:
    problem = replace(PROBLEM, transfer=PROBLEM.transfer[:, :3], seat_weight=np.ones(3))
    plan = _plans(problem, 3)[0]
    assert plan.variation_db > 0.1
    assert bound_of(problem, plan, seed=1).variation_db < 1e-3


def test_two_subs_against_a_grid_of_all_ratios() -> None:
    """With two subs only the complex ratio of the weights counts: a fine grid of it is a second opinion."""
    plan = _plans(PROBLEM, 2)[0]
    found = bound_of(PROBLEM, plan, seed=1, starts=40)
    ratio = (10.0 ** np.linspace(-3.0, 3.0, 361)[:, None] * np.exp(2j * np.pi * np.arange(360) / 360.0)).ravel()
    for f in range(0, len(PROBLEM.frequency_hz), 3):
        first, second = PROBLEM.transfer[f][:, plan.candidate_index].T
        level = 20.0 * np.log10(np.abs(first[:, None] + second[:, None] * ratio))
        by_grid = float(level.std(axis=0).min())
        assert found.spread_db[f] <= by_grid + 1e-9
        assert found.spread_db[f] >= by_grid - 0.05
