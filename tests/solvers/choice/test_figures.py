"""Figures of many plans at once against each plan by itself, figure by figure, the plain way."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from roommodes.arrays import Floats
from roommodes.plan.drives import Drives
from roommodes.plan.wiring import wired
from roommodes.project.project import Project
from roommodes.project.reading import parse_project
from solvers.choice.figures import figures_of
from solvers.loudness.headroom import loudness_of
from solvers.plans.basis import modelled_basis
from solvers.search.columns import columns_of
from solvers.search.problem import DriveRange, FoundPlan, Problem
from solvers.search.state import State, plan_of, plans_of, random_drives
from tests.solvers.loudness.loud import TEXT

AMPLIFIERS = """
[[amplifiers]]
name = "rack"
channels = 2
voltage_v = 50
current_a = 12
[[amplifiers]]
name = "plate"
channels = 4
voltage_v = 30
wiring = "series"
"""
SHARED = "[search]\nshared_drives = true\n"


def asked(*, shared: bool = False, amplifiers: bool = False) -> tuple[Project, Problem]:
    text = TEXT.replace("[search]\n", SHARED) if shared else TEXT
    project = parse_project(text + (AMPLIFIERS if amplifiers else ""), source="figures.toml")
    return project, modelled_basis(project).problem


def drawn(problem: Problem, seed: int, most: int = 3) -> list[State]:
    """States of one column to `most`, in a mixed order."""
    columns, random = columns_of(problem), np.random.default_rng(seed)
    return [
        random_drives(
            random.choice(columns.count, size=int(random.integers(1, most + 1)), replace=False), drives, random
        )
        for drives in [problem.drives] * 40
    ]


def plain_headroom_db(project: Project, hz: Floats, plan: FoundPlan, weight: Floats) -> float:
    """By the definition: the common gain rises until the first sub meets the limit of its channel."""
    drives = Drives(gain_db=plan.gain_db, delay_s=plan.delay_s, polarity=plan.polarity)
    rise = np.full(len(hz), np.inf)
    for channel in wired(project, drives).channels:
        limits = project.sub_limits(hz, channel)
        assert limits is not None
        for sub in channel.subs:
            rise = np.minimum(rise, limits.level_db.min(axis=0) - plan.gain_db[sub])
    bands = np.round(10.0 * np.log10(hz))
    worst = np.inf
    for band in np.unique(bands):
        power = np.mean(10.0 ** ((plan.level_db + rise[:, None])[bands == band] / 10.0), axis=0)
        worst = min(worst, float(np.sum(weight * 10.0 * np.log10(power)) / weight.sum()))
    return worst - project.target.rms_db


def plain_smoothness_db(hz: Floats, plan: FoundPlan, weight: Floats) -> float:
    mean = np.average(plan.level_db, axis=1, weights=weight)
    line = np.polynomial.Polynomial.fit(np.log(hz), mean, 1)
    return float(np.sqrt(np.mean((mean - line(np.log(hz))) ** 2)))


def plain_decay_s(hz: Floats, problem: Problem, plan: FoundPlan) -> float:
    """By the formula of `aims`, seat by seat and frequency by frequency."""
    share = 10.0 ** (plan.gain_db / 20.0) * plan.polarity
    p = sum(
        problem.transfer[:, :, c] * share[k] * np.exp(-2j * np.pi * hz * plan.delay_s[k])[:, None]
        for k, c in enumerate(plan.candidate_index)
    )
    total, moved2 = 0.0, 0.0
    for seat, weight in enumerate(problem.seat_weight):
        energy, first, second = 0.0, 0.0, 0.0
        for k in range(len(hz) - 1):
            step = 2.0 * np.pi * (hz[k + 1] - hz[k])
            slope, middle = (p[k + 1, seat] - p[k, seat]) / step, (p[k + 1, seat] + p[k, seat]) / 2.0
            energy += weight * step * abs(middle) ** 2
            first -= weight * step * (np.conj(middle) * slope).imag
            second += weight * step * abs(slope) ** 2
        total, moved2 = total + energy, moved2 + second - first**2 / energy
    return float(np.log(1e6) * np.sqrt(moved2 / total))


@pytest.mark.parametrize(("shared", "amplifiers"), [(False, False), (False, True), (True, True)])
def test_figures_are_those_of_each_plan_by_itself(shared: bool, amplifiers: bool, close) -> None:
    project, problem = asked(shared=shared, amplifiers=amplifiers)
    problem = replace(problem, seat_weight=np.array([1.0, 0.5, 2.0]))
    hz, weight = problem.frequency_hz, problem.seat_weight
    states = drawn(problem, 3, 2 if shared else 3)
    plans, loudness = (
        plans_of(problem, columns_of(problem), states, rewards=[0.0] * len(states)),
        loudness_of(project, hz),
    )
    assert loudness is not None
    found = figures_of(problem, [*plans, *plans[:3]], loudness)
    assert sorted(map(id, found)) == sorted(map(id, plans))
    for plan in plans:
        one = found[plan]
        assert one == figures_of(problem, [plan], loudness)[plan]  # to the last bit, whatever stands beside it
        assert (one.variation_db, one.output_db, one.subs) == (plan.variation_db, plan.output_db, len(plan.gain_db))
        assert one.headroom_db == pytest.approx(plain_headroom_db(project, hz, plan, weight), abs=1e-9)
        close(one.smoothness_db, plain_smoothness_db(hz, plan, weight), rtol=1e-9)
        close(one.decay_s, plain_decay_s(hz, problem, plan), rtol=1e-9)
    assert figures_of(problem, plans)[plans[0]].headroom_db is None
    assert len({one.headroom_db for one in found.values()}) > 30
    sharing = [sum(len(c.subs) > 1 for c in wired(project, plan.drives).channels) for plan in plans]
    assert any(sharing) == shared


def plain_plan(problem: Problem, members: Sequence[Sequence[int]], state: State) -> tuple[list[int], Floats, float]:
    """Candidates, level and variation of a state, its drives put into their range by hand."""
    low_s, high_s = problem.drives.delay_s
    low_db, high_db = problem.drives.gain_db
    each = []
    for slot, column in enumerate(state.column):
        delay = min(max(state.delay_s[slot] - min(state.delay_s) + low_s, low_s), high_s)
        gain = min(max(state.gain_db[slot] - max(state.gain_db) + high_db, low_db), high_db)
        each += [(candidate, gain, delay, state.polarity[slot]) for candidate in members[column]]
    each.sort()
    pressure = sum(
        problem.transfer[:, :, c]
        * (sign * 10.0 ** (gain / 20.0) * np.exp(-2j * np.pi * problem.frequency_hz * s))[:, None]
        for c, gain, s, sign in each
    )
    level = 20.0 * np.log10(np.abs(pressure))
    spread = [
        np.average((row - np.average(row, weights=problem.seat_weight)) ** 2, weights=problem.seat_weight)
        for row in level
    ]
    return [c for c, *_ in each], level, float(np.sqrt(np.mean(spread)))


@pytest.mark.parametrize("shared", [False, True])
@pytest.mark.parametrize("steps", [False, True])
def test_plans_side_by_side_are_those_of_each_state_by_itself(shared: bool, steps: bool) -> None:
    _, problem = asked(shared=shared)
    if steps:
        problem = replace(problem, drives=DriveRange(delay_step_s=1e-3, gain_step_db=0.5))
    columns = columns_of(problem)
    states = drawn(problem, 5, 2 if shared else 4)[: 8 if steps else 40]
    rewards = np.random.default_rng(1).uniform(0.0, 0.2, len(states)).tolist()
    plans = plans_of(problem, columns, states, rewards=rewards)
    for state, reward, plan in zip(states, rewards, plans, strict=True):
        alone = plan_of(problem, columns, state, reward=reward)
        for name in ("candidate_index", "gain_db", "delay_s", "polarity", "level_db"):
            np.testing.assert_array_equal(getattr(plan, name), getattr(alone, name))
        assert (plan.variation_db, plan.output_db) == (alone.variation_db, alone.output_db)
        assert plan.polarity[0] == 1
        if not steps:
            candidates, level, variation = plain_plan(problem, columns.members, state)
            assert plan.candidate_index.tolist() == candidates
            np.testing.assert_allclose(plan.level_db, level, atol=1e-9)
            assert plan.variation_db == pytest.approx(variation, abs=1e-9)
