"""`roommodes tune`: filters for a plan, on single subs and shared by all."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.terminal.guard import EXIT_INTERRUPTED, guarded, interruptible
from cli.terminal.options import Debug, Force, Json, Quiet
from cli.terminal.output import Page, print_json, say_error
from cli.terminal.plan_options import PlanFile, Rank, Rate, Subs
from cli.terminal.progress import progress
from cli.terminal.targets import check_targets

if TYPE_CHECKING:
    from roommodes.acoustics.curve import Curve
    from roommodes.plan.tuning import TuningSettings

MOST_FILTERS = 12
MOST_DB = 20.0
TARGET_DB = 30.0


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
        int | None, typer.Option("--per-sub", min=0, max=MOST_FILTERS, help="Most filters on each sub; 2 if left out.")
    ] = None,
    shared: Annotated[
        int | None, typer.Option("--shared", min=0, max=MOST_FILTERS, help="Most shared filters; 6 if left out.")
    ] = None,
    boost: Annotated[
        float | None, typer.Option("--boost", metavar="DB", min=0.0, max=MOST_DB, help="Most boost; 3 if left out.")
    ] = None,
    cut: Annotated[
        float | None,
        typer.Option(
            "--cut", metavar="DB", min=0.0, max=MOST_DB, help="Most cut; 12 shared and 9 on a sub if left out."
        ),
    ] = None,
    all_pass: Annotated[bool, typer.Option("--all-pass/--no-all-pass", help="All-pass filters on single subs.")] = True,
    target: Annotated[
        str | None,
        typer.Option("--target", metavar="HZ:DB,...", help="Target curve, such as 20:4,60:2,120:0; flat if left out."),
    ] = None,
    rate: Rate = 48000.0,
    force: Force = False,
    as_json: Json = False,
    quiet: Quiet = False,
    debug: Debug = False,
) -> None:
    """Find filters for a plan: a few on single subs, then some that all subs share.

    Filters on single subs lower the variation. The shared ones bring the seats' mean to the target, and boost only
    where every seat lacks level alike. Plan and filters go into a new file, from which `settings` prints them. A
    crossover that the file holds for this plan is found anew with the filters.

    Example: roommodes tune plan.h5 -o tuned.h5 --boost 2 --target 20:4,120:0
    """
    from cli.terminal.figure_suffix import suffix_fault
    from cli.words.chosen_plan import choose_plan
    from cli.words.tune import print_tuning, tuning_json
    from cli.words.what_was_kept import crossover_after
    from roommodes.errors import Interrupted
    from roommodes.plan.file import write_results
    from roommodes.plan.starting_values import check_rate
    from roommodes.storage.whole_file import write_whole
    from solvers.crossover.with_mains import meet_again
    from solvers.tuning.tune import tune as search

    if figure and (fault := suffix_fault(figure)):
        raise typer.BadParameter(fault, param_hint="--figure")
    curve = parse_target(target)
    check_rate(rate)
    plan = choose_plan(file, subs=subs, rank=rank)
    path = output or file.with_name(f"{file.stem}-tuned.h5")
    targets = {"--output": path, "--figure": figure}
    check_targets(targets, inputs=[file], force=force, needed_bytes=plan.results.size_bytes)
    settings = _settings(per_sub, shared, boost, cut, all_pass, rate, plan.project.search.weights.output)
    shape_db = curve.at(plan.results.frequency_hz)
    with interruptible() as stop_asked:
        with progress(quiet=quiet, cancelled=stop_asked) as running:
            tuning = search(
                plan.results,
                subs=plan.count,
                rank=plan.rank,
                settings=settings,
                shape_db=shape_db,
                running=running,
            )
            tuned = replace(plan.results, tuning=tuning, crossover=None)
            if plan.crossover and not stop_asked():
                with suppress(Interrupted):  # then without a crossover, which is said
                    met = meet_again(plan.project, replace(plan.results, tuning=tuning), running=running)
                    tuned = replace(tuned, crossover=met)
        write_results(path, tuned, force=force)
        interrupted = stop_asked()
    crossover = crossover_after(plan.results.crossover, tuned.crossover, subs=plan.count, rank=plan.rank)
    if figure:
        from cli.figures.tune import tuning_page

        write_whole(figure, tuning_page(plan, tuning, figure.suffix), force=force)
    if as_json:
        print_json({**tuning_json(plan, tuning), "crossover": crossover})
    elif not quiet:
        page = Page()
        print_tuning(page, plan, tuning)
        if crossover:
            page.line(crossover)
        page.line(f"Plan with its filters written to {path}.")
        if figure:
            page.line(f"Figure written to {figure}.")
    if interrupted:
        say_error([f"interrupted: the filters found until then are in {path}; run again for the full search"])
        raise typer.Exit(EXIT_INTERRUPTED)


def parse_target(text: str | None) -> "Curve":
    """``20:4,120:0`` as a curve; a usage error says what is allowed. Flat when nothing was given."""
    from roommodes.acoustics.curve import Curve

    if text is None:
        return Curve((1000.0,), (0.0,))
    points: dict[float, float] = {}
    try:
        for word in text.split(","):
            hz, level = (float(part) for part in word.split(":"))
            if not (1.0 <= hz <= 20000.0 and abs(level) <= TARGET_DB) or hz in points:
                raise ValueError
            points[hz] = level
    except ValueError:
        raise typer.BadParameter(
            f"got {text!r}; allowed: frequencies from 1 to 20000 Hz, each once, with levels from {-TARGET_DB:g} to "
            f"{TARGET_DB:g} dB, such as 20:4,60:2,120:0",
            param_hint="--target",
        ) from None
    rising = sorted(points.items())
    return Curve(tuple(hz for hz, _ in rising), tuple(level for _, level in rising))


def _settings(
    per_sub: int | None,
    shared: int | None,
    boost: float | None,
    cut: float | None,
    all_pass: bool,
    rate_hz: float,
    exchange: float,
) -> "TuningSettings":
    """What was asked for, over the defaults of the two searches."""
    from solvers.tuning.equaliser import EqualiserLimits
    from solvers.tuning.sub_filters import SubFilterLimits
    from solvers.tuning.tune import settings_of

    own, all_subs = SubFilterLimits(all_pass=all_pass), EqualiserLimits()
    if per_sub is not None:
        own = replace(own, per_sub=per_sub)
    if shared is not None:
        all_subs = replace(all_subs, filters=shared)
    if boost is not None:
        own, all_subs = replace(own, boost_db=boost), replace(all_subs, boost_db=boost)
    if cut is not None:
        own, all_subs = replace(own, cut_db=cut), replace(all_subs, cut_db=cut)
    return settings_of(own=own, shared=all_subs, rate_hz=rate_hz, exchange=exchange)
