"""A study from its file to its results file: workers, what was finished before, the comparison, the writing."""

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from roommodes.errors import Fault, FileUnusable, ProjectInvalid
from roommodes.running import Running
from roommodes.storage.whole_file import check_target
from roommodes.studies.results import StudyResults, read_study, write_study
from solvers.search.kernels.compiled import compile_once, compiled_before
from solvers.study.cluster import ClusterCrew, Patience
from solvers.study.compare import StudyComparison, compare, comparison_columns
from solvers.study.job import run_job, searches
from solvers.study.run import StudyPlan, Watch, finished_jobs, results_of, run_jobs
from solvers.study.store import opened, store_of
from solvers.study.workers import Crew, LocalCrew


@dataclass(frozen=True, slots=True, kw_only=True)
class Cluster:
    """A dask.distributed scheduler to send the jobs to, and how long it is waited for."""

    address: str
    patience: Patience = field(default_factory=Patience)


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """Who is told what while a study runs.

    Parameters
    ----------
    planned : how many jobs were finished before.
    warning, remark : what a person should know, in sentences.
    event : every event, and a few times a second.
    """

    planned: Callable[[int], None] = lambda finished: None
    warning: Callable[[str], None] = lambda text: None
    remark: Callable[[str], None] = lambda text: None
    event: Watch | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StudyDone:
    """How a run of a study ended.

    Parameters
    ----------
    plan : rooms and jobs.
    results, compared : what was written; None where no room had a result.
    failed : (room, reason) of the jobs that failed.
    """

    plan: StudyPlan
    results: StudyResults | None
    compared: StudyComparison | None
    failed: tuple[tuple[str, str], ...]

    def required(self) -> StudyResults:
        """The results; ProjectInvalid with every reason where there are none."""
        if self.results is None:
            faults = [Fault(where=title, message=f"no result: {reason}") for title, reason in self.failed]
            raise ProjectInvalid(self.plan.study.tables.name, faults)
        return self.results


def run_study(
    plan: StudyPlan,
    target: Path,
    *,
    workers: int | None = None,
    cluster: Cluster | None = None,
    may_replace: Callable[[], bool] | None = None,
    told: Told = Told(),
    running: Running = Running(),
) -> StudyDone:
    """Run what is not finished and write the results; finished rooms are kept beside the results file.

    Parameters
    ----------
    plan, target : the study, and where its results go.
    workers : processes; None for one per processor.
    cluster : a scheduler to send the jobs to, in place of own processes.
    may_replace : whether what stands under the target's name may go; None for the study's own results alone.
    told : who is told what.
    running : progress and cancelling.

    Raises
    ------
    Interrupted : cancelled; what was finished is kept.
    FileUnusable : somebody else's file stands there, or another run works there.
    """
    allowed = may_replace or (lambda: is_own(plan, target))
    check_target(target, force=allowed())
    store = store_of(target)
    with opened(store, target):
        records, failures = finished_jobs(plan, store), dict[str, str]()
        if other := store.other_software(plan.expected.software, records):
            told.warning(f"{store.folder.name}: {other}")
        told.planned(len(records))
        if len(records) < len({job.key for job in plan.jobs}):
            crew = _crew(plan, workers or running.thread_count, cluster, told, running)
            records, failures = run_jobs(plan, store, crew, finished=records, watch=told.event, running=running)
        failed = tuple((job.title, failures[job.key]) for job in plan.jobs if job.key in failures)
        if not records:
            return StudyDone(plan=plan, results=None, compared=None, failed=failed)
        results = results_of(plan, records, failures)
        compared = compare(results)
        write_study(target, results, comparison_columns(results, compared), force=allowed())
    return StudyDone(plan=plan, results=results, compared=compared, failed=failed)


def is_own(plan: StudyPlan, target: Path) -> bool:
    """Whether a file holds results of this very study; one that is not there does not."""
    try:
        return target.is_file() and read_study(target).study_sha256 == plan.study.sha256
    except FileUnusable:
        return False


def _crew(plan: StudyPlan, workers: int, cluster: Cluster | None, told: Told, running: Running) -> Crew:
    """The workers, once the kernels are compiled."""
    if cluster is not None:
        work = f"{run_job.__module__}:{run_job.__name__}"
        software = plan.expected.software
        return ClusterCrew(work, cluster.address, software, patience=cluster.patience, say=told.remark)
    if searches(plan.study) and not compiled_before():
        running.step("compiling, this once", 0.0)
        compile_once(running)
        running.check("interrupted while the search was compiled, which is done once")
        running.step("compiling, this once", 1.0)
    return LocalCrew(run_job, min(workers, len(plan.jobs)))
