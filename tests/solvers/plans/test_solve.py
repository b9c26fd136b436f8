"""The job gives what its parts give, can be run again from its file alone, and can be stopped."""

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from roommodes.acoustics.transfer import transfer_function
from roommodes.errors import Interrupted, ProjectInvalid
from roommodes.plan.file import read_results, write_results
from roommodes.project.project import Project
from roommodes.project.reading import parse_project
from roommodes.responses.frequency_grid import log_grid
from roommodes.responses.metrics import drive_weights, level_db, output_db, seat_pressure, variation_db
from roommodes.running import Running, Step
from solvers.listening.room import examine
from solvers.plans.basis import Basis, build_problem
from solvers.plans.by_hand import predict_layout
from solvers.plans.solve import expected_results_bytes, results_from, solve
from solvers.plans.solve_again import solve_again
from solvers.search.search import search

TEXT = """\
format = 1
name = "job"
[room]
length_m = 4.1
width_m = 3.2
height_m = 2.4
loss_factor = 0.02
[walls]
rear = "plasterboard on studs"
[[rows]]
name = "front"
x_m = 2.2
y_m = [0.7, 1.5, 2.4]
ear_height_m = 1.1
weight = 2.0
[[rows]]
name = "rear"
x_m = 3.2
y_m = [1.1]
ear_height_m = 1.2
[[zones]]
name = "front wall"
from_m = [0.3, 0.3, 0.3]
to_m = [0.3, 2.9, 0.3]
spacing_m = 0.9
[[zones]]
name = "rear wall"
from_m = [3.8, 0.3, 0.3]
to_m = [3.8, 2.9, 0.3]
spacing_m = 1.5
[subwoofer]
max_level_1m_db = { "25" = 100, "80" = 112 }
[search]
counts = [1, 3]
band_hz = [25, 80]
points_per_octave = 6
delay_ms = [1, 9]
gain_db = [-6, 0]
polarity = false
seed = 4
[layout]
positions_m = [[0.3, 1.0, 0.3], [3.8, 2.0, 0.3]]
gain_db = [-2, -5]
delay_ms = [0, 5.5]
polarity = [1, -1]
"""


@pytest.fixture
def project() -> Project:
    return parse_project(TEXT, source="job.toml")


def same_plans(a, b) -> None:
    assert a.plans.keys() == b.plans.keys()
    for count in a.plans:
        for name in ("candidate_index", "gain_db", "delay_s", "polarity", "variation_db", "output_db", "level_db"):
            np.testing.assert_array_equal(getattr(a.plans[count], name), getattr(b.plans[count], name))


def test_the_problem_is_what_the_project_says(project: Project) -> None:
    problem = build_problem(project)
    np.testing.assert_array_equal(problem.frequency_hz, log_grid(25, 80, 6))
    assert problem.transfer.shape == (len(problem.frequency_hz), 4, 7)
    assert problem.seat_weight.tolist() == [2, 2, 2, 1]
    assert problem.drives.delay_s == pytest.approx((0.001, 0.009))
    assert problem.drives.gain_db == (-6.0, 0.0)
    assert not problem.drives.polarity
    assert problem.mirror_of is None
    mirrored = parse_project(TEXT.replace("seed = 4", "mirror = true"), source="")
    again = build_problem(mirrored)
    assert again.mirror_of.tolist() == [3, 2, 1, 0, 6, 5, 4]


def test_every_plan_lives_up_to_its_figures(project: Project, close) -> None:
    """Variation, output and levels of all stored plans, from the stored transfer functions by the definitions."""
    results = solve(project)
    assert results.plans.keys() == {1, 3}
    for count, table in results.plans.items():
        assert table.candidate_index.shape[1] == count
        assert (np.diff(table.variation_db) >= 0).all()
        assert len({tuple(row) for row in table.candidate_index.tolist()}) == len(table.candidate_index)
        for rank, index in enumerate(table.candidate_index):
            drives = {name: getattr(table, name)[rank] for name in ("gain_db", "delay_s", "polarity")}
            assert (drives["polarity"] == 1).all()
            assert drives["gain_db"].min() >= -6.0
            assert drives["gain_db"].max() <= 0.0
            assert drives["delay_s"].min() >= 0.001 - 1e-12
            assert drives["delay_s"].max() <= 0.009 + 1e-12
            weights = drive_weights(results.frequency_hz, **drives)
            level = level_db(seat_pressure(results.transfer[:, :, index], weights))
            close(table.level_db[rank], level, rtol=1e-9, scale=float(np.abs(level).max()))
            close(table.variation_db[rank], variation_db(level, results.seats.weight), rtol=1e-9)
            output = output_db(level, results.seats.weight, drives["gain_db"])
            assert abs(table.output_db[rank] - output) < 1e-9


def test_a_result_can_be_had_again_from_its_file_alone(project: Project, tmp_path: Path) -> None:
    """The project's text, the seed and the counts are all in the file; other counts and seeds than the project's."""
    first = solve(project, counts=(2,), seed=11, running=Running(threads=1))
    write_results(tmp_path / "plan.h5", first, force=False)
    del first
    stored = read_results(tmp_path / "plan.h5")
    again = solve_again(stored, running=Running(threads=2))
    same_plans(stored, again)
    np.testing.assert_array_equal(stored.transfer, again.transfer)
    assert again.project.sha256 == stored.project.sha256
    assert again.seed == 11


