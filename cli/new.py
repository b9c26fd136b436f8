"""`roommodes new`: a starter project, with comments, to be filled in."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

from pathlib import Path
from typing import Annotated

import typer

from cli.guard import guarded
from cli.options import Debug, Force, Json, Quiet
from cli.terminal import Page, print_json


@guarded
def new(
    file: Annotated[
        Path | None,
        typer.Argument(metavar="[FILE]", help="Where to write it.", show_default="room.toml, or measured.toml"),
    ] = None,
    manifest: Annotated[
        bool, typer.Option("--manifest", help="A manifest of measurements instead, for `fit`.")
    ] = False,
    force: Force = False,
    as_json: Json = False,
    quiet: Quiet = False,
    debug: Debug = False,
) -> None:
    """Write a commented starter project.

    Example: roommodes new cellar.toml
    """
    from importlib.resources import files

    from roommodes.whole_file import write_whole

    starter = "manifest_starter.toml" if manifest else "starter.toml"
    file = file or Path("measured.toml" if manifest else "room.toml")
    write_whole(file, files("roommodes").joinpath(starter).read_bytes(), force=force)
    if as_json:
        print_json({"written": str(file)})
    elif manifest and not quiet:
        Page().line(f"Wrote {file}. Name your subs, seats and files in it.")
    elif not quiet:
        page = Page()
        page.line(f"Wrote {file}. Put your room into it, then:")
        page.command("roommodes", "check", file)
        page.command("roommodes", "optimise", file, "-o", file.with_suffix(".h5"))
