"""Wishes that the trade has: every plan keeps them, and the best layout among those that do is found."""

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest

from benchmarks.rooms_seeded import seeded_room
from roommodes.errors import ProjectInvalid
from roommodes.responses.metrics import level_db, variation_db
from solvers.search.explore import Effort
from solvers.search.problem import DriveRange, Outcome, Problem, Stop, Wishes
from solvers.search.search import search

QUICK = Effort(hops=96, confirmations=2)
EQUAL = DriveRange(delay_s=(0.0, 0.0), gain_db=(0.0, 0.0), polarity=False)
BASE = seeded_room(8, n_candidate=10, n_seat=4, points_per_octave=6)
ALONG_M = np.linspace(0.0, 4.5, 10)
POSITION_M = np.stack([ALONG_M, np.zeros(10), np.zeros(10)], axis=1)


def _one(problem: Problem, count: int) -> Outcome:
    return search(problem, counts=[count], seed=1, effort=QUICK)[0]


def _equal(problem: Problem, layout: tuple[int, ...]) -> float:
    return variation_db(level_db(problem.transfer[:, :, list(layout)].sum(axis=2)), problem.seat_weight)


@pytest.mark.parametrize("drives", [DriveRange(), EQUAL])
def test_a_fixed_sub_is_in_every_plan(drives: DriveRange) -> None:
    outcome = _one(replace(BASE, drives=drives, wishes=Wishes(fixed=(3, 7))), 3)
    assert outcome.layouts_possible == 8
    assert len(outcome.plans) == 8
    assert all({3, 7} <= set(plan.candidate_index.tolist()) for plan in outcome.plans)


def test_more_fixed_subs_than_the_count() -> None:
    outcome = _one(replace(BASE, wishes=Wishes(fixed=(1, 2))), 1)
    assert outcome.stop is Stop.NO_LAYOUT
    assert outcome.plans == ()


@pytest.mark.parametrize("drives", [DriveRange(), EQUAL])
def test_least_distance(drives: DriveRange) -> None:
    wishes = Wishes(position_m=POSITION_M, least_distance_m=1.2)  # three steps of 0.5 m
    outcome = _one(replace(BASE, drives=drives, wishes=wishes), 3)
    allowed = [layout for layout in combinations(range(10), 3) if min(np.diff(layout)) >= 3]
    assert outcome.layouts_possible == len(allowed)
    for plan in outcome.plans:
        assert np.diff(np.sort(POSITION_M[plan.candidate_index, 0])).min() >= 1.2
    if drives is EQUAL:
        ranked = sorted(allowed, key=lambda layout: _equal(BASE, layout))
        assert [tuple(plan.candidate_index) for plan in outcome.plans] == ranked[:20]


@pytest.mark.parametrize("drives", [DriveRange(), EQUAL])
def test_at_most_so_many_per_zone(drives: DriveRange) -> None:
    zone = np.array([0, 0, 0, 0, 0, 1, 1, 1, 2, 2])
    wishes = Wishes(zone=zone, zone_limit=np.array([1, 2, 0]))
    outcome = _one(replace(BASE, drives=drives, wishes=wishes), 3)
    assert outcome.layouts_possible == 5 * 3
    for plan in outcome.plans:
        assert np.all(np.bincount(zone[plan.candidate_index], minlength=3) <= [1, 2, 0])


def test_wishes_that_leave_nothing() -> None:
    wishes = Wishes(position_m=POSITION_M, least_distance_m=10.0)
    outcome = _one(replace(BASE, wishes=wishes), 2)
    assert outcome.stop is Stop.NO_LAYOUT
    assert outcome.layouts_possible == 0


def test_wishes_hold_where_not_everything_is_tried() -> None:
    problem = seeded_room(8, n_candidate=40, n_seat=4, points_per_octave=12)
    zone = np.arange(40) // 10
    wishes = Wishes(fixed=(5,), zone=zone, zone_limit=np.array([1, 1, 2, 2]))
    outcome = _one(replace(problem, wishes=wishes), 5)
    assert not outcome.exhaustive
    assert len(outcome.plans) == 20
    for plan in outcome.plans:
        assert 5 in plan.candidate_index
        assert np.all(np.bincount(zone[plan.candidate_index], minlength=4) <= wishes.zone_limit)


