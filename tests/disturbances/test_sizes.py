"""What no machine can do is refused before it is begun, with what would fit."""

import re
from dataclasses import replace
from pathlib import Path
from time import monotonic

import numpy as np
import pytest

from roommodes import effort
from roommodes.acoustics import box_field, contraction, imaginary
from roommodes.acoustics.box_field import box_effort
from roommodes.acoustics.built_modes import FOR_READING
from roommodes.acoustics.precision import Precision
from roommodes.acoustics.resonances import Resonances
from roommodes.acoustics.rigid_modes import rigid_modes
from roommodes.acoustics.room import Room
from roommodes.arrays import Complexes
from roommodes.effort import Effort, require_room_for
from roommodes.elements.cost import bytes_for, require_affordable
from roommodes.errors import OutsideModel, ProjectInvalid
from roommodes.memory import free_bytes, free_in_groups
from roommodes.plan.file import results_image
from roommodes.project.project import Project
from roommodes.project.reading import parse_project
from roommodes.running import Running
from solvers.plans.solve import solve
from solvers.plans.watched import Watcher
from solvers.project_transfer import project_transfer, require_project_fits
from tests.disturbances.processes import names, shell
from tests.rooms import SMALL

HALL = (
    SMALL.replace("length_m = 4.1", "length_m = 60")
    .replace("width_m = 3.2", "width_m = 60")
    .replace("height_m = 2.4", "height_m = 60")
    .replace('rear = "brick"', "\n".join(f'{wall} = "brick"' for wall in ("front", "rear", "left", "right", "ceiling")))
    .replace("[25, 80]", "[20, 300]")
)


WITH_MAINS = """
[mains]
positions_m = [[0.4, 0.5, 1.0], [0.4, 2.7, 1.0]]
"""
REFUSED = r"the room of 60 x 60 x 60 m up to \d+ Hz would take about [\d.,]+ GB of memory"
FITS = r"Up to about \d+ Hz it fits: lower the end of band_hz, or give a smaller room\."
LIMITED = "ulimit -d 3000000; timeout 60"  # were it begun after all, this machine must not suffer


