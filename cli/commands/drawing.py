"""`roommodes drawing`: the sheet from which cabinets and places are built."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

from pathlib import Path
from typing import Annotated

import typer

from cli.terminal.guard import guarded
from cli.terminal.options import Debug, Force, Json, Quiet
from cli.terminal.output import Page, print_json
from cli.terminal.plan_options import PlanFile, Rank, Subs, choose_plan, suffix_fault
from cli.terminal.targets import beside, check_targets

SUFFIXES = (".pdf", ".svg", ".dxf")


@guarded
def drawing(
    file: PlanFile,
    output: Annotated[
        Path | None,
        typer.Option("--output", "-o", metavar="SHEET", help="A .pdf, .svg or .dxf file.", show_default=False),
    ] = None,
    subs: Subs = None,
    rank: Rank = None,
    paper: Annotated[
        str | None,
        typer.Option(
            "--paper",
            metavar="SIZE",
            help="A4 to A0, letter, tabloid, ansi-c to -e, arch-a to -e; left out: what fits.",
        ),
    ] = None,
    scale: Annotated[
        float | None, typer.Option("--scale", metavar="N", help="50 for 1:50; left out: the largest that fits.")
    ] = None,
    revision: Annotated[str, typer.Option("--revision", metavar="TEXT", help="For the title block.")] = "A",
    force: Force = False,
    as_json: Json = False,
    quiet: Quiet = False,
    debug: Debug = False,
) -> None:
    """Draw the plan to scale with dimensions, for the people who build it: sheets with plan, walls, rows, a detail.

    Print PDF and SVG (one file a sheet) at 100 %. DXF holds the room in real millimetres about its front left corner,
    cabinets and seats as blocks with attributes, and the sheets as paper space.

    Example: roommodes drawing plan.h5 -o sheet.pdf
    """
    from cli.drawing.file import sheet_files, sheet_paths, wishes_for
    from cli.drawing.papers import PAPERS, paper_named, paper_of, scale_words
    from cli.drawing.sheet import below_working_scale, drawing_sheets
    from roommodes.lengths import lengths_of
    from roommodes.storage.whole_file import write_whole

    target = output or beside(file, ".pdf")
    if fault := suffix_fault(target, SUFFIXES):
        raise typer.BadParameter(fault, param_hint="--output")
    if paper is not None and paper_named(paper) is None:
        raise typer.BadParameter(f"got {paper!r}; allowed: {', '.join(PAPERS)}", param_hint="--paper")
    if scale is not None and not 1.0 <= scale <= 1000.0:
        raise typer.BadParameter(f"got {scale:g}; allowed: 1 to 1000, such as 50 for 1:50", param_hint="--scale")
    plan = choose_plan(file, subs=subs, rank=rank)
    check_targets({"--output": target}, inputs=[file], force=force)
    wishes = wishes_for(plan, target.suffix, paper=paper, scale=scale, revision=revision)
    lengths = wishes.lengths
    sheets = drawing_sheets(plan, wishes)
    paths = sheet_paths(target, len(sheets))
    check_targets({"--output": target, **{path.name: path for path in paths[1:]}}, inputs=[file], force=force)
    for path, data in sheet_files(sheets, target).items():
        write_whole(path, data, force=force)
    small = below_working_scale(sheets, lengths)
    paper_used, at = paper_of(sheets[0]), scale_words(sheets[0].scale, lengths)
    if as_json:
        print_json(
            {
                "written": str(target),
                "files": [str(path) for path in paths],
                "sheets": len(sheets),
                "paper": paper_used,
                "scale": sheets[0].scale,
                "subs": plan.subs,
                "warnings": [small] if small else [],
            }
        )
    elif not quiet:
        page = Page()
        count = "1 sheet" if len(sheets) == 1 else f"{len(sheets)} sheets"
        written = ", ".join(map(str, paths))
        page.line(f"Wrote {written}: {count}, {paper_used} at {at}. Print at 100 % and check the scale bar.")
        if small:
            page.line(small)
        if lengths_of(plan.project).feet and not lengths.feet:
            page.line("DXF stays metric: real millimetres.")
        page.line("Check every dimension on site before anything is cut; local codes and licensed trades decide.")