def test_mirrored_pairs_keep_the_distance_between_their_two() -> None:
    problem = seeded_room(6, n_candidate=12, n_seat=4, points_per_octave=6, mirrored=True)
    position = np.zeros((12, 3))
    position[:6, 1] = np.linspace(0.1, 1.9, 6)  # the last pair stands 0.2 m apart
    position[6:, 1] = 4.0 - position[:6, 1]
    position[:, 0] = np.tile(np.arange(6.0) * 3.0, 2)
    outcome = _one(replace(problem, wishes=Wishes(position_m=position, least_distance_m=0.5)), 2)
    assert outcome.layouts_possible == 5
    assert (5, 11) not in {tuple(plan.candidate_index) for plan in outcome.plans}


def test_delays_in_steps() -> None:
    step_s = 1e-3
    stepped = _one(replace(BASE, drives=DriveRange(delay_step_s=step_s)), 3)
    free = _one(BASE, 3)
    for plan in stepped.plans:
        np.testing.assert_allclose(plan.delay_s / step_s, np.round(plan.delay_s / step_s), atol=1e-9)
        assert plan.delay_s.max() <= 0.020 + 1e-12
    assert free.plans[0].variation_db <= stepped.plans[0].variation_db < free.plans[0].variation_db + 0.25


def test_faults_in_wishes() -> None:
    with pytest.raises(ProjectInvalid) as caught:
        replace(BASE, wishes=Wishes(fixed=(10, 10), zone_limit=np.array([1]), least_distance_m=1.0))
    assert [fault.where for fault in caught.value.faults] == ["wishes.fixed", "wishes.zone", "wishes.position_m"]


def test_cabinets_do_not_overlap() -> None:
    wishes = Wishes(position_m=POSITION_M, cabinet_m=(0.7, 0.7, 0.4))  # candidates are half a metre apart
    outcome = _one(replace(BASE, wishes=wishes), 2)
    assert outcome.layouts_possible == 45 - 9
    assert all(np.diff(plan.candidate_index)[0] >= 2 for plan in outcome.plans)
    stacked = POSITION_M + np.outer(np.arange(10) % 2, [0.0, 0.0, 0.5])  # neighbours one above the other
    higher = _one(replace(BASE, wishes=Wishes(position_m=stacked, cabinet_m=(0.7, 0.7, 0.4))), 2)
    assert higher.layouts_possible == 45


def test_the_best_pairs_on_shared_drives_are_found() -> None:
    problem = replace(seeded_room(9, n_candidate=7, n_seat=3, points_per_octave=5), paired=True)
    outcome = _one(problem, 4)
    best = np.inf
    hz = problem.frequency_hz
    delay = np.arange(-20.0, 20.001, 0.25)
    turn = np.exp(-2j * np.pi * np.outer(delay * 1e-3, hz))[:, :, None]
    for layout in combinations(range(7), 4):  # every way to pair them, on a grid of drives
        for partner in layout[1:]:
            one = [layout[0], partner]
            two = [c for c in layout if c not in one]
            first, second = (problem.transfer[:, :, pair].sum(axis=2) for pair in (one, two))
            for gain in np.arange(-12.0, 12.1, 1.0):
                for sign in (-1.0, 1.0):
                    level = 20.0 * np.log10(np.abs(first + sign * 10.0 ** (gain / 20.0) * turn * second))
                    best = min(best, float(np.sqrt(level.var(axis=2).mean(axis=1)).min()))
    assert outcome.plans[0].variation_db <= best + 1e-9
    assert outcome.plans[0].variation_db > 0.8 * best
    for plan in outcome.plans:
        assert len(set(zip(plan.gain_db, plan.delay_s, plan.polarity, strict=True))) <= 2


def test_too_many_candidates_for_pairs() -> None:
    with pytest.raises(ProjectInvalid, match="up to 150 candidates; got 160"):
        replace(seeded_room(9, n_candidate=160, n_seat=2, points_per_octave=3), paired=True)
