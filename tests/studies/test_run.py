"""Running studies: nothing twice, nothing lost, nothing half-done; the same whoever does the work."""

import os
import subprocess
import sys
import textwrap
import threading
from pathlib import Path

import pytest

from roommodes.errors import FileUnusable, Interrupted
from roommodes.running import Running
from roommodes.studies.reading import parse_study
from roommodes.studies.records import JobRecord
from solvers.study.job import run_job
from solvers.study.replies import Work
from solvers.study.run import Event, StudyPlan, finished_jobs, plan_study, run_jobs, study_in_process
from solvers.study.store import Store, opened, store_of
from solvers.study.workers import LocalCrew
from tests.studies.texts import (
    HereCrew,
    checksum_of,
    deadly_job,
    faulty_job,
    once_faulty_job,
    one_deadly_job,
    tiny,
    unheard_of_job,
)

ROOT = Path(__file__).parents[2]


def plan_of(count: int = 6, *, searched: bool = False) -> StudyPlan:
    return plan_study(parse_study(tiny(count, searched=searched), source="study.toml"))


def run(
    plan: StudyPlan, folder: Path, work: Work = run_job, workers: int = 0, stop_after: int = 10**6
) -> tuple[dict[str, JobRecord], dict[str, str], list[Event]]:
    """A run with so many processes, or in this one; asks to stop once so many jobs are done."""
    store = store_of(folder / "study.h5")
    events: list[Event] = []
    with opened(store, folder / "study.h5"):
        records, failures = run_jobs(
            plan,
            store,
            LocalCrew(work, workers) if workers else HereCrew(work),
            finished=finished_jobs(plan, store),
            watch=lambda event: events.append(event) if event.kind != "waiting" else None,
            running=Running(cancelled=lambda: len(events) >= stop_after),
        )
    return records, failures, events


def low_rooms(plan: StudyPlan) -> set[str]:
    return {job.key for job, room in zip(plan.jobs, plan.rooms, strict=True) if "height_m = 2.4\n" in room.project_toml}


def test_the_number_of_workers_changes_nothing(tmp_path: Path) -> None:
    """One, two and none: with a search in every room, bit for bit."""
    plan = plan_of(3, searched=True)
    here = study_in_process(plan, running=Running(threads=2))
    by_number = {}
    for workers in (1, 2):
        folder = tmp_path / str(workers)
        folder.mkdir()
        records, failures, _ = run(plan, folder, workers=workers)
        assert not failures
        by_number[workers] = checksum_of(records)
    assert by_number[1] == by_number[2]
    for k, job in enumerate(plan.jobs):
        record = finished_jobs(plan, store_of(tmp_path / "1" / "study.h5"))[job.key]
        for name, values in record.arrays.items():
            assert values.tobytes() == here.arrays[name][k].tobytes(), name


def test_what_is_finished_is_not_done_again(tmp_path: Path) -> None:
    plan = plan_of()
    run(plan, tmp_path)
    before = {path: path.stat().st_mtime_ns for path in (tmp_path / "study.h5.jobs").glob("*.h5")}
    assert len(before) == len(plan.jobs)
    _, failures, events = run(plan, tmp_path, work=deadly_job)  # would kill its workers if it were asked
    assert not failures
    assert not events
    assert {path: path.stat().st_mtime_ns for path in (tmp_path / "study.h5.jobs").glob("*.h5")} == before


def test_more_rooms_of_a_sobol_family_keep_the_finished_ones(tmp_path: Path) -> None:
    run(plan_of(5), tmp_path)
    _, _, events = run(plan_of(7), tmp_path)
    assert [event.kind for event in events] == ["job", "job"]


