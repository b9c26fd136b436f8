"""The search against brute force, its laws, its special cases, its promises."""

from dataclasses import replace
from itertools import combinations, product

import numpy as np
import pytest

from benchmarks.rooms_seeded import seeded_room
from roommodes.errors import ProjectInvalid
from roommodes.responses.metrics import drive_weights, level_db, seat_pressure, variation_db
from roommodes.running import Running, Step
from solvers.search.explore import Effort
from solvers.search.problem import DriveRange, Outcome, Problem, Stop
from solvers.search.search import search

QUICK = Effort(hops=96, confirmations=2)
EQUAL = DriveRange(delay_s=(0.0, 0.0), gain_db=(0.0, 0.0), polarity=False)


def _room(seed: int = 5, n_candidate: int = 10, **more: object) -> Problem:
    return seeded_room(seed, n_candidate=n_candidate, n_seat=4, points_per_octave=6, **more)  # type: ignore[arg-type]


def _one(problem: Problem, count: int, **more: object) -> Outcome:
    return search(problem, counts=[count], seed=1, effort=QUICK, **more)[0]  # type: ignore[arg-type]


def _variation(
    problem: Problem, layout: tuple[int, ...], gain: list[float], delay: list[float], sign: list[int]
) -> float:
    weights = drive_weights(problem.frequency_hz, gain_db=gain, delay_s=delay, polarity=sign)
    return variation_db(level_db(seat_pressure(problem.transfer[:, :, list(layout)], weights)), problem.seat_weight)


def test_one_sub_is_the_best_of_all_and_drives_do_not_matter() -> None:
    problem = _room()
    outcome = _one(problem, 1)
    alone = [_variation(problem, (c,), [0.0], [0.0], [1]) for c in range(10)]
    assert [int(plan.candidate_index[0]) for plan in outcome.plans] == np.argsort(alone).tolist()
    assert outcome.plans[0].variation_db == pytest.approx(min(alone), rel=1e-12)
    assert outcome.exhaustive
    assert outcome.stop is Stop.EVERY_PLACE_TRIED
    assert outcome.layouts_searched == outcome.layouts_possible == 10
    for plan in outcome.plans:
        assert (plan.gain_db[0], plan.delay_s[0], plan.polarity[0]) == (0.0, 0.0, 1)


def test_equal_drives_find_the_best_layout_of_all() -> None:
    problem = _room(drives=EQUAL)
    outcome = _one(problem, 3)
    every = {
        layout: _variation(problem, layout, [0.0] * 3, [0.0] * 3, [1] * 3) for layout in combinations(range(10), 3)
    }
    ranked = sorted(every, key=lambda layout: every[layout])
    assert [tuple(plan.candidate_index) for plan in outcome.plans] == ranked[:20]
    assert outcome.stop is Stop.EVERY_DRIVE_TRIED
    assert outcome.exhaustive


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_pairs_beat_every_pair_on_a_grid_of_drives(seed: int) -> None:
    problem = _room(seed, 6)
    best = min(
        _variation(problem, layout, [0.0, 0.0], [0.0, 0.0], [1, 1])
        if trial is None
        else _variation(problem, layout, *trial)
        for layout in combinations(range(6), 2)
        for trial in (
            [gains, [max(0.0, -delay), max(0.0, delay)], [1, sign]]
            for gains, delay, sign in product(
                [[0.0, g] for g in (0.0, -3.0, -6.0)] + [[g, 0.0] for g in (-3.0, -6.0)],
                np.arange(-0.018, 0.019, 0.002),
                (1, -1),
            )
        )
    )
    outcome = _one(problem, 2)
    assert outcome.plans[0].variation_db <= best
    assert outcome.plans[0].variation_db > 0.8 * best  # and is of its kind: the grid comes near


def test_figures_are_those_of_the_metrics() -> None:
    problem = _room()
    for plan in _one(problem, 3).plans:
        found = _variation(
            problem, tuple(plan.candidate_index), list(plan.gain_db), list(plan.delay_s), list(plan.polarity)
        )
        assert plan.variation_db == pytest.approx(found, rel=1e-12)


def test_plans_are_ranked_distinct_and_within_their_ranges() -> None:
    problem = _room(drives=DriveRange(delay_s=(0.002, 0.012), gain_db=(-10.0, -1.0)))
    plans = _one(problem, 3).plans
    assert len(plans) == 20
    assert len({tuple(plan.candidate_index) for plan in plans}) == 20
    assert [plan.variation_db for plan in plans] == sorted(plan.variation_db for plan in plans)
    for plan in plans:
        assert np.all(np.diff(plan.candidate_index) > 0)
        assert plan.gain_db.max() == pytest.approx(-1.0)
        assert plan.gain_db.min() >= -10.0 - 1e-9
        assert plan.delay_s.min() == pytest.approx(0.002)
        assert plan.delay_s.max() <= 0.012 + 1e-12
        assert plan.polarity[0] == 1
        assert set(plan.polarity) <= {-1, 1}


