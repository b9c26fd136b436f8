"""`roommodes optimise`: from a project to a plan."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.terminal.ending import EXIT_INTERRUPTED
from cli.terminal.guard import guarded, interruptible
from cli.terminal.options import AnyFolder, Debug, Force, Json, ProjectFile, Quiet
from cli.terminal.output import Page, counted, print_json, say_error, warn
from cli.terminal.progress import progress
from cli.terminal.targets import check_targets

if TYPE_CHECKING:
    from roommodes.measured.data import MeasuredSet
    from roommodes.plan.plan import Results
    from roommodes.project.project import Project
    from solvers.plans.basis import Basis

UNDRIVEN = (
    "The files are sound pressure: with drive_v in [reference], the voltage at the subs' terminals, dB SPL and "
    "headroom follow."
)
UNLIMITED = (
    "Up to which voltage a sub plays clean nothing says: give [subwoofer.driver] or the amplifier, and levels come in "
    "dB SPL; until then 0 dB is the mean level of one measured sub at the seats."
)


@guarded
def optimise(
    file: ProjectFile,
    output: Annotated[
        Path | None,
        typer.Option("--output", "-o", metavar="PLAN.h5", help="Where the plan goes; FILE with .h5 if left out."),
    ] = None,
    measured: Annotated[
        Path | None,
        typer.Option("--measured", metavar="MANIFEST", help="Search on these measured responses, not on the model."),
    ] = None,
    estimate: Annotated[
        bool,
        typer.Option(
            "--estimate",
            help="With --measured: seats that were not measured are estimated from those that were; of a set measured "
            "by reciprocity every candidate along the zones.",
        ),
    ] = False,
    field: Annotated[
        Path | None,
        typer.Option(
            "--field", metavar="FIELD.h5", help="In place of --estimate: as roommodes field estimated it from MANIFEST."
        ),
    ] = None,
    any_folder: AnyFolder = False,
    counts: Annotated[
        str | None, typer.Option("--counts", metavar="N,N", help="How many subs, such as 1,2,4; else as in FILE.")
    ] = None,
    seed: Annotated[
        int | None, typer.Option("--seed", min=0, max=2**53, help="Starts the random numbers; else as in FILE.")
    ] = None,
    exhaustive: Annotated[
        bool,
        typer.Option("--exhaustive", help="Try every layout at every setting of a grid as well; for small problems."),
    ] = False,
    prove: Annotated[
        str | None,
        typer.Option(
            "--prove",
            metavar="TIME",
            help="Prove for so long (90s, 5min, 1h) how much more even any layout could be; sharp with two settings.",
        ),
    ] = None,
    threads: Annotated[
        int | None, typer.Option("--threads", min=1, help="Most threads; the plans do not depend on it.")
    ] = None,
    force: Force = False,
    as_json: Json = False,
    quiet: Quiet = False,
    debug: Debug = False,
) -> None:
    """Find where the subs go and how each is set, and write the plan (HDF5).

    Ctrl-C ends the search early and keeps the best found until then.

    Example: roommodes optimise cellar.toml -o plan.h5 --counts 1,2,4
    """
    from cli.words.basis import responses_word
    from cli.words.choice import choice_json
    from cli.words.mains.beside_subs import beside_mains_json
    from cli.words.plan import plans_json
    from roommodes.plan.file import write_results
    from roommodes.project.advice import model_warnings
    from roommodes.project.reading import load_project
    from solvers.plans.basis import modelled_basis
    from solvers.plans.solve import expected_results_bytes, solve_on

    wanted, proof_s = parse_counts(counts), parse_time(prove)
    _check_estimates(measured, field=field, estimate=estimate)
    project = load_project(file)
    basis, inputs, target = None, [file], output or Path(file.stem + ".h5")
    if measured is not None:
        from roommodes.measured.loading import load_manifest

        found = load_manifest(measured, project, any_folder=any_folder)
        inputs += [*found.paths, *([field] if field else [])]
        check_targets({"--output": target}, inputs=inputs, force=force)
        basis = _measured_basis(project, found, field=field, estimate=estimate, quiet=quiet)
        wanted = wanted or basis.counts
    wanted = wanted or project.search.counts
    size = expected_results_bytes(project, wanted)
    check_targets({"--output": target}, inputs=inputs, force=force, needed_bytes=size)
    if not quiet and basis is None:
        warn(model_warnings(project.room, project.surfaces(), high_hz=project.search.band_hz[1]))
    with interruptible() as stop_asked:
        with progress(quiet=quiet, cancelled=stop_asked, threads=threads) as running:
            basis = basis or modelled_basis(project, running=running)
            results = solve_on(basis, counts=wanted, seed=seed, prove=exhaustive, proof_s=proof_s, running=running)
        write_results(target, results, force=force)
        interrupted = stop_asked()
    if as_json:
        more = {**choice_json(results), **beside_mains_json(results)}
        print_json({**plans_json(results), **more, "responses": responses_word(results)})
    elif not quiet:
        print_summary(results)
        Page().line(f"Plan written to {target}.")
    if not quiet:
        best = [results.plan(count, 1) for count in results.plans]
        warn([f"plan with {plan.subs} subs: {fault}" for plan in best for fault in plan.wired.faults])
    without = ", ".join(str(count) for count in wanted if count not in results.plans)
    if interrupted:
        missing = f" (nothing yet for {without} subs)" if without else ""
        say_error([f"interrupted: the best found until then is in {target}{missing}; run again for the full search"])
        raise typer.Exit(EXIT_INTERRUPTED)
    if without:
        warn([f"no plan with {without} subs: no layout with so many fits the candidates and the wishes"])


def _check_estimates(measured: Path | None, *, field: Path | None, estimate: bool) -> None:
    """Usage errors of what is to be known beside the measurements."""
    for given, option in ((estimate, "--estimate"), (field is not None, "--field")):
        if given and measured is None:
            raise typer.BadParameter("this goes with --measured", param_hint=option)
    if estimate and field is not None:
        raise typer.BadParameter("give one of --field and --estimate", param_hint="--field")


def _measured_basis(
    project: "Project", measured: "MeasuredSet", *, field: Path | None, estimate: bool, quiet: bool
) -> "Basis":
    """The measured responses as a search takes them, with what was not measured estimated if that is wanted."""
    from roommodes.estimates.field_file import read_field_file
    from solvers.field.filled import filled, filled_from
    from solvers.plans.measured_basis import measured_basis

    if field is not None:
        known = filled_from(project, measured.for_search(), read_field_file(field), source=str(field))
        return measured_basis(project, known.measured, estimated=known.estimated)
    if not estimate:
        return measured_basis(project, measured)
    with interruptible() as stop_asked, progress(quiet=quiet, cancelled=stop_asked) as running:
        found = filled(project, measured.for_search(), running=running)
    return measured_basis(project, found.measured, estimated=found.estimated)


def parse_counts(text: str | None) -> tuple[int, ...]:
    """``1,2,4`` as numbers; a usage error says what is allowed. Empty when nothing was given."""
    from roommodes.project.tables import MAX_COUNT

    if text is None:
        return ()
    words = [word.strip() for word in text.split(",")]
    numbers = [int(word) for word in words if word.isascii() and word.isdigit() and len(word) < 4]
    if len(numbers) < len(words) or not all(1 <= number <= MAX_COUNT for number in numbers):
        raise typer.BadParameter(
            f"got {text!r}; allowed: whole numbers from 1 to {MAX_COUNT} with commas between, such as 1,2,4",
            param_hint="--counts",
        )
    return tuple(sorted(set(numbers)))


def parse_time(text: str | None) -> float:
    """``5min`` as seconds; 0 when nothing was given, a usage error says what is allowed."""
    from roommodes.running import seconds_of

    try:
        return 0.0 if text is None else seconds_of(text)
    except ValueError as wrong:
        raise typer.BadParameter(str(wrong), param_hint="--prove") from wrong


def print_summary(results: "Results") -> None:
    """What was found, for a person: counts side by side, each best plan, and what to be careful about."""
    from cli.words.choice import print_aims_legend, print_front, print_recommendation, print_rows, print_worth
    from cli.words.kinds.mixes import print_mixes
    from cli.words.mains.beside_subs import print_beside_mains
    from cli.words.plan import caution_lines, off_floor, print_cautions, print_comparison, print_legend, print_plan
    from roommodes.lengths import lengths_of
    from roommodes.project.glass import glass_of

    page, project = Page(), results.project
    seats, candidates = counted(len(results.seats), "seat"), counted(results.candidates.n_first, "candidate")
    page.line(f"{project.name}: {seats}, {candidates}")
    print_measured(page, results)
    print_comparison(page, results)
    print_recommendation(page, results)
    print_mixes(page, results)
    print_beside_mains(page, results)
    for count in results.plans:
        print_plan(page, results.plan(count, 1))
        print_worth(page, results, count)
    print_legend(page, lengths_of(results.project), rate_hz=project.processor.rate_hz)
    print_aims_legend(page)
    print_front(page, results)
    print_rows(page, results)
    used = {int(index) for table in results.plans.values() for index in table.candidate_index[0]}
    there = sorted(used)
    raised = off_floor(project, results.candidates.position_m[there], results.candidates.kind[there])
    print_cautions(page, results, caution_lines(glass=bool(glass_of(project)), raised=raised))
    page.line()


def print_measured(page: Page, results: "Results") -> None:
    """What the plans rest on, where they rest on measurements."""
    from cli.terminal.output import name

    record = results.measured
    if record is None:
        return
    files = counted(len(record.file_name), "file")
    measured = "every candidate is a measured " + ("place of the sub" if record.exchanged else "sub")
    which = "what was not measured is estimated" if record.deviation is not None else measured
    page.line(f"Measured responses: {name(record.name)}, {files}; {which}.")
    for note in record.notes:
        page.line(note, mark="- ")
    if record.drive is not None:
        page.line(
            f"Sound pressure was measured with {record.drive.words} (rms) at a sub's terminals at a gain of 0 dB."
            + ("" if results.limit_db is not None else f" {UNLIMITED}"),
            mark="- ",
        )
    elif record.level == "pascal":
        page.line(f"0 dB is the mean level of one measured sub at the seats. {UNDRIVEN}", mark="- ")
    elif not record.absolute:
        page.line("0 dB is the mean level of one measured sub at the seats; the measurements say no more.", mark="- ")