@pytest.mark.parametrize("keep", [0, 1, 0.5, 0.99])
def test_a_truncated_job_file_does_not_count(tmp_path: Path, keep: float) -> None:
    plan = plan_of(3)
    records, _, _ = run(plan, tmp_path)
    path = store_of(tmp_path / "study.h5").path(plan.jobs[1].key)
    data = path.read_bytes()
    path.write_bytes(data[: int(keep * len(data))] if keep < 1 else data[:-1] + bytes([data[-1] ^ 1]))
    if keep == 1:  # a change that HDF5 does not see: in the middle of the numbers
        place = data.index(records[plan.jobs[1].key].arrays["variation_db"].tobytes())
        path.write_bytes(data[: place + 3] + bytes([data[place + 3] ^ 1]) + data[place + 4 :])
    again, _, events = run(plan, tmp_path)
    assert [event.title for event in events] == [plan.jobs[1].title]
    assert checksum_of(again) == checksum_of(records)


def test_a_job_file_under_another_name_does_not_count(tmp_path: Path) -> None:
    plan = plan_of(2)
    run(plan, tmp_path)
    store = store_of(tmp_path / "study.h5")
    first, second = (store.path(job.key) for job in plan.jobs)
    second.write_bytes(first.read_bytes())
    assert set(finished_jobs(plan, store)) == {plan.jobs[0].key}


def test_half_written_files_of_a_killed_run_are_taken_away(tmp_path: Path) -> None:
    run(plan_of(2), tmp_path)
    (tmp_path / "study.h5.jobs" / ".abc.h5.0123456789ab.part").write_bytes(b"half")
    run(plan_of(2), tmp_path)
    assert not list((tmp_path / "study.h5.jobs").glob(".*"))


def test_a_job_that_kills_its_worker_twice_is_set_aside_and_the_others_are_done(tmp_path: Path) -> None:
    plan = plan_of(2)
    low = low_rooms(plan)
    assert len(low) == 1
    records, failures, events = run(plan, tmp_path, work=deadly_job, workers=2)
    assert set(failures) == low
    assert set(records) == {job.key for job in plan.jobs} - low
    assert set(failures.values()) == {"set aside: the worker died 2 times"}
    assert {event.kind for event in events} == {"job", "retry", "failed"}
    records, failures, _ = run(plan, tmp_path)  # another run gives it another chance
    assert len(records) == 2
    assert not failures


def test_a_worker_that_dies_in_the_middle_of_its_reply_is_a_dead_worker(tmp_path: Path) -> None:
    """In a process of its own, which can be ended if it waits for the rest of the reply."""
    script = """
        from pathlib import Path
        from tests.studies.test_run import low_rooms, plan_of, run
        from tests.studies.texts import cut_off_job

        plan = plan_of(2)
        records, failures, _ = run(plan, Path("."), work=cut_off_job, workers=1)
        assert set(failures) == low_rooms(plan)
        assert set(records) == {job.key for job in plan.jobs} - low_rooms(plan)
        """
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(script)],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr


