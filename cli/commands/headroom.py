"""`roommodes headroom`: how loud a plan plays clean, against the target, and what limits it."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

from pathlib import Path
from typing import Annotated

import typer

from cli.terminal.guard import guarded, interruptible
from cli.terminal.options import Debug, Force, Json, Quiet
from cli.terminal.output import Page, print_json
from cli.terminal.plan_options import PlanFile, Rank, Subs, choose_plan, suffix_fault
from cli.terminal.progress import progress
from cli.terminal.targets import check_targets

SUFFIXES = (".png", ".svg", ".pdf")


@guarded
def headroom(
    file: PlanFile,
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="FIGURE", help="Also draw it: a .png, .svg or .pdf file.")
    ] = None,
    subs: Subs = None,
    rank: Rank = None,
    force: Force = False,
    as_json: Json = False,
    quiet: Quiet = False,
    debug: Debug = False,
) -> None:
    """Show how loud a plan plays clean at every seat by third-octave, against the target, and what limits it.

    Needs a [subwoofer] with limits in the project; the target is its [target], or the cinema convention.

    Example: roommodes headroom plan.h5 -o headroom.png
    """
    from cli.words.headroom import headroom_json, print_headroom
    from roommodes.storage.whole_file import write_whole
    from solvers.loudness.of_plan import plan_headroom

    if output and (fault := suffix_fault(output, SUFFIXES)):
        raise typer.BadParameter(fault, param_hint="--output")
    plan = choose_plan(file, subs=subs, rank=rank)
    check_targets({"--output": output}, inputs=[file], force=force)
    with interruptible() as stop_asked, progress(quiet=quiet, cancelled=stop_asked) as running:
        found = plan_headroom(plan, running=running)
        running.check("interrupted")
    if output:
        from cli.figures.headroom import headroom_page

        write_whole(output, headroom_page(plan, found, output.suffix), force=force)
    if as_json:
        print_json(headroom_json(plan, found))
    elif not quiet:
        page = Page()
        print_headroom(page, plan, found)
        if output:
            page.line(f"Figure written to {output}.")
