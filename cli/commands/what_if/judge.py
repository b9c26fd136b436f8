"""`roommodes judge`: a plan in another room, as it is and polished."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

from pathlib import Path
from typing import Annotated

import typer

from cli.terminal.ending import EXIT_INTERRUPTED
from cli.terminal.figure_suffix import suffix_fault
from cli.terminal.guard import guarded, interruptible
from cli.terminal.options import Debug, Force, Json, Quiet
from cli.terminal.output import Page, print_json, say_error
from cli.terminal.plan_sources import SOURCE_HELP, source_of
from cli.terminal.progress import progress
from cli.terminal.targets import check_targets


@guarded
def judge(
    file: Annotated[str, typer.Argument(metavar="PLAN", help=SOURCE_HELP, show_default=False)],
    other: Annotated[
        Path, typer.Option("--in", metavar="FILE", help="The project in whose room it is judged.", show_default=False)
    ],
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="FIGURE", help="Also draw it: a .png or .svg file.")
    ] = None,
    force: Force = False,
    as_json: Json = False,
    quiet: Quiet = False,
    debug: Debug = False,
) -> None:
    """Judge a plan in another project's room, its seats, sub and target: as it is, and with settings polished there.

    For a wall that is to be treated, a row that moved, or a room that was built differently. Positions stay.

    Example: roommodes judge plan.h5 --in treated.toml
    """
    from cli.words.plan import drive_lines
    from cli.words.what_if.side_by_side import print_projects, print_side_by_side, side_by_side_json
    from roommodes.project.reading import load_project
    from roommodes.storage.whole_file import write_whole
    from solvers.plans.side_by_side import common_band_hz, moved, polished, seen

    if output and (fault := suffix_fault(output)):
        raise typer.BadParameter(fault, param_hint="--output")
    source = source_of(file, hint="PLAN")
    check_targets({"--output": output}, inputs=[source.file, other], force=force)
    project = load_project(other)
    with interruptible() as stop_asked, progress(quiet=quiet, cancelled=stop_asked) as running:
        plan = source.plan(running)
        plan.in_project(project, label=source.label(plan))  # says of every sub whether it can stand there
        there = moved(plan, project, running=running)
        better = polished(there, running=running)
        interrupted = stop_asked()
    band_hz = common_band_hz([plan, there])
    labels = [source.label(plan), f"as it is in {other.name}", f"polished in {other.name}"]
    each = [seen(one, band_hz) for one in (plan, there, better)]
    if output:
        from cli.figures.side_by_side import side_by_side_page

        write_whole(output, side_by_side_page(labels, each, output.suffix), force=force)
    if as_json:
        print_json(side_by_side_json(labels, [file, str(other), str(other)], each, band_hz))
    elif not quiet:
        page = Page()
        print_side_by_side(page, labels, each, band_hz)
        page.heading("Settings polished there")
        both = zip(drive_lines(plan.drives), drive_lines(better.drives), strict=True)
        page.table(
            ["sub", "as it is", "polished"],
            [[str(number), *lines] for number, lines in enumerate(both, start=1)],
            right=(0,),
        )
        page.line("The best found at these positions; `optimise` searches others too.")
        print_projects(page, each[:2])
        if output:
            page.line(f"Figure written to {output}.")
    if interrupted:
        say_error(["interrupted: the settings are the best found until then; run again for the full search"])
        raise typer.Exit(EXIT_INTERRUPTED)
