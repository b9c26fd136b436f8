"""A study that is done, run again: its results file tells, and nothing else is read."""

import shutil
from pathlib import Path

import numpy as np
import pytest

import roommodes as rm
from roommodes.studies.reading import parse_study
from roommodes.studies.results import read_study, write_study
from solvers.study import whole
from solvers.study.compare import compare, comparison_columns
from solvers.study.job import do_job
from solvers.study.run import StudyPlan, plan_study, results_of, study_in_process
from solvers.study.whole import known_results
from tests.studies.texts import tiny

ROOMS = 4


@pytest.fixture(scope="module")
def plan() -> StudyPlan:
    return plan_study(parse_study(tiny(ROOMS), source="study"))


@pytest.fixture
def done(plan: StudyPlan, tmp_path: Path) -> Path:
    results = study_in_process(plan)
    write_study(tmp_path / "s.h5", results, comparison_columns(results, compare(results)), force=True)
    return tmp_path / "s.h5"


def test_a_done_study_reads_its_results_alone(plan: StudyPlan, done: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = done.read_bytes()

    def never(*given: object, **named: object) -> None:
        raise AssertionError("nothing is left to do")

    monkeypatch.setattr(whole, "run_study", never)
    study = rm.study_from(tiny(ROOMS), output=done)
    assert study.run().rooms["key"] == tuple(job.key for job in plan.jobs)
    assert done.read_bytes() == before
    assert [path.name for path in done.parent.iterdir()] == ["s.h5"]


def test_results_of_other_software_or_of_another_study_and_damaged_ones_do_not_count(
    plan: StudyPlan, done: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert known_results(plan.study, done) is not None
    assert known_results(plan.study, done.with_name("none.h5")) is None
    assert known_results(parse_study(tiny(ROOMS + 1), source="study"), done) is None
    with monkeypatch.context() as patched:
        patched.setattr("solvers.study.job.software", lambda: "roommodes 0.0.9")
        assert known_results(plan.study, done) is None
    damaged = bytearray(done.read_bytes())
    damaged[len(damaged) // 2] ^= 1
    done.write_bytes(damaged)
    assert known_results(plan.study, done) is None


def test_only_rooms_that_the_results_lack_are_done(plan: StudyPlan, done: Path) -> None:
    full = read_study(done)
    lacking = {job.key: do_job(job.text, job.key) for job in plan.jobs if job.number != 3}
    part = results_of(plan, lacking, {plan.jobs[2].key: "its worker died"})
    write_study(done, part, comparison_columns(part, compare(part)), force=True)
    assert known_results(plan.study, done).failed == (3,)  # type: ignore[union-attr]
    found = rm.study_from(tiny(ROOMS), output=done).run(workers=1)
    assert [path.stem for path in done.with_name("s.h5.jobs").glob("*.h5")] == [plan.jobs[2].key]
    assert not found.failed
    again = read_study(done)
    for name, values in full.arrays.items():
        np.testing.assert_array_equal(again.arrays[name], values, err_msg=name)
    for name, values in full.rooms.items():
        if name not in ("seconds", "cpu_seconds"):
            np.testing.assert_array_equal(again.rooms[name], values, err_msg=name)
    for name, numbers in full.known.properties.items():
        np.testing.assert_array_equal(again.known.properties[name], numbers, err_msg=name)
    assert again.notes == full.notes


def test_parts_and_their_forecast_from_python(plan: StudyPlan, tmp_path: Path) -> None:
    study = rm.study_from(tiny(ROOMS), output=tmp_path / "s.h5")
    for number in (1, 2):
        part = study.shard(number, 2, jobs=tmp_path / f"part{number}", workers=1)
        assert (part.finished, part.failed, part.results) == (2, (), None)
    assert not (tmp_path / "s.h5").exists()
    joined, here = study.gather(tmp_path / "part1", tmp_path / "part2"), study_in_process(plan)
    for name, values in here.arrays.items():
        np.testing.assert_array_equal(joined.arrays[name], values, err_msg=name)
        np.testing.assert_array_equal(read_study(tmp_path / "s.h5").arrays[name], values, err_msg=name)
    with pytest.raises(rm.OutsideModel, match="shard: got 3/2; allowed: 1/2 to 2/2"):
        study.shard(3, 2)
    with pytest.raises(rm.FileUnusable, match="give the folders"):
        study.gather()
    shutil.move(tmp_path / "part1", tmp_path / "s.h5.jobs")
    seen = study.forecast(workers=2)
    assert (seen.jobs, seen.finished, seen.workers, len(seen.timed_s)) == (4, 2, 2, 2)
    assert seen.seconds == pytest.approx(np.mean(seen.timed_s) * 2 / 2)
    assert seen.size_bytes == seen.results_bytes + 4 * seen.job_bytes
