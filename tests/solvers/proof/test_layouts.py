"""The certificate over all layouts: below every layout at every setting, close to the best, within what is wanted."""

from collections.abc import Callable
from dataclasses import replace
from itertools import combinations, product
from time import monotonic

import numpy as np
import pytest

from benchmarks.rooms_seeded import seeded_room
from roommodes.arrays import Floats
from roommodes.responses.metrics import drive_weights, level_db, seat_pressure, variation_db
from roommodes.running import Running
from solvers.proof.layouts import DB_PER_NEPER, MET, PART, field_of, with_proofs
from solvers.search.columns import columns_of
from solvers.search.explore import Effort
from solvers.search.kernels.layouts_bound import layouts_bound
from solvers.search.kernels.settings_bound import box_bound
from solvers.search.numpy_twins import bound_in_box
from solvers.search.problem import DriveRange, FoundPlan, Outcome, Problem, Wishes
from solvers.search.search import search

SHORT = DriveRange(delay_s=(0.0, 0.005), gain_db=(-6.0, 0.0), polarity=True)
PROBLEM = seeded_room(5, n_candidate=6, n_seat=4, points_per_octave=4, drives=SHORT)
QUICK = Effort(hops=30, patience=4, confirmations=2)
LONG_S = 60.0


def found(problem: Problem, count: int) -> Outcome:
    return search(problem, counts=(count,), seed=1, keep=2, effort=QUICK)[0]


def proven(problem: Problem, outcome: Outcome, seconds: float = LONG_S, running: Running = Running()) -> Outcome:
    return with_proofs(problem, (outcome,), seconds=seconds, running=running)[0]


def variation(problem: Problem, layout: tuple[int, ...], gain: Floats, delay: Floats, sign: Floats) -> float:
    weights = drive_weights(problem.frequency_hz, gain_db=gain, delay_s=delay, polarity=sign)
    return variation_db(level_db(seat_pressure(problem.transfer[:, :, list(layout)], weights)), problem.seat_weight)


def grid_db(problem: Problem, layout: tuple[int, ...], steps: int = 9) -> Floats:
    """Every setting of a grid for two subs, (setting,)."""
    span, fall = problem.drives.delay_span_s, problem.drives.gain_span_db
    settings = product(np.linspace(-fall, fall, steps), np.linspace(-span, span, 4 * steps), (1.0, -1.0))
    return np.array(
        [variation(problem, layout, np.array([0.0, g]), np.array([0.0, t]), np.array([1.0, p])) for g, t, p in settings]
    )


@pytest.fixture(scope="module")
def pair() -> Outcome:
    return proven(PROBLEM, found(PROBLEM, 2))


def test_no_layout_at_any_setting_of_a_grid_lies_below(pair: Outcome) -> None:
    best = min(grid_db(PROBLEM, layout).min() for layout in combinations(range(6), 2))
    least = pair.layouts_least_db
    assert least is not None
    assert least <= best
    assert least <= pair.plans[0].variation_db <= best + 1e-6
    assert least >= pair.plans[0].variation_db * (1.0 - 2.0 * PART)


def test_layouts_bound_one_by_one_against_the_grid() -> None:
    """Each layout's own bound, not only the least: none above its grid, none far below its polished best."""
    layouts = np.array(list(combinations(range(6), 2)))
    least = bounds(PROBLEM, layouts, enough_db=40.0)
    for layout, bound in zip(layouts.tolist(), least, strict=True):
        best = grid_db(PROBLEM, tuple(layout)).min()
        assert bound <= best
        assert bound >= 0.85 * best  # the grid misses the best settings by less


def bounds(problem: Problem, layouts: np.ndarray, *, enough_db: float, most: int = 20_000) -> Floats:
    """The kernel's bound of each layout by itself [dB]."""
    columns, n = columns_of(problem), len(problem.frequency_hz)
    field = field_of(columns)
    found_db = np.empty(len(layouts))
    for k, layout in enumerate(layouts):
        least = np.empty(1)
        layouts_bound(
            field,
            2.0 * np.pi * problem.frequency_hz,
            columns.seat_weight,
            np.array([layout]),
            np.array([problem.drives.gain_span_db / DB_PER_NEPER, problem.drives.delay_span_s]),
            problem.drives.polarity,
            np.array([n * (enough_db / DB_PER_NEPER) ** 2, np.inf, 2.0 * PART]),
            most,
            least,
            np.empty((len(layout), 5)),
        )
        found_db[k] = DB_PER_NEPER * np.sqrt(least[0] / n)
    return found_db


