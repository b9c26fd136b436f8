"""`roommodes predict`: what every seat hears from the layout in the project."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

from pathlib import Path
from typing import Annotated

import typer

from cli.terminal.guard import guarded, interruptible
from cli.terminal.options import Debug, Force, Json, ProjectFile, Quiet
from cli.terminal.output import Page, print_json, warn
from cli.terminal.progress import progress
from cli.terminal.targets import check_targets


@guarded
def predict(
    file: ProjectFile,
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="FIGURE", help="Also draw it: a .png or .svg file.")
    ] = None,
    layout: Annotated[
        Path | None,
        typer.Option("--layout", metavar="LAYOUT.json", help="A layout saved from explore's page, not that of FILE."),
    ] = None,
    force: Force = False,
    as_json: Json = False,
    quiet: Quiet = False,
    debug: Debug = False,
) -> None:
    """Predict the level at every seat from the layout in the project, or from one that explore's page saved.

    Example: roommodes predict cellar.toml -o levels.png
    """
    from cli.terminal.figure_suffix import suffix_fault
    from cli.words.levels import prediction_json, print_prediction
    from roommodes.project.advice import model_warnings
    from roommodes.project.reading import load_project
    from roommodes.storage.whole_file import write_whole
    from solvers.plans.by_hand import predict_layout

    if output and (fault := suffix_fault(output)):
        raise typer.BadParameter(fault, param_hint="--output")
    project = load_project(file)
    inputs = [file] if layout is None else [file, layout]
    check_targets({"--output": output}, inputs=inputs, force=force)
    if layout is not None:
        from roommodes.project.layout_file import read_layout

        project = read_layout(layout).in_project(project)
    if not quiet:
        warn(model_warnings(project.room, project.surfaces(), high_hz=project.search.band_hz[1]))
    with interruptible() as stop_asked, progress(quiet=quiet, cancelled=stop_asked) as running:
        plan = predict_layout(project, running=running)
    if output:
        from cli.figures.pages import prediction_page

        write_whole(output, prediction_page(plan, output.suffix), force=force)
    if as_json:
        print_json(prediction_json(plan))
    elif not quiet:
        page = Page()
        print_prediction(page, plan, whose="in the file" if layout is None else f"of {layout}")
        if output:
            page.line(f"Figure written to {output}.")
