"""Bounds of layouts by weights free at every frequency: below every setting of a grid and below the best weights."""

from dataclasses import replace
from functools import cache
from itertools import combinations, product

import numpy as np
import pytest
from numpy.typing import NDArray

from benchmarks.rooms_seeded import seeded_room
from roommodes.arrays import Complexes, Floats, Integers
from roommodes.running import Running, Step
from solvers.proof.layouts import DB_PER_NEPER, FEWER, field_of, with_proofs
from solvers.proof.layouts_weights import ROUNDS
from solvers.search.columns import columns_of
from solvers.search.explore import Effort
from solvers.search.kernels.weights_bound import layouts_weights_bound, orthonormal
from solvers.search.problem import DriveRange, KindWishes, Problem, Wishes
from solvers.search.search import search

SHORT = DriveRange(delay_s=(0.0, 0.004), gain_db=(-6.0, 0.0), polarity=True)
PROBLEM = seeded_room(8, n_candidate=8, n_seat=6, points_per_octave=3, drives=SHORT)
LAYOUTS = np.array(list(combinations(range(8), 3)))
QUICK = Effort(hops=30, patience=4, confirmations=2)


def deviation2(pressure: Complexes, seat_weight: Floats) -> Floats:
    """Variance of the levels over the last axis [Np2], by the plain formula."""
    level = np.log(np.abs(pressure))
    mean = np.average(level, axis=-1, weights=seat_weight)
    return np.asarray(np.average((level - mean[..., None]) ** 2, axis=-1, weights=seat_weight))


@cache
def grid_sums() -> Floats:
    """Every layout of three at every setting of a grid: the least sum over the frequencies, (layout,) [Np2]."""
    omega = 2.0 * np.pi * PROBLEM.frequency_hz
    fall, span = PROBLEM.drives.gain_span_db / DB_PER_NEPER, PROBLEM.drives.delay_span_s
    one = list(product(np.linspace(-fall, fall, 5), np.linspace(-span, span, 9), (1.0, -1.0)))
    factor = np.array([sign * np.exp(gain - 1j * omega * delay) for gain, delay, sign in one])
    found = np.empty(len(LAYOUTS))
    for k, (a, b, c) in enumerate(LAYOUTS):
        h = PROBLEM.transfer.transpose(2, 0, 1)
        second, third = h[b] * factor[:, :, None], h[c] * factor[:, :, None]
        pressure = h[a] + second[:, None] + third[None]
        found[k] = deviation2(pressure, PROBLEM.seat_weight).sum(axis=-1).min()
    return found


def bounds(problem: Problem, layouts: Integers, target: float) -> Floats:
    """The kernel's bounds, (layout,) [Np2]."""
    columns, least = columns_of(problem), np.empty(len(layouts))
    layouts_weights_bound(field_of(columns), columns.seat_weight, layouts, target, ROUNDS, least)
    return least


@pytest.mark.parametrize("part", [0.02, 0.05, 0.15])
def test_no_layout_of_three_at_any_setting_of_a_grid_lies_below(part: float) -> None:
    best = grid_sums()
    least = bounds(PROBLEM, LAYOUTS, part * float(np.median(best)))
    assert np.all(least <= best)
    assert np.sum(least > 0.0) > 5


def test_bounds_lie_below_the_best_weights_and_reach_what_is_asked() -> None:
    """Weights sought at every frequency by themselves, from many starts: an upper bound of what is proven."""
    random = np.random.default_rng(0)
    a = random.uniform(0.5, 1.5, 6)
    problem = replace(PROBLEM, seat_weight=a)
    for layout in LAYOUTS[::11]:
        best = np.full(len(problem.frequency_hz), np.inf)
        for f, h in enumerate(problem.transfer[:, :, layout]):
            w = random.normal(size=(400, 3)) + 1j * random.normal(size=(400, 3))
            inverse = np.linalg.pinv(h)
            for _ in range(60):
                p = w @ h.T
                best[f] = min(best[f], deviation2(p, a).min())
                w = (p / np.abs(p)) @ inverse.T
        for part in (0.1, 0.5, 0.8):
            least = bounds(problem, layout[None], part * float(best.sum()))[0]
            assert part * best.sum() * 0.9 <= least <= best.sum()


@pytest.mark.parametrize("n", [3, 4])
def test_random_settings_of_many_rooms_never_lie_below(n: int) -> None:
    random = np.random.default_rng(n)
    for seed in range(6):
        problem = seeded_room(20 + seed, n_candidate=9, n_seat=12, points_per_octave=4)
        omega = 2.0 * np.pi * problem.frequency_hz
        layouts = np.array([np.sort(random.permutation(9)[:n]) for _ in range(4)])
        least = bounds(problem, layouts, 0.05 * len(omega))
        for layout, bound in zip(layouts, least, strict=True):
            gain, delay = random.uniform(-1.38, 0.0, (300, 1, n)), random.uniform(0.0, 0.02, (300, 1, n))
            weight = random.choice([-1.0, 1.0], (300, 1, n)) * np.exp(gain - 1j * omega[:, None] * delay)
            pressure = np.einsum("fsk,mfk->mfs", problem.transfer[:, :, layout], weight)
            assert deviation2(pressure, problem.seat_weight).sum(axis=1).min() >= bound


def test_columns_that_are_alike_and_seats_that_hardly_count_are_bounded_with_care() -> None:
    """Two subs at one place are as one: nothing is claimed. A seat of next to no weight: little, at any spread."""
    transfer = PROBLEM.transfer.copy()
    transfer[:, :, 1] = transfer[:, :, 0] * (1.0 + 1e-9)
    assert bounds(replace(PROBLEM, transfer=transfer), np.array([[0, 1, 2]]), 1e-3)[0] == 0.0
    light = np.array([1.0, 1.0, 1.0, 1.0, 1.0, 1e-9])
    least = bounds(replace(PROBLEM, seat_weight=light), LAYOUTS, 0.01)
    assert np.all(least <= 20.0 * 1e-9 * len(PROBLEM.frequency_hz))


