"""`roommodes demo`: the whole job on an invented room, to look at and to change."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

from pathlib import Path
from typing import Annotated

import typer

from cli.terminal.ending import EXIT_INTERRUPTED
from cli.terminal.guard import guarded, interruptible
from cli.terminal.options import Debug, Force, Json, Quiet
from cli.terminal.output import Page, print_json, say_error
from cli.terminal.progress import progress
from cli.terminal.targets import check_targets

PROJECT, PLAN, FIGURE = "demo.toml", "demo.h5", "demo.png"


@guarded
def demo(
    into: Annotated[Path, typer.Option("--into", metavar="FOLDER", help="Where the three files go.")] = Path(),
    force: Force = False,
    as_json: Json = False,
    quiet: Quiet = False,
    debug: Debug = False,
) -> None:
    """Write an invented project, its plan and a figure, and show what was found.

    Example: roommodes demo --into trial
    """
    from importlib.resources import files

    from cli.commands.optimise import print_summary
    from cli.figures.pages import plans_page
    from cli.words.choice import choice_json
    from cli.words.plan import plans_json
    from roommodes.plan.file import write_results
    from roommodes.project.reading import parse_project
    from roommodes.storage.whole_file import write_whole
    from solvers.plans.solve import solve

    project_file, plan_file, figure_file = (into / name for name in (PROJECT, PLAN, FIGURE))
    check_targets({path.name: path for path in (project_file, plan_file, figure_file)}, inputs=[], force=force)
    text = files("roommodes.project").joinpath("demo.toml").read_text(encoding="utf-8")
    project = parse_project(text, source=str(project_file))
    write_whole(project_file, text.encode(), force=force)
    with interruptible() as stop_asked:
        with progress(quiet=quiet, cancelled=stop_asked) as running:
            results = solve(project, running=running)
        write_results(plan_file, results, force=force)
        write_whole(figure_file, plans_page(results, figure_file.suffix), force=force)
        interrupted = stop_asked()
    if as_json:
        print_json({**plans_json(results), **choice_json(results)})
    elif not quiet:
        print_summary(results)
        _print_next(project_file, plan_file, figure_file)
    if interrupted:
        say_error([f"interrupted: the best found until then is in {plan_file}; run again for the full search"])
        raise typer.Exit(EXIT_INTERRUPTED)


def _print_next(project_file: Path, plan_file: Path, figure_file: Path) -> None:
    page = Page()
    page.line(f"Written: {project_file} (the invented room), {plan_file} (the plan), {figure_file} (the picture).")
    page.heading("What to do next")
    page.line("Look at the picture, open the project in an editor, move a row or a zone, then:")
    page.command("roommodes", "check", project_file)
    page.command("roommodes", "predict", project_file, "-o", "before.png")
    page.command("roommodes", "optimise", project_file, "-o", plan_file, "--force")
    page.line("For a room of your own:")
    page.command("roommodes", "new", "room.toml")
