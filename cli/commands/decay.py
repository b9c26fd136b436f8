"""`roommodes decay`: a plan over time, beside the same subs with identical settings."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

from pathlib import Path
from typing import Annotated

import typer

from cli.terminal.guard import guarded, interruptible
from cli.terminal.options import Debug, Force, Json, Quiet
from cli.terminal.output import Page, print_json
from cli.terminal.plan_options import PlanFile, Rank, Subs, choose_plan
from cli.terminal.progress import progress
from cli.terminal.targets import check_targets


@guarded
def decay(
    file: PlanFile,
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="FIGURE", help="Also draw it: a .png or .svg file.")
    ] = None,
    subs: Subs = None,
    rank: Rank = None,
    seconds: Annotated[
        float, typer.Option("--seconds", metavar="S", min=0.5, max=3.0, help="Length of the responses.")
    ] = 2.0,
    force: Force = False,
    as_json: Json = False,
    quiet: Quiet = False,
    debug: Debug = False,
) -> None:
    """Show how long the bass rings at the seats, and when it arrives.

    Before: the same subs with identical settings. After: with the plan's settings, and its filters if it was tuned.

    Example: roommodes decay plan.h5 -o decay.png
    """
    from cli.terminal.figure_suffix import suffix_fault
    from cli.words.decay import decay_json, print_decay
    from roommodes.storage.whole_file import write_whole
    from solvers.listening.over_time import plan_over_time

    if output and (fault := suffix_fault(output)):
        raise typer.BadParameter(fault, param_hint="--output")
    plan = choose_plan(file, subs=subs, rank=rank)
    check_targets({"--output": output}, inputs=[file], force=force)
    with interruptible() as stop_asked, progress(quiet=quiet, cancelled=stop_asked) as running:
        found = plan_over_time(plan, length_s=seconds, running=running)
    if output:
        from cli.figures.decay import decay_page

        write_whole(output, decay_page(plan, found, output.suffix), force=force)
    if as_json:
        print_json(decay_json(plan, found))
    elif not quiet:
        page = Page()
        print_decay(page, plan, found)
        if output:
            page.line(f"Figure written to {output}.")
