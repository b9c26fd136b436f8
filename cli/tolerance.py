"""`roommodes tolerance`: what becomes of the plans when the room is not built exactly as drawn."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.guard import EXIT_INTERRUPTED, guarded, interruptible
from cli.options import Debug, Force, Json, Quiet
from cli.plan_options import PlanFile
from cli.progress import progress
from cli.terminal import Page, print_json, say_error

if TYPE_CHECKING:
    from roommodes.results import Results

MOST_DRAWS = 65536
SUFFIXES = (".h5", ".hdf5")


@guarded
def tolerance(
    file: PlanFile,
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="FILE.h5", help="Where the figures go (HDF5).")
    ] = None,
    figure: Annotated[
        Path | None, typer.Option("--figure", metavar="FIGURE", help="Also draw bands and shares: .png or .svg.")
    ] = None,
    subs: Annotated[
        int | None, typer.Option("--subs", metavar="N", help="Only plans with N subs; left out: all numbers.")
    ] = None,
    plans: Annotated[int, typer.Option("--plans", min=1, max=20, help="Leading plans of each number of subs.")] = 3,
    draws: Annotated[
        int, typer.Option("--draws", min=16, max=MOST_DRAWS, help="Rooms; rounded up to a power of two.")
    ] = 2048,
    seed: Annotated[int, typer.Option("--seed", min=0, max=2**32 - 1, help="Starts the random numbers.")] = 1,
    check: Annotated[
        int, typer.Option("--check", min=0, max=64, help="Rooms that the full equations work out again.")
    ] = 2,
    shares: Annotated[bool, typer.Option("--shares/--no-shares", help="Say which uncertainty matters most.")] = True,
    threads: Annotated[
        int | None, typer.Option("--threads", min=1, help="How many at most; the figures do not depend on it.")
    ] = None,
    force: Force = False,
    as_json: Json = False,
    quiet: Quiet = False,
    debug: Debug = False,
) -> None:
    """Say what becomes of the plans in rooms that are not built exactly as drawn.

    Draws built rooms within the project's [tolerance]: places of cabinets and ears, size, walls, temperature, drive
    settings. Ranks the leading plans by their 90th percentile. Ctrl-C keeps the rooms that are done.

    Example: roommodes tolerance plan.h5 -o tolerance.h5 --figure tolerance.png
    """
    from cli.figure_files import suffix_fault as figure_fault
    from cli.plan_options import suffix_fault
    from cli.tolerance_text import print_tolerance, tolerance_json
    from roommodes.errors import FileUnusable
    from roommodes.project_file import parse_project
    from roommodes.results import read_results
    from roommodes.tolerance_file import write_tolerance
    from roommodes.whole_file import check_target, write_whole
    from solvers.tolerance import Asked, tolerance_of

    if output and (fault := suffix_fault(output, SUFFIXES)):
        raise typer.BadParameter(fault, param_hint="--output")
    if figure and (fault := figure_fault(figure)):
        raise typer.BadParameter(fault, param_hint="--figure")
    results = read_results(file)
    project = parse_project(results.project_toml, source=f"{file} (project inside)")
    if not results.plans:
        raise FileUnusable(f"{file}: holds no plan; run optimise again and let it finish")
    check_subs(results, subs)
    for target in (output, figure):
        if target:
            check_target(target, force=force)
    asked = Asked(
        draws=draws,
        seed=seed,
        plans=plans,
        counts=None if subs is None else (subs,),
        checked=check,
        indices=shares,
    )
    with interruptible() as stop_asked:
        with progress(quiet=quiet) as report:
            found = tolerance_of(results, project, asked, threads=threads, report=report, cancelled=stop_asked)
        if output:
            write_tolerance(output, found, force=force)
        interrupted = stop_asked()
    if figure:
        from cli.tolerance_figure import tolerance_page

        write_whole(figure, tolerance_page(project, results, found, figure.suffix), force=force)
    if as_json:
        print_json(tolerance_json(results, found))
    elif not quiet:
        page = Page()
        print_tolerance(page, project, results, found)
        for target, what in ((output, "Figures"), (figure, "Figure")):
            if target:
                page.line(f"{what} written to {target}.")
    if interrupted:
        say_error([f"interrupted after {found.draws} of {found.draws_asked} rooms; these figures are of those done"])
        raise typer.Exit(EXIT_INTERRUPTED)


def check_subs(results: "Results", subs: int | None) -> None:
    """Refuse a number of subs that the file has no plan for."""
    if subs is not None and subs not in results.plans:
        counts = ", ".join(str(count) for count in results.plans)
        raise typer.BadParameter(
            f"got {subs}; this file has plans with {counts} subs; choose one of them", param_hint="--subs"
        )