def test_more_freedom_is_never_worse() -> None:
    free = _one(_room(), 2).plans[0].variation_db
    for drives in (
        DriveRange(delay_s=(0.0, 0.0)),
        DriveRange(gain_db=(0.0, 0.0)),
        DriveRange(polarity=False),
        EQUAL,
    ):
        plan = _one(_room(drives=drives), 2).plans[0]
        assert plan.variation_db >= free - 2e-3
        assert np.ptp(plan.delay_s) <= drives.delay_span_s
        assert np.ptp(plan.gain_db) <= drives.gain_span_db
        assert drives.polarity or plan.polarity.tolist() == [1, 1]


def _same(a: Outcome, b: Outcome, tolerance: float) -> None:
    for left, right in zip(a.plans[:3], b.plans[:3], strict=True):
        assert left.variation_db == pytest.approx(right.variation_db, abs=tolerance)


def test_laws_of_the_question() -> None:
    """A common factor per frequency, the order of seats and the order of candidates change nothing."""
    problem = _room(n_candidate=8)
    base = _one(problem, 2)
    random = np.random.default_rng(0)
    factor = random.normal(size=(len(problem.frequency_hz), 2)) @ [1.0, 1j]
    scaled = replace(problem, transfer=problem.transfer * factor[:, None, None])
    _same(base, _one(scaled, 2), 1e-3)
    seats = random.permutation(4)
    _same(base, _one(replace(problem, transfer=problem.transfer[:, seats]), 2), 1e-3)
    order = random.permutation(8)
    shuffled = _one(replace(problem, transfer=problem.transfer[:, :, order]), 2)
    _same(base, shuffled, 1e-3)
    assert {int(order[c]) for c in shuffled.plans[0].candidate_index} == set(base.plans[0].candidate_index.tolist())


def _bits(outcomes: tuple[Outcome, ...]) -> list[bytes]:
    return [
        part.tobytes()
        for outcome in outcomes
        for plan in outcome.plans
        for part in (plan.candidate_index, plan.gain_db, plan.delay_s, plan.polarity, plan.level_db)
    ]


def test_same_seed_same_plans_whatever_the_threads() -> None:
    problem = _room(n_candidate=14)
    runs = [
        search(problem, counts=[1, 3], seed=7, effort=QUICK, running=Running(threads=threads)) for threads in (1, 2, 5)
    ]
    assert _bits(runs[0]) == _bits(runs[1]) == _bits(runs[2])


def test_counts_come_back_in_the_order_asked() -> None:
    outcomes = search(_room(), counts=[2, 1], seed=1, effort=QUICK)
    assert [outcome.count for outcome in outcomes] == [2, 1]


def test_cancelling_keeps_the_best_so_far() -> None:
    problem = seeded_room(1, n_candidate=40, points_per_octave=12)
    polls = iter(range(10**9))
    outcome = search(problem, counts=[4], seed=1, running=Running(cancelled=lambda: next(polls) > 12))[0]
    assert outcome.stop is Stop.INTERRUPTED
    assert not outcome.exhaustive
    assert outcome.plans
    assert outcome.plans[0].variation_db < 4.0


def test_cancelled_before_it_began() -> None:
    outcomes = search(_room(), counts=[1, 3], seed=1, running=Running(cancelled=lambda: True))
    assert [outcome.stop for outcome in outcomes] == [Stop.INTERRUPTED, Stop.INTERRUPTED]
    assert [outcome.plans for outcome in outcomes] == [(), ()]


def test_progress_rises_to_the_end() -> None:
    seen: list[Step] = []
    search(_room(n_candidate=14), counts=[1, 3], seed=1, effort=QUICK, running=Running(report=seen.append))
    fractions = [step.fraction for step in seen]
    assert fractions == sorted(fractions)
    assert all(0.0 <= fraction <= 1.0 for fraction in fractions)
    assert "trying every layout" in seen[0].note


