"""`roommodes crossover`: how the subs of a plan meet the main loudspeakers."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from cli.guard import guarded, interruptible
from cli.options import Debug, Force, Json, Quiet
from cli.plan_options import PlanFile, Rank, Rate, Subs
from cli.progress import progress
from cli.terminal import Page, print_json

if TYPE_CHECKING:
    from roommodes.crossovers import Crossover
    from roommodes.mains import MainsTable


@guarded
def crossover(
    file: PlanFile,
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="FIGURE", help="Also draw it: a .png or .svg file.")
    ] = None,
    subs: Subs = None,
    rank: Rank = 1,
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
    rate: Rate = 48000.0,
    force: Force = False,
    as_json: Json = False,
    quiet: Quiet = False,
    debug: Debug = False,
) -> None:
    """Find the delay and polarity of all subs against the main loudspeakers.

    The sum through the crossover shall be full and even at all seats. Shown are the sum, its parts, and what happens a
    few milliseconds and a few hertz beside it. The mains stand in the project's [mains].

    Example: roommodes crossover plan.h5 --at 80 -o crossover.png
    """
    from cli.crossover_text import crossover_json, print_crossover
    from cli.figure_files import suffix_fault
    from cli.plan_file import choose_plan
    from roommodes.mains import MainsTable
    from roommodes.starting_values import check_rate
    from roommodes.whole_file import check_target, write_whole
    from solvers.crossover_job import meet_mains

    if output and (fault := suffix_fault(output)):
        raise typer.BadParameter(fault, param_hint="--output")
    check_rate(rate)
    plan = choose_plan(file, subs=subs, rank=rank)
    if output:
        check_target(output, force=force)
    mains = plan.project.mains or MainsTable()
    wanted = wanted_crossover(mains, at=at, order=order, kind=kind)
    with interruptible() as stop_asked, progress(quiet=quiet) as report:
        found = meet_mains(
            plan.project,
            plan.results,
            subs=plan.count,
            rank=plan.rank,
            crossover=wanted,
            gain_db=gain,
            report=report,
            cancelled=stop_asked,
        )
    if output:
        from cli.crossover_figures import crossover_page

        write_whole(output, crossover_page(plan, found, output.suffix), force=force)
    if as_json:
        print_json(crossover_json(plan, found, rate))
    elif not quiet:
        page = Page()
        print_crossover(page, plan, found, rate)
        if output:
            page.line(f"Figure written to {output}.")


def wanted_crossover(
    mains: "MainsTable",
    *,
    at: float | None,
    order: int | None,
    kind: Literal["linkwitz-riley", "butterworth"] | None,
) -> "Crossover":
    """The project's crossover with what was asked for in its place."""
    from roommodes.crossovers import Crossover

    if (kind or mains.crossover) == "linkwitz-riley" and (order or mains.order) % 2:
        raise typer.BadParameter(
            f"got {order or mains.order} with linkwitz-riley; allowed: 2, 4, 6, 8, or --kind butterworth",
            param_hint="--order",
        )
    return Crossover(
        kind=kind or mains.crossover,
        order=order or mains.order,
        frequency_hz=mains.frequency_hz if at is None else at,
    )
