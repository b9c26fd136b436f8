"""Strategies compared over many rooms."""
# ruff: noqa: PLC0415 (the solvers wait until they are asked)

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from roommodes.errors import FileUnusable
from roommodes.project.project import Project
from roommodes.running import Running
from roommodes.studies.reading import Study as Asked
from roommodes.studies.reading import load_study, parse_study
from roommodes.studies.results import StudyResults, read_study

if TYPE_CHECKING:
    import xarray

    from solvers.search.objective import Objective
    from solvers.study.compare import StudyComparison
    from solvers.study.forecast import Forecast
    from solvers.study.whole import StudyDone


@dataclass(frozen=True, slots=True, kw_only=True)
class Study:
    """A study, and the file that its results go into.

    Parameters
    ----------
    asked : rooms and strategies, as the study file gives them.
    output : where the results go; finished rooms are kept beside it, in the folder OUTPUT.jobs.
    """

    asked: Asked
    output: Path

    def run(
        self, *, workers: int | None = None, scheduler: str | None = None, running: Running | None = None
    ) -> StudyResults:
        """Do every room that is not finished and write the results; the same as `roommodes study`.

        Stopped or killed at any moment, it goes on where it was when it is run again.

        Parameters
        ----------
        workers : processes; left out, one per processor.
        scheduler : address of a dask.distributed scheduler to send the jobs to.
        running : progress and cancelling.

        Raises
        ------
        Interrupted : cancelled; what was finished is kept.
        FileUnusable : somebody else's file stands where the results go, or another run works there.
        ProjectInvalid : a room cannot be built, or no room had a result.
        """
        from solvers.study.run import plan_again, plan_study
        from solvers.study.whole import Cluster, known_results, run_study

        there = known_results(self.asked, self.output)
        if there is not None and not there.failed:
            return there
        plan = plan_again(self.asked, there) if there is not None else plan_study(self.asked)
        cluster = None if scheduler is None else Cluster(address=scheduler)
        running = running or Running()
        done = run_study(plan, self.output, workers=workers, cluster=cluster, running=running)
        return done.required()

    def shard(
        self,
        number: int,
        count: int,
        *,
        jobs: str | Path | None = None,
        workers: int | None = None,
        running: Running | None = None,
    ) -> StudyDone:
        """Do a part of the study: every `count`th room, from the `number`th on; the same as ``--shard number/count``.

        Parameters
        ----------
        number, count : which part, from 1, of how many.
        jobs : the folder where its finished rooms are kept; left out, OUTPUT.jobs.
        workers : processes; left out, one per processor.
        running : progress and cancelling.

        Returns
        -------
        How it ended: `finished` rooms, and those that `failed`, each with its reason. No results are written.

        Raises
        ------
        Interrupted : cancelled; what was finished is kept.
        FileUnusable : another run works in that folder.
        OutsideModel, ProjectInvalid : there is no such part; a room cannot be built.
        """
        from solvers.study.run import plan_study
        from solvers.study.shards import Shard
        from solvers.study.whole import Parting, run_study

        part = Parting(shard=Shard(number=number, count=count), jobs=None if jobs is None else Path(jobs))
        return run_study(
            plan_study(self.asked), self.output, workers=workers, parting=part, running=running or Running()
        )

    def gather(self, *folders: str | Path) -> StudyResults:
        """Join the finished rooms of several folders and write the results; nothing is computed.

        Rooms that no folder has stand as missing in the results (`failed`).

        Raises
        ------
        FileUnusable : a folder holds jobs of another study, of other software or damaged ones; or somebody else's file
            stands where the results go.
        ProjectInvalid : no folder has any room of this study.
        """
        from solvers.study.run import plan_study
        from solvers.study.whole import Parting, run_study

        if not folders:
            raise FileUnusable("gather: give the folders where the shards kept their rooms")
        parting = Parting(gather=tuple(Path(folder) for folder in folders))
        return run_study(plan_study(self.asked), self.output, parting=parting).required()

    def forecast(self, *, workers: int = 1, running: Running | None = None) -> Forecast:
        """How many rooms are left, how long they will take and how large the files will be; from a few that are timed.

        Parameters
        ----------
        workers : processes that the time is reckoned for.
        running : progress and cancelling.

        Raises
        ------
        Interrupted : cancelled.
        ProjectInvalid : a room cannot be built.
        """
        from solvers.study.forecast import forecast
        from solvers.study.run import plan_study
        from solvers.study.store import store_of

        plan = plan_study(self.asked)
        return forecast(plan, store_of(self.output), workers=workers, running=running or Running())

    def here(
        self, *, threads: int = 1, running: Running | None = None, objective: Objective | None = None
    ) -> StudyResults:
        """A small study done here and now, without workers or files.

        Parameters
        ----------
        threads : at most.
        running : progress and cancelling.
        objective : of your own, level_db (n_plan, n_freq, n_seat) -> (n_plan,), less is better [dB re 1/m with the
            loudest sub at 0 dB]. What a strategy searches or trims is searched for it in place of the variation; the
            results' `objective` (n_room, n_strategy) has its values, all other figures are as ever. It cannot go to
            worker processes, so only this takes it.

        Raises
        ------
        Interrupted : when cancelled.
        OutsideModel, ProjectInvalid : a room cannot be built, or the model cannot take it; the objective gives
            something else than one number for each plan.
        """
        from solvers.study.run import plan_study, study_in_process

        running = running or Running(threads=threads)
        return study_in_process(plan_study(self.asked), running=running, objective=objective)

    def rooms(self) -> tuple[Project, ...]:
        """All rooms of the study as projects, in order, to look closer; as `roommodes study --room N` writes them.

        Raises
        ------
        ProjectInvalid : a room cannot be built as it is drawn.
        """
        from roommodes.studies.design import room_project, study_rooms

        return tuple(room_project(room) for room in study_rooms(self.asked))

    def results(self) -> StudyResults:
        """The results of a run.

        Raises
        ------
        FileUnusable : it was not run yet, or the file cannot be read.
        """
        if not self.output.exists():
            raise FileUnusable(f"{self.output}: there is no such file yet; run the study first")
        return read_study(self.output)

    def comparison(self) -> StudyComparison:
        """Every pair of strategies compared room by room, from the results of a run."""
        from solvers.study.compare import compare

        return compare(self.results())

    def to_xarray(self) -> xarray.Dataset:
        """The results of a run with their axes named; PackageMissing without xarray."""
        return self.results().to_xarray()

    def report(self, path: str | Path, *, force: bool = False) -> None:
        """Write the report of a run as one page, .html; FileUnusable says why it cannot be written."""
        from cli.report.html import report_html
        from cli.report.study import study_report
        from roommodes.storage.whole_file import write_whole

        results = self.results()
        page = report_html(study_report(self.asked, results, self.comparison()))
        write_whole(Path(path), page, force=force)

    def table(self, path: str | Path, *, force: bool = False) -> None:
        """Write every room and strategy of a run as a table, .csv; FileUnusable says why it cannot be written."""
        from cli.formats.study_files import study_csv
        from roommodes.storage.whole_file import write_whole

        write_whole(Path(path), study_csv(self.results()), force=force)


def study(path: str | Path, *, output: str | Path | None = None) -> Study:
    """A study from its file.

    Parameters
    ----------
    path : the study file (TOML); `template("study")` gives one to begin with.
    output : where its results go; left out, beside the study file with .h5.

    Raises
    ------
    ProjectInvalid : with every fault that could be found.
    FileUnusable : it cannot be read.

    Example: ``study = rm.study("two-or-four.toml"); study.run(workers=2); study.comparison()``
    """
    file = Path(path)
    return Study(asked=load_study(file), output=file.with_suffix(".h5") if output is None else Path(output))


def study_from(text: str, *, output: str | Path = "study.h5") -> Study:
    """A study from its text; `here` does it without files. Raises as `study`.

    Parameters
    ----------
    text : of a study file that names no table of rooms.
    output : where the results go if it is run.
    """
    return Study(asked=parse_study(text, source="study"), output=Path(output))


def compare_strategies(results: StudyResults) -> StudyComparison:
    """Every pair of strategies compared room by room, with confidence intervals over the rooms.

    Parameters
    ----------
    results : of a study.
    """
    from solvers.study.compare import compare

    return compare(results)