@pytest.mark.parametrize("n", [2, 3, 4])
def test_no_settings_in_a_box_come_below_its_bound(n: int) -> None:
    """Random boxes, wide and narrow; corners and random settings in them, by the plain formulas."""
    random = np.random.default_rng(n)
    problem = seeded_room(7, n_candidate=5, n_seat=5, points_per_octave=5)
    columns, n_freq = columns_of(problem), len(problem.frequency_hz)
    field = field_of(columns)
    told = counted = 0
    for _ in range(120):
        size = 10.0 ** random.uniform(-4.0, 0.0)
        box = np.zeros((n, 5))
        box[1:, 0], box[1:, 1] = random.uniform(-1.0, 1.0, n - 1), size * random.uniform(0.0, 1.0, n - 1)
        box[1:, 2], box[1:, 3] = random.uniform(-0.02, 0.02, n - 1), 5e-3 * size * random.uniform(0.0, 1.0, n - 1)
        box[:, 4] = np.where(random.uniform(size=n) < 0.5, -1.0, 1.0)
        box[0, 4] = 1.0
        layout = random.permutation(5)[:n]
        least, middle = box_bound(
            field,
            2.0 * np.pi * problem.frequency_hz,
            columns.seat_weight,
            layout,
            box,
            np.inf,
            np.zeros((n, 2)),
        )
        least_db, middle_db = (DB_PER_NEPER * np.sqrt(value / n_freq) for value in (least, middle))
        at = [variation(problem, tuple(layout), box[:, 0] * DB_PER_NEPER, box[:, 2], box[:, 4])]
        twin = bound_in_box(columns.transfer[:, :, layout], problem.frequency_hz, columns.seat_weight, box)
        assert least == pytest.approx(twin, rel=1e-6, abs=1e-9)
        if np.isfinite(middle_db):  # of boxes that are wide at no frequency
            assert middle_db == pytest.approx(at[0], rel=1e-9)
            counted += 1
        for k in range(40):
            move = random.choice([-1.0, 1.0], (2, n)) if k % 2 else random.uniform(-1.0, 1.0, (2, n))
            gain, delay = box[:, 0] + move[0] * box[:, 1], box[:, 2] + move[1] * box[:, 3]
            at.append(variation(problem, tuple(layout), gain * DB_PER_NEPER, delay, box[:, 4]))
        assert least_db <= min(at)
        told += least_db > 0.9 * min(at)
        if size < 1e-3:
            assert least_db > 0.98 * min(at)  # narrow boxes are known closely
    assert told > 20
    assert counted > 20


def test_random_layouts_and_settings_of_a_larger_room_never_lie_below() -> None:
    problem = seeded_room(2, n_candidate=12, n_seat=6, points_per_octave=4)
    outcome = proven(problem, found(problem, 2))
    least, random = outcome.layouts_least_db, np.random.default_rng(0)
    assert least is not None
    assert least > 0.97 * outcome.plans[0].variation_db
    for _ in range(1500):
        layout = tuple(random.permutation(12)[:2])
        gain, delay = random.uniform(-12.0, 0.0, 2), random.uniform(0.0, 0.02, 2)
        assert variation(problem, layout, gain, delay, random.choice([-1.0, 1.0], 2)) >= least


def test_three_subs_in_a_small_room() -> None:
    problem = seeded_room(3, n_candidate=4, n_seat=5, points_per_octave=2, drives=SHORT)
    outcome = proven(problem, found(problem, 3), 6.0)
    least, random = outcome.layouts_least_db, np.random.default_rng(0)
    assert least is not None
    assert 0.1 * outcome.plans[0].variation_db < least <= outcome.plans[0].variation_db
    for _ in range(1000):
        layout = tuple(random.permutation(4)[:3])
        gain, delay = random.uniform(-6.0, 0.0, 3), random.uniform(0.0, 0.005, 3)
        assert variation(problem, layout, gain, delay, random.choice([-1.0, 1.0], 3)) >= least


