"""Small studies for the tests, and the jobs that test workers do."""

import os
import time
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from roommodes.studies.records import JobRecord, StudyJob
from roommodes.studies.results import StudyResults
from solvers.study.job import run_job
from solvers.study.replies import Work, replied, taken
from solvers.study.workers import Done

TINY = """\
format = 1
name = "tiny rooms"
seed = 5
[rooms]
design = "sobol"
count = {count}
length_m = {{ from = 4.2, to = 6.8 }}
width_m = {{ from = 3.2, to = 5.0 }}
height_m = [2.4, 2.7]
loss_factor = 0.02
[[seatings]]
name = "one row"
[[seatings.rows]]
x_fraction = 0.55
y_fraction = [0.3, 0.5, 0.66]
ear_height_m = 1.1
[[strategies]]
name = "corner"
subs = 1
positions = "given"
at_fraction = [[0, 0, 0]]
[[strategies]]
name = "two midpoints"
subs = 2
positions = "given"
at_fraction = [[0, 0.5, 0], [1, 0.5, 0]]
[search]
band_hz = [25, 80]
points_per_octave = 4
[compare]
resamples = 200
"""
SEARCHED = """\
[[strategies]]
name = "two searched"
subs = 2
positions = "corners"
adjust = ["delays", "polarity"]
"""


def tiny(count: int = 8, *, searched: bool = False) -> str:
    """A study whose jobs take some milliseconds; with a search in every room if wished."""
    text = TINY.format(count=count)
    return text.replace("[search]", SEARCHED + "[search]") if searched else text


def slow_job(text: str, key: str) -> bytes:
    """A job that takes a tenth of a second longer than it must, so that it can be killed on the way."""
    time.sleep(0.1)
    return run_job(text, key)


def deadly_job(text: str, key: str) -> bytes:
    """Kills its worker in rooms with the lower ceiling."""
    if "height_m = 2.4\\n" in text:
        os._exit(9)
    return run_job(text, key)


def cut_off_job(text: str, key: str) -> bytes:
    """Kills its worker once a part of the reply is sent, in rooms with the lower ceiling."""

    def cut(self: Connection, buf: Any, write: object = None) -> None:
        os.write(self.fileno(), bytes(buf[: len(buf) // 2]))
        os._exit(9)

    if "height_m = 2.4\\n" in text:
        Connection._send = cut  # type: ignore[attr-defined]
    return run_job(text, key)


def one_deadly_job(text: str, key: str) -> bytes:
    """Kills its worker in the room that the environment names."""
    if key == os.environ["ROOMMODES_TEST_DEADLY"]:
        os._exit(9)
    return run_job(text, key)


def faulty_job(text: str, key: str) -> bytes:
    """Fails in rooms with the lower ceiling."""
    if "height_m = 2.4\\n" in text:
        raise ValueError("no such room\ncan be built")
    return run_job(text, key)


def once_faulty_job(text: str, key: str) -> bytes:
    """Fails at the first try of every room; leaves a mark where the environment says."""
    mark = Path(os.environ["ROOMMODES_TEST_MARKS"]) / key
    if not mark.exists():
        mark.touch()
        raise OSError("try again")
    return run_job(text, key)


class HereCrew:
    """Does every job in this process, when it is asked what has been done."""

    capacity = 2

    def __init__(self, work: Work = run_job) -> None:
        self._work = work
        self._given: list[StudyJob] = []

    def give(self, job: StudyJob) -> None:
        self._given.append(job)

    def poll(self, seconds: float) -> list[Done]:
        job = self._given.pop(0)
        return [Done(job=job, reply=taken(replied(self._work, job.text, job.key)))]

    def leave(self, *, at_once: bool) -> None:
        self._given.clear()


def checksums(results: StudyResults) -> dict[str, object]:
    """What must be the same however a study was run: everything but times and dates."""
    arrays = {name: values.tobytes() for name, values in results.arrays.items()}
    rooms = {
        name: values if isinstance(values, tuple) else values.tobytes()
        for name, values in results.rooms.items()
        if name not in ("seconds", "cpu_seconds")
    }
    hz = results.frequency_hz.tobytes()
    return {**arrays, **rooms, "hz": hz, "notes": results.notes, "study": results.study_sha256}


def checksum_of(records: dict[str, JobRecord]) -> dict[str, str]:
    """The same of single jobs."""
    return {key: record.checksum for key, record in records.items()}


class CannotCross(Exception):
    """Pickled without trouble, and never made anew: its parts do not fit its own constructor."""

    def __init__(self, one: str, other: str) -> None:
        super().__init__(one + other)

    def __reduce__(self) -> tuple[type["CannotCross"], tuple[object, ...]]:
        """Python's own way, stated: tblib, which comes with distributed, would help the error across."""
        return type(self), self.args


def unheard_of_job(text: str, key: str) -> bytes:
    """Fails with an error that no other process can make anew."""
    raise CannotCross("no such ", "room")
