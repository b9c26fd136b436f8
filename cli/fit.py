"""`roommodes fit`: the model corrected by what was measured."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

import contextlib
from enum import Enum
from pathlib import Path
from typing import Annotated

import typer

from cli.guard import EXIT_INTERRUPTED, guarded, interruptible
from cli.options import Debug, Force, Json, ProjectFile, Quiet
from cli.progress import progress
from cli.terminal import Page, print_json, say_error

EXIT_REFUSED = 3


class OwnResponse(Enum):
    """What a sub's own response may be."""

    each = "each"
    common = "common"
    none = "none"


@guarded
def fit(
    file: ProjectFile,
    manifest: Annotated[Path, typer.Argument(metavar="MANIFEST", help="Which files hold what.", show_default=False)],
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="CORRECTED.toml", help="Write the corrected project.")
    ] = None,
    figure: Annotated[
        Path | None, typer.Option("--figure", metavar="FIGURE", help="Draw misfit and modes: a .png or .svg file.")
    ] = None,
    hold: Annotated[
        list[str] | None,
        typer.Option(
            "--hold",
            metavar="NAME",
            help="What stays as it is: walls, loss, size, subs, microphones, a construction, a sub, a seat, or one of "
            "their keys. May be given again.",
        ),
    ] = None,
    own: Annotated[
        OwnResponse | None,
        typer.Option(
            "--own-response",
            help="A response of its own for each sub, one common to all, or none; left out: none if the levels are "
            "per metre, else each.",
        ),
    ] = None,
    force: Force = False,
    as_json: Json = False,
    quiet: Quiet = False,
    debug: Debug = False,
) -> None:
    """Correct a project's walls, loss and size by measured responses.

    Also for a test of the bare room before the design: one sub, and a microphone moved about. Start a manifest with
    `roommodes new --manifest`. What the data cannot tell is named; a project that does not explain them is refused.

    Example: roommodes fit cellar.toml measured.toml -o corrected.toml --figure fit.png
    """
    from cli.figure_files import suffix_fault
    from cli.fit_text import fit_json, print_fit
    from roommodes.measured import load_manifest
    from roommodes.project_file import load_project
    from roommodes.whole_file import check_target, write_whole
    from solvers.fit import Settings
    from solvers.fit import fit as fit_project
    from solvers.fit_modes import moved_modes
    from solvers.fit_outcome import Stop, Verdict
    from solvers.fit_project import corrected_project
    from solvers.steps import Interrupted

    if figure and (fault := suffix_fault(figure)):
        raise typer.BadParameter(fault, param_hint="--figure")
    project = load_project(file)
    for target in (output, figure):
        if target:
            check_target(target, force=force)
    measured = load_manifest(manifest, project)
    settings = Settings(hold=tuple(hold or ()), own=own.value if own else None)
    moved = None
    with interruptible() as stop_asked, progress(quiet=quiet) as report:
        found = fit_project(project, measured, settings, report=report, cancelled=stop_asked)
        with contextlib.suppress(Interrupted):
            moved = None if stop_asked() else moved_modes(project, found, report=report, cancelled=stop_asked)
    refused = found.verdict is Verdict.REFUSED
    written: list[Path] = []
    if output and not refused:
        write_whole(output, corrected_project(project, measured, found).encode(), force=force)
        written.append(output)
    if figure:
        from cli.fit_figures import fit_page

        write_whole(figure, fit_page(project, measured, found, moved or (), figure.suffix), force=force)
        written.append(figure)
    if as_json:
        print_json({**fit_json(measured, found, moved or ()), "written": [str(path) for path in written]})
    elif not quiet:
        page = Page()
        print_fit(page, project, measured, found, moved or ())
        for path in written:
            page.line(f"Wrote {path}.")
    if found.stop is Stop.INTERRUPTED or moved is None:
        say_error(["interrupted: the values of the last whole step are given; run again for the whole fit"])
        raise typer.Exit(EXIT_INTERRUPTED)
    if refused:
        say_error([f"{file}: {found.verdict.value}" + (f" {output} was not written." if output else "")])
        raise typer.Exit(EXIT_REFUSED)
