"""`roommodes verify`: what was measured after dialling in, against what the plan promised."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

from pathlib import Path
from typing import Annotated

import typer

from cli.terminal.guard import guarded, interruptible
from cli.terminal.options import AnyFolder, Debug, Force, Json, Quiet
from cli.terminal.output import Page, print_json
from cli.terminal.plan_options import PlanFile, Rank, Subs, choose_plan
from cli.terminal.progress import progress
from cli.terminal.targets import check_targets

SUFFIXES = (".html", ".pdf")


@guarded
def verify(
    file: PlanFile,
    manifest: Annotated[Path, typer.Argument(metavar="MANIFEST", help="Which files hold what.", show_default=False)],
    output: Annotated[
        Path | None,
        typer.Option("--output", "-o", metavar="PAGE", help="Write a page for the client: a .html or .pdf file."),
    ] = None,
    figure: Annotated[
        Path | None, typer.Option("--figure", metavar="FIGURE", help="Draw it: a .png or .svg file.")
    ] = None,
    subs: Subs = None,
    rank: Rank = None,
    allowed: Annotated[
        float,
        typer.Option(
            "--allowed", metavar="DB", min=0.1, max=12.0, help="Most that a third-octave at a seat may differ by."
        ),
    ] = 1.5,
    any_folder: AnyFolder = False,
    force: Force = False,
    as_json: Json = False,
    quiet: Quiet = False,
    debug: Debug = False,
) -> None:
    """Compare a measurement after dialling in with what the plan promised.

    In the manifest one of [[subs]] says together = true: all subs at once, as they now play. The plan's subs may stand
    beside it, measured singly with their settings dialled in. It says which sub's gain, delay or polarity looks wrong.

    Example: roommodes verify plan.h5 after.toml -o after.html --figure after.png
    """
    from cli.terminal.figure_suffix import suffix_fault
    from cli.terminal.plan_options import suffix_fault as page_fault
    from cli.words.on_site.verify import print_verified, verified_json
    from roommodes.measured.loading import load_manifest
    from roommodes.storage.whole_file import write_whole
    from solvers.verification.outcome import verified

    if figure and (fault := suffix_fault(figure)):
        raise typer.BadParameter(fault, param_hint="--figure")
    if output and (fault := page_fault(output, SUFFIXES)):
        raise typer.BadParameter(fault, param_hint="--output")
    plan = choose_plan(file, subs=subs, rank=rank)
    measured = load_manifest(manifest, plan.project, any_folder=any_folder)
    check_targets({"--output": output, "--figure": figure}, inputs=[file, *measured.paths], force=force)
    with interruptible() as stop_asked, progress(quiet=quiet, cancelled=stop_asked) as running:
        found = verified(plan, measured, allowed_db=allowed, running=running)
    if output:
        from cli.report.on_site.verify import verify_bytes

        write_whole(output, verify_bytes(plan, measured, found, output.suffix), force=force)
    if figure:
        from cli.figures.verify import verify_page

        write_whole(figure, verify_page(f"{plan.project.name}: {measured.name}", found, figure.suffix), force=force)
    written = [path for path in (output, figure) if path]
    if as_json:
        print_json({**verified_json(plan, found), "written": [str(path) for path in written]})
    elif not quiet:
        page = Page()
        print_verified(page, plan, found)
        for path in written:
            page.line(f"Wrote {path}.")
