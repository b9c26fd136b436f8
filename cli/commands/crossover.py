"""`roommodes crossover`: how the subs of a plan meet the main loudspeakers."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from cli.terminal.guard import guarded, interruptible
from cli.terminal.options import Debug, Force, Json, Quiet
from cli.terminal.output import Page, print_json
from cli.terminal.plan_options import PLAN_SUFFIXES, PlanFile, Rank, Rate, Subs, choose_plan
from cli.terminal.plan_options import suffix_fault as plan_suffix_fault
from cli.terminal.progress import progress
from cli.terminal.target_curve import band_of, curve_file, target_curve
from cli.terminal.targets import check_targets

if TYPE_CHECKING:
    from roommodes.project.mains import MainsTable


@guarded
def crossover(
    file: PlanFile,
    output: Annotated[
        Path | None,
        typer.Option("--output", "-o", metavar="PLAN.h5", help="Keep it in a plan file; left out: only show it."),
    ] = None,
    figure: Annotated[
        Path | None, typer.Option("--figure", metavar="FIGURE", help="Also draw it: a .png or .svg file.")
    ] = None,
    subs: Subs = None,
    rank: Rank = None,
    at: Annotated[
        float | None, typer.Option("--at", metavar="HZ", min=30.0, max=200.0, help="Frequency; else as in [mains].")
    ] = None,
    order: Annotated[
        int | None, typer.Option("--order", min=2, max=8, help="Order, 6 dB per octave each; else as in [mains].")
    ] = None,
    kind: Annotated[
        Literal["linkwitz-riley", "butterworth"] | None, typer.Option("--kind", help="Else as in [mains].")
    ] = None,
    gain: Annotated[
        float | None,
        typer.Option("--gain", metavar="DB", min=-60.0, max=60.0, help="Of all subs; left out, as loud as the mains."),
    ] = None,
    target: Annotated[
        str | None,
        typer.Option("--target", metavar="CURVE", help="Match levels over 20:4,120:0, or a table; else flat."),
    ] = None,
    band: Annotated[
        str | None,
        typer.Option(
            "--band",
            metavar="HZ:HZ",
            help="Where the sum is judged, as 40:160; else as in [mains], or an octave on each side.",
        ),
    ] = None,
    rate: Rate = None,
    force: Force = False,
    as_json: Json = False,
    quiet: Quiet = False,
    debug: Debug = False,
) -> None:
    """Find the delay and polarity of all subs against the main loudspeakers.

    The sum through the crossover should be full and even at every seat. Shown are the sum, its parts, and what a few
    milliseconds or hertz off would cost. The mains stand in the project's [mains]. With -o the setting goes into a new
    plan file beside the plan and its filters, from which `settings` prints it all.

    Example: roommodes crossover tuned.h5 --at 80 -o ready.h5 --figure crossover.png
    """
    from cli.terminal.figure_suffix import suffix_fault
    from cli.words.crossover import crossover_json, print_crossover
    from cli.words.what_was_kept import filters_under
    from roommodes.plan.file import write_results
    from roommodes.plan.starting_values import check_rate
    from roommodes.project.mains import MainsTable
    from roommodes.storage.whole_file import write_whole
    from solvers.crossover.with_mains import crossed, meet_mains, off_target_db, wanted_crossover

    if output and (fault := plan_suffix_fault(output, PLAN_SUFFIXES)):
        raise typer.BadParameter(f"{fault}; a figure goes to --figure", param_hint="--output")
    if figure and (fault := suffix_fault(figure)):
        raise typer.BadParameter(fault, param_hint="--figure")
    plan = choose_plan(file, subs=subs, rank=rank)
    rate = rate or plan.project.processor.rate_hz
    check_rate(rate)
    targets = {"--output": output, "--figure": figure}
    if gain is not None and target is not None:
        raise typer.BadParameter("one of both: --gain sets what --target would find", param_hint="--target")
    curve, band_hz = target_curve(target), band_of(band)
    check_targets(targets, inputs=[file, *curve_file(target)], force=force, needed_bytes=plan.results.size_bytes)
    check_order(plan.project.mains or MainsTable(), order, kind)
    wanted = wanted_crossover(plan.project, at_hz=at, order=order, kind=kind)
    with interruptible() as stop_asked, progress(quiet=quiet, cancelled=stop_asked) as running:
        found = meet_mains(
            plan, wanted, gain_db=gain, target=None if target is None else curve, band_hz=band_hz, running=running
        )
    asked = gain if target is None else found.best.gain_db  # kept, whatever filters the plan gets later
    if output:
        write_results(output, crossed(plan, found, asked_gain_db=asked).kept(), force=force)
    if figure:
        from cli.figures.crossover import crossover_page

        write_whole(figure, crossover_page(plan, found, figure.suffix), force=force)
    if as_json:
        print_json(
            {**crossover_json(plan, found, rate), "off_target_db": off_target_db(found, plan.seats.weight, curve)}
        )
    elif not quiet:
        page = Page()
        print_crossover(page, plan, found, rate)
        off = off_target_db(found, plan.seats.weight, curve)
        what = "the target" if target is not None else "flat"
        page.line(f"The average of the sums lies {off:z.1f} dB (rms) from {what} about the crossover.")
        page.line(filters_under(plan))
        if output:
            page.line(f"Plan with its crossover written to {output}.")
        else:
            page.line("Shown, not kept: -o PLAN.h5 keeps it for settings and report.")
        if figure:
            page.line(f"Figure written to {figure}.")


def check_order(mains: "MainsTable", order: int | None, kind: str | None) -> None:
    """Refuse an order that the kind has not."""
    if (kind or mains.crossover) == "linkwitz-riley" and (order or mains.order) % 2:
        raise typer.BadParameter(
            f"got {order or mains.order} with linkwitz-riley; allowed: 2, 4, 6, 8, or --kind butterworth",
            param_hint="--order",
        )
