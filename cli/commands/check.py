"""`roommodes check`: the faults of a project, or what the room does by itself."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.terminal.guard import guarded
from cli.terminal.options import AnyFolder, Debug, Json, ProjectFile, Quiet
from cli.terminal.output import Page, counted, print_json, say_error, warn
from cli.terminal.progress import progress

if TYPE_CHECKING:
    from roommodes.errors import ProjectInvalid
    from roommodes.project.project import Project


@guarded
def check(
    file: ProjectFile,
    measured: Annotated[
        Path | None,
        typer.Option("--measured", metavar="MANIFEST", help="Check measured responses instead: files, subs."),
    ] = None,
    any_folder: AnyFolder = False,
    as_json: Json = False,
    quiet: Quiet = False,
    debug: Debug = False,
) -> None:
    """List a project's faults; without any, show the room's modes, seats, candidates and warnings.

    With --measured the faults of a set of measurements are listed; without any, what was done to the files and what the
    first sounds and the levels tell of each sub: inverted, late, louder or softer than the others, rolling off earlier.

    Example: roommodes check cellar.toml --measured measured.toml
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
        print_json(_faulty(file, error))
        raise typer.Exit(error.exit_code) from None
    if measured is not None:
        _check_measured(project, measured, any_folder=any_folder, as_json=as_json, quiet=quiet)
        return
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


def _faulty(file: Path, error: "ProjectInvalid", *more: str) -> dict[str, object]:
    """The faults of a file as JSON, `more` of each fault beside where it is and what."""
    keys = ("where", "message", "line", *more)
    return {
        "file": str(file),
        "valid": False,
        "faults": [{key: getattr(one, key) for key in keys} for one in error.faults],
    }


def _check_measured(project: "Project", manifest: Path, *, any_folder: bool, as_json: bool, quiet: bool) -> None:
    """The faults of a set of measurements, or what is known of it before anything is computed from it."""
    from roommodes.errors import ProjectInvalid
    from roommodes.measured.loading import load_manifest

    try:
        found = load_manifest(manifest, project, any_folder=any_folder)
    except ProjectInvalid as error:
        if not as_json:
            raise
        say_error(error.lines())
        print_json(_faulty(manifest, error, "file"))
        raise typer.Exit(error.exit_code) from None
    if as_json:
        subs = [
            {
                "sub": one.name,
                "polarity": one.polarity or None,
                "late_ms": 1e3 * one.late_s if one.polarity else None,
                "level_db": one.level_db if one.polarity else None,
            }
            for one in found.subs.sounds
        ]
        fallen = [
            {"sub": one.name, "below_hz": one.below_hz, "steeper_db_per_octave": one.steeper_db}
            for one in found.subs.roll_offs
        ]
        data = {
            "places": list(found.seats.name),
            "notes": list(found.notes),
            "first_sounds": subs,
            "roll_offs": fallen,
        }
        print_json({"file": str(manifest), "valid": True, "faults": [], **data})
    elif not quiet:
        page = Page()
        page.line(f"{manifest}: no faults, {counted(len(found.files), 'file')}")
        for note in found.notes:
            page.line(note, mark="- ")
        if not found.subs.sounds:
            page.line(
                "First sounds tell nothing of the subs here: that needs two subs with positions, and impulse responses "
                "or tables from 25 to 150 Hz, 2.5 Hz apart at most.",
                mark="- ",
            )