def test_a_worker_that_dies_takes_no_other_job_along(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Four workers, one deadly room: only that one is given again."""
    plan = plan_of(12)
    deadly = plan.jobs[5]
    monkeypatch.setenv("ROOMMODES_TEST_DEADLY", deadly.key)
    records, failures, events = run(plan, tmp_path, work=one_deadly_job, workers=4)
    assert set(failures) == {deadly.key}
    assert len(records) == 11
    assert [event.kind for event in events].count("retry") == 1


def test_an_error_that_no_other_process_can_make_anew(tmp_path: Path) -> None:
    plan = plan_of(2)
    records, failures, _ = run(plan, tmp_path, work=unheard_of_job, workers=1)
    assert not records
    assert set(failures.values()) == {"CannotCross: no such room"}


def test_a_job_that_fails_is_told_with_its_reason(tmp_path: Path) -> None:
    plan = plan_of(5)
    records, failures, events = run(plan, tmp_path, work=faulty_job)
    assert set(failures) == low_rooms(plan)
    assert set(failures.values()) == {"ValueError: no such room can be built"}
    assert len(records) + len(failures) == 5
    assert sum(event.kind == "retry" for event in events) == len(failures)


def test_a_job_that_fails_once_is_tried_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "marks").mkdir()
    monkeypatch.setenv("ROOMMODES_TEST_MARKS", str(tmp_path / "marks"))
    plan = plan_of(3)
    records, failures, _ = run(plan, tmp_path, work=once_faulty_job)
    assert len(records) == 3
    assert not failures


def test_asked_to_stop_it_keeps_what_is_finished(tmp_path: Path) -> None:
    plan = plan_of(12)
    with pytest.raises(Interrupted, match="of 12 rooms are finished and kept; run the same command again"):
        run(plan, tmp_path, workers=1, stop_after=1)
    kept = finished_jobs(plan, store_of(tmp_path / "study.h5"))
    assert 1 <= len(kept) < 12
    _, _, events = run(plan, tmp_path)
    assert sum(event.kind == "job" for event in events) == 12 - len(kept)


def test_of_two_runs_at_once_the_second_is_refused(tmp_path: Path) -> None:
    """The lock is another process's, and it goes with it, however that ends."""
    program = textwrap.dedent("""
        import sys, time
        from pathlib import Path
        from solvers.study.store import opened, store_of
        with opened(store_of(Path(sys.argv[1])), Path(sys.argv[1])):
            print("at work", flush=True)
            time.sleep(60)
    """)
    output = tmp_path / "study.h5"
    command = [sys.executable, "-c", program, str(output)]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True) as first:
        assert first.stdout is not None
        assert first.stdout.readline() == "at work\n"
        with pytest.raises(FileUnusable, match=r"study.h5: another run is at work on this study and holds .*lock"):
            run(plan_of(2), tmp_path)
        first.kill()
    assert len(run(plan_of(2), tmp_path)[0]) == 2


def test_a_full_disk_ends_the_run_and_keeps_what_was_finished(tmp_path: Path) -> None:
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=96k", "tmpfs", tmp_path], check=False).returncode:
        pytest.skip("a small file system can only be mounted with the right to do so")
    plan = plan_of(8)
    try:
        with pytest.raises(FileUnusable, match="the disk is full; nothing was written"):
            run(plan, tmp_path)
        kept = finished_jobs(plan, store_of(tmp_path / "study.h5"))
        assert 0 < len(kept) < 8
        assert not list((tmp_path / "study.h5.jobs").glob(".*"))
        subprocess.run(["mount", "-o", "remount,size=1m", tmp_path], check=True)
        _, failures, events = run(plan, tmp_path)
        assert not failures
        assert len(events) == 8 - len(kept)
    finally:
        subprocess.run(["umount", tmp_path], check=True)


def test_a_folder_that_cannot_be_used_is_named(tmp_path: Path) -> None:
    (tmp_path / "study.h5.jobs").write_text("a file")
    with pytest.raises(FileUnusable, match="cannot be used for finished jobs"):
        run(plan_of(2), tmp_path)


def test_workers_end_with_the_one_who_asked_them(tmp_path: Path) -> None:
    """A killed parent leaves no process behind."""
    program = textwrap.dedent("""
        import os, sys, time
        from solvers.study.workers import LocalCrew
        from roommodes.studies.records import StudyJob
        from tests.studies import texts
        crew = LocalCrew(texts.slow_job, 1)
        crew.give(StudyJob(number=1, title="", text="no job", software=""))
        print(*crew._slots[0].pool._processes, flush=True)
        time.sleep(60)
    """)
    with subprocess.Popen([sys.executable, "-c", program], cwd=ROOT, stdout=subprocess.PIPE, text=True) as parent:
        assert parent.stdout is not None
        (worker,) = map(int, parent.stdout.readline().split())
        os.kill(worker, 0)
        parent.kill()
    gone = threading.Event()
    for _ in range(200):
        try:
            state = (Path("/") / "proc" / str(worker) / "stat").read_text().rpartition(")")[2].split()[0]
        except OSError:
            return
        if state == "Z":
            return
        gone.wait(0.05)
    pytest.fail("the worker outlived its parent")


def test_a_store_is_beside_its_results(tmp_path: Path) -> None:
    assert store_of(tmp_path / "a.h5") == Store(folder=tmp_path.resolve() / "a.h5.jobs")
