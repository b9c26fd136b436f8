"""Settings on a processor's steps: on them, within their ranges, and as good as trying every one shows."""

from dataclasses import replace
from itertools import product

import numpy as np
import pytest

from benchmarks.rooms_seeded import seeded_room
from roommodes.responses.metrics import drive_weights, level_db, seat_pressure, variation_db
from solvers.search.problem import DriveRange, FoundPlan, Problem
from solvers.search.search import search

STEPS = DriveRange(delay_s=(0.0, 0.010), gain_db=(-6.0, 0.0), delay_step_s=5e-4, gain_step_db=1.0)


def found(problem: Problem, count: int) -> FoundPlan:
    return search(problem, counts=(count,), seed=1)[0].plans[0]


def variation(problem: Problem, plan: FoundPlan, gain_db: np.ndarray, delay_s: np.ndarray, sign: np.ndarray) -> float:
    weights = drive_weights(problem.frequency_hz, gain_db=gain_db, delay_s=delay_s, polarity=sign)
    pressure = seat_pressure(problem.transfer[:, :, plan.candidate_index], weights)
    return variation_db(level_db(pressure), problem.seat_weight)


def every_setting(problem: Problem, plan: FoundPlan) -> float:
    """Least variation over every gain, delay and polarity that two subs can be set to, one after another."""
    gains, delays = np.arange(-6.0, 6.1, 1.0), np.arange(-0.010, 0.0101, 5e-4)
    values = [
        variation(problem, plan, np.array([0.0, gain]), np.array([0.0, delay]), np.array([1, sign]))
        for gain, delay, sign in product(gains, delays, (1, -1))
    ]
    return min(values)


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_two_subs_get_the_best_of_all_settings_on_the_steps(seed: int) -> None:
    problem = replace(seeded_room(seed, n_candidate=8, n_seat=4, points_per_octave=12), drives=STEPS)
    plan = found(problem, 2)
    for value, step in ((plan.gain_db, 1.0), (plan.delay_s, 5e-4)):
        np.testing.assert_allclose(value / step, np.round(value / step), atol=1e-6)
    assert plan.variation_db <= every_setting(problem, plan) + 1e-6


def test_found_on_the_steps_is_better_than_rounded() -> None:
    gained = []
    for seed in range(1, 7):
        problem = seeded_room(seed, n_candidate=8, n_seat=5, points_per_octave=12)
        free = found(replace(problem, drives=replace(STEPS, delay_step_s=0.0, gain_step_db=0.0)), 4)
        stepped = found(replace(problem, drives=STEPS), 4)
        gain, delay = np.round(free.gain_db), 5e-4 * np.round(free.delay_s / 5e-4)
        gained.append(variation(problem, free, gain, delay, free.polarity) - stepped.variation_db)
        assert stepped.variation_db >= free.variation_db - 1e-3
        assert (stepped.gain_db >= -6.0).all()
        assert stepped.gain_db.max() == 0.0
        assert np.ptp(stepped.delay_s) <= 0.010 + 1e-9
    assert min(gained) > 0.0
