"""How long a study will take and how large it will be, from a few of its jobs that are done and thrown away."""

from collections.abc import Sequence
from dataclasses import dataclass
from time import monotonic

from roommodes.responses.frequency_grid import log_grid
from roommodes.running import Running
from roommodes.studies.reading import Study
from roommodes.studies.records import StudyJob
from roommodes.studies.results import expected_study_bytes
from solvers.study.job import do_job
from solvers.study.run import StudyPlan, finished_jobs
from solvers.study.store import Store

TIMED_JOBS, TIMED_S = 6, 15.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """What a run will take.

    Parameters
    ----------
    jobs, finished : how many there are, one per room, and how many of them need not be done.
    workers : processes that it is reckoned with.
    timed_s : what each of a few jobs took just now [s]; empty where none is left.
    job_bytes, results_bytes : size of one job file and of the results, about [bytes].
    """

    jobs: int
    finished: int
    workers: int
    timed_s: tuple[float, ...]
    job_bytes: int
    results_bytes: int

    @property
    def seconds(self) -> float:
        """Of the whole run by the clock, about; 0 where nothing is left to do [s]."""
        mean_s = sum(self.timed_s) / len(self.timed_s) if self.timed_s else 0.0
        return mean_s * (self.jobs - self.finished) / self.workers

    @property
    def size_bytes(self) -> int:
        """Of results and job files, about [bytes]."""
        return self.job_bytes * self.jobs + self.results_bytes


def forecast(plan: StudyPlan, store: Store, *, workers: int, running: Running = Running()) -> Forecast:
    """Foresee a run; nothing is written.

    Parameters
    ----------
    plan, store : what, and where finished jobs are kept.
    workers : processes.
    running : progress and cancelling.

    Raises
    ------
    Interrupted : cancelled.
    """
    finished = finished_jobs(plan, store, mend=False) if store.folder.is_dir() else {}
    left = [job for job in plan.jobs if job.key not in finished]
    job_bytes, results_bytes = study_bytes(plan.study, len(plan.jobs))
    return Forecast(
        jobs=len(plan.jobs),
        finished=len(finished),
        workers=workers,
        timed_s=tuple(timed_jobs(left, running=running)),
        job_bytes=job_bytes,
        results_bytes=results_bytes,
    )


def study_bytes(study: Study, rooms: int) -> tuple[int, int]:
    """About how large one job file and the results file will be [bytes]."""
    tables = study.tables
    return expected_study_bytes(
        n_room=rooms,
        n_strategy=len(tables.strategies),
        n_freq=len(log_grid(*tables.search.band_hz, tables.search.points_per_octave)),
        n_sub=max(strategy.subs for strategy in tables.strategies),
    )


def timed_jobs(jobs: Sequence[StudyJob], *, running: Running = Running()) -> list[float]:
    """Do a few jobs, evenly from all, and tell how long each took; their results are dropped [s].

    The first is done twice, since it loads what all share; after `TIMED_S` no further one is begun. Raises Interrupted.
    """
    count = min(TIMED_JOBS, len(jobs))
    chosen = [jobs[k * len(jobs) // count] for k in range(count)]
    timed: list[float] = []
    began = monotonic()
    for number, job in enumerate(chosen[:1] + chosen):
        running.check("interrupted: nothing was written")
        if timed and monotonic() - began > TIMED_S:
            break
        running.step("timing a few jobs", number / (count + 1))
        taken = do_job(job.text, job.key).seconds
        timed = [taken] if number == 1 else [*timed, taken]
    return timed
