"""Plans moved between the candidates keep every wish, are no worse, and are as good as the model says."""

from dataclasses import replace

import numpy as np
import pytest

from roommodes.acoustics.transfer import transfer_function
from roommodes.plan.plan import Results
from roommodes.project.project import Project
from roommodes.project.reading import parse_project
from roommodes.responses.metrics import drive_weights, level_db, seat_pressure, variation_db
from roommodes.running import Running
from solvers.plans.basis import modelled_basis
from solvers.plans.solve import solve
from solvers.search.between_candidates import Finer, finer
from solvers.search.search import search
from tests.conftest import Close

TEXT = """\
format = 1
name = "finer"
[room]
length_m = 5.0
width_m = 4.0
height_m = 2.5
loss_factor = 0.05
[walls]
rear = "plasterboard on studs"
[[rows]]
name = "row"
x_m = 3.2
y_m = [1.3, 2.0, 2.8]
ear_height_m = 1.1
[[zones]]
name = "corner"
from_m = [0.3, 0.3, 0.3]
to_m = [0.3, 0.3, 0.3]
FIXED
[[zones]]
name = "front"
from_m = [0.3, 0.6, 0.3]
to_m = [0.3, 3.7, 0.3]
spacing_m = 0.6
at_most = 1
[[zones]]
name = "rear"
from_m = [4.7, 0.3, 0.3]
to_m = [4.7, 3.7, 0.3]
spacing_m = 0.7
[subwoofer]
cabinet_m = [0.4, 0.4, 0.4]
[search]
counts = COUNTS
band_hz = [25, 90]
points_per_octave = 6
least_distance_m = 0.9
MORE
"""


def _project(*, counts: str = "[1, 2]", fixed: str = "", more: str = "") -> Project:
    text = TEXT.replace("FIXED", fixed).replace("COUNTS", counts).replace("MORE", more)
    return parse_project(text, source="finer.toml")


@pytest.fixture(scope="module")
def results() -> Results:
    return solve(_project(counts="[1, 2, 3]", fixed="fixed = true"), running=Running(threads=1))


def test_the_plan_is_what_the_model_says_at_its_places(results: Results, close: Close) -> None:
    project = results.project
    moved = 0
    for count, table in results.plans.items():
        moved += int(table.candidate_index[0].max() >= len(project.candidates))
        place = results.candidates.position_m[table.candidate_index[0]]
        field = transfer_function(
            project.room,
            project.surfaces(),
            frequency_hz=results.frequency_hz,
            seat_m=results.seats.position_m,
            source_m=place,
        )
        weights = drive_weights(
            results.frequency_hz, gain_db=table.gain_db[0], delay_s=table.delay_s[0], polarity=table.polarity[0]
        )
        close(variation_db(level_db(seat_pressure(field, weights)), results.seats.weight), table.variation_db[0], 1e-4)
        assert table.candidate_index.shape[1] == count
    assert moved >= 1


def test_moved_plans_keep_the_wishes(results: Results) -> None:
    project = results.project
    assert project.ground().allows(results.candidates.position_m).all()
    zones = {zone.name: zone for zone in project.zones}
    for point, name in zip(results.candidates.position_m, results.candidates.zone, strict=True):
        assert np.all(point >= np.array(zones[name].low) - 1e-9)
        assert np.all(point <= np.array(zones[name].high) + 1e-9)
    for table in results.plans.values():
        for layout in table.candidate_index:
            names = [results.candidates.zone[c] for c in layout]
            assert names.count("corner") == 1
            assert names.count("front") <= 1
            place = results.candidates.position_m[layout]
            gap = np.linalg.norm(place[:, None] - place, axis=2)[~np.eye(len(layout), dtype=bool)]
            assert gap.size == 0 or gap.min() >= 0.9 - 1e-9
    new = results.candidates.position_m[len(project.candidates) :]
    assert np.allclose(new, np.round(new, 2), atol=1e-9)  # whole centimetres


def _moved(project: Project, count: int, *, threads: int = 1) -> tuple[Finer, float]:
    basis = modelled_basis(project, running=Running(threads=threads))
    problem, everywhere = basis.problem, basis.everywhere
    outcomes = search(problem, counts=[count], seed=1, running=Running(threads=threads))
    before = outcomes[0].plans[0].variation_db
    return finer(problem, project.candidates, everywhere, outcomes, seed=1, running=Running(threads=threads)), before


def test_one_sub_stands_at_the_best_centimetre() -> None:
    project = _project()
    moved, before = _moved(project, 1)
    found = moved.outcomes[0].plans[0]
    assert found.variation_db < before
    every = np.array([[x, y / 100.0, 0.3] for x, ys in ((0.3, range(60, 371)), (4.7, range(30, 371))) for y in ys])
    field = transfer_function(
        project.room,
        project.surfaces(),
        frequency_hz=moved.problem.frequency_hz,
        seat_m=project.seats.position_m,
        source_m=every,
    )
    best = min(variation_db(level_db(field[:, :, k]), project.seats.weight) for k in range(len(every)))
    assert found.variation_db == pytest.approx(best, abs=2e-3)
    assert found.variation_db > 0.1


def test_mirrored_plans_stay_mirrored() -> None:
    moved, before = _moved(_project(more="mirror = true"), 2)
    plan = moved.outcomes[0].plans[0]
    assert plan.variation_db < before
    first, second = moved.candidates.position_m[plan.candidate_index]
    assert np.allclose(first * [1, -1, 1] + [0, 4.0, 0], second, atol=1e-6)
    assert plan.gain_db[0] == plan.gain_db[1]
    assert plan.delay_s[0] == plan.delay_s[1]


def test_two_on_one_channel_share_a_drive() -> None:
    results = solve(_project(counts="[2, 3]", more="shared_drives = true"), running=Running(threads=1))
    for table in results.plans.values():
        for k in range(len(table.variation_db)):
            drives = set(zip(table.gain_db[k], table.delay_s[k], table.polarity[k], strict=True))
            assert len(drives) <= (table.candidate_index.shape[1] + 1) // 2


def test_threads_change_nothing_and_cancelling_moves_nothing() -> None:
    project = _project()
    one, two = (_moved(project, 2, threads=n)[0] for n in (1, 2))
    assert one.outcomes[0].plans[0].variation_db == two.outcomes[0].plans[0].variation_db
    assert np.array_equal(one.candidates.position_m, two.candidates.position_m)
    basis = modelled_basis(project, running=Running(threads=1))
    problem, everywhere = basis.problem, basis.everywhere
    outcomes = search(problem, counts=[2], seed=1, running=Running(threads=1))
    stayed = finer(
        problem, project.candidates, everywhere, outcomes, seed=1, running=Running(threads=1, cancelled=lambda: True)
    )
    assert stayed.outcomes == tuple(outcomes)
    single = replace(problem, seat_weight=np.array([1.0, 0.0, 0.0]))
    alone = search(single, counts=[2], seed=1, running=Running(threads=1))
    assert finer(single, project.candidates, everywhere, alone, seed=1).outcomes == tuple(alone)
