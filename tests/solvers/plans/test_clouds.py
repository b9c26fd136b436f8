"""Seats as clouds of points: what the search minimises, what is stored, and what stays as it was."""

from pathlib import Path

import numpy as np
import pytest

from roommodes.acoustics.transfer import transfer_function
from roommodes.errors import ProjectInvalid
from roommodes.plan.file import read_results, write_results
from roommodes.project.project import Project
from roommodes.project.reading import parse_project
from roommodes.responses.metrics import drive_weights, level_db, seat_pressure, variation_db
from solvers.plans.basis import build_problem
from solvers.plans.solve import solve
from solvers.tolerance.percentiles import Asked, tolerance_of
from tests.solvers.tolerance.built_rooms import TOLERANCE, project_text

CLOUD_M = (0.1, 0.15, 0.0)


def project(line: str = f"cloud_m = {list(CLOUD_M)}") -> Project:
    """The small room whose first seat is a cloud."""
    text = project_text(tolerance=TOLERANCE, counts="[2]").replace(
        "ear_height_m = 1.1", f"ear_height_m = 1.1\n{line}", 1
    )
    return parse_project(text, source="cloud.toml")


def test_points_share_the_seats_weight() -> None:
    listening = project().listening()
    assert listening.seat.tolist() == [0, 1, 2, 0, 0, 0, 0]
    np.testing.assert_allclose(listening.weight, [0.2, 1.0, 1.0, 0.2, 0.2, 0.2, 0.2])
    moved = listening.position_m[3:] - listening.position_m[0]
    np.testing.assert_allclose(np.abs(moved).max(axis=0), CLOUD_M)
    np.testing.assert_allclose(moved.sum(axis=0), 0.0, atol=1e-12)


def test_search_takes_all_points_and_tables_speak_of_seats(tmp_path: Path) -> None:
    here = project()
    results = solve(here, counts=(2,))
    path = tmp_path / "cloud.h5"
    write_results(path, results, force=False)
    kept = read_results(path)
    assert kept.transfer.shape[1] == 3
    assert kept.further.cloud is not None
    np.testing.assert_array_equal(kept.further.cloud.seat, [0, 0, 0, 0])
    table, listening = kept.plans[2], here.listening()
    assert table.level_db.shape[2] == 3
    # the best plan's variation, from a call of the model with points of our own
    source = kept.candidates.position_m[table.candidate_index[0]]
    dx, dy, _ = CLOUD_M
    ears = [[2.2, 0.7, 1.1], [2.2, 1.5, 1.1], [3.1, 2.3, 1.2]]
    ears += [[2.2 - dx, 0.7, 1.1], [2.2 + dx, 0.7, 1.1], [2.2, 0.7 - dy, 1.1], [2.2, 0.7 + dy, 1.1]]
    transfer = transfer_function(
        here.room, here.surfaces(), frequency_hz=kept.frequency_hz, seat_m=ears, source_m=source
    )
    weights = drive_weights(
        kept.frequency_hz, gain_db=table.gain_db[0], delay_s=table.delay_s[0], polarity=table.polarity[0]
    )
    level = level_db(seat_pressure(transfer, weights))
    assert table.variation_db[0] == pytest.approx(variation_db(level, listening.weight), rel=1e-4)
    np.testing.assert_allclose(table.level_db[0], level[:, :3], atol=0.01)
    assert table.variation_db[0] != pytest.approx(variation_db(level[:, :3], np.ones(3)), abs=0.005)
    found = tolerance_of(kept, Asked(draws=64, plans=1, indices=False))
    assert found.plans[2].first.level_percentile_db.shape[1] == 3
    assert found.error_db < 0.05


def test_a_cloud_of_no_size_changes_nothing() -> None:
    plain = parse_project(project_text(), source="plain.toml")
    flat = project("cloud_m = [0, 0, 0]")
    np.testing.assert_array_equal(build_problem(flat).transfer, build_problem(plain).transfer)


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("cloud_m = [0.1, 0.9, 0]".replace("0.9", "0.5") + "\nweight = 2.0", ""),
        ("cloud_m = [0.1, 0.1]", "got 2 numbers; allowed: 3"),
        ("cloud_m = [0.1, 0.1, 0]\nmove_m = [0.1, 0.1]", "Leave out cloud_m or move_m"),
    ],
)
def test_bad_clouds(line: str, message: str) -> None:
    if not message:
        assert project(line).listening().weight[0] == pytest.approx(0.4)
        return
    with pytest.raises(ProjectInvalid) as caught:
        project(line)
    assert len(caught.value.lines()) == 1
    assert message in caught.value.lines()[0]


def test_cloud_outside_the_room() -> None:
    text = (
        project_text()
        .replace("y_m = [0.7]", "y_m = [0.3]")
        .replace("ear_height_m = 1.1", "ear_height_m = 1.1\ncloud_m = [0, 0.4, 0]", 1)
    )
    with pytest.raises(ProjectInvalid, match=r"heads of row .* would be at y = -0\.10 m to 0\.70 m"):
        parse_project(text, source="out.toml")
