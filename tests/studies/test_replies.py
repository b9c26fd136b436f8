"""What workers give back is data: nothing in it is run, and only what was asked for is kept."""

import copyreg
import io
import os
import pickle
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from roommodes.errors import FileUnusable
from roommodes.storage import guard
from roommodes.storage.seal import LENGTH, sealed
from roommodes.studies.reading import parse_study
from roommodes.studies.records import JobRecord, read_record, received_record, record_image
from solvers.study.careful_pickle import Stranger, careful_loads
from solvers.study.job import do_job, run_job
from solvers.study.replies import replied, taken
from solvers.study.run import StudyPlan, finished_jobs, plan_study, run_jobs
from solvers.study.store import opened, store_of
from tests.roommodes.storage.test_guard import TIGHT, heap_loop
from tests.studies.texts import CannotCross, HereCrew, checksum_of, tiny


@pytest.fixture(scope="module")
def plan() -> StudyPlan:
    return plan_study(parse_study(tiny(2), source="study.toml"))


@pytest.fixture(scope="module")
def record(plan: StudyPlan) -> JobRecord:
    return do_job(plan.jobs[0].text, plan.jobs[0].key)


def changed(record: JobRecord, name: str, act: Callable[[Any], None]) -> JobRecord:
    arrays = {key: values.copy() for key, values in record.arrays.items()}
    act(arrays[name])
    return replace(record, arrays=arrays)


def louder(values: Any) -> None:
    values += 1.0


def first_nan(values: Any) -> None:
    values.flat[0] = np.nan


def first_infinite(values: Any) -> None:
    values.flat[0] = np.inf


def one_sub_more(values: Any) -> None:
    values[0, 1] = 1.0


WRONG: dict[str, tuple[Callable[[JobRecord], JobRecord], str]] = {
    "software": (lambda one: replace(one, software="roommodes 0.0.9, code 0"), "other software made it"),
    "key": (lambda one: replace(one, key="0" * 64), "that of another job"),
    "frequencies": (lambda one: replace(one, frequency_hz=one.frequency_hz * 1.001), "its frequencies"),
    "time": (lambda one: replace(one, seconds=float("nan")), "no time"),
    "output": (lambda one: changed(one, "output_db", louder), "are not those of its frequencies"),
    "variation": (lambda one: changed(one, "variation_db", louder), "are not those of its frequencies"),
    "variation not finite": (lambda one: changed(one, "variation_db", first_nan), "not finite"),
    "output not finite": (lambda one: changed(one, "output_at_db", first_infinite), "not finite"),
    "position not finite": (lambda one: changed(one, "position_m", first_nan), "not finite"),
    "delay": (lambda one: changed(one, "delay_s", lambda values: np.subtract(values, 1.0, out=values)), "below zero"),
    "polarity": (lambda one: changed(one, "polarity", lambda values: values.fill(0)), "polarities"),
    "subs": (lambda one: changed(one, "gain_db", one_sub_more), "subs that were not asked for"),
    "layouts": (lambda one: changed(one, "layouts", lambda values: values.fill(0)), "no layout"),
    "strategies": (
        lambda one: replace(one, notes=one.notes[:1], arrays={name: values[:1] for name, values in one.arrays.items()}),
        "its strategies are not those of the study",
    ),
}


@pytest.mark.parametrize("name", WRONG)
def test_a_result_that_is_not_what_was_asked_for(tmp_path: Path, plan: StudyPlan, record: JobRecord, name: str) -> None:
    """On its way in, and when the study goes on."""
    change, message = WRONG[name]
    data, key = record_image(change(record)), plan.jobs[0].key
    with pytest.raises(FileUnusable, match=f"result: .*{message}"):
        received_record(data, key, plan.expected)
    path = tmp_path / f"{key}.h5"
    path.write_bytes(data)
    with pytest.raises(FileUnusable, match=message):
        read_record(path, key, plan.expected)


def test_a_result_that_is_what_was_asked_for(plan: StudyPlan, record: JobRecord) -> None:
    assert received_record(record_image(record), plan.jobs[0].key, plan.expected).checksum == record.checksum


def worker_that_sends(data: bytes, times: int) -> Callable[[str, str], bytes]:
    """A worker whose first answers are not results."""
    left = [times]

    def work(text: str, key: str) -> bytes:
        left[0] -= 1
        return data if left[0] >= 0 else run_job(text, key)

    return work


