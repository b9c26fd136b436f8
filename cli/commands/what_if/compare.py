"""`roommodes compare`: plans and layouts side by side."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.terminal.figure_suffix import suffix_fault
from cli.terminal.guard import guarded, interruptible
from cli.terminal.options import Debug, Force, Json, Quiet
from cli.terminal.output import Page, print_json
from cli.terminal.plan_sources import SOURCE_HELP, Source, source_of
from cli.terminal.progress import progress
from cli.terminal.targets import check_targets

if TYPE_CHECKING:
    from roommodes.plan.plan import Plan
    from roommodes.running import Running


@guarded
def compare(
    files: Annotated[list[str], typer.Argument(metavar="A B [C ...]", help=SOURCE_HELP, show_default=False)],
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="FIGURE", help="Also draw it: a .png or .svg file.")
    ] = None,
    force: Force = False,
    as_json: Json = False,
    quiet: Quiet = False,
    debug: Debug = False,
) -> None:
    """Compare plans, layouts, or both: figures and curves side by side, and what differs in their projects.

    Differences count from the first. Each stands in its own project's room; the band is what all of them cover.

    Example: roommodes compare before.toml plan.h5:2 plan.h5:4 -o sides.png
    """
    from cli.words.what_if.side_by_side import MOST, print_projects, print_side_by_side, side_by_side_json
    from roommodes.storage.whole_file import write_whole
    from solvers.plans.side_by_side import common_band_hz, seen

    if not 2 <= len(files) <= MOST:
        raise typer.BadParameter(f"got {len(files)}; allowed: 2 to {MOST} of them", param_hint="A B [C ...]")
    if output and (fault := suffix_fault(output)):
        raise typer.BadParameter(fault, param_hint="--output")
    sources = [source_of(file, hint="A B [C ...]") for file in files]
    check_targets({"--output": output}, inputs=[one.file for one in sources], force=force)
    with interruptible() as stop_asked, progress(quiet=quiet, cancelled=stop_asked) as running:
        plans = read_plans(sources, running)
    labels = [source.label(plan) for source, plan in zip(sources, plans, strict=True)]
    band_hz = common_band_hz(plans)
    each = [seen(plan, band_hz) for plan in plans]
    if output:
        from cli.figures.side_by_side import side_by_side_page

        write_whole(output, side_by_side_page(labels, each, output.suffix), force=force)
    if as_json:
        print_json(side_by_side_json(labels, files, each, band_hz))
    elif not quiet:
        page = Page()
        print_side_by_side(page, labels, each, band_hz)
        print_projects(page, each)
        if output:
            page.line(f"Figure written to {output}.")


def read_plans(sources: list[Source], running: "Running") -> "list[Plan]":
    """All plans, one after the other."""
    return [
        source.plan(running.part(number / len(sources), (number + 1) / len(sources)))
        for number, source in enumerate(sources)
    ]
