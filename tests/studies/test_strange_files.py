"""Files of every kind, mangled: an answer in words each time, and no file touched but the one that was named."""

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from roommodes.errors import RoommodesError
from roommodes.measured.loading import load_manifest
from roommodes.plan.file import read_results, results_image
from roommodes.project.project import Project
from roommodes.project.reading import load_project
from roommodes.studies.design import study_rooms
from roommodes.studies.reading import load_study, parse_study
from roommodes.studies.records import read_record
from roommodes.studies.results import read_study, study_image
from solvers.study.compare import compare, comparison_columns
from solvers.study.job import run_job
from solvers.study.run import plan_study, study_in_process
from tests.measuring import SUBS, modelled, room_project, write_set
from tests.roommodes.plan.stored import some_results
from tests.studies.texts import tiny

WORDS = (
    b"nan",
    b"-1",
    b"1e999",
    b'""',
    b"[",
    b"]]",
    b"{",
    b"=",
    b'"../../secret.csv"',
    b"\x00",
    b"\xff",
    b"true",
    b"9" * 30,
)
BOUNDED = settings(
    max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)


def open_study(path: Path) -> None:
    study_rooms(load_study(path))


@pytest.fixture(scope="module")
def samples() -> dict[str, tuple[str, bytes, Callable[[Path], object]]]:
    """For each kind of file its name, its bytes and its reader."""
    plan = plan_study(parse_study(tiny(3), source="study.toml"))
    results = study_in_process(plan)
    job = plan.jobs[0]
    whole = study_image(results, comparison_columns(results, compare(results)))
    starter = files("roommodes.studies").joinpath("starter.toml").read_bytes().replace(b"count = 48", b"count = 2")
    return {
        "project": ("room.toml", files("roommodes.project").joinpath("demo.toml").read_bytes(), load_project),
        "study": ("study.toml", starter, open_study),
        "plan": ("plan.h5", results_image(some_results()), read_results),
        "study results": ("study.h5", whole, read_study),
        "study job": ("job.h5", run_job(job.text, job.key), lambda path: read_record(path, job.key, plan.expected)),
    }


Change = tuple[str, float, bytes]
CHANGES = st.lists(
    st.tuples(
        st.sampled_from(["put", "over", "cut", "double"]),
        st.floats(0.0, 1.0),
        st.one_of(st.sampled_from(WORDS), st.binary(min_size=1, max_size=6)),
    ),
    min_size=1,
    max_size=4,
)


def mangled(data: bytes, changes: list[Change]) -> bytes:
    for kind, part, piece in changes:
        at = int(part * len(data))
        if kind == "put":
            data = data[:at] + piece + data[at:]
        elif kind == "over":
            data = data[:at] + piece + data[at + len(piece) :]
        elif kind == "cut":
            data = data[:at] + data[at + 40 * len(piece) :]
        else:
            data = data[:at] + data[max(0, at - 300) :]
    return data


@contextmanager
def watched(folder: Path) -> Iterator[None]:
    """Fails if a file of the folder or beside it is made, changed or removed."""

    def state() -> dict[str, tuple[int, int]]:
        paths = [*folder.iterdir(), *folder.parent.glob("secret*")]
        return {str(path): (path.stat().st_mtime_ns, path.stat().st_size) for path in paths}

    before = state()
    yield
    assert state() == before


@pytest.mark.parametrize("kind", ["project", "study", "plan", "study results", "study job"])
@BOUNDED
@given(changes=CHANGES)
def test_a_mangled_file_is_answered_in_words(tmp_path: Path, samples, kind: str, changes: list[Change]) -> None:
    name, data, read = samples[kind]
    folder = tmp_path / "named"
    folder.mkdir(exist_ok=True)
    secret = tmp_path / "secret.csv"
    if not secret.exists():
        secret.write_text("length_m,width_m,height_m\n5,4,2.5\n")
    file = folder / name
    file.write_bytes(mangled(data, changes))
    fault: RoommodesError | None = None
    with watched(folder):
        try:
            read(file)
        except RoommodesError as caught:
            fault = caught
    if fault is not None:
        text = str(fault)
        assert text
        assert "Traceback" not in text
        assert fault.exit_code in (3, 5)
        assert all(line.startswith(str(file)) for line in text.splitlines())
        assert "length_m,width_m" not in text, "a file beside the named one was read"
    os.unlink(file)


@pytest.fixture(scope="module")
def measured_set(tmp_path_factory: pytest.TempPathFactory) -> tuple[Project, dict[str, bytes]]:
    """A project and a small set of measurements for it, by file name."""
    project = room_project()
    folder = tmp_path_factory.mktemp("measured")
    write_set(folder, modelled(project, np.arange(20.0, 60.0, 2.0), SUBS))
    (folder / "set.toml").write_text((folder / "set.toml").read_text() + "\n[grid]\nband_hz = [25, 50]\n")
    return project, {path.name: path.read_bytes() for path in folder.iterdir()}


@settings(parent=BOUNDED, max_examples=50)
@given(changes=CHANGES, which=st.sampled_from(["set.toml", "set.toml", "left-2.txt"]))
def test_mangled_measurements_are_answered_in_words(
    tmp_path: Path, measured_set, changes: list[Change], which: str
) -> None:
    project, contents = measured_set
    folder = tmp_path / "named"
    folder.mkdir(exist_ok=True)
    for name, data in contents.items():
        (folder / name).write_bytes(mangled(data, changes) if name == which else data)
    fault: RoommodesError | None = None
    with watched(folder):
        try:
            load_manifest(folder / "set.toml", project)
        except RoommodesError as caught:
            fault = caught
    if fault is not None:
        assert "Traceback" not in str(fault)
        assert fault.exit_code in (3, 5)
        assert all(line.startswith(str(folder)) for line in str(fault).splitlines())


def test_unmangled_measurements_are_read(tmp_path: Path, measured_set) -> None:
    project, contents = measured_set
    for name, data in contents.items():
        (tmp_path / name).write_bytes(data)
    load_manifest(tmp_path / "set.toml", project)


def test_unmangled_they_are_read(tmp_path: Path, samples) -> None:
    for name, data, read in samples.values():
        path = tmp_path / name
        path.write_bytes(data)
        read(path)
