"""A search weighted by the crossover finds other plans, more even where the subs are heard."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from roommodes.measured.loading import load_manifest
from roommodes.project.bands.search_grid import search_grid_hz
from roommodes.project.project import Project
from roommodes.project.reading import parse_project
from roommodes.responses.metrics import drive_weights, level_db, seat_pressure, variation_db
from roommodes.running import Running
from solvers.plans import even_starts
from solvers.plans.basis import build_problem
from solvers.plans.between_frequencies import finer_variation_db
from solvers.plans.by_hand import predict_layout
from solvers.plans.solve import solve
from solvers.project_transfer import project_transfer
from solvers.search.problem import FoundPlan, Outcome, Problem
from solvers.search.search import search
from solvers.tolerance.percentiles import lean_grid
from tests.measuring import ROOM, SUBS, TABLE_HZ, modelled, room_project, write_set
from tests.rooms import SMALL

SECOND = '[[rows]]\nname = "rear"\nx_m = 2.8\ny_m = [0.9, 2.1]\near_height_m = 1.3\n[[zones]]'
MAINS = "[mains]\npositions_m = [[0.4, 0.9, 1.0], [0.4, 2.3, 1.0]]\nfrequency_hz = 40\n"
TEXT = (
    SMALL.replace("x_m = 2.2", "x_m = 1.4").replace("[25, 80]", "[25, 120]").replace("factor = 0.02", "factor = 0.05")
)
TEXT = TEXT.replace("points_per_octave = 6", "points_per_octave = 24").replace("[[zones]]", SECOND, 1) + MAINS
KEY = "weighted_by_crossover = true\n[layout]"


def project_of(*, weighted: bool, points: int = 24) -> Project:
    text = TEXT.replace("[layout]", KEY) if weighted else TEXT
    return parse_project(text.replace("octave = 24", f"octave = {points}").replace("[1, 2]", "[1]"), source="")


def test_the_plan_is_more_even_counted_with_the_weight_and_less_so_without() -> None:
    """Of one sub every place is tried. Judged on a fine grid, the weight by its definition: see test_search_grid."""
    project, hz = project_of(weighted=False), np.geomspace(25.0, 120.0, 241)
    heard = project_transfer(
        project, frequency_hz=hz, seat_m=project.seats.position_m, source_m=project.candidates.position_m
    )
    weight = np.maximum(1.0 / (1.0 + (hz / 40.0) ** 8), 0.25)

    def judged(*, weighted: bool) -> tuple[float, float]:
        found = search(build_problem(project_of(weighted=weighted)), counts=[1], seed=1)[0].plans[0]
        drives = drive_weights(hz, gain_db=found.gain_db, delay_s=found.delay_s, polarity=found.polarity)
        level = level_db(seat_pressure(heard[:, :, found.candidate_index], drives))
        square = np.mean((level - level.mean(axis=1, keepdims=True)) ** 2, axis=1)
        return float(np.sqrt(np.average(square, weights=weight))), float(np.sqrt(np.mean(square)))

    plain, own = judged(weighted=False), judged(weighted=True)
    assert own[0] < plain[0] - 0.05  # dB
    assert own[1] > plain[1] + 0.3


@pytest.fixture(scope="module")
def project() -> Project:
    return project_of(weighted=True, points=6)


def test_all_that_is_kept_rests_on_the_weighted_frequencies(project: Project) -> None:
    results = solve(project)
    hz = search_grid_hz(project.search, project.mains)
    np.testing.assert_array_equal(results.frequency_hz, hz)
    plan = results.plan(1, 1)
    assert plan.variation_db == pytest.approx(variation_db(plan.level_db, plan.seats.weight), rel=1e-9)
    said = [remark for remark in plan.table.found.remarks if remark.startswith("Weighted by the crossover (Link")]
    assert len(said) == 1
    assert f"half of the weight lies below {np.median(hz):.0f} Hz" in said[0]
    fine = search_grid_hz(project.search, project.mains, points_per_octave=24.0)
    each = project_transfer(project, frequency_hz=fine, seat_m=plan.seats.position_m, source_m=plan.positions_m)
    want = variation_db(level_db(seat_pressure(each, plan.drives.weights(fine))), plan.seats.weight)
    assert finer_variation_db([plan])[0] == pytest.approx(want, abs=3e-3)


def test_a_weighted_search_that_stops_short_goes_on_from_unweighted_plans(monkeypatch: pytest.MonkeyPatch) -> None:
    """Never less even than these, judged by the weight; also than the plan of the project without the key."""
    project = project_of(weighted=True, points=12)
    problem, other, met = build_problem(project), build_problem(project_of(weighted=False, points=12)), []

    def short(asked: Problem, **options: Any) -> tuple[Outcome, ...]:
        """The first search, of all weighted frequencies, loses all but its last plan."""
        (outcome,) = search(asked, **options)
        met.append(outcome)
        return (replace(outcome, plans=outcome.plans[-1:]),) if len(met) == 1 else (outcome,)

    def judged(plan: FoundPlan) -> float:
        drives = drive_weights(problem.frequency_hz, gain_db=plan.gain_db, delay_s=plan.delay_s, polarity=plan.polarity)
        level = level_db(seat_pressure(problem.transfer[:, :, plan.candidate_index], drives))
        return variation_db(level, problem.seat_weight)

    monkeypatch.setattr(even_starts, "search", short)
    (found,) = even_starts.weighted_outcomes(
        problem, project.search, counts=[2], seed=1, keep=8, prove=False, running=Running()
    )
    first, even = met
    (unweighted,) = search(other, counts=[2], seed=1, keep=1)
    best = found.plans[0]
    assert best.variation_db == pytest.approx(judged(best), rel=1e-9)
    assert len(even.plans[0].level_db) < len(problem.frequency_hz)
    assert best.variation_db <= min(judged(plan) for plan in even.plans) + 1e-6
    assert best.variation_db <= judged(unweighted.plans[0]) + 1e-6
    assert best.variation_db < first.plans[-1].variation_db - 0.05  # where it would have stopped
    layouts = [tuple(plan.candidate_index.tolist()) for plan in found.plans]
    assert len(set(layouts)) == len(layouts)
    assert [plan.variation_db for plan in found.plans] == sorted(plan.variation_db for plan in found.plans)


def test_layouts_by_hand_and_tolerances_are_judged_so_too(project: Project) -> None:
    np.testing.assert_array_equal(predict_layout(project).frequency_hz, search_grid_hz(project.search, project.mains))
    lean = lean_grid(project, 7)
    np.testing.assert_array_equal(
        lean, search_grid_hz(project.search, project.mains, points_per_octave=6.0 / np.log2(120.0 / 25.0))
    )
    np.testing.assert_array_equal(lean_grid(project_of(weighted=False), 7), np.geomspace(25.0, 120.0, 7))


def test_measured_responses_are_searched_on_weighted_frequencies(tmp_path: Path) -> None:
    """Also where the manifest narrows the band."""
    text = ROOM.replace("= 12", "= 12\nweighted_by_crossover = true") + "[mains]\nfrequency_hz = 60\n"
    weighted = room_project(text)
    hz = search_grid_hz(weighted.search, weighted.mains, band_hz=(25.0, 90.0))
    found = modelled(weighted, TABLE_HZ, SUBS)
    path = write_set(tmp_path, found, extra="[grid]\nband_hz = [25, 90]\n")
    measured = load_manifest(path, weighted).for_search()
    np.testing.assert_allclose(measured.frequency_hz, hz, rtol=1e-12)
    want = modelled(weighted, hz, SUBS).transfer
    assert np.abs(measured.transfer - want).max() < 0.01 * np.sqrt(np.mean(np.abs(want) ** 2))
