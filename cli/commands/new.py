"""`roommodes new`: a starter project, with comments, to be filled in."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

from pathlib import Path
from typing import Annotated

import typer

from cli.terminal.guard import guarded
from cli.terminal.options import Debug, Force, Json, Quiet
from cli.terminal.output import Page, print_json


@guarded
def new(
    file: Annotated[
        Path | None,
        typer.Argument(
            metavar="[FILE]", help="Where to write it.", show_default="room.toml, measured.toml or study.toml"
        ),
    ] = None,
    manifest: Annotated[
        bool, typer.Option("--manifest", help="A manifest of measurements instead, for `fit`.")
    ] = False,
    study: Annotated[bool, typer.Option("--study", help="A study instead: many rooms, for `study`.")] = False,
    force: Force = False,
    as_json: Json = False,
    quiet: Quiet = False,
    debug: Debug = False,
) -> None:
    """Write a commented starter project.

    Example: roommodes new cellar.toml
    """
    from importlib.resources import files

    from roommodes.storage.whole_file import write_whole

    if manifest and study:
        raise typer.BadParameter("one at a time: --manifest or --study", param_hint="--study")
    stem, subject = "room", "project"
    if manifest:
        stem, subject = "measured", "measured"
    elif study:
        stem, subject = "study", "studies"
    file = file or Path(f"{stem}.toml")
    write_whole(file, files(f"roommodes.{subject}").joinpath("starter.toml").read_bytes(), force=force)
    if as_json:
        print_json({"written": str(file)})
    elif manifest and not quiet:
        Page().line(f"Wrote {file}. Name your subs, seats and files in it.")
    elif study and not quiet:
        page = Page()
        page.line(f"Wrote {file}. Put your rooms and strategies into it, then:")
        page.command("roommodes", "study", file, "--dry-run")
        page.command("roommodes", "study", file, "-o", file.with_suffix(".h5"))
    elif not quiet:
        page = Page()
        page.line(f"Wrote {file}. Put your room into it, then:")
        page.command("roommodes", "check", file)
        page.command("roommodes", "optimise", file, "-o", file.with_suffix(".h5"))
