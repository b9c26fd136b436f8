"""`roommodes tune`: filters for a plan, individual and common."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

from pathlib import Path
from typing import Annotated

import typer

from cli.terminal.ending import EXIT_INTERRUPTED
from cli.terminal.guard import guarded, interruptible
from cli.terminal.options import Debug, Force, Json, Quiet
from cli.terminal.output import Page, print_json, say_error
from cli.terminal.plan_options import Field, PlanFile, Rank, Rate, Subs, choose_plan
from cli.terminal.progress import progress
from cli.terminal.target_curve import band_of, curve_file, target_curve
from cli.terminal.targets import check_targets

MOST_FILTERS = 12
MOST_DB = 20.0


@guarded
def tune(
    file: PlanFile,
    output: Annotated[
        Path | None,
        typer.Option("--output", "-o", metavar="PLAN.h5", help="Where the plan with its filters goes."),
    ] = None,
    figure: Annotated[
        Path | None, typer.Option("--figure", metavar="FIGURE", help="Also draw before and after: .png or .svg.")
    ] = None,
    subs: Subs = None,
    rank: Rank = None,
    per_sub: Annotated[
        int | None,
        typer.Option("--individual", min=0, max=MOST_FILTERS, help="Most individual filters on each sub; 2."),
    ] = None,
    shared: Annotated[
        int | None, typer.Option("--common", min=0, max=MOST_FILTERS, help="Most common filters; 6 if left out.")
    ] = None,
    boost: Annotated[
        float | None, typer.Option("--boost", metavar="DB", min=0.0, max=MOST_DB, help="Most boost; 3 if left out.")
    ] = None,
    cut: Annotated[
        float | None,
        typer.Option(
            "--cut", metavar="DB", min=0.0, max=MOST_DB, help="Most cut; 12 common and 9 on a sub if left out."
        ),
    ] = None,
    all_pass: Annotated[
        bool, typer.Option("--all-pass/--no-all-pass", help="All-pass filters among the individual ones.")
    ] = True,
    target: Annotated[
        str | None,
        typer.Option("--target", metavar="CURVE", help="20:4,60:2,120:0, or a table of Hz and dB; flat if left out."),
    ] = None,
    band: Annotated[
        str | None,
        typer.Option("--band", metavar="HZ:HZ", help="Where filters are sought, as 20:160; else as in the project."),
    ] = None,
    field: Field = None,
    rate: Rate = None,
    force: Force = False,
    as_json: Json = False,
    quiet: Quiet = False,
    debug: Debug = False,
) -> None:
    """Find filters for a plan: a few individual ones on single subs, then some common to all.

    Individual filters lower the variation. The common ones bring the average over the seats to the target, and boost
    only where every seat lacks level alike. Plan and filters go into a new file, from which `settings` prints
    them. A crossover that the file holds for this plan is found anew with the filters.

    With a field file, seats that were not measured count with what was estimated there; the new file then holds this
    plan alone, and what is promised comes with what the field's errors make of it.

    Example: roommodes tune plan.h5 -o tuned.h5 --boost 2 --target 20:4,120:0
    """
    from cli.terminal.figure_suffix import suffix_fault
    from cli.words.tune import print_tuning, tuning_json
    from cli.words.what_was_kept import crossover_after
    from roommodes.plan.file import write_results
    from roommodes.plan.starting_values import check_rate
    from roommodes.storage.whole_file import write_whole
    from solvers.plans.tuned import tuned_plan
    from solvers.tuning.tune import TuneWishes, without_limits

    if figure and (fault := suffix_fault(figure)):
        raise typer.BadParameter(fault, param_hint="--figure")
    wishes = TuneWishes(
        per_sub=per_sub,
        shared=shared,
        boost_db=boost,
        cut_db=cut,
        all_pass=all_pass,
        rate_hz=rate,
        target=target_curve(target),
        band_hz=band_of(band),
    )
    if rate is not None:
        check_rate(rate)
    plan = choose_plan(file, subs=subs, rank=rank)
    path = output or file.with_name(f"{file.stem}-tuned.h5")
    targets, inputs = {"--output": path, "--figure": figure}, [file, *curve_file(target), *([field] if field else [])]
    check_targets(targets, inputs=inputs, force=force, needed_bytes=plan.results.size_bytes)
    if field is not None:
        from roommodes.estimates.field_file import read_field_file
        from solvers.field.on_plan import with_field

        plan = with_field(plan, read_field_file(field), source=str(field))
    with interruptible() as stop_asked:
        with progress(quiet=quiet, cancelled=stop_asked) as running:
            tuned = tuned_plan(plan, wishes, running=running)
            free = None if stop_asked() else without_limits(plan, wishes, running=running)
        write_results(path, tuned.kept(), force=force)
        interrupted = stop_asked()
    crossover = crossover_after(plan, tuned)
    if figure:
        from cli.figures.tune import tuning_page

        write_whole(figure, tuning_page(tuned, figure.suffix), force=force)
    if as_json:
        print_json({**tuning_json(tuned, free), "crossover": crossover})
    elif not quiet:
        page = Page()
        print_tuning(page, tuned, free)
        if crossover:
            page.line(crossover)
        page.line(f"Plan with its filters written to {path}.")
        if figure:
            page.line(f"Figure written to {figure}.")
    if interrupted:
        say_error([f"interrupted: the filters found until then are in {path}; run again for the full search"])
        raise typer.Exit(EXIT_INTERRUPTED)
