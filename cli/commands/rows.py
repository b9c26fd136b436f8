"""`roommodes rows`: one setting for all rows, and what it costs each."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

from pathlib import Path
from typing import Annotated

import typer

from cli.terminal.ending import EXIT_INTERRUPTED
from cli.terminal.guard import guarded, interruptible
from cli.terminal.options import Debug, Force, Json, Quiet
from cli.terminal.output import Page, print_json, say_error
from cli.terminal.plan_options import PlanFile, Rank, Subs, choose_plan
from cli.terminal.progress import progress
from cli.terminal.targets import check_targets


@guarded
def rows(
    file: PlanFile,
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="FIGURE", help="Also draw it: a .png or .svg file.")
    ] = None,
    subs: Subs = None,
    rank: Rank = None,
    threads: Annotated[int | None, typer.Option("--threads", min=1, help="How many at most.")] = None,
    force: Force = False,
    as_json: Json = False,
    quiet: Quiet = False,
    debug: Debug = False,
) -> None:
    """Compare the rows under a plan's one setting, and each row with a setting of its own.

    Says how alike the rows already are, in response and arrival, and how much evenness each gives up for the others.

    Example: roommodes rows plan.h5 -o rows.png
    """
    from cli.terminal.figure_suffix import suffix_fault
    from cli.words.rows import print_rows, rows_json
    from roommodes.errors import Interrupted
    from roommodes.storage.whole_file import write_whole
    from solvers.listening.row_compromise import compromise

    if output and (fault := suffix_fault(output)):
        raise typer.BadParameter(fault, param_hint="--output")
    plan = choose_plan(file, subs=subs, rank=rank)
    check_targets({"--output": output}, inputs=[file], force=force)
    with interruptible() as stop_asked:
        with progress(quiet=quiet, cancelled=stop_asked, threads=threads) as running:
            found = compromise(plan, running=running)
        interrupted = stop_asked()
    if interrupted and not found.costs:
        raise Interrupted("interrupted before the first row was done")
    if output:
        from cli.figures.rows import rows_page

        write_whole(output, rows_page(plan, found, output.suffix), force=force)
    if as_json:
        print_json(rows_json(plan, found))
    elif not quiet:
        page = Page()
        print_rows(page, plan, found)
        if output:
            page.line(f"Figure written to {output}.")
    if interrupted:
        say_error(["interrupted: rows that are missing were not searched; run again for all"])
        raise typer.Exit(EXIT_INTERRUPTED)