WANTED: list[tuple[str, Callable[[Problem], Problem]]] = [
    ("a fixed sub", lambda p: replace(p, wishes=Wishes(fixed=(3,)))),
    (
        "one sub a zone",
        lambda p: replace(p, wishes=Wishes(zone=np.array([0, 0, 0, 0, 1, 1]), zone_limit=np.array([1, 1]))),
    ),
    ("gains alone", lambda p: replace(p, drives=DriveRange(delay_s=(0.0, 0.0), gain_db=(-6.0, 0.0), polarity=False))),
    (
        "nothing to adjust",
        lambda p: replace(p, drives=DriveRange(delay_s=(0.0, 0.0), gain_db=(0.0, 0.0), polarity=False)),
    ),
    ("polarity alone", lambda p: replace(p, drives=DriveRange(delay_s=(0.0, 0.0), gain_db=(0.0, 0.0)))),
]


@pytest.mark.parametrize("change", [one for _, one in WANTED], ids=[name for name, _ in WANTED])
def test_what_is_wanted_binds_the_layouts_that_are_bounded(change: Callable[[Problem], Problem]) -> None:
    """The bound is close below the best of what is allowed, so no layout that is not allowed was looked at."""
    problem = change(PROBLEM)
    outcome = proven(problem, found(problem, 2))
    assert outcome.layouts_least_db is not None
    best = outcome.plans[0].variation_db
    assert best * (1.0 - 2.0 * PART) <= outcome.layouts_least_db <= best


def test_pairs_that_share_a_setting_count_as_one() -> None:
    problem = seeded_room(4, n_candidate=6, n_seat=4, points_per_octave=3, drives=SHORT, mirrored=True)
    two, four = (proven(problem, found(problem, count)) for count in (2, 4))
    assert two.layouts_least_db == pytest.approx(two.plans[0].variation_db, rel=1e-6)  # nothing to adjust
    assert four.layouts_least_db is not None
    assert four.layouts_least_db >= four.plans[0].variation_db * (1.0 - 2.0 * PART)


def test_a_better_plan_that_is_met_is_taken(pair: Outcome) -> None:
    """A search that ended badly: its plan is set aside, and that is said."""
    bad = np.array([0, 1])
    weights = drive_weights(PROBLEM.frequency_hz, gain_db=[0.0, 0.0], delay_s=[0.0, 0.0], polarity=[1, 1])
    level = level_db(seat_pressure(PROBLEM.transfer[:, :, bad], weights))
    value = variation_db(level, PROBLEM.seat_weight)
    plan = FoundPlan(
        candidate_index=bad,
        gain_db=np.zeros(2),
        delay_s=np.zeros(2),
        polarity=np.ones(2, dtype=np.int64),
        variation_db=value,
        output_db=0.0,
        level_db=level,
    )
    poor = replace(pair.plans[0], variation_db=value + 0.1)  # the best layout, listed as what it is not
    outcome = proven(PROBLEM, replace(pair, plans=(plan, poor), remarks=(), layouts_least_db=None))
    assert value > pair.plans[0].variation_db + 0.1
    assert outcome.plans[0].variation_db == pytest.approx(pair.plans[0].variation_db, abs=0.02)
    assert outcome.remarks == (MET,)
    assert outcome.plans[1:] == (plan,)  # every layout stands once


def test_stopped_at_once_nothing_is_proven_and_soon_what_was_reached_holds() -> None:
    problem = seeded_room(2, n_candidate=30, n_seat=6, points_per_octave=8)
    weights = found(PROBLEM, 1)
    plan = replace(weights.plans[0], variation_db=4.0)
    outcome = replace(weights, count=2, plans=(plan,))
    assert proven(problem, outcome, running=Running(cancelled=lambda: True)).layouts_least_db == 0.0
    begun = monotonic()
    proven(problem, outcome, 0.3)
    assert monotonic() - begun < 20.0


def test_too_many_layouts_are_said() -> None:
    problem = seeded_room(2, n_candidate=90, n_seat=3, points_per_octave=2)
    outcome = replace(found(PROBLEM, 1), count=6)
    answer = proven(problem, outcome)
    assert answer.layouts_least_db == 0.0
    assert answer.remarks[-1].startswith("No proof for 6 subs: ")
