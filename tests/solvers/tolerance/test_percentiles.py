"""Built rooms: the reduced field against the model itself, and what the percentiles promise."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from roommodes.acoustics.air import Air
from roommodes.acoustics.transfer import transfer_function
from roommodes.errors import Interrupted
from roommodes.plan.plan import Results
from roommodes.plan.tolerance import tolerance_image
from roommodes.responses.metrics import drive_weights, level_db, seat_pressure, variation_db
from roommodes.running import Running
from solvers.plans.basis import Basis, build_problem
from solvers.plans.solve import results_from
from solvers.search.problem import FoundPlan, Outcome, Problem, Stop
from solvers.tolerance.inputs import CABINETS, CONSTRUCTION, EARS, Inputs, inputs_of
from solvers.tolerance.percentiles import Asked, lean_grid, tolerance_of
from solvers.tolerance.reduction import reduced_field
from tests.conftest import Close
from tests.roommodes.plan.stored import some_results
from tests.solvers.tolerance.built_rooms import SIZE_M, drawn_project, project_of

EXACT = """\
[tolerance]
cabinet_m = [0, 0, 0]
ears_m = [0, 0, 0]
room_m = [0, 0, 0]
temperature_c = 0
mass_factor = 1
stiffness_factor = 1
resistance_factor = 1
absorption_factor = 1
thickness_factor = 1
loss_factor = 1
support = [1, 1]
delay_step_ms = 0
gain_step_db = 0
"""
FEW = Asked(draws=128, plans=2, checked=0)


def plan_of(
    problem: Problem, candidate: list[int], gain: list[float], delay: list[float], sign: list[int]
) -> FoundPlan:
    weights = drive_weights(problem.frequency_hz, gain_db=gain, delay_s=delay, polarity=sign)
    level = level_db(seat_pressure(problem.transfer[:, :, candidate], weights))
    return FoundPlan(
        candidate_index=np.array(candidate),
        gain_db=np.array(gain),
        delay_s=np.array(delay),
        polarity=np.array(sign),
        variation_db=variation_db(level, problem.seat_weight),
        output_db=float(level.mean()) - 20.0 * np.log10(len(candidate)),
        level_db=level,
    )


def results_for(tolerance: str = "[tolerance]\n") -> Results:
    """A plan file of three plans that no search was needed for."""
    project = drawn_project(tolerance=tolerance)
    problem = build_problem(project)
    plans = {
        1: (plan_of(problem, [1], [0.0], [0.0], [1]),),
        2: (
            plan_of(problem, [0, 5], [0.0, -2.0], [0.0, 0.004], [1, 1]),
            plan_of(problem, [2, 4], [-1.0, 0.0], [0.006, 0.0], [1, -1]),
        ),
    }
    basis = Basis(project=project, problem=problem, seats=project.seats, candidates=project.candidates)
    outcomes = [
        Outcome(
            count=count,
            plans=found,
            layouts_searched=1,
            layouts_possible=1,
            seconds=0.0,
            exhaustive=False,
            stop=Stop.SETTLED,
        )
        for count, found in plans.items()
    ]
    return results_from(basis, outcomes)


@pytest.fixture(scope="module")
def results() -> Results:
    return results_for()


def inputs_here() -> Inputs:
    project = drawn_project()
    seats, candidates = project.seats, project.candidates
    return inputs_of(project, ear_m=seats.position_m, cabinet_m=candidates.position_m, n_slot=2)


def test_reduced_field_agrees_with_rewritten_projects() -> None:
    """Four built rooms, each written as a project file of its own and given to the model at its full precision."""
    inputs = inputs_here()
    hz = lean_grid(inputs.project, 24)
    field = reduced_field(inputs, frequency_hz=hz, seed=1)
    builds = inputs.builds(np.random.default_rng(7).random((4, inputs.size)))
    reduced = field.transfer(builds)
    for index in range(4):
        built = project_of(inputs, builds, index)
        np.testing.assert_allclose(built.seats.position_m, builds.ear_m[index], rtol=1e-12)
        full = transfer_function(
            built.room,
            built.surfaces(),
            frequency_hz=hz,
            seat_m=built.seats.position_m,
            source_m=builds.cabinet_m[index],
        )
        error = np.abs(reduced[index] - full) / np.sqrt((np.abs(full) ** 2).mean(axis=1, keepdims=True))
        assert np.median(error) < 1e-3
        assert error.max() < 2e-2
        away = np.abs(field.transfer(inputs.drawn())[0] - full) / np.abs(full)
        assert np.median(away) > 0.02, "the built room must differ from the drawn one, or this test shows nothing"


def test_bundles_of_modes_are_the_modes_one_by_one() -> None:
    """What the low modes add to the equations, each by itself: in rooms of other sizes and temperatures."""
    inputs = inputs_here()
    field = reduced_field(inputs, frequency_hz=np.array([60.0, 160.0]), seed=1)
    builds = inputs.builds(np.round(np.random.default_rng(9).random((8, inputs.size))))
    fewer = 0
    for band in field.bands:
        mixed = band.modes.of(builds)
        for hz, level in zip(band.frequency_hz, band.levels, strict=True):
            speed = np.array([Air(temperature_c=float(one)).speed_of_sound_m_s for one in builds.temperature_c])
            k2 = (2.0 * np.pi * hz / speed * (1.0 - 0.5j * band.loss_factor)) ** 2
            d = 1.0 / (mixed.volume_m3[:, None] * (mixed.k2[:, level.low] - k2[:, None]))
            rows, columns = np.triu_indices(len(level.overlap))
            each = np.einsum("nm,pm->np", d, level.overlap[rows] * level.overlap[columns])
            bundled = d @ level.bundle @ level.system[-level.bundle.shape[1] :]
            assert np.abs(bundled - each).max() < 1e-7 * np.abs(each).max()
            fewer += level.bundle.shape[1] < len(level.low)
    assert fewer > 0, "or nothing is bundled"


def test_drawn_room_is_met_nearly_exactly(close: Close) -> None:
    inputs = inputs_here()
    project, hz = inputs.project, lean_grid(inputs.project, 24)
    reduced = reduced_field(inputs, frequency_hz=hz, seed=1).transfer(inputs.drawn())[0]
    full = transfer_function(
        project.room, project.surfaces(), frequency_hz=hz, seat_m=inputs.ear_m, source_m=inputs.cabinet_m
    )
    close(reduced, full, 2e-3, scale=float(np.sqrt((np.abs(full) ** 2).mean())))


def test_rigid_room_needs_no_walls(close: Close) -> None:
    project = drawn_project()
    bare = project.tables.model_copy(
        update={"walls": project.tables.walls.model_copy(update={"rear": "rigid", "ceiling": "rigid"}), "regions": ()}
    )
    project = type(project)(tables=bare, toml_text=project.toml_text, source=project.source)
    inputs = inputs_of(project, ear_m=project.seats.position_m, cabinet_m=np.array([[0.3, 1.2, 0.3]]), n_slot=1)
    hz = lean_grid(project, 24)
    builds = inputs.builds(np.random.default_rng(3).random((2, inputs.size)))
    reduced = reduced_field(inputs, frequency_hz=hz, seed=1).transfer(builds)
    for index in range(2):
        room, surfaces = inputs.built(builds, index)
        full = transfer_function(
            room, surfaces, frequency_hz=hz, seat_m=builds.ear_m[index], source_m=builds.cabinet_m[index]
        )
        close(reduced[index], full, 5e-3, scale=float(np.sqrt((np.abs(full) ** 2).mean())))


def test_what_moves_with_the_walls() -> None:
    inputs = inputs_here()
    builds = inputs.builds(np.random.default_rng(2).random((64, inputs.size)))
    drawn = np.array(SIZE_M)
    assert np.all(np.abs(builds.size_m - drawn) <= [0.03, 0.03, 0.02])
    assert np.ptp(builds.size_m, axis=0).min() > 0.03, "the range is filled"
    rear = inputs.cabinet_m[:, 0] > 2.0
    gap = builds.size_m[:, None, 0] - builds.cabinet_m[:, rear, 0]  # to the rear wall, as the plan states it
    assert np.all(np.abs(gap - (4.1 - 3.8)) <= 0.05 + 1e-9)
    assert np.all(np.abs(builds.ear_m - inputs.ear_m) <= np.array([0.1, 0.1, 0.05]) + 1e-9)
    room, surfaces = inputs.built(builds, 0)
    pane = surfaces[-1]
    assert pane.to_m[0] / room.length_m == pytest.approx(2.4 / 4.1, rel=1e-5)
    support = [k for k, one in enumerate(inputs.properties) if one.field == "youngs_modulus_pa"]
    factor = builds.factor[:, support[0]]
    assert factor.min() >= 1.0
    assert 3.0 < factor.max() <= 3.59


def test_zero_tolerance_gives_the_plans_own_figures() -> None:
    results = results_for(EXACT)
    found = tolerance_of(replace(results, project=drawn_project(tolerance=EXACT)), FEW)
    assert found.group_name == ()
    for count, table in found.plans.items():
        for row, rank in enumerate(table.rank):
            assert np.all(table.variation_draw_db[row] == results.plans[count].variation_db[rank])
            assert np.all(table.output_draw_db[row] == results.plans[count].output_db[rank])


def test_percentiles_rank_and_threads(results: Results) -> None:
    found = tolerance_of(results, FEW, running=Running(threads=1))
    again = tolerance_of(results, FEW, running=Running(threads=2))
    other = tolerance_of(
        results, Asked(draws=128, plans=2, checked=0, seed=2, indices=False), running=Running(threads=2)
    )
    for count, table in found.plans.items():
        assert np.all(np.diff(table.variation_percentile_db, axis=1) >= 0.0)
        assert table.rank[0] == 0, "first the plan to be built"
        assert np.all(np.diff(table.variation_percentile_db[1:, 2]) >= 0.0), "then the least 90th percentile"
        assert np.all(table.variation_draw_db.max(axis=1) >= table.variation_percentile_db[:, -1])
        assert np.all(np.diff(table.first.level_percentile_db, axis=2) >= 0.0)
        np.testing.assert_array_equal(table.variation_draw_db, again.plans[count].variation_draw_db)
        assert not np.array_equal(table.variation_draw_db, other.plans[count].variation_draw_db)
        assert other.plans[count].first.shares is None
        shares = table.first.shares
        assert shares is not None
        assert np.all(shares.total > -1e-9)
        assert 0.3 < shares.first_order.sum() < 1.4
        # the same quantile from another seed: Monte Carlo error of 128 rooms
        assert table.variation_percentile_db[0, 1] == pytest.approx(
            other.plans[count].variation_percentile_db[0, 1], abs=0.15
        )
    first, second = (tolerance_image(replace(one, made=replace(one.made, created_utc="now"))) for one in (found, again))
    assert first == second, "same seed, same bytes, whatever the threads"


def test_the_plan_that_was_settled_is_the_one_analysed(results: Results) -> None:
    """A plan of rank 2 that meets the mains is what gets built, even where only one plan is asked for."""
    record = replace(some_results().crossover, subs=2, rank=1) if some_results().crossover else None
    assert record is not None
    found = tolerance_of(replace(results, crossover=record), Asked(draws=32, plans=1, checked=0, indices=False))
    assert found.plans[2].rank.tolist() == [1]
    assert found.plans[1].rank.tolist() == [0]
    assert found.plans[2].variation_db[0] == results.plans[2].variation_db[1]


def test_checked_rooms_are_told(results: Results) -> None:
    found = tolerance_of(results, Asked(draws=64, plans=1, checked=2, indices=False))
    assert found.checked == 2
    assert 0.0 < found.error_db < 0.03


def test_wider_spread_gives_wider_percentiles(results: Results) -> None:
    only_ears = EXACT.replace("ears_m = [0, 0, 0]", "ears_m = [{0}, {0}, 0]")
    spreads = []
    for reach in (0.02, 0.2):
        project = drawn_project(tolerance=only_ears.format(reach))
        found = tolerance_of(replace(results, project=project), Asked(draws=128, plans=1, checked=0, indices=False))
        assert found.group_name == (EARS,)
        spreads.append(float(np.ptp(found.plans[1].variation_percentile_db[0])))
    assert spreads[1] > 4.0 * spreads[0] > 0.0


def test_own_tolerance_of_a_construction() -> None:
    text = EXACT + "[tolerance.constructions.glass]\nsupport = [1, 2]\n"
    project = drawn_project(tolerance=text)
    inputs = inputs_of(project, ear_m=project.seats.position_m, cabinet_m=np.zeros((1, 3)), n_slot=1)
    assert list(inputs.groups) == [CONSTRUCTION + "glass"]
    assert CABINETS not in inputs.groups
    factor = inputs.builds(np.array([[0.0], [0.5], [1.0]])).factor[:, 0]
    np.testing.assert_allclose(factor, [1.0, ((1.0 + 2.0**0.5) / 2.0) ** 2, 2.0])


@pytest.mark.parametrize("after", [1, 3])
def test_interrupted_keeps_the_rooms_done(results: Results, after: int) -> None:
    steps: list[str] = []

    def stop() -> bool:
        return steps.count("sampled rooms") >= after

    found = tolerance_of(
        results,
        Asked(draws=1024, plans=1),
        running=Running(threads=1, report=lambda step: steps.append(step.stage), cancelled=stop),
    )
    assert 64 * after <= found.draws < 1024 == found.draws_asked
    assert found.plans[1].first.shares is None, "no indices from half a design"
    assert found.checked == 0


def test_interrupted_at_once_keeps_nothing(results: Results) -> None:
    calls: list[Callable[[], bool]] = []
    with pytest.raises(Interrupted):
        tolerance_of(results, FEW, running=Running(cancelled=lambda: calls.append(bool) is None))
