"""Where the rows should be: every figure by the plain model, the rules kept, and nothing better among all places."""

from itertools import product

import numpy as np
import pytest

from roommodes.acoustics.transfer import transfer_function
from roommodes.arrays import Complexes
from roommodes.project.placement_checks import EAR_DISTANCE_M
from roommodes.project.project import Project
from roommodes.project.reading import parse_project
from roommodes.responses.metrics import drive_weights, level_db, seat_pressure, variation_db
from roommodes.running import Running
from solvers.choice.row_positions import ROW_PITCH_M, RowMove, RowPlaces, best_rows, row_places
from solvers.plans.basis import build_problem
from solvers.search.problem import FoundPlan, Outcome, Problem
from solvers.search.search import search
from tests.solvers.choice.choosing import TEXT


@pytest.fixture(scope="module")
def project() -> Project:
    return parse_project(TEXT, source="choosing.toml")


@pytest.fixture(scope="module")
def problem(project: Project) -> Problem:
    return build_problem(project)


@pytest.fixture(scope="module")
def places(project: Project) -> RowPlaces:
    found = row_places(project, n_freq=17, step_m=0.05)
    assert found is not None
    return found


@pytest.fixture(scope="module")
def transfer(project: Project, problem: Problem, places: RowPlaces) -> Complexes:
    return transfer_function(
        project.room,
        project.surfaces(),
        frequency_hz=problem.frequency_hz,
        seat_m=np.concatenate([project.seats.position_m, places.moved_m]),
        source_m=project.candidates.position_m,
    )


@pytest.fixture(scope="module")
def outcomes(problem: Problem) -> tuple[Outcome, ...]:
    return search(problem, counts=(1, 2), seed=4)


@pytest.fixture(scope="module")
def moves(problem, places, transfer, outcomes) -> dict[int, RowMove]:
    found = [best_rows(problem, places, transfer, outcome, seed=4) for outcome in outcomes]
    return {move.count: move for move in found if move is not None}


def variation_at(h: Complexes, problem: Problem, plan: FoundPlan) -> float:
    w = drive_weights(problem.frequency_hz, gain_db=plan.gain_db, delay_s=plan.delay_s, polarity=plan.polarity)
    return variation_db(level_db(seat_pressure(h[:, :, plan.candidate_index], w)), problem.seat_weight)


def test_the_places_are_a_grid_with_its_ends(places: RowPlaces) -> None:
    np.testing.assert_allclose(places.offset_m[0], [-0.2, -0.15, -0.1, -0.05, 0.0, 0.05, 0.1, 0.15], atol=1e-9)
    np.testing.assert_allclose(places.offset_m[1], [-0.3, -0.25, -0.2, -0.15, -0.1, -0.05, 0.0, 0.05, 0.1], atol=1e-9)
    assert places.drawn == (4, 6)
    np.testing.assert_array_equal(places.seats(places.drawn), np.arange(6))
    assert len(places.moved_m) == 7 * 3 + 8 * 3


def test_ends_off_the_grid_are_places_too() -> None:
    odd = row_places(parse_project(TEXT.replace("[0.2, 0.15]", "[0.0, 0.12]"), source=""), n_freq=17, step_m=0.05)
    assert odd is not None
    np.testing.assert_allclose(odd.offset_m[0], [0.0, 0.05, 0.1, 0.12], atol=1e-9)


def test_rows_that_may_not_move_are_left_alone() -> None:
    still = TEXT.replace("move_m = [0.2, 0.15]\n", "").replace("move_m = [0.3, 0.1]\n", "")
    assert row_places(parse_project(still, source=""), n_freq=17) is None
    assert (
        row_places(
            parse_project(TEXT.replace("[0.2, 0.15]", "[0, 0]").replace("[0.3, 0.1]", "[0, 0]"), source=""), n_freq=9
        )
        is None
    )


def test_rows_keep_their_order_and_distance(places: RowPlaces) -> None:
    ((front, rear, gap),) = places.least_gap_m
    assert (front, rear, gap) == (0, 1, ROW_PITCH_M)
    for one in product(range(8), range(9)):
        distance = 3.8 + places.offset_m[1][one[1]] - 2.6 - places.offset_m[0][one[0]]
        assert places.allowed(one) == (distance >= ROW_PITCH_M - 1e-9)
    near = TEXT.replace("x_m = 3.8", "x_m = 3.1")  # nearer than usual as drawn: that is the least then
    close_rows = row_places(parse_project(near, source=""), n_freq=17)
    assert close_rows is not None
    assert close_rows.least_gap_m[0][2] == pytest.approx(0.5)
    assert close_rows.allowed(close_rows.drawn)


def test_no_seat_comes_to_a_candidate() -> None:
    text = TEXT.replace(
        "[search]", '[[zones]]\nname = "behind"\nfrom_m = [2.85, 0.8, 1.1]\nto_m = [2.85, 0.8, 1.1]\n[search]'
    )
    project = parse_project(text.replace("[0.2, 0.15]", "[0.2, 0.4]"), source="")
    places = row_places(project, n_freq=17)
    assert places is not None
    ears = 2.6 + places.offset_m[0]
    assert not np.any(np.abs(ears - 2.85) < EAR_DISTANCE_M - 1e-9)
    assert {-0.2, 0.0, 0.4} <= set(np.round(places.offset_m[0], 6))