def test_mirrored_layouts() -> None:
    problem = seeded_room(6, n_candidate=12, n_seat=4, points_per_octave=6, mirrored=True)
    assert problem.mirror_of is not None
    outcome = _one(problem, 4)
    assert outcome.layouts_possible == 15  # two of six pairs
    for plan in outcome.plans:
        where = {int(c): j for j, c in enumerate(plan.candidate_index)}
        for c, j in where.items():
            other = where[int(problem.mirror_of[c])]
            assert (plan.gain_db[j], plan.delay_s[j], plan.polarity[j]) == (
                plan.gain_db[other],
                plan.delay_s[other],
                plan.polarity[other],
            )
    alone = _one(problem, 1)  # no candidate on the centre plane
    assert alone.stop is Stop.NO_LAYOUT
    assert alone.plans == ()


def test_mirrored_layouts_with_a_sub_on_the_centre_plane() -> None:
    problem = seeded_room(6, n_candidate=6, n_seat=4, points_per_octave=6)
    problem = replace(problem, mirror_of=np.array([1, 0, 3, 2, 4, -1]))
    assert {tuple(plan.candidate_index) for plan in _one(problem, 3).plans} == {(0, 1, 4), (2, 3, 4)}
    assert [tuple(plan.candidate_index) for plan in _one(problem, 1).plans] == [(4,)]


def test_one_seat_is_ranked_by_output() -> None:
    problem = _room()
    alone = replace(problem, transfer=problem.transfer[:, :1], seat_weight=np.ones(1))
    outcome = _one(alone, 2)
    assert outcome.plans[0].variation_db == pytest.approx(0.0, abs=1e-9)
    outputs = [plan.output_db for plan in outcome.plans]
    assert outputs == sorted(outputs, reverse=True)
    assert "one seat" in outcome.remarks[0]
    # No pair at equal drives gives more than the first plan
    for layout in combinations(range(10), 2):
        level = level_db(seat_pressure(alone.transfer[:, :, list(layout)], np.ones((len(alone.frequency_hz), 2))))
        assert float(level.mean()) - 20.0 * np.log10(2.0) <= outputs[0] + 1e-6


@pytest.mark.parametrize("count", [1, 2])
def test_as_many_subs_as_candidates(count: int) -> None:
    problem = _room(n_candidate=count)
    outcome = _one(problem, count)
    assert [tuple(plan.candidate_index) for plan in outcome.plans] == [tuple(range(count))]
    assert outcome.exhaustive == (count == 1)  # two subs have drives, and not every drive was tried
    assert outcome.layouts_searched == outcome.layouts_possible == 1
    too_many = _one(problem, count + 1)
    assert too_many.stop is Stop.NO_LAYOUT
    assert too_many.layouts_possible == 0


def test_identical_candidates() -> None:
    problem = _room(n_candidate=5)
    alike = replace(problem, transfer=np.repeat(problem.transfer[:, :, :1], 5, axis=2))
    outcome = _one(alike, 2)
    assert len(outcome.plans) == 10
    assert outcome.plans[0].variation_db == pytest.approx(outcome.plans[-1].variation_db, abs=0.05)


def test_very_unequal_seat_weights() -> None:
    problem = replace(_room(), seat_weight=np.array([1e6, 1.0, 1e6, 0.0]))
    plan = _one(problem, 2).plans[0]
    level = plan.level_db
    assert plan.variation_db == pytest.approx(
        float(np.sqrt(np.mean(np.abs(level[:, 0] - level[:, 2]) ** 2 / 4.0))), abs=0.05
    )


def test_exact_zeros_in_the_transfer() -> None:
    problem = _room()
    transfer = problem.transfer.copy()
    transfer[3, :, 2] = 0.0  # a candidate on a nodal plane of everything at one frequency
    transfer[:, :, 5] = 0.0  # a candidate that is silent
    transfer[:, 1, 7] = 0.0  # a candidate that a seat does not hear
    outcome = _one(replace(problem, transfer=transfer), 2)
    assert np.isfinite([plan.variation_db for plan in outcome.plans]).all()
    assert outcome.plans[0].variation_db < 8.0
    silent = _one(replace(problem, transfer=np.zeros_like(transfer)), 2)
    assert silent.plans[0].variation_db == 0.0


def test_faults_are_told_all_at_once() -> None:
    problem = _room()
    with pytest.raises(ProjectInvalid) as caught:
        replace(
            problem,
            seat_weight=np.array([1.0, -1.0, 0.0, 0.0]),
            drives=DriveRange(gain_db=(0.0, -3.0)),
            mirror_of=np.array([1] * 10),
        )
    assert [fault.where for fault in caught.value.faults] == ["seat_weight", "drives.gain_db", "mirror_of"]


def test_stops_are_sentences() -> None:
    for stop in Stop:
        assert " " in stop.value
        if not stop.name.startswith("EVERY_") and stop is not Stop.ALL_TRIED:
            assert "every" not in stop.value
