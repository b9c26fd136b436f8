"""Several kinds of subwoofer in the search, against brute force: places, budget, and every mix by itself."""

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest

from roommodes.responses.metrics import level_db, seat_pressure, variation_db
from roommodes.running import Running
from solvers.choice.by_mix import mixes_of, search_mixes, with_each_mix
from solvers.search.columns import columns_of
from solvers.search.explore import Effort
from solvers.search.problem import DriveRange, KindWishes, Problem, Wishes
from solvers.search.search import search

PLACES, KINDS = 5, 2
PRICE = (100_000, 40_000)  # hundredths
ALIKE = DriveRange(delay_s=(0.0, 0.0), gain_db=(0.0, 0.0), polarity=False)


def _problem(budget: int | None, *, drives: DriveRange = ALIKE, seed: int = 3) -> Problem:
    """Five places, each with either of two kinds of which the second plays softer and later at low frequencies."""
    random = np.random.default_rng(seed)
    hz = np.geomspace(20.0, 80.0, 9)
    place = random.normal(size=(9, 3, PLACES)) + 1j * random.normal(size=(9, 3, PLACES))
    softer = 0.5 / (1.0 + 1j * 30.0 / hz)
    position = random.uniform(0.5, 3.5, size=(PLACES, 3))
    return Problem(
        frequency_hz=hz,
        transfer=np.concatenate([place, place * softer[:, None, None]], axis=2),
        seat_weight=np.ones(3),
        drives=drives,
        wishes=Wishes(
            position_m=np.concatenate([position, position]),
            kinds=KindWishes(
                kind=np.repeat([0, 1], PLACES),
                size_m=np.zeros((KINDS, 3)),
                up_m=np.zeros(KINDS),
                price=np.array(PRICE),
                budget=budget,
            ),
        ),
    )


def _by_hand(problem: Problem, count: int, budget: float, mix: tuple[int, ...] | None = None) -> float:
    """Variation of the most even layout with no two subs at one place and no more spent, by trying all of them."""
    found = []
    for layout in combinations(range(KINDS * PLACES), count):
        kinds = [one // PLACES for one in layout]
        if len({one % PLACES for one in layout}) < count or sum(PRICE[one] for one in kinds) > budget:
            continue
        if mix is not None and tuple(kinds.count(kind) for kind in range(KINDS)) != mix:
            continue
        pressure = seat_pressure(problem.transfer[:, :, list(layout)], np.ones((9, count), dtype=np.complex128))
        found.append(variation_db(level_db(pressure), problem.seat_weight))
    return min(found)


@pytest.mark.parametrize("budget", [None, 300_000, 240_000, 180_000, 120_000])
def test_the_best_layout_keeps_places_and_budget(budget: int | None) -> None:
    problem = _problem(budget)
    (outcome,) = search(problem, counts=[3], seed=1)
    least = _by_hand(problem, 3, np.inf if budget is None else budget)
    assert outcome.plans[0].variation_db == pytest.approx(least, abs=1e-9)
    kinds = problem.wishes.kinds
    assert kinds is not None
    for plan in outcome.plans:
        assert len(set((plan.candidate_index % PLACES).tolist())) == 3
        assert budget is None or kinds.cost(plan.candidate_index) <= budget


def test_what_cannot_be_afforded_has_no_plan() -> None:
    (outcome,) = search(_problem(119_999), counts=[3], seed=1)
    assert outcome.plans == ()


def test_every_mix_that_can_be_afforded_is_searched_by_itself() -> None:
    problem = _problem(250_000)
    outcomes = search(problem, counts=[3], seed=1)
    found = search_mixes(problem, outcomes, seed=1, keep=5, running=Running())
    kinds = problem.wishes.kinds
    assert kinds is not None
    assert mixes_of(kinds, 3) == ((2, 1), (1, 2), (0, 3))  # three dear ones cost 3000
    for one, mix in zip(found, mixes_of(kinds, 3), strict=True):
        best = one.outcome.plans[0]
        assert tuple(np.bincount(kinds.kind[best.candidate_index], minlength=2).tolist()) == mix
        assert best.variation_db == pytest.approx(_by_hand(problem, 3, 250_000, mix), abs=1e-9)


def test_searched_settings_keep_a_budget_that_leaves_one_dear_sub() -> None:
    """From random starts, where the first subs drawn must leave enough for the others."""
    drives = DriveRange(delay_s=(0.0, 0.01), gain_db=(-6.0, 0.0))
    problem = _problem(220_000, drives=drives)
    (outcome,) = search(problem, counts=[4], seed=2, effort=Effort(hops=48, confirmations=2))
    kinds = problem.wishes.kinds
    assert kinds is not None
    assert outcome.plans
    for plan in outcome.plans:
        assert kinds.cost(plan.candidate_index) <= 220_000
        assert len(set((plan.candidate_index % PLACES).tolist())) == 4


def test_a_start_leaves_enough_for_the_subs_still_to_come() -> None:
    columns = columns_of(_problem(220_000))
    nothing = np.zeros(0, dtype=np.int64)
    assert columns.beside(nothing, later=(1, 1, 1))[:PLACES].all()  # one dear sub and three cheap ones: 2200
    dear = columns.beside(np.array([0]), later=(1, 1))
    assert not dear[:PLACES].any()
    assert dear[PLACES + 1 :].all()
    assert not dear[PLACES]  # at the place of the first


def test_pairs_on_one_channel_are_of_one_kind() -> None:
    columns = columns_of(replace(_problem(None), paired=True))
    pairs = [group for group in columns.members if len(group) == 2]
    assert pairs
    assert all(one // PLACES == other // PLACES for one, other in pairs)


def test_cabinets_of_different_size_overlap_by_their_own_size() -> None:
    problem = _problem(None)
    position = np.array([[1.0, 1.0, 0.3], [1.35, 1.0, 0.3]])
    kinds = KindWishes(
        kind=np.array([0, 1]),
        size_m=np.array([[0.5, 0.5, 0.5], [0.3, 0.3, 0.3]]),
        up_m=np.zeros(2),
        price=np.zeros(2, dtype=np.int64),
    )
    two = replace(problem, transfer=problem.transfer[:, :, :2], wishes=Wishes(position_m=position, kinds=kinds))
    assert columns_of(two).clash[0, 1]  # 0.35 m apart, half of both widths is 0.4 m
    small = replace(kinds, kind=np.array([1, 1]))
    assert not columns_of(replace(two, wishes=Wishes(position_m=position, kinds=small))).clash[0, 1]


def test_the_first_plan_of_each_mix_is_kept() -> None:
    problem = _problem(None)
    (outcome,) = search(problem, counts=[2], seed=1, keep=100)
    kinds = problem.wishes.kinds
    assert kinds is not None
    kept = with_each_mix(outcome.plans, problem, 1)
    assert kept[0] is outcome.plans[0]
    assert {kinds.cost(plan.candidate_index) for plan in kept} == {80_000, 140_000, 200_000}


def test_many_mixes_are_thinned_out() -> None:
    kinds = KindWishes(kind=np.arange(3), size_m=np.zeros((3, 3)), up_m=np.zeros(3), price=np.array([1, 2, 3]))
    assert len(mixes_of(kinds, 4)) == 15
    assert len(mixes_of(kinds, 8)) == 16
    assert {(8, 0, 0), (0, 0, 8)} <= set(mixes_of(kinds, 8))
