"""`roommodes tolerance`: what becomes of the plans when the room is not built exactly as drawn."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.terminal.ending import EXIT_INTERRUPTED
from cli.terminal.guard import guarded, interruptible
from cli.terminal.options import Debug, Force, Json, Quiet
from cli.terminal.output import Page, print_json, say_error
from cli.terminal.plan_options import PlanFile
from cli.terminal.progress import progress
from cli.terminal.targets import check_targets

if TYPE_CHECKING:
    from roommodes.arrays import Floats
    from roommodes.plan.plan import Results
    from solvers.tolerance.percentiles import Asked

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
    robust: Annotated[
        Path | None,
        typer.Option(
            "--robust",
            metavar="PLAN.h5",
            help="Instead, polish settings and order of layouts for such rooms, and write a plan file.",
        ),
    ] = None,
    subs: Annotated[
        int | None, typer.Option("--subs", metavar="N", help="Only plans with N subs; left out: all numbers.")
    ] = None,
    plans: Annotated[int, typer.Option("--plans", min=1, max=20, help="Leading plans of each number of subs.")] = 3,
    draws: Annotated[
        int | None,
        typer.Option(
            "--draws",
            min=16,
            max=MOST_DRAWS,
            help="Number of rooms, rounded up to a power of two; left out: 512 to 2,048, until the 90th percentiles "
            "are settled.",
        ),
    ] = None,
    seed: Annotated[int, typer.Option("--seed", min=0, max=2**32 - 1, help="Starts the random numbers.")] = 1,
    frequencies: Annotated[
        int | None,
        typer.Option(
            "--frequencies",
            min=12,
            max=400,
            help="Most frequencies over the band, up to four times as many if weighted; left out: the plan file's own, "
            "96 at most.",
        ),
    ] = None,
    check: Annotated[
        int,
        typer.Option(
            "--check",
            min=0,
            max=64,
            help="Rooms to check with the full equations, each at every other frequency; two check all frequencies.",
        ),
    ] = 2,
    shares: Annotated[bool, typer.Option("--shares/--no-shares", help="Say which uncertainty matters most.")] = True,
    threads: Annotated[
        int | None, typer.Option("--threads", min=1, help="Most threads; the figures do not depend on it.")
    ] = None,
    force: Force = False,
    as_json: Json = False,
    quiet: Quiet = False,
    debug: Debug = False,
) -> None:
    """Show how the plans fare in rooms that are not built exactly as drawn, or polish them for such rooms.

    Samples rooms within the project's [tolerance]: places of cabinets and ears, size, walls, temperature,
    settings. Ranks the leading plans by their 90th percentile. Ctrl-C keeps the rooms that are done. With --robust the
    kept layouts' settings are polished for the 90th percentile, and the cost as drawn is shown.

    Example: roommodes tolerance plan.h5 -o tolerance.h5 --figure tolerance.png
    """
    from roommodes.errors import FileUnusable
    from roommodes.plan.file import read_results
    from solvers.tolerance.percentiles import Asked, lean_grid
    from solvers.tolerance.robust_plans import refuse_measured

    check_names(output=output, figure=figure, robust=robust)
    results = read_results(file)
    if not results.plans:
        raise FileUnusable(f"{file}: holds no plan; run optimise again and let it finish")
    check_subs(results, subs)
    counts = None if subs is None else (subs,)
    out = Out(force=force, as_json=as_json, quiet=quiet, threads=threads)
    if robust:
        refuse_measured(results)
        size = results.size_bytes
        check_targets({"--robust": robust}, inputs=[file], force=force, needed_bytes=size)
        write_robust(results, robust, counts=counts, seed=seed, out=out)
        return
    check_targets({"--output": output, "--figure": figure}, inputs=[file], force=force)
    asked = Asked(draws=draws, seed=seed, plans=plans, counts=counts, checked=check, indices=shares)
    grid = lean_grid(results.project, frequencies)
    write_percentiles(results, asked, frequency_hz=grid, output=output, figure=figure, out=out)


@dataclass(frozen=True, slots=True, kw_only=True)
class Out:
    """How the answer is given."""

    force: bool
    as_json: bool
    quiet: bool
    threads: int | None


def write_percentiles(
    results: "Results",
    asked: "Asked",
    *,
    frequency_hz: "Floats",
    output: Path | None,
    figure: Path | None,
    out: Out,
) -> None:
    """What becomes of the plans: told, and kept where asked."""
    from cli.words.tolerance import print_tolerance, tolerance_json
    from roommodes.plan.tolerance import write_tolerance
    from roommodes.storage.whole_file import write_whole
    from solvers.tolerance.percentiles import tolerance_of

    targets = {"Figures": output, "Figure": figure}
    with interruptible() as stop_asked:
        with progress(quiet=out.quiet, cancelled=stop_asked, threads=out.threads) as running:
            found = tolerance_of(results, asked, frequency_hz=frequency_hz, running=running)
        if output:
            write_tolerance(output, found, force=out.force)
        interrupted = stop_asked()
    if figure:
        from cli.figures.tolerance import tolerance_page

        write_whole(figure, tolerance_page(results, found, figure.suffix), force=out.force)
    if out.as_json:
        print_json(tolerance_json(results, found))
    elif not out.quiet:
        page = Page()
        print_tolerance(page, results, found)
        for what, target in targets.items():
            if target:
                page.line(f"{what} written to {target}.")
    if interrupted:
        told = f"interrupted after {found.draws} of {found.draws_asked} rooms; these figures are of those done"
        if found.draws == found.draws_asked:
            told = f"interrupted after all {found.draws} rooms; what matters most, or the check in full, may be missing"
        say_error([told])
        raise typer.Exit(EXIT_INTERRUPTED)


def write_robust(
    results: "Results",
    target: Path,
    *,
    counts: tuple[int, ...] | None,
    seed: int,
    out: Out,
) -> None:
    """Polish the plans for rooms not built exactly as drawn, and write them as a plan file."""
    from cli.words.tolerance import price_json, print_prices
    from roommodes.plan.file import write_results
    from solvers.tolerance.robust_plans import robust_results

    with interruptible() as stop_asked:
        with progress(quiet=out.quiet, cancelled=stop_asked, threads=out.threads) as running:
            plans, prices = robust_results(results, counts=counts, seed=seed, running=running)
        write_results(target, plans, force=out.force)
        interrupted = stop_asked()
    if out.as_json:
        print_json(price_json(plans, prices))
    elif not out.quiet:
        page = Page()
        print_prices(page, plans, prices)
        page.line(f"Plan written to {target}.")
    if interrupted:
        say_error([f"interrupted: the settings polished until then are in {target}; run again for all of them"])
        raise typer.Exit(EXIT_INTERRUPTED)


def check_names(*, output: Path | None, figure: Path | None, robust: Path | None) -> None:
    """Refuse names whose suffix fits no format, and options that exclude each other."""
    from cli.terminal.figure_suffix import suffix_fault as figure_fault
    from cli.terminal.plan_options import suffix_fault

    if robust and (output or figure):
        raise typer.BadParameter("goes with neither --output nor --figure", param_hint="--robust")
    for option, path in (("--output", output), ("--robust", robust)):
        if path and (fault := suffix_fault(path, SUFFIXES)):
            raise typer.BadParameter(fault, param_hint=option)
    if figure and (fault := figure_fault(figure)):
        raise typer.BadParameter(fault, param_hint="--figure")


def check_subs(results: "Results", subs: int | None) -> None:
    """Refuse a number of subs that the file has no plan for."""
    if subs is not None and subs not in results.plans:
        counts = ", ".join(str(count) for count in results.plans)
        raise typer.BadParameter(
            f"got {subs}; this file has plans with {counts} subs; choose one of them", param_hint="--subs"
        )
