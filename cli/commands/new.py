"""`roommodes new`: a starter project, with comments, to be filled in."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

from pathlib import Path
from typing import Annotated, Literal

import typer

from cli.terminal.guard import guarded
from cli.terminal.options import Debug, Force, Json, Quiet
from cli.terminal.output import Page, print_json
from cli.terminal.targets import check_targets

Kind = Literal["cellar", "attic", "open-plan", "two-row", "large"]
STARTERS = {"room": "project", "measured": "measured", "study": "studies"}  # stem of the file: where its text lies
HEIGHT_M = (1.5, 60.0)


@guarded
def new(
    file: Annotated[
        Path | None,
        typer.Argument(
            metavar="[FILE]",
            help="Where to write it.",
            show_default="room.toml, the template's or the drawing's name, measured.toml or study.toml",
        ),
    ] = None,
    template: Annotated[
        Kind | None, typer.Option("--template", help="A room of this kind, to be changed; else one with every table.")
    ] = None,
    outline: Annotated[
        Path | None,
        typer.Option("--outline", metavar="DXF", help="Take the room's length and width from a drawing's closed line."),
    ] = None,
    layer: Annotated[
        str | None, typer.Option("--layer", help="With --outline: whose line; else that about the largest area.")
    ] = None,
    front: Annotated[
        Literal["left", "right", "top", "bottom"] | None,
        typer.Option("--front", help="With --outline: where in the drawing the front wall is; else a short side."),
    ] = None,
    height: Annotated[
        float | None, typer.Option("--height", metavar="M", help="With --outline: the room's height [m].")
    ] = None,
    manifest: Annotated[
        bool, typer.Option("--manifest", help="A manifest of measurements instead, for `fit`.")
    ] = False,
    project: Annotated[
        Path | None,
        typer.Option("--project", metavar="PROJECT", help="With --manifest: for its subs and seats, in order."),
    ] = None,
    study: Annotated[bool, typer.Option("--study", help="A study instead: many rooms, for `study`.")] = False,
    force: Force = False,
    as_json: Json = False,
    quiet: Quiet = False,
    debug: Debug = False,
) -> None:
    """Write a commented starter project.

    Example: roommodes new cellar.toml --template cellar
    """
    from roommodes.storage.whole_file import write_whole

    asked = {"--template": template, "--outline": outline, "--manifest": manifest or None, "--study": study or None}
    given = [name for name, value in asked.items() if value is not None]
    if len(given) > 1:
        raise typer.BadParameter(f"one at a time: {' or '.join(given)}", param_hint=given[-1])
    of_outline = {"--layer": layer, "--front": front, "--height": height}
    if outline is None and (stray := [name for name, value in of_outline.items() if value is not None]):
        raise typer.BadParameter("this goes with --outline", param_hint=stray[0])
    if project is not None and not manifest:
        raise typer.BadParameter("this goes with --manifest", param_hint="--project")
    if height is not None and not HEIGHT_M[0] <= height <= HEIGHT_M[1]:
        allowed = f"{HEIGHT_M[0]:g} to {HEIGHT_M[1]:g} m"
        raise typer.BadParameter(f"got {height:g}; allowed: {allowed}", param_hint="--height")
    stem = "measured" if manifest else "study" if study else template or (outline.stem if outline else "room")
    file = file or Path(f"{stem}.toml")
    check_targets({"FILE": file}, inputs=[one for one in (outline, project) if one], force=force)
    said: list[str] = []
    if outline is not None:
        from roommodes.outlines.from_drawing import project_from_drawing

        text, said = project_from_drawing(outline, layer=layer, front=front, height_m=height)
        data = text.encode()
    else:
        data = _starter(stem, template=template, project=project)
    write_whole(file, data, force=force)
    if as_json:
        print_json({"written": str(file)} | ({"taken": said} if outline is not None else {}))
    elif not quiet:
        _say_next(file, said, manifest=manifest, study=study)


def _starter(stem: str, *, template: Kind | None, project: Path | None) -> bytes:
    """A file to be filled in: a room of some kind, the manifest for a project, or the starter of that name."""
    from importlib.resources import files

    if project is not None:
        from roommodes.measured.pattern import manifest_for
        from roommodes.project.reading import load_project

        return manifest_for(load_project(project)).encode()
    if template is not None:
        return files("roommodes.project.templates").joinpath(f"{template}.toml").read_bytes()
    return files(f"roommodes.{STARTERS[stem]}").joinpath("starter.toml").read_bytes()


def _say_next(file: Path, said: list[str], *, manifest: bool, study: bool) -> None:
    """What was written, what was taken into it, and what to do with it."""
    page = Page()
    if manifest:
        page.line(f"Wrote {file}. Name your subs, seats and files in it.")
        return
    what = "your rooms and strategies" if study else "your room"
    for line in said:
        page.line(line)
    page.line(f"Wrote {file}. {'Change in it what is assumed' if said else f'Put {what} into it'}, then:")
    if study:
        page.command("roommodes", "study", file, "--dry-run")
        page.command("roommodes", "study", file, "-o", file.with_suffix(".h5"))
    else:
        page.command("roommodes", "check", file)
        page.command("roommodes", "optimise", file, "-o", file.with_suffix(".h5"))
