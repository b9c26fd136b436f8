"""`roommodes layout`: a plan written into a project."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

from pathlib import Path
from typing import Annotated

import typer

from cli.terminal.guard import guarded, interruptible
from cli.terminal.options import Debug, Force, Json, Quiet
from cli.terminal.output import Page, counted, print_json
from cli.terminal.plan_options import suffix_fault
from cli.terminal.plan_sources import LAYOUT_SUFFIX, PROJECT_SUFFIX, SOURCE_HELP, source_of
from cli.terminal.progress import progress
from cli.terminal.targets import check_targets


@guarded
def layout(
    file: Annotated[str, typer.Argument(metavar="PLAN", help=SOURCE_HELP, show_default=False)],
    output: Annotated[
        Path, typer.Option("--output", "-o", metavar="ROOM.toml", help="Where the project goes.", show_default=False)
    ],
    project: Annotated[
        Path | None,
        typer.Option("--project", metavar="FILE", help="Into this project; left out, into the plan's own."),
    ] = None,
    force: Force = False,
    as_json: Json = False,
    quiet: Quiet = False,
    debug: Debug = False,
) -> None:
    """Write a plan into a project as its [layout]: for `predict`, `crossover`, or to go on by hand.

    Comments and everything else in the project's text stay as they are. A layout file moves its rows as well.

    Example: roommodes layout plan.h5:4 -o room.toml
    """
    from roommodes.project.layout_file import read_layout
    from roommodes.project.reading import load_project
    from roommodes.storage.whole_file import write_whole

    if fault := suffix_fault(output, (PROJECT_SUFFIX,)):
        raise typer.BadParameter(fault, param_hint="--output")
    source = source_of(file, hint="PLAN")
    check_targets({"--output": output}, inputs=[source.file, *([project] if project else [])], force=force)
    into = None if project is None else load_project(project)
    if source.file.suffix.lower() == LAYOUT_SUFFIX:
        read = read_layout(source.file)
        written = read.own_project() if into is None else read.in_project(into)
    else:
        with interruptible() as stop_asked, progress(quiet=quiet, cancelled=stop_asked) as running:
            plan = source.plan(running)
        written = plan.in_project(into, label=source.label(plan))
    write_whole(output, written.toml_text.encode(), force=force)
    subs = len(written.layout.positions_m) if written.layout else 0
    if as_json:
        print_json({"written": str(output), "subs": subs})
    elif not quiet:
        page = Page()
        page.line(f"Wrote {output}, with {counted(subs, 'sub')} in [layout]. Then:")
        page.command("roommodes", "predict", output)
