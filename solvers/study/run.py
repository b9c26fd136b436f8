"""Running a study: jobs to the workers, their results to the store, and one results file at the end.

Whatever is killed, and whenever: a job counts once its file is whole, and a run does only what does not count yet.
"""

from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import inf, isfinite
from time import monotonic
from types import MappingProxyType
from typing import Any

import numpy as np

from roommodes.errors import FileUnusable, Interrupted
from roommodes.running import Running
from roommodes.storage.stamp import Made
from roommodes.studies.design import StudyRoom, study_rooms
from roommodes.studies.properties import property_units
from roommodes.studies.reading import Study
from roommodes.studies.records import Expected, JobRecord, StudyJob, received_record, stacked
from roommodes.studies.results import FINISHED, RESULT_FIELDS, KnownOfRooms, StudyResults
from solvers.search.objective import Objective
from solvers.study.job import do_job, expected_of, study_jobs
from solvers.study.replies import Reply
from solvers.study.store import Store
from solvers.study.workers import Crew, Done

POLL_S = 0.2
DEATHS = 2  # after which a job is not given to a worker again in this run
TRIES = 2  # of a job that fails without killing its worker
OTHER_TRIES = 20  # of one that went to workers with other software
STOP_S = 3.0  # for the jobs in hand, once asked to stop


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyPlan:
    """A study with its rooms and its jobs, one per room, in the same order.

    Parameters
    ----------
    study, rooms, jobs : what is to be done.
    expected : what the results of its jobs must hold.
    known : finished rooms that need not be looked for among the kept ones, by key.
    """

    study: Study
    rooms: tuple[StudyRoom, ...]
    jobs: tuple[StudyJob, ...]
    expected: Expected
    known: Mapping[str, JobRecord] = field(default_factory=lambda: MappingProxyType({}))


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something that happened in a run.

    Parameters
    ----------
    kind : "job", "retry", "failed" or "waiting".
    title : the room; empty while waiting.
    reason : why it failed.
    finished, failed, total : jobs so far, those of earlier runs included.
    left_s : time left, about; NaN before there is anything to go by [s].
    """

    kind: str
    title: str
    reason: str
    finished: int
    failed: int
    total: int
    left_s: float

    @property
    def note(self) -> str:
        """How far the run is, in words."""
        left = f", about {duration_words(self.left_s)} left" if isfinite(self.left_s) else ""
        failed = f", {self.failed} failed" if self.failed else ""
        return f"{self.finished} of {self.total} rooms{failed}{left}"


def duration_words(seconds: float) -> str:
    """A time to wait, as one says it."""
    if seconds < 90.0:
        return f"{max(seconds, 1.0):.0f} s"
    if seconds < 5400.0:
        return f"{seconds / 60.0:.0f} min"
    return f"{seconds / 3600.0:.1f} h"


Watch = Callable[[Event], None]


def plan_study(study: Study) -> StudyPlan:
    """Rooms and jobs of a study; ProjectInvalid when a room cannot be built."""
    rooms = study_rooms(study)
    return StudyPlan(study=study, rooms=rooms, jobs=study_jobs(study, rooms), expected=expected_of(study))


def plan_again(study: Study, results: StudyResults) -> StudyPlan:
    """The plan of a study whose results are there, some rooms perhaps missing; it knows the finished ones.

    The design is not drawn anew and no room checked again, which takes longer than all else in a run with little to do.

    Parameters
    ----------
    study, results : of this very study by this very software (`whole.known_results`).
    """
    columns, replicate = results.rooms, results.rooms.get("replicate")
    sizes = zip(columns["length_m"], columns["width_m"], columns["height_m"], strict=True)
    rooms = tuple(
        StudyRoom(
            number=k + 1,
            label=columns["label"][k],
            build=columns["build"][k],
            seating=columns["seating"][k],
            project_toml=columns["project_toml"][k],
            replicate=0 if replicate is None else int(replicate[k]),
            properties={name: float(values[k]) for name, values in results.known.properties.items()},
            words={name: words[k] for name, words in results.known.groupings.items()},
            size_m=size,
            volume_m3=columns["volume_m3"][k],
        )
        for k, size in enumerate(sizes)
    )
    expected = expected_of(study)
    finished = {
        columns["key"][k]: JobRecord(
            key=columns["key"][k],
            software=expected.software,
            processor="",
            frequency_hz=results.frequency_hz,
            arrays={entry.path: results.arrays[entry.path][k] for entry in RESULT_FIELDS},
            notes=results.notes[k],
            **{name: float(columns[name][k]) for name in ("decay_s", "seconds", "cpu_seconds")},
        )
        for k, status in enumerate(columns["status"])
        if status == FINISHED
    }
    return StudyPlan(study=study, rooms=rooms, jobs=study_jobs(study, rooms), expected=expected, known=finished)


def finished_jobs(plan: StudyPlan, store: Store, *, mend: bool = True) -> dict[str, JobRecord]:
    """What is known and what the store holds besides of a study, by key.

    Files that are not whole do not count, and `mend` takes them away.
    """
    sought = (job.key for job in plan.jobs if job.key not in plan.known)
    found = ((key, store.record(key, plan.expected, mend=mend)) for key in sought)
    return {**plan.known, **{key: record for key, record in found if record is not None}}


def run_jobs(
    plan: StudyPlan,
    store: Store,
    crew: Crew,
    *,
    finished: Mapping[str, JobRecord],
    watch: Watch | None = None,
    running: Running = Running(),
) -> tuple[dict[str, JobRecord], dict[str, str]]:
    """Do every job that is not finished.

    Parameters
    ----------
    plan, store, crew : what, where to, by whom.
    finished : jobs that need not be done, by key.
    watch : told of every event, and a few times a second.
    running : progress, cancelling; once cancelled, what the workers are at is finished and kept, then Interrupted is
        raised.

    Returns
    -------
    (records by key, reasons by key of the jobs that failed).
    """
    run = _Run(plan, store, crew, finished, watch, running)
    try:
        run.go()
    except BaseException:
        crew.leave(at_once=True)
        raise
    crew.leave(at_once=False)
    return run.records, run.failures


class _Run:
    """The state of one run."""

    def __init__(
        self,
        plan: StudyPlan,
        store: Store,
        crew: Crew,
        finished: Mapping[str, JobRecord],
        watch: Watch | None,
        running: Running,
    ) -> None:
        self._store, self._crew, self._watch, self._running = store, crew, watch, running
        self._expected = plan.expected
        self.records = dict(finished)
        self.failures: dict[str, str] = {}
        self._total = len(dict.fromkeys(job.key for job in plan.jobs))
        self._waiting = deque({job.key: job for job in plan.jobs if job.key not in finished}.values())
        self._suspects: deque[StudyJob] = deque()  # given alone and last, so that a death tells whose it was
        self._in_hand = 0
        self._tries: dict[str, int] = {}
        self._deaths: dict[str, int] = {}
        self._began, self._before = monotonic(), len(self.records)

    def go(self) -> None:
        """Until nothing is left to do."""
        stop_at = inf
        while self._waiting or self._suspects or self._in_hand:
            if not self._running.stop_asked():
                self._hand_out()
            elif stop_at == inf:
                stop_at = monotonic() + STOP_S
            if stop_at < inf and (not self._in_hand or monotonic() >= stop_at):
                text = f"{len(self.records)} of {self._total} rooms are finished and kept; run the same command again"
                raise Interrupted(f"interrupted: {text} to go on", says_what_is_kept=True)
            for done in self._crew.poll(POLL_S):
                self._in_hand -= 1
                self._take(done)
            self._tell("waiting")

    def _hand_out(self) -> None:
        most = self._crew.capacity
        while self._waiting and self._in_hand < most:
            self._give(self._waiting.popleft())
        if self._suspects and not self._waiting and not self._in_hand and most:
            self._give(self._suspects.popleft())

    def _give(self, job: StudyJob) -> None:
        self._crew.give(job)
        self._in_hand += 1

    def _take(self, done: Done) -> None:
        job, key = done.job, done.job.key
        if done.reply is not None:
            self._take_reply(job, done.reply)
        elif done.deaths and not done.sure:
            self._suspects.append(job)
            self._tell("retry", job, "its worker died with it in hand")
        elif done.deaths:
            self._deaths[key] = self._deaths.get(key, 0) + done.deaths
            if self._deaths[key] >= DEATHS:
                self._fail(job, f"set aside: the worker died {self._deaths[key]} times")
            else:
                self._again(job, "the worker died")
        else:
            self._waiting.appendleft(job)  # its worker died before it was begun

    def _take_reply(self, job: StudyJob, reply: Reply) -> None:
        """A result is data that somebody sent: it is kept once it is what was asked for."""
        reason = reply.reason
        if reply.data is not None:
            try:
                record = received_record(reply.data, job.key, self._expected)
            except FileUnusable as unusable:
                reason = f"what its worker sent cannot be used: {unusable}"
            else:
                self._store.save(job.key, reply.data)
                self.records[job.key] = record
                self._tell("job", job)
                return
        self._tries[job.key] = self._tries.get(job.key, 0) + 1
        if self._tries[job.key] >= (OTHER_TRIES if reply.software else TRIES):
            self._fail(job, reason)
        else:
            self._again(job, reason)

    def _again(self, job: StudyJob, reason: str) -> None:
        self._waiting.append(job)
        self._tell("retry", job, reason)

    def _fail(self, job: StudyJob, reason: str) -> None:
        self.failures[job.key] = reason
        self._tell("failed", job, reason)

    def _tell(self, kind: str, job: StudyJob | None = None, reason: str = "") -> None:
        done = len(self.records) - self._before
        left = self._total - len(self.records) - len(self.failures)
        event = Event(
            kind=kind,
            title=job.title if job else "",
            reason=reason,
            finished=len(self.records),
            failed=len(self.failures),
            total=self._total,
            left_s=(monotonic() - self._began) / done * left if done else float("nan"),
        )
        self._running.step("rooms", (event.finished + event.failed) / max(event.total, 1), event.note)
        if self._watch:
            self._watch(event)


def study_in_process(
    plan: StudyPlan, *, running: Running = Running(threads=1), objective: Objective | None = None
) -> StudyResults:
    """A small study without workers or files, for notebooks. A job that fails raises.

    Parameters
    ----------
    plan : the study.
    running : progress, cancelling, threads.
    objective : of one's own, see `solvers.study.answers.answered`; its values stand in the results as `objective`.

    Raises
    ------
    Interrupted : when cancelled.
    ProjectInvalid : the objective gives something else than one number for each plan.
    """
    records: dict[str, JobRecord] = {}
    for number, job in enumerate(plan.jobs, start=1):
        if job.key not in records:
            records[job.key] = do_job(job.text, job.key, running.silent(), objective)
        running.step("rooms", number / len(plan.jobs))
    results = results_of(plan, records, {})
    if objective is None:
        return results
    return replace(results, objective=np.array([records[job.key].arrays["objective"] for job in plan.jobs]))


def results_of(plan: StudyPlan, records: Mapping[str, JobRecord], failures: Mapping[str, str]) -> StudyResults:
    """Everything in one: what is written to the results file.

    Parameters
    ----------
    plan : the study.
    records : of the finished jobs, by key; at least one.
    failures : reasons, by key.
    """
    tables, count = plan.study.tables, len(plan.jobs)
    by_place = {k: records[job.key] for k, job in enumerate(plan.jobs) if job.key in records}
    first = next(iter(by_place.values()))
    arrays = {entry.path: whole for entry, whole in stacked(by_place, count)}
    assert set(arrays) == {entry.path for entry in RESULT_FIELDS}
    nothing, units = ("",) * len(tables.strategies), property_units(tables, plan.study.rows)

    def column(name: str) -> Any:
        return np.array([getattr(by_place[k], name) if k in by_place else np.nan for k in range(count)])

    return StudyResults(
        study_toml=plan.study.toml_text,
        table_text=plan.study.table_text,
        study_sha256=plan.study.sha256,
        made=Made.now(tables.seed),
        frequency_hz=first.frequency_hz,
        strategies=tuple(strategy.name for strategy in tables.strategies),
        subs=np.array([strategy.subs for strategy in tables.strategies], dtype=np.int64),
        rooms={
            **_sizes(plan.rooms),
            "decay_s": column("decay_s"),
            "seconds": column("seconds"),
            "cpu_seconds": column("cpu_seconds"),
            "label": tuple(room.label for room in plan.rooms),
            "build": tuple(room.build for room in plan.rooms),
            "seating": tuple(room.seating for room in plan.rooms),
            "status": tuple(
                FINISHED if k in by_place else failures.get(job.key, "not done") for k, job in enumerate(plan.jobs)
            ),
            "key": tuple(job.key for job in plan.jobs),
            "project_toml": tuple(room.project_toml for room in plan.rooms),
            **({"replicate": np.array([room.replicate for room in plan.rooms])} if plan.rooms[0].replicate else {}),
        },
        known=KnownOfRooms(
            properties={name: np.array([room.properties[name] for room in plan.rooms]) for name in units},
            units=units,
            groupings={name: tuple(room.words[name] for room in plan.rooms) for name in plan.rooms[0].words},
        ),
        arrays=arrays,
        notes=tuple(by_place[k].notes if k in by_place else nothing for k in range(count)),
    )


def _sizes(rooms: Sequence[StudyRoom]) -> dict[str, Any]:
    size = np.array([room.size_m for room in rooms])
    return {
        "length_m": size[:, 0],
        "width_m": size[:, 1],
        "height_m": size[:, 2],
        "volume_m3": np.array([room.volume_m3 for room in rooms]),
    }
