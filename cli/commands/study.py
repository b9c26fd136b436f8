"""`roommodes study`: hundreds of rooms, fairly compared."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.terminal.guard import guarded, interruptible
from cli.terminal.options import Debug, Force, Quiet
from cli.terminal.output import Page, counted, print_json_line, say_error, warn
from cli.terminal.progress import progress
from cli.terminal.targets import check_targets

if TYPE_CHECKING:
    from collections.abc import Callable

    from cli.formats.study_files import Kind, StudyTargets
    from roommodes.studies.reading import Study
    from roommodes.studies.results import StudyResults
    from solvers.study.compare import StudyComparison
    from solvers.study.run import Event, StudyPlan
    from solvers.study.store import Store
    from solvers.study.whole import Cluster, Parting, StudyDone

EXIT_FAILURES = 4
STOPPING = "stopping: up to 3 s for the rooms in hand; what is finished is kept; once more to end at once"


@guarded
def study(
    file: Annotated[
        Path,
        typer.Argument(metavar="FILE", help="Study file (TOML) to run, or results (HDF5) to show.", show_default=False),
    ],
    output: Annotated[
        Path | None,
        typer.Option("--output", "-o", metavar="STUDY.h5", help="Where the results go; FILE with .h5 if left out."),
    ] = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Only say how many jobs there are, how long and how large; write nothing.")
    ] = False,
    workers: Annotated[
        int | None, typer.Option("--workers", min=1, max=1024, help="Processes; else one per processor.")
    ] = None,
    scheduler: Annotated[
        str | None,
        typer.Option("--scheduler", metavar="ADDRESS", help="Send the jobs to this dask.distributed scheduler."),
    ] = None,
    answer_limit: Annotated[
        float,
        typer.Option("--answer-limit", metavar="S", min=1.0, max=3600.0, help="Longest wait for a first answer."),
    ] = 20.0,
    silence_limit: Annotated[
        float,
        typer.Option("--silence-limit", metavar="S", min=5.0, max=86400.0, help="Silence that counts as lost."),
    ] = 60.0,
    worker_limit: Annotated[
        float,
        typer.Option("--worker-limit", metavar="S", min=1.0, max=604800.0, help="Longest wait without any worker."),
    ] = 300.0,
    shard: Annotated[
        str | None,
        typer.Option("--shard", metavar="K/N", help="Do only every Nth room from the Kth; keep, write no results."),
    ] = None,
    jobs: Annotated[
        Path | None, typer.Option("--jobs", metavar="FOLDER", help="Keep finished rooms there, not in STUDY.h5.jobs.")
    ] = None,
    gather: Annotated[
        list[Path] | None,
        typer.Option("--gather", metavar="FOLDER", help="Join the rooms kept in these folders; compute none."),
    ] = None,
    lock: Annotated[str, typer.Option("--lock", help="system, or file where the file system has no locks.")] = "system",
    room: Annotated[
        int | None, typer.Option("--room", min=1, help="Only write this room as a project file, to -o.")
    ] = None,
    table: Annotated[
        Path | None, typer.Option("--csv", metavar="CSV", help="Also write every room and strategy as a table.")
    ] = None,
    page: Annotated[
        Path | None, typer.Option("--report", metavar="HTML", help="Also write a report, one page.")
    ] = None,
    force: Force = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print events and results for machines, one JSON value per line.")
    ] = False,
    quiet: Quiet = False,
    debug: Debug = False,
) -> None:
    """Compare strategies over a family of rooms, on this machine or a cluster.

    Stop or kill it at any time; the same command resumes. Finished rooms are kept in STUDY.h5.jobs.

    Example: roommodes study two-or-four.toml -o study.h5 --report study.html
    """
    if page is not None and page.suffix.lower() not in (".html", ".htm"):
        raise typer.BadParameter(f"got {page.name!r}; allowed: a name that ends in .html", param_hint="--report")
    if _is_results(file):
        if dry_run or scheduler or workers or room or output or shard or jobs or gather:
            text = "these are results already; of them only --csv and --report can be made"
            raise typer.BadParameter(text, param_hint="FILE")
        _show(file, table, page, force=force, as_json=as_json, quiet=quiet)
        return
    from roommodes.studies.reading import load_study

    wanted = load_study(file)
    if room is not None:
        _write_room(wanted, room, output or Path(f"room{room}.toml"), force=force, as_json=as_json, quiet=quiet)
        return
    from cli.formats.study_files import StudyTargets
    from solvers.study.run import plan_again, plan_study
    from solvers.study.whole import known_results

    parting = _parting(shard, jobs, gather, lock)
    target = output or Path(file.stem + ".h5")
    targets = StudyTargets(study_sha256=wanted.sha256, results=target, table=table, page=page, force=force)
    there = None if dry_run or shard or gather else known_results(wanted, target)
    if there is not None and not there.failed:
        _show_whole(wanted, there, targets, as_json=as_json, quiet=quiet)
        return
    count = workers or _processors()
    plan = plan_again(wanted, there) if there is not None else plan_study(wanted)
    if dry_run:
        part = plan if parting.shard is None else parting.shard.part_of(plan)
        _foresee(part, target, parting.store(target), count, as_json=as_json)
        return
    if parting.shard is None:
        store = parting.store(target)
        kept = [*parting.gather, store.folder]
        targets.check(wanted.paths, needed_bytes=_needed_bytes(plan, store), kept=kept)
    cluster = None
    if scheduler is not None:
        from solvers.study.cluster import Patience
        from solvers.study.whole import Cluster

        patience = Patience(answer_s=answer_limit, silence_s=silence_limit, workers_s=worker_limit)
        cluster = Cluster(address=scheduler, patience=patience)
    failed = _run(plan, targets, count, cluster, parting, as_json=as_json, quiet=quiet)
    if failed:
        say_error(
            [f"{title}: no result: {reason}" for title, reason in failed]
            + [
                f"{counted(len(failed), 'room')} missing; the others are in {target}. Run the shards that lack them, "
                "then gather again."
                if gather
                else f"{counted(len(failed), 'room')} failed; the others are in "
                f"{target if parting.shard is None else parting.store(target).folder}. "
                "The same command tries them again."
            ]
        )
        raise typer.Exit(EXIT_FAILURES)


def _show_whole(
    wanted: "Study", results: "StudyResults", targets: "StudyTargets", *, as_json: bool, quiet: bool
) -> None:
    """Results that lack nothing, as a run would end that has nothing to do."""
    from solvers.study.compare import compare

    targets.check(wanted.paths, needed_bytes=0)
    if as_json:
        print_json_line({"event": "planned", "jobs": results.n_room, "finished": results.n_room})
    words = f"All {results.n_room} rooms were finished before; {targets.results} stands as it was."
    _tell(wanted, results, compare(results), targets, words, as_json=as_json, quiet=quiet)


def _tell(
    wanted: "Study",
    results: "StudyResults",
    compared: "StudyComparison",
    targets: "StudyTargets",
    last: str,
    *,
    as_json: bool,
    quiet: bool,
) -> None:
    """The summary of results that are in their file, and the table and the report that are asked for."""
    _write_extras(wanted, results, compared, table=targets.table, page=targets.page, may_replace=targets.may_replace)
    if as_json:
        from cli.words.study import study_json

        print_json_line({"event": "finished", "written": str(targets.results), **study_json(results, compared)})
    elif not quiet:
        from cli.words.study import print_study

        page = Page()
        print_study(page, wanted, results, compared)
        page.line(last)


def _is_results(file: Path) -> bool:
    from roommodes.storage.ordinary_file import HDF5_SIGNATURE, starts_with

    return starts_with(file, HDF5_SIGNATURE)


def _processors() -> int:
    from roommodes.running import Running

    return Running().thread_count


def _run(
    plan: "StudyPlan",
    targets: "StudyTargets",
    workers: int,
    cluster: "Cluster | None",
    parting: "Parting",
    *,
    as_json: bool,
    quiet: bool,
) -> list[tuple[str, str]]:
    """Run what is not finished and write the results; (room, reason) of what failed."""
    from solvers.study.whole import Told, run_study

    target = targets.results

    def planned(finished: int) -> None:
        if as_json:
            print_json_line({"event": "planned", "jobs": len(plan.jobs), "finished": finished})

    told = Told(
        planned=planned,
        warning=lambda text: None if quiet else warn([text]),
        remark=lambda text: None if quiet else say_error([text]),
        event=_json_event if as_json else None,
    )
    with interruptible(STOPPING) as stop_asked, progress(quiet=quiet, cancelled=stop_asked) as running:
        done = run_study(
            plan,
            target,
            workers=workers,
            cluster=cluster,
            may_replace=lambda: targets.may_replace("results"),
            parting=parting,
            told=told,
            running=running,
        )
    if parting.shard is not None:
        _say_shard(done, parting.store(target).folder, as_json=as_json, quiet=quiet)
    results, compared = done.results, done.compared
    if results is None or compared is None:
        return list(done.failed)
    kept = f"finished rooms are kept in {parting.store(target).folder.name}, for another run."
    words = f"Results written to {target}" + ("." if parting.gather else f"; {kept}")
    _tell(plan.study, results, compared, targets, words, as_json=as_json, quiet=quiet)
    return list(done.failed)


def _parting(shard: str | None, jobs: Path | None, gather: list[Path] | None, lock: str) -> "Parting":
    """What is to be done of the study, and where it is kept."""
    from solvers.study.shards import Shard
    from solvers.study.whole import Parting

    if lock not in ("system", "file"):
        raise typer.BadParameter(f"got {lock!r}; allowed: system, file", param_hint="--lock")
    if gather and (shard or jobs):
        raise typer.BadParameter("it joins what is done; leave out --shard and --jobs", param_hint="--gather")
    try:
        part = None if shard is None else Shard.of(shard)
    except ValueError as error:
        raise typer.BadParameter(str(error), param_hint="--shard") from None
    return Parting(shard=part, jobs=jobs, gather=tuple(gather or ()), lock="file" if lock == "file" else "system")


def _say_shard(done: "StudyDone", folder: Path, *, as_json: bool, quiet: bool) -> None:
    if as_json:
        print_json_line({"event": "kept", "folder": str(folder), "rooms": done.finished})
    elif not quiet:
        page = Page()
        page.line(f"{counted(done.finished, 'room')} of this shard kept in {folder}. When all shards are done:")
        page.command("roommodes", "study", "FILE", "--gather", folder)


def _json_event(event: "Event") -> None:
    """One line for whoever reads along."""
    if event.kind == "waiting":
        return
    print_json_line(
        {
            "event": event.kind,
            "room": event.title,
            **({"reason": event.reason} if event.reason else {}),
            "finished": event.finished,
            "failed": event.failed,
            "jobs": event.total,
            "left_s": event.left_s,
        }
    )


def _needed_bytes(plan: "StudyPlan", store: "Store") -> int:
    """What a run may still write: the results, and a file for each room that has none yet [bytes]."""
    from solvers.study.forecast import study_bytes

    job_bytes, whole_bytes = study_bytes(plan.study, len(plan.jobs))
    return whole_bytes + job_bytes * max(0, len(plan.jobs) - store.count())


def _foresee(plan: "StudyPlan", target: Path, store: "Store", workers: int, *, as_json: bool) -> None:
    """How many jobs, how long, how large: from a few jobs that are timed here and thrown away."""
    from solvers.study.forecast import forecast
    from solvers.study.run import duration_words

    with interruptible() as stop_asked, progress(quiet=as_json, cancelled=stop_asked) as running:
        seen = forecast(plan, store, workers=workers, running=running)
    if as_json:
        print_json_line(
            {
                "event": "foreseen",
                "jobs": seen.jobs,
                "finished": seen.finished,
                "workers": workers,
                "timed_jobs": list(seen.timed_s),
                "seconds": seen.seconds,
                "bytes": seen.size_bytes,
            }
        )
        return
    page = Page()
    count = len(plan.study.tables.strategies)
    strategies = "1 strategy" if count == 1 else f"{count} strategies"
    page.line(
        f"{plan.study.tables.name}: {counted(seen.jobs, 'job')}, one per room with {strategies}; "
        f"{seen.finished} finished."
    )
    if seen.timed_s:
        page.line(
            f"Time: about {duration_words(seen.seconds)} with {counted(workers, 'worker')}: "
            f"{counted(len(seen.timed_s), 'job')} timed just now took {_seconds(seen.timed_s)}. "
            "Others may take longer; large and glazed rooms do."
        )
    page.line(
        f"Size: about {seen.size_bytes / 1e6:.1f} MB, of which {target} {seen.results_bytes / 1e6:.1f} MB. "
        "Nothing was written."
    )


def _write_room(wanted: "Study", number: int, target: Path, *, force: bool, as_json: bool, quiet: bool) -> None:
    from roommodes.storage.whole_file import write_whole
    from roommodes.studies.design import study_rooms

    rooms = study_rooms(wanted)
    if number > len(rooms):
        raise typer.BadParameter(f"got {number}; the study has {len(rooms)} rooms", param_hint="--room")
    check_targets({"--output": target}, inputs=wanted.paths, force=force)
    write_whole(target, rooms[number - 1].project_toml.encode(), force=force)
    if as_json:
        print_json_line({"written": str(target)})
    elif not quiet:
        out = Page()
        out.line(f"Wrote {rooms[number - 1].title} to {target}. To look closer:")
        out.command("roommodes", "optimise", target)


def _show(file: Path, table: Path | None, page: Path | None, *, force: bool, as_json: bool, quiet: bool) -> None:
    """Results that are there: the summary again, as table and report if wished."""
    from cli.words.study import print_study, study_json
    from roommodes.studies.reading import parse_study
    from roommodes.studies.results import read_study
    from solvers.study.compare import compare

    results = read_study(file)
    wanted = parse_study(results.study_toml, source=f"{file}/study_toml", table_text=results.table_text)
    check_targets({"--csv": table, "--report": page}, inputs=[file], force=force)
    compared = compare(results)
    _write_extras(wanted, results, compared, table=table, page=page, may_replace=lambda kind: force)
    if as_json:
        print_json_line(study_json(results, compared))
    elif not quiet:
        print_study(Page(), wanted, results, compared)


def _write_extras(
    wanted: "Study",
    results: "StudyResults",
    compared: "StudyComparison",
    *,
    table: Path | None,
    page: Path | None,
    may_replace: "Callable[[Kind], bool]",
) -> None:
    """The table and the report, where they are asked for."""
    from roommodes.storage.whole_file import write_whole

    if table is not None:
        from cli.formats.study_files import study_csv

        write_whole(table, study_csv(results), force=may_replace("table"))
    if page is not None:
        from cli.report.html import report_html
        from cli.report.study import study_report

        write_whole(page, report_html(study_report(wanted, results, compared)), force=may_replace("page"))


def _seconds(times: Sequence[float]) -> str:
    """Least and most of some times [s]."""
    return f"{times[0]:.2f} s" if len(times) == 1 else f"{min(times):.2f} to {max(times):.2f} s each"