def test_a_large_job_gets_a_coarser_grid(project: Project) -> None:
    many = row_places(project, n_freq=10_000, step_m=0.05)
    assert many is not None
    assert many.step_m == pytest.approx(0.1)
    np.testing.assert_allclose(many.offset_m[0], [-0.2, -0.1, 0.0, 0.1, 0.15], atol=1e-9)
    endless = row_places(project, n_freq=10**7, step_m=0.05)  # at least the ends
    assert endless is not None
    np.testing.assert_allclose(endless.offset_m[0], [-0.2, 0.0, 0.15], atol=1e-9)


def test_figures_are_those_of_the_plain_model(project, problem, moves, outcomes, close) -> None:
    """Rows moved in the project file, the model asked anew: the variation is the one that was promised."""
    for count, move in moves.items():
        text = TEXT.replace("x_m = 2.6", f"x_m = {2.6 + move.offset_m[0]:.6f}")
        text = text.replace("x_m = 3.8", f"x_m = {3.8 + move.offset_m[1]:.6f}")
        text = text.replace("move_m = [0.2, 0.15]\n", "").replace("move_m = [0.3, 0.1]\n", "")
        there = build_problem(parse_project(text, source=""))
        close(variation_at(there.transfer, there, move.plan), move.plan.variation_db, rtol=1e-5)
        assert len(move.plan.candidate_index) == count
        assert move.plan.variation_db < move.drawn_variation_db
        assert move.drawn_variation_db == outcomes[count - 1].plans[0].variation_db


def test_the_variation_around_is_what_moving_one_row_gives(problem, places, transfer, moves, close) -> None:
    for move in moves.values():
        best = [int(np.argmin(np.abs(o - at))) for o, at in zip(places.offset_m, move.offset_m, strict=True)]
        for row, at, value in zip(move.row, move.at_m, move.at_variation_db, strict=True):
            where = list(best)
            where[row] = int(np.argmin(np.abs(places.offset_m[row] - at)))
            close(value, variation_at(transfer[:, places.seats(where)], problem, move.plan), rtol=1e-9)
            assert value >= move.plan.variation_db - 1e-3
        near = [
            variation_at(transfer[:, places.seats(one)], problem, move.plan)
            for one in product(range(8), range(9))
            if max(abs(one[0] - best[0]), abs(one[1] - best[1])) <= 1 and places.allowed(one)
        ]
        close(move.worst_near_db, max(near), rtol=1e-9)


def test_with_one_sub_no_place_and_candidate_is_better(problem, places, transfer, moves) -> None:
    """Every candidate at every combination of places: one sub has no drives, so this is all there is."""
    every = [
        variation_db(level_db(transfer[:, places.seats(one)][:, :, c]), problem.seat_weight)
        for one in product(range(8), range(9))
        if places.allowed(one)
        for c in range(problem.n_candidate)
    ]
    assert moves[1].plan.variation_db == pytest.approx(min(every), rel=1e-9)


def test_two_subs_against_a_search_at_every_place(problem, places, transfer, moves) -> None:
    """The whole search at every third place: it finds nothing much better."""
    best = np.inf
    for one in product(range(0, 8, 3), range(0, 9, 4)):
        if not places.allowed(one):
            continue
        there = Problem(
            frequency_hz=problem.frequency_hz,
            transfer=transfer[:, places.seats(one)],
            seat_weight=problem.seat_weight,
        )
        best = min(best, search(there, counts=(2,), seed=1, keep=1)[0].plans[0].variation_db)
    assert moves[2].plan.variation_db < best + 0.05


def test_many_rows_go_one_after_another(problem, places, transfer, outcomes, moves, monkeypatch) -> None:
    monkeypatch.setattr("solvers.choice.row_positions.MOST_COMBINED", 10)
    found = best_rows(problem, places, transfer, outcomes[0], seed=4)
    assert found is not None
    assert found.plan.variation_db < moves[1].plan.variation_db + 0.1


def test_cancelled_or_a_single_seat_gives_none(problem, places, transfer, outcomes) -> None:
    assert best_rows(problem, places, transfer, outcomes[1], seed=4, running=Running(cancelled=lambda: True)) is None
    alone = Problem(
        frequency_hz=problem.frequency_hz, transfer=problem.transfer, seat_weight=np.array([1.0, 0, 0, 0, 0, 0])
    )
    assert best_rows(alone, places, transfer, outcomes[1], seed=4) is None


def test_the_same_whatever_the_number_of_threads(problem, places, transfer, outcomes, moves) -> None:
    again = best_rows(problem, places, transfer, outcomes[1], seed=4, running=Running(threads=1))
    assert again is not None
    np.testing.assert_array_equal(again.offset_m, moves[2].offset_m)
    assert again.plan.variation_db == moves[2].plan.variation_db
