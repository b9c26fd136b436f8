"""`roommodes report`: the plan for people who were not there, as one page or as a PDF."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

import gc
from pathlib import Path
from typing import Annotated

import typer

from cli.terminal.guard import guarded, interruptible
from cli.terminal.options import Debug, Force, Json, Quiet
from cli.terminal.output import Page, counted, print_json, warn
from cli.terminal.plan_options import Field, PlanFile, Rank, Subs, choose_plan, suffix_fault
from cli.terminal.progress import progress
from cli.terminal.targets import beside, check_targets

SUFFIXES = (".html", ".pdf")
COLLECT_AFTER = 2_000_000  # objects: more than a report makes, hardly any of them garbage


@guarded
def report(
    file: PlanFile,
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="REPORT", help="A .html or .pdf file.", show_default=False)
    ] = None,
    subs: Subs = None,
    rank: Rank = None,
    short: Annotated[
        bool,
        typer.Option(
            "--short", help="Two pages for the client: verdict, places, what it does, what to do; a third for filters."
        ),
    ] = False,
    cover: Annotated[
        bool,
        typer.Option("--cover", help="With --short: all plans of the file, after a page that lists them."),
    ] = False,
    field: Field = None,
    force: Force = False,
    as_json: Json = False,
    quiet: Quiet = False,
    debug: Debug = False,
) -> None:
    """Write a report of a plan: what to build, what every seat will hear, and what it rests on.

    The .html file needs no network and works on a phone; the .pdf ends with the drawing to scale. Client, designer,
    drawing number and logo of the short one stand in [title] of the project. A field over a grid of places (roommodes
    field --height) adds maps that rest on the measurements, with what is hardly known dotted.

    Example: roommodes report plan.h5 -o report.html
    """
    from cli.report.whole import model_numbers, report_bytes, short_bytes
    from cli.words.basis import responses_word
    from roommodes.storage.whole_file import write_whole

    gc.set_threshold(COLLECT_AFTER)
    target = output or beside(file, ".html")
    if fault := suffix_fault(target, SUFFIXES):
        raise typer.BadParameter(fault, param_hint="--output")
    if cover and not short:
        raise typer.BadParameter("this goes with --short", param_hint="--cover")
    if cover and (subs is not None or rank is not None):
        raise typer.BadParameter("--cover takes every plan; leave out --subs and --rank", param_hint="--cover")
    if field is not None and short:
        raise typer.BadParameter("the short report has no map; leave --short out", param_hint="--field")
    plan = choose_plan(file, subs=subs, rank=rank)
    logo = plan.project.tables.title.logo
    inputs = [file, *([file.absolute().parent / logo] if logo else []), *([field] if field else [])]
    check_targets({"--output": target}, inputs=inputs, force=force)
    estimated = None
    if field is not None:
        from cli.report.on_site.field import field_section
        from roommodes.estimates.field_file import read_field_file

        estimated = field_section(plan, read_field_file(field), source=str(field))
    with interruptible() as stop_asked, progress(quiet=quiet, cancelled=stop_asked) as running:
        if short:
            plans = [plan.results.plan(count, 1) for count in plan.results.plans] if cover else [plan]
            data, warnings = short_bytes(plans, target.suffix, running, cover=cover, folder=file.absolute().parent)
        else:
            compared, found = model_numbers(plan, running, target.suffix)
            data, warnings = report_bytes(plan, compared, found, target.suffix, estimated, running), []
    warn(warnings)
    write_whole(target, data, force=force)
    if as_json:
        print_json(
            {"written": str(target), "bytes": len(data), "subs": plan.subs, "responses": responses_word(plan.results)}
        )
    elif not quiet:
        what = counted(len(plan.results.plans), "plan") if cover else counted(plan.subs, "sub")
        Page().line(f"Wrote {target} ({len(data) / 1e3:.0f} kB), with {what}.")
