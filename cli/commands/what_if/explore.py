"""`roommodes explore`: a page on which subs are moved and seats answer at once."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

from pathlib import Path
from typing import Annotated

import typer

from cli.terminal.guard import guarded, interruptible
from cli.terminal.options import Debug, Force, Json, Quiet
from cli.terminal.output import Page, print_json
from cli.terminal.plan_options import PlanFile, Rank, Subs, choose_plan, suffix_fault
from cli.terminal.progress import progress
from cli.terminal.targets import beside, check_targets

SUFFIXES = (".html",)


@guarded
def explore(
    file: PlanFile,
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="PAGE", help="A .html file.", show_default=False)
    ] = None,
    subs: Subs = None,
    rank: Rank = None,
    force: Force = False,
    as_json: Json = False,
    quiet: Quiet = False,
    debug: Debug = False,
) -> None:
    """Write a page on which subs are dragged and every seat's level follows, with settings, map, headroom and A/B.

    It is one file that needs no network; it opens with a double click. Its links bring back what was set on it.

    Example: roommodes explore plan.h5 -o room.html
    """
    from cli.explore.data import page_data
    from cli.explore.field import left_out, page_field
    from cli.explore.page import explore_html
    from roommodes.storage.whole_file import write_whole

    target = output or beside(file, ".html")
    if fault := suffix_fault(target, SUFFIXES):
        raise typer.BadParameter(fault, param_hint="--output")
    plan = choose_plan(file, subs=subs, rank=rank)
    plan.project.require_one_kind("explore")
    check_targets({"--output": target}, inputs=[file], force=force)
    with interruptible() as stop_asked, progress(quiet=quiet, cancelled=stop_asked) as running:
        found = page_field(plan.results, running)
    data = explore_html(page_data(plan, found))
    write_whole(target, data, force=force)
    said = left_out(plan.results, found)
    if as_json:
        print_json({"written": str(target), "bytes": len(data), "subs": plan.subs, "left_out": list(said)})
    elif not quiet:
        page = Page()
        page.line(f"Wrote {target} ({len(data) / 1e6:.1f} MB). Open it in a browser, and drag a sub.")
        for line in said:
            page.line(line, mark="- ")
