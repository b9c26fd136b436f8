"""`roommodes check`: the faults of a project, or what the room does by itself."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

import typer

from cli.terminal.guard import guarded
from cli.terminal.options import Debug, Json, ProjectFile, Quiet
from cli.terminal.output import Page, print_json, say_error, warn
from cli.terminal.progress import progress


@guarded
def check(file: ProjectFile, as_json: Json = False, quiet: Quiet = False, debug: Debug = False) -> None:
    """List a project's faults; without any, show the room's modes, seats, candidates and warnings.

    Example: roommodes check cellar.toml
    """
    from cli.words.room import print_room, room_json
    from cli.words.subwoofer import print_subwoofer, subwoofer_json
    from roommodes.errors import ProjectInvalid
    from roommodes.project.reading import load_project
    from solvers.listening.room import examine

    try:
        project = load_project(file)
    except ProjectInvalid as error:
        if not as_json:
            raise
        say_error(error.lines())
        faults = [{"where": f.where, "message": f.message, "line": f.line} for f in error.faults]
        print_json({"file": str(file), "valid": False, "faults": faults})
        raise typer.Exit(error.exit_code) from None
    if quiet and not as_json:
        return
    with progress(quiet=quiet) as running:
        found = examine(project, running=running)
    if as_json:
        data = {**room_json(project, found), "subwoofer": subwoofer_json(project)}
        print_json({"file": str(file), "valid": True, "faults": [], **data})
        return
    page = Page()
    page.line(f"{file}: no faults")
    print_room(page, project, found)
    print_subwoofer(page, project)
    page.line()
    warn(found.warnings)