@pytest.mark.parametrize("times", [1, 10**6])
@pytest.mark.parametrize("kind", ["nothing", "noise", "cut", "changed", "another job", "hostile"])
def test_what_cannot_be_used_is_done_again_or_named(
    tmp_path: Path, plan: StudyPlan, kind: str, times: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(guard, "LIMITS", TIGHT)
    good = run_job(plan.jobs[0].text, plan.jobs[0].key)
    other = plan_study(parse_study(tiny(3), source="study.toml")).jobs[2]
    data = {
        "nothing": b"",
        "noise": b"\x89HDF\r\n\x1a\n" + bytes(range(256)) * 8,
        "cut": good[: len(good) // 2],
        "changed": good[:3000] + bytes([good[3000] ^ 1]) + good[3001:],
        "another job": run_job(other.text, other.key),
        "hostile": sealed(heap_loop(good[:-LENGTH])),
    }[kind]
    store = store_of(tmp_path / "study.h5")
    with opened(store, tmp_path / "study.h5"):
        crew = HereCrew(worker_that_sends(data, times))
        records, failures = run_jobs(plan, store, crew, finished={})
    if times == 1:
        assert checksum_of(records) == {job.key: do_job(job.text, job.key).checksum for job in plan.jobs}
        return
    assert set(failures) == {job.key for job in plan.jobs}
    assert all(reason.startswith("what its worker sent cannot be used: result: ") for reason in failures.values())
    assert not finished_jobs(plan, store)
    assert [path.name for path in store.folder.iterdir()] == ["lock"]


def test_a_failure_crosses_as_text() -> None:
    def work(text: str, key: str) -> bytes:
        raise CannotCross("the room ", "has no\nfloor")

    with pytest.raises(TypeError):
        pickle.loads(pickled(CannotCross("a", "b")))
    data = replied(work, "", "")
    assert isinstance(data, bytes)
    assert taken(data).reason == "CannotCross: the room has no floor"
    assert taken(data).data is None
    assert taken({"no": "bytes"}).reason == "what came back is no result"


def test_a_worker_with_other_software_says_so_and_does_nothing(plan: StudyPlan) -> None:
    """The key that the study gave is not the one that follows from the worker's own software."""
    other = replace(plan.jobs[0], software="roommodes 0.0.9, code 0")
    answer = taken(replied(run_job, other.text, other.key))
    assert answer.data is None
    assert answer.software == plan.expected.software


# -- pickles ----------------------------------------------------------------------------------------------------------


def pickled(value: object, table: dict[type, Any] | None = None) -> bytes:
    """Pickled by Python's own rules, or those of the table, whatever a library has registered in this process."""
    buffer = io.BytesIO()
    pickler = pickle.Pickler(buffer)
    pickler.dispatch_table = table or {}
    pickler.dump(value)
    return buffer.getvalue()


def sent_by_dask(value: object) -> bytes:
    """Pickled as a process does that has loaded dask, with the error's traceback."""
    support = pytest.importorskip("tblib.pickling_support", reason="dask is not installed")
    kept = dict(copyreg.dispatch_table)
    try:
        support.install()
        return pickled(value, dict(copyreg.dispatch_table))
    finally:
        copyreg.dispatch_table.clear()
        copyreg.dispatch_table.update(kept)


WAYS = pytest.mark.parametrize("way", [pickled, sent_by_dask])


class Trap:
    """Runs something when it is read."""

    def __init__(self, call: Callable[..., object], *arguments: object) -> None:
        self.call, self.arguments = call, arguments

    def __reduce__(self) -> tuple[Callable[..., object], tuple[object, ...]]:
        return self.call, self.arguments


def test_nothing_in_a_pickle_is_run(tmp_path: Path) -> None:
    mark = tmp_path / "mark"
    make = f"__import__('pathlib').Path({str(mark)!r}).touch()"
    for trap in (Trap(Path.touch, mark), Trap(eval, make), Trap(os.mknod, str(mark))):
        data = pickle.dumps({"exception": trap})
        assert isinstance(careful_loads(data)["exception"], Stranger)
        assert not mark.exists()
        pickle.loads(data)  # read as usual, it does run
        assert mark.exists()
        mark.unlink()


@pytest.mark.parametrize(
    "value", [b"bytes", "text", 1, 2.5, None, True, [1, (2, {"a": {3}})], ValueError("no such room"), KeyError("x")]
)
@WAYS
def test_plain_data_and_pythons_own_errors_are_read(value: object, way: Callable[[object], bytes]) -> None:
    read = careful_loads(way(value))
    assert type(read) is type(value)
    assert repr(read) == repr(value)


@WAYS
def test_an_error_is_read_without_what_hangs_on_it(way: Callable[[object], bytes]) -> None:
    """Not its traceback, not what its sender set on it, not the error that went before."""
    error: Exception
    try:
        try:
            raise KeyError("first")
        except KeyError as first:
            raise ValueError("no such room") from first
    except ValueError as caught:
        error = caught
    error.__dict__["strange"] = "value"
    read = careful_loads(way(error))
    assert type(read) is ValueError
    assert read.args == ("no such room",)
    assert read.__traceback__ is None
    assert read.__cause__ is None


@WAYS
def test_what_cannot_be_read_or_made_stands_for_itself(way: Callable[[object], bytes]) -> None:
    assert isinstance(careful_loads(b"no pickle"), Stranger)
    read = careful_loads(way(CannotCross("a", "b")))
    assert isinstance(read, Stranger)
    assert read.name.endswith("CannotCross")
    assert isinstance(careful_loads(way(np.ones(3))), Stranger)
