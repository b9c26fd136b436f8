"""A study from its file to its results file: workers, what was finished before, the comparison, the writing."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from roommodes.errors import Fault, FileUnusable, ProjectInvalid
from roommodes.running import Running
from roommodes.storage.whole_file import check_target
from roommodes.studies.reading import Study
from roommodes.studies.records import JobRecord
from roommodes.studies.results import RESULT_FIELDS, StudyResults, read_study, study_mark, write_study
from solvers.search.kernels.compiled import compile_once, compiled_before
from solvers.study.cluster import ClusterCrew, Patience
from solvers.study.compare import StudyComparison, compare, comparison_columns
from solvers.study.job import job_keys, run_job, searches
from solvers.study.run import StudyPlan, Watch, finished_jobs, results_of, run_jobs
from solvers.study.shards import Shard, failures_of, gathered
from solvers.study.store import Lock, Store, opened, store_of
from solvers.study.workers import Crew, LocalCrew


@dataclass(frozen=True, slots=True, kw_only=True)
class Cluster:
    """A dask.distributed scheduler to send the jobs to, and how long it is waited for."""

    address: str
    patience: Patience = field(default_factory=Patience)


@dataclass(frozen=True, slots=True, kw_only=True)
class Parting:
    """How a study is done in parts.

    Parameters
    ----------
    shard : the part to do; its jobs are kept, no results are written. None for the whole study.
    gather : folders of job files that are joined; nothing is computed then. Empty to compute.
    jobs : where finished jobs are kept; None for the folder beside the results.
    lock : how other runs are kept out of that folder.
    """

    shard: Shard | None = None
    gather: tuple[Path, ...] = ()
    jobs: Path | None = None
    lock: Lock = "system"

    def store(self, target: Path) -> Store:
        """Where finished jobs are kept."""
        return store_of(target) if self.jobs is None else Store(folder=self.jobs)


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
    results, compared : what was written; None where no room had a result, and after a shard.
    finished : how many rooms have a result.
    failed : (room, reason) of the jobs that failed.
    """

    plan: StudyPlan
    results: StudyResults | None
    compared: StudyComparison | None
    failed: tuple[tuple[str, str], ...]
    finished: int = 0

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
    parting: Parting = Parting(),
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
    parting : a part of the study, or parts joined; the whole if left out.
    told : who is told what.
    running : progress and cancelling.

    Raises
    ------
    Interrupted : cancelled; what was finished is kept.
    FileUnusable : somebody else's file stands there, or another run works there.
    """
    allowed = may_replace or (lambda: is_own(plan, target))
    if parting.gather:
        check_target(target, force=allowed())
        records = gathered(plan, parting.gather)
        told.planned(len(records))
        return _written(plan, target, records, failures_of(plan, records), allowed)
    if parting.shard is not None:
        plan = parting.shard.part_of(plan)
    else:
        check_target(target, force=allowed())
    store = parting.store(target)
    with opened(store, target, lock=parting.lock):
        records, failures = finished_jobs(plan, store), dict[str, str]()
        if other := store.other_software(plan.expected.software, records):
            told.warning(f"{store.folder.name}: {other}")
        told.planned(len(records))
        if len(records) < len({job.key for job in plan.jobs}):
            crew = _crew(plan, workers or running.thread_count, cluster, told, running)
            records, failures = run_jobs(plan, store, crew, finished=records, watch=told.event, running=running)
        if parting.shard is not None:
            return StudyDone(
                plan=plan, results=None, compared=None, failed=_failed(plan, failures), finished=len(records)
            )
        return _written(plan, target, records, failures, allowed)


def _written(
    plan: StudyPlan,
    target: Path,
    records: Mapping[str, JobRecord],
    failures: Mapping[str, str],
    allowed: Callable[[], bool],
) -> StudyDone:
    """The results of finished jobs, compared and in their file."""
    failed = _failed(plan, failures)
    if not records:
        return StudyDone(plan=plan, results=None, compared=None, failed=failed)
    results = results_of(plan, records, failures)
    compared = compare(results)
    write_study(target, results, comparison_columns(results, compared), force=allowed())
    return StudyDone(plan=plan, results=results, compared=compared, failed=failed, finished=len(records))


def _failed(plan: StudyPlan, failures: Mapping[str, str]) -> tuple[tuple[str, str], ...]:
    return tuple((job.title, failures[job.key]) for job in plan.jobs if job.key in failures)


def is_own(plan: StudyPlan, target: Path) -> bool:
    """Whether a file holds results of this very study; one that is not there does not."""
    try:
        return target.is_file() and study_mark(target) == plan.study.sha256
    except FileUnusable:
        return False


def known_results(study: Study, target: Path) -> StudyResults | None:
    """Results of this very study by this very software, some rooms perhaps missing; None where there are none.

    The keys of its rooms are those of the jobs that would be planned; nothing but the results file is read.

    Parameters
    ----------
    study, target : the study, and where its results go.
    """
    try:
        if not target.is_file() or study_mark(target) != study.sha256:
            return None
        results = read_study(target)
    except FileUnusable:
        return None
    same = job_keys(study, results.rooms["project_toml"]) == results.rooms["key"]
    return results if same and all(entry.path in results.arrays for entry in RESULT_FIELDS) else None


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
