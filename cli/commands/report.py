"""`roommodes report`: the plan for people who were not there, as one page or as a PDF."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

from pathlib import Path
from typing import Annotated

import typer

from cli.terminal.guard import guarded, interruptible
from cli.terminal.options import Debug, Force, Json, Quiet
from cli.terminal.output import Page, counted, print_json
from cli.terminal.plan_options import PlanFile, Rank, Subs, choose_plan, suffix_fault
from cli.terminal.progress import progress
from cli.terminal.targets import beside, check_targets

SUFFIXES = (".html", ".pdf")


@guarded
def report(
    file: PlanFile,
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="REPORT", help="A .html or .pdf file.", show_default=False)
    ] = None,
    subs: Subs = None,
    rank: Rank = None,
    force: Force = False,
    as_json: Json = False,
    quiet: Quiet = False,
    debug: Debug = False,
) -> None:
    """Write a report of a plan: what to build, what every seat will hear, and what it rests on.

    The .html file needs no network and works on a phone; the .pdf ends with the drawing to scale.

    Example: roommodes report plan.h5 -o report.html
    """
    from cli.report.whole import model_numbers, report_bytes
    from cli.words.basis import responses_word
    from roommodes.storage.whole_file import write_whole

    target = output or beside(file, ".html")
    if fault := suffix_fault(target, SUFFIXES):
        raise typer.BadParameter(fault, param_hint="--output")
    plan = choose_plan(file, subs=subs, rank=rank)
    check_targets({"--output": target}, inputs=[file], force=force)
    with interruptible() as stop_asked, progress(quiet=quiet, cancelled=stop_asked) as running:
        compared, found = model_numbers(plan, running, target.suffix)
    data = report_bytes(plan, compared, found, target.suffix)
    write_whole(target, data, force=force)
    if as_json:
        print_json(
            {"written": str(target), "bytes": len(data), "subs": plan.subs, "responses": responses_word(plan.results)}
        )
    elif not quiet:
        Page().line(f"Wrote {target} ({len(data) / 1e3:.0f} kB), with {counted(plan.subs, 'sub')}.")