@pytest.fixture(scope="session")
def hall_in_a_plan(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A plan file whose project was exchanged for one that nobody can work out, and the project beside it."""
    results = solve(parse_project(SMALL, source="small.toml"), counts=(1,), seed=1)
    folder = tmp_path_factory.mktemp("hall")
    data = results_image(replace(results, project=parse_project(HALL + WITH_MAINS, source="hall.toml")))
    (folder / "plan.h5").write_bytes(data)
    (folder / "hall.toml").write_text(HALL)
    return folder


@pytest.mark.parametrize(
    "words",
    [
        "check hall.toml",
        "predict hall.toml",
        "optimise hall.toml",
        "report plan.h5 -o out.html",
        "report plan.h5 --short -o out.pdf",
        "explore plan.h5",
        "decay plan.h5",
        "export plan.h5 -o out.wav",
        "tolerance plan.h5",
        "compare plan.h5 hall.toml",
        "judge plan.h5 --in hall.toml",
        "crossover plan.h5 -o out.h5",
    ],
)
def test_a_hall_that_fits_no_machine_is_refused_at_once(hall_in_a_plan: Path, words: str) -> None:
    before = names(hall_in_a_plan)
    began = monotonic()
    done = shell(f"{LIMITED} $R {words}", hall_in_a_plan)
    assert done.returncode == 3, (done.returncode, done.stderr[-500:])
    said = " ".join(done.stderr.split())
    assert re.search(REFUSED, said)
    assert re.search(FITS, said)
    assert "Traceback" not in said
    assert names(hall_in_a_plan) == before
    assert monotonic() - began < 50.0  # a few seconds; the machine may be busy


def test_the_file_that_is_watched_is_refused_too() -> None:
    bare = HALL[: HALL.index("[layout]")]
    with pytest.raises(OutsideModel, match=REFUSED):
        Watcher().look(parse_project(bare, source="hall.toml"))


def transfer(project: Project) -> Complexes:
    return project_transfer(
        project,
        frequency_hz=np.array([project.search.band_hz[1]]),
        seat_m=project.seats.position_m,
        source_m=project.candidates.position_m,
        running=Running(threads=1),
    )


def test_what_is_said_to_fit_does(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(effort, "free_bytes", lambda: 1.0e9)
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


def test_a_small_room_needs_little(monkeypatch: pytest.MonkeyPatch) -> None:
    """However little is free: less than what the program takes itself is always begun."""
    monkeypatch.setattr(effort, "free_bytes", lambda: 0.02e9)
    assert np.isfinite(transfer(parse_project(SMALL, source="small.toml"))).all()


@pytest.mark.parametrize(
    ("own", "limits", "left"),
    [
        # the group's own limit; what is only kept in memory for later gives way
        ("0::/\n", {".": ("memory.max", 4000, "memory.current", 3900, "inactive_file", 3000)}, 3100.0),
        ("0::/a/b\n", {"a": ("memory.max", 900, "memory.current", 100, "inactive_file", 0)}, 800.0),
        (
            "0::/a/b\n",
            {
                "a": ("memory.max", 900, "memory.current", 100, "inactive_file", 0),
                "a/b": ("memory.max", 500, "memory.current", 400, "inactive_file", 50),
            },
            150.0,
        ),
        (
            "4:memory:/x\n",
            {"memory/x": ("memory.limit_in_bytes", 700, "memory.usage_in_bytes", 600, "total_inactive_file", 500)},
            600.0,
        ),
        ("0::/a\n", {"a": ("memory.max", "max", "memory.current", 5, "inactive_file", 0)}, None),
        ("", {}, None),
        ("0::/a\n", {"a": ("memory.max", "much", "memory.current", 5, "inactive_file", 0)}, None),
    ],
)
def test_what_its_control_groups_leave(
    tmp_path: Path, own: str, limits: dict[str, tuple[str, object, str, int, str, int]], left: float | None
) -> None:
    for place, (limit, most, use, used, kept, files) in limits.items():
        folder = tmp_path / place
        folder.mkdir(parents=True, exist_ok=True)
        (folder / limit).write_text(f"{most}\n")
        (folder / use).write_text(f"{used}\n")
        (folder / "memory.stat").write_text(f"anon 1\n{kept} {files}\nactive_file 7\n")
    assert free_in_groups(tmp_path, own) == left


def test_sums_over_points_in_parts_are_those_in_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the modes at all points pass what may be taken at a time, one part comes after another."""
    project = parse_project(SMALL, source="small.toml")
    seat_m = np.random.default_rng(1).uniform(0.4, 2.0, (5, 3))
    source_m = np.random.default_rng(2).uniform(0.1, 2.3, (40, 3))

    def field() -> Complexes:
        return project_transfer(project, frequency_hz=np.array([40.0, 80.0]), seat_m=seat_m, source_m=source_m)

    whole = field()
    taken: list[int] = []
    plain = contraction.parts_of
    monkeypatch.setattr(imaginary, "parts_of", lambda count, each_bytes: [slice(0, count)])

    def noted(count: int, each_bytes: float) -> list[slice]:
        taken.append(len(parts := list(plain(count, each_bytes))))
        return parts

    monkeypatch.setattr(contraction, "PART_BYTES", 1e5)
    # images that are beyond reach of all points of a part are left out: e^-19 of one at the source (6e-9)
    for modules, error in (((contraction, box_field), 1e-13), ((imaginary,), 6e-9)):
        for module in modules:
            monkeypatch.setattr(module, "parts_of", noted)
        assert np.abs(field() - whole).max() < error * np.abs(whole).max()
        assert max(taken) > 3
        taken.clear()


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


RISER = SMALL.replace("[walls]", '[[blocks]]\nname = "riser"\nfrom_m = [3, 0, 0]\nto_m = [4.1, 3.2, 0.2]\n[walls]')


def test_a_room_of_another_shape_may_take_what_this_machine_has(monkeypatch: pytest.MonkeyPatch) -> None:
    shape, wavenumber = parse_project(RISER, source="riser.toml").room.shape, 3.0
    needed = bytes_for(shape, wavenumber, 2.0 * wavenumber, nodes=4)
    monkeypatch.setattr(effort, "free_bytes", lambda: 1.3 * needed)
    require_affordable(shape, wavenumber, 2.0 * wavenumber, nodes=4)
    monkeypatch.setattr(effort, "free_bytes", lambda: 0.6 * needed)
    with pytest.raises(OutsideModel, match=r"GB of memory and .* hours of a processor.*Ask up to \d\d % of that") as no:
        require_affordable(shape, wavenumber, 2.0 * wavenumber, nodes=4)
    ratio = float(re.search(r"Ask up to (\d+) %", str(no.value))[1]) / 100.0  # type: ignore[index]
    require_affordable(shape, ratio * wavenumber, 2.0 * ratio * wavenumber, nodes=4)


def test_a_hall_of_another_shape_is_refused_by_time_too(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(effort, "free_bytes", lambda: 1e15)
    sides = RISER.replace("length_m = 4.1", "length_m = 12").replace("width_m = 3.2", "width_m = 12")
    hall = sides.replace("height_m = 2.4", "height_m = 12").replace("[25, 80]", "[25, 300]")
    with pytest.raises(OutsideModel, match="at most 12 hours are begun"):
        require_project_fits(parse_project(hall, source="hall.toml"))


def test_work_before_the_first_frequency_counts() -> None:
    """At few frequencies most of it is done before: a box of that size took 17 s and then 2.3 s for one."""
    counts = [(axis, 400) for axis in (0, 0, 1, 1, 2)]
    room = Room(length_m=60.0, width_m=60.0, height_m=60.0)
    one = box_effort(room, counts, precision=Precision(), max_wavenumber=0.7, points=(3, 7))
    alone = replace(one, prepared=0.0)
    assert one.hours > 3.0 * alone.hours
    assert 5.0 < 3600.0 * one.hours < 60.0
    with pytest.raises(OutsideModel, match="hours of a processor"):
        require_room_for(replace(alone, prepared=1e15), room.size_m, 40.0)