def test_bases_of_columns_that_are_nearly_alike_are_exact_within_what_the_bound_pays_for() -> None:
    """Against the same span in extended precision: 2e-10 is what the module reckons with."""
    random = np.random.default_rng(1)
    worst, used = 0.0, 0
    for _ in range(300):
        n_seat = int(random.integers(4, 19))
        noise = random.normal(size=(n_seat, 4)) + 1j * random.normal(size=(n_seat, 4))
        h = noise[:, :1] + 10.0 ** random.uniform(-4.3, 0.0) * noise[:, 1:]
        u = np.empty((2, n_seat, 3))
        if not orthonormal(np.stack([h.T.real, h.T.imag, np.abs(h.T)])[:, :, None], np.arange(3), 0, u):
            continue
        used += 1
        exact: list[NDArray[np.clongdouble]] = []
        for column in h.T.astype(np.clongdouble):
            rest = column
            for _, one in product(range(3), exact):
                rest = rest - one * (one.conj() @ rest)
            exact.append(rest / np.sqrt((np.abs(rest) ** 2).sum()))
        span, found = np.array(exact).T, u[0] + 1j * u[1]
        beyond = found - span @ (span.conj().T @ found)
        worst = max(worst, float(np.abs(beyond).max()), float(np.abs(found.conj().T @ found - np.eye(3)).max()))
    assert used > 200
    assert worst < 2e-10


def test_three_subs_come_to_a_bound_and_four_to_a_sentence() -> None:
    problem = seeded_room(3, n_candidate=7, n_seat=7, points_per_octave=5)
    three, four = search(problem, counts=(3, 4), seed=1, keep=1, effort=QUICK)
    gaps: list[str] = []

    def fallen() -> bool:
        return any("no layout below" in note and "below 0.00 dB" not in note for note in gaps)

    running = Running(report=lambda step: gaps.append(step.note), cancelled=fallen)
    found = with_proofs(problem, (three,), seconds=60.0, running=running)[0]
    assert fallen()
    assert found.layouts_least_db is not None
    assert 0.015 * three.plans[0].variation_db < found.layouts_least_db < three.plans[0].variation_db
    assert any(note.startswith("3 subs: gap") and "% of the layouts up to" in note for note in gaps)
    soon = iter([False] * 4)
    short = with_proofs(problem, (four,), seconds=9.0, running=Running(cancelled=lambda: next(soon, True)))[0]
    assert short.layouts_least_db == 0.0
    assert short.remarks[-1].startswith("No proof for 4 subs in the time: ")
    assert short.remarks[-1].endswith(FEWER)


def trapped() -> Problem:
    """A room in which the first three candidates together, and no other three, make the same level at every seat."""
    problem = seeded_room(3, n_candidate=7, n_seat=7, points_per_octave=5)
    transfer = problem.transfer.copy()
    transfer[:, :, 2] = np.abs(transfer[:, :1, 2]) - transfer[:, :, 0] - transfer[:, :, 1]
    return replace(problem, transfer=transfer)


DEAR_AND_PLAIN = KindWishes(
    kind=np.array([0, 0, 0, 1, 1, 1, 1]),
    size_m=np.zeros((2, 3)),
    up_m=np.zeros(2),
    price=np.array([90_000, 50_000]),
    budget=240_000,
)
ALONG_A_WALL = np.array([[0.1 * k, 0.0, 0.0] if k < 3 else [2.0 * k, 0.0, 0.0] for k in range(7)])
BARRED: list[tuple[str, Wishes]] = [
    ("a fixed sub", Wishes(fixed=(4,))),
    ("two subs a zone", Wishes(zone=np.array([0, 0, 0, 1, 1, 1, 1]), zone_limit=np.array([2, 2]))),
    ("a distance", Wishes(position_m=ALONG_A_WALL, least_distance_m=0.5)),
    ("a budget", Wishes(position_m=2.0 * np.arange(21.0).reshape(7, 3), kinds=DEAR_AND_PLAIN)),
    (
        "two of a kind",
        Wishes(
            position_m=2.0 * np.arange(21.0).reshape(7, 3),
            kinds=replace(DEAR_AND_PLAIN, budget=None, most=np.array([2, 3])),
        ),
    ),
]


@pytest.mark.parametrize("wishes", [None, *(one for _, one in BARRED)], ids=["all", *(name for name, _ in BARRED)])
def test_layouts_that_are_not_wanted_pull_no_bound_down(wishes: Wishes | None) -> None:
    """With all layouts allowed nothing can be proven; once the even one is barred all others come to a bound."""
    problem = trapped() if wishes is None else replace(trapped(), wishes=wishes)
    outcome = search(problem, counts=(3,), seed=1, keep=1, effort=QUICK)[0]
    least = []

    def fallen() -> bool:
        return bool(least)

    def take(step: Step) -> None:
        if "no layout below" in step.note and "below 0.00 dB" not in step.note:
            least.append(step.note)

    found = with_proofs(
        problem, (outcome,), seconds=20.0 if wishes else 3.0, running=Running(report=take, cancelled=fallen)
    )[0]
    assert found.layouts_least_db is not None
    if wishes is None:
        assert found.layouts_least_db < 1e-3
        assert outcome.plans[0].variation_db < 1e-2
    else:
        assert 0.005 < found.layouts_least_db <= outcome.plans[0].variation_db
