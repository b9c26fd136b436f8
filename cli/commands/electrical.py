"""`roommodes electrical`: what the electrician needs of a plan."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

from pathlib import Path
from typing import Annotated

import typer

from cli.terminal.guard import guarded
from cli.terminal.options import Debug, Force, Json, Quiet
from cli.terminal.output import Page, name, print_json
from cli.terminal.plan_options import PlanFile, Rank, Subs, choose_plan, suffix_fault
from cli.terminal.targets import check_targets

SUFFIXES = (".xlsx", ".csv")


@guarded
def electrical(
    file: PlanFile,
    output: Annotated[
        Path | None,
        typer.Option("--output", "-o", metavar="LISTS", help="Also write them: one .xlsx file, or .csv files."),
    ] = None,
    subs: Subs = None,
    rank: Rank = None,
    force: Force = False,
    as_json: Json = False,
    quiet: Quiet = False,
    debug: Debug = False,
) -> None:
    """List a plan's cables with lengths and sections, circuits, heat and quantities, for a qualified electrician.

    Needs amplifiers with at_m and power_w in the project, and board_m in [electrical]; says what is missing.

    Example: roommodes electrical plan.h5 -o wiring.xlsx
    """
    from cli.formats.electrical_files import csv_files, csv_paths, workbook_file
    from cli.words.electrical import basis_lines, electrical_json, listings
    from roommodes.storage.whole_file import write_whole
    from solvers.electrical.of_plan import electrical_of

    if output and (fault := suffix_fault(output, SUFFIXES)):
        raise typer.BadParameter(fault, param_hint="--output")
    plan = choose_plan(file, subs=subs, rank=rank)
    found = electrical_of(plan)
    tables, basis = listings(found), basis_lines(plan.project.tables.electrical)
    unknown = [f"Not known: {words}." for words in found.unknown]
    files: dict[Path, bytes] = {}
    if output:
        paths = [output] if output.suffix.lower() == ".xlsx" else csv_paths(output, tables)
        check_targets({"--output": paths[0], **{one.name: one for one in paths[1:]}}, inputs=[file], force=force)
        if output.suffix.lower() == ".xlsx":
            files = {output: workbook_file(tables, [*basis, *unknown], plan.project.name)}
        else:
            files = csv_files(output, tables, [*basis, *unknown])
        for path, data in files.items():
            write_whole(path, data, force=force)
    if as_json:
        print_json({**electrical_json(plan, found), "written": [str(path) for path in files]})
    elif not quiet:
        page = Page()
        page.heading(f"{name(plan.project.name)}: cables, circuits, heat, quantities")
        for table in tables:
            if table.rows:
                page.heading(table.name[0].upper() + table.name[1:])
                page.table(list(table.headers), table.texts(), right=table.numbers)
        page.heading("How it was worked out, and who decides")
        for line in (*basis, *unknown):
            page.line(line, mark="- ")
        if files:
            page.line(f"Written: {', '.join(map(str, files))}.")