def test_results_by_hand_are_those_of_the_job(project: Project) -> None:
    problem = build_problem(project)
    outcomes = search(problem, counts=(1, 3), seed=4)
    basis = Basis(project=project, problem=problem, seats=project.seats, candidates=project.candidates)
    by_hand = results_from(basis, outcomes)
    whole = solve(project)
    n_first = len(by_hand.candidates)
    np.testing.assert_array_equal(whole.candidates.position_m[:n_first], by_hand.candidates.position_m)
    np.testing.assert_array_equal(whole.transfer[:, :, :n_first], by_hand.transfer)
    for count, table in by_hand.plans.items():
        kept = {tuple(layout) for layout in whole.plans[count].candidate_index.tolist()}
        assert tuple(table.candidate_index[0].tolist()) in kept or len(kept) == 20
        assert whole.plans[count].variation_db[0] <= table.variation_db[0]
    assert by_hand.seed == whole.seed == 4
    assert by_hand.project.toml_text == TEXT
    assert whole.plans[1].found.stop == str(outcomes[0].stop)


def test_the_file_is_no_larger_than_foreseen(project: Project, tmp_path: Path) -> None:
    foreseen = expected_results_bytes(project, project.search.counts)
    write_results(tmp_path / "plan.h5", solve(project), force=False)
    assert (tmp_path / "plan.h5").stat().st_size <= foreseen


def test_progress_runs_through_the_room_the_search_and_the_choice(project: Project) -> None:
    steps: list[Step] = []
    solve(project, running=Running(report=steps.append))
    stages = list(dict.fromkeys(step.stage for step in steps))
    assert stages == ["room", "search", "choice"]
    for stage in stages:
        fractions = [step.fraction for step in steps if step.stage == stage]
        assert all(0.0 <= fraction <= 1.0 for fraction in fractions)
        assert all(a <= b for a, b in pairwise(fractions))
        assert fractions[-1] == pytest.approx(1.0)


def test_stopped_in_the_room_nothing_is_left(project: Project) -> None:
    with pytest.raises(Interrupted, match="while the room was computed") as caught:
        solve(project, running=Running(cancelled=lambda: True))
    assert caught.value.exit_code == 130


def test_stopped_in_the_search_the_best_is_kept(project: Project) -> None:
    """Stop as soon as the search reports a plan."""
    found: list[str] = []

    def report(step: Step) -> None:
        if "best so far" in step.note:
            found.append(step.note)

    results = solve(project, counts=(3,), running=Running(report=report, cancelled=lambda: bool(found)))
    assert found
    assert results.plans[3].candidate_index.shape[1] == 3


def test_a_prediction_is_the_definition(project: Project, close) -> None:
    prediction = predict_layout(project)
    transfer = transfer_function(
        project.room,
        project.surfaces(),
        frequency_hz=prediction.frequency_hz,
        seat_m=project.seats.position_m,
        source_m=[[0.3, 1.0, 0.3], [3.8, 2.0, 0.3]],
    )
    omega = 2 * np.pi * prediction.frequency_hz[:, None]
    pressure = transfer[:, :, 0] - 10 ** (-3 / 20) * np.exp(-1j * omega * 0.0055) * transfer[:, :, 1]
    close(10 ** (prediction.level_at_limit_db / 20), np.abs(pressure), rtol=1e-9)
    assert prediction.highest_level_db is not None
    limit = prediction.highest_level_db - prediction.level_at_limit_db
    assert np.ptp(limit, axis=1).max() < 1e-9
    close(limit[0, 0], 100.0, rtol=1e-9)
    close(limit[-1, 0], 112.0, rtol=1e-9)
    assert (np.diff(limit[:, 0]) > 0).all()


def test_what_a_project_lacks_is_said(project: Project) -> None:
    without_layout = parse_project(TEXT[: TEXT.index("[layout]")], source="a.toml")
    with pytest.raises(ProjectInvalid, match=r"a\.toml layout: there is none; add a \[layout\] table"):
        predict_layout(without_layout)
    start, end = TEXT.index("[[zones]]"), TEXT.index("[subwoofer]")
    without_zones = parse_project(TEXT[:start] + TEXT[end:], source="a.toml")
    with pytest.raises(ProjectInvalid, match=r"a\.toml zones: there is none"):
        build_problem(without_zones)
    with pytest.raises(ProjectInvalid, match=r"search\.counts: got 8: no layout"):
        solve(project, counts=(8,))


def test_what_the_room_does(project: Project, close) -> None:
    """Density against counting; the crossover against its definition (Schroeder 1996)."""
    found = examine(project)
    assert found.modes[0].number == (1, 0, 0)
    close(found.modes[0].rigid_hz, 343.2 / 8.2, rtol=1e-9)
    close(found.crossover_hz, 2000 * np.sqrt(found.decay_time_s / (4.1 * 3.2 * 2.4)), rtol=1e-9)
    assert found.density_low_per_hz < found.density_high_per_hz
    assert any("rear" in warning for warning in found.warnings)  # 0.9 m off the rear wall
