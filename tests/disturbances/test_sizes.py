"""What no machine can do is refused before it is begun, with what would fit."""

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from roommodes import effort
from roommodes.acoustics.built_modes import FOR_READING
from roommodes.acoustics.resonances import Resonances
from roommodes.acoustics.rigid_modes import rigid_modes
from roommodes.acoustics.room import Room
from roommodes.arrays import Complexes
from roommodes.effort import Effort, free_bytes, require_room_for
from roommodes.errors import OutsideModel, ProjectInvalid
from roommodes.plan.file import results_image
from roommodes.project.project import Project
from roommodes.project.reading import parse_project
from roommodes.running import Running
from solvers.plans.solve import solve
from solvers.project_transfer import project_transfer
from tests.disturbances.processes import shell
from tests.rooms import SMALL

HALL = (
    SMALL.replace("length_m = 4.1", "length_m = 60")
    .replace("width_m = 3.2", "width_m = 60")
    .replace("height_m = 2.4", "height_m = 60")
    .replace('rear = "brick"', "\n".join(f'{wall} = "brick"' for wall in ("front", "rear", "left", "right", "ceiling")))
    .replace("[25, 80]", "[20, 300]")
)


@pytest.mark.parametrize("command", ["predict", "optimise"])
def test_a_hall_that_fits_no_machine_is_refused_at_once(tmp_path: Path, command: str) -> None:
    (tmp_path / "hall.toml").write_text(HALL)
    done = shell(f"timeout 100 $R {command} hall.toml", tmp_path)
    assert done.returncode == 3, done.stderr
    words = " ".join(done.stderr.split())
    assert re.search(r"the room of 60 x 60 x 60 m up to 300 Hz would take about [\d.]+ GB of memory", words)
    assert re.search(r"Up to about \d+ Hz it fits: lower the end of band_hz, or give a smaller room\.", words)
    assert [path.name for path in tmp_path.iterdir()] == ["hall.toml"]


def transfer(project: Project) -> Complexes:
    return project_transfer(
        project,
        frequency_hz=np.array([project.search.band_hz[1]]),
        seat_m=project.seats.position_m,
        source_m=project.candidates.position_m,
        running=Running(threads=1),
    )


def test_what_is_said_to_fit_does(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(effort, "free_bytes", lambda: 0.6e9)
    project = parse_project(SMALL.replace("[25, 80]", "[25, 300]"), source="small.toml")
    bigger = parse_project(HALL.replace("= 60", "= 15").replace("[20, 300]", "[20, 120]"), source="bigger.toml")
    with pytest.raises(OutsideModel, match="Up to about") as refused:
        transfer(bigger)
    fits = int(re.search(r"Up to about (\d+) Hz", str(refused.value))[1])  # type: ignore[index]
    assert 60 < fits < 120
    lower = parse_project(bigger.toml_text.replace("[20, 120]", f"[20, {fits}]"), source="lower.toml")
    for one in (lower, project):
        assert np.isfinite(transfer(one)).all()


def test_hours_are_foreseen_too() -> None:
    room = Room(length_m=10.0, width_m=10.0, height_m=10.0)
    with pytest.raises(OutsideModel, match=r"hours of a processor; at most 12 are begun\. Up to about"):
        require_room_for(Effort(box=1000, boundary=2500, frequencies=20_000), room.size_m, 200.0)


def test_less_memory_means_fewer_blocks_side_by_side(monkeypatch: pytest.MonkeyPatch) -> None:
    one = Effort(box=1_000_000, boundary=1000)
    monkeypatch.setattr(effort, "free_bytes", lambda: 100e9)
    assert one.blocks(8) == 8
    monkeypatch.setattr(effort, "free_bytes", lambda: (one.least_bytes + 2.5 * one.block_bytes) / effort.MOST_OF_FREE)
    assert one.blocks(8) == 3
    monkeypatch.setattr(effort, "free_bytes", lambda: 0.0)
    assert one.blocks(8) == 1


def test_free_memory_is_a_plausible_number() -> None:
    assert 1e7 < free_bytes() < 1e14


def test_a_plan_file_with_such_a_project_inside(tmp_path: Path) -> None:
    """Its project was exchanged for one that nobody can work out."""
    results = solve(parse_project(SMALL, source="small.toml"), counts=(1,), seed=1)
    big = SMALL.replace("[25, 80]", "[20, 300]")
    for key, value in (("length_m = 4.1", 60), ("width_m = 3.2", 60), ("height_m = 2.4", 60)):
        big = big.replace(key, f"{key.split()[0]} = {value}")
    big = big.replace('rear = "brick"', 'rear = "brick"\nleft = "brick"\nceiling = "brick"')

    data = results_image(replace(results, project=parse_project(big, source="big.toml")))
    (tmp_path / "plan.h5").write_bytes(data)
    done = shell("ulimit -v 2400000; timeout 100 $R report plan.h5", tmp_path)
    assert done.returncode == 3, (done.returncode, done.stderr[-500:])
    assert "Traceback" not in done.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["plan.h5"]


def test_twenty_thousand_regions_are_refused_at_once() -> None:
    region = '[[regions]]\nwall = "left"\nfrom_m = [0.1, 0.1]\nto_m = [0.2, 0.2]\nconstruction = "bricks"\n'
    with pytest.raises(ProjectInvalid, match=r"regions: there are 20,000; at most 400 can be handled"):
        parse_project(SMALL + region * 20_000, source="many.toml")


def test_of_many_faults_the_first_are_told_and_the_others_counted() -> None:
    region = '[[regions]]\nwall = "left"\nfrom_m = [0.1, 0.1]\nto_m = [0.2, 0.2]\nconstruction = "bricks"\n'
    with pytest.raises(ProjectInvalid) as refused:
        parse_project(SMALL + region * 300, source="many.toml")
    lines = refused.value.lines()
    assert len(refused.value.faults) == 300
    assert len(lines) == 51
    assert lines[-1] == "many.toml: and 250 more; mend these first, then look again."


def test_the_sums_over_the_box_are_those_of_single_overlaps() -> None:
    """`pulled` against the overlaps mode by mode."""

    project = parse_project(SMALL, source="small.toml")
    kept = rigid_modes(project.room, 90.0, with_pressure_mode=True)
    problem = Resonances(project.room, project.surfaces(), kept, 80.0, FOR_READING)
    ports = problem.ports
    number = np.argwhere(np.ones(ports.k2_modes.shape, dtype=bool))
    pull = np.random.default_rng(1).normal(size=(2, ports.size)) @ np.eye(ports.size)
    weights = pull[0] + 1j * pull[1]
    plain = (weights @ ports.overlaps(number)).reshape(ports.k2_modes.shape)
    assert np.abs(ports.pulled(weights) - plain).max() < 1e-12 * np.abs(plain).max()
