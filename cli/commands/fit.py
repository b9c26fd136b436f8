"""`roommodes fit`: the model corrected by what was measured."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

import contextlib
from collections.abc import Callable, Sequence
from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.terminal.ending import EXIT_INTERRUPTED
from cli.terminal.guard import guarded, interruptible
from cli.terminal.options import AnyFolder, Debug, Force, Json, PageFile, ProjectFile, Quiet
from cli.terminal.output import Page, print_json, say_error
from cli.terminal.progress import progress
from cli.terminal.targets import check_targets

if TYPE_CHECKING:
    from roommodes.measured.loading import MeasuredSet
    from roommodes.project.project import Project
    from solvers.fit.moved_modes import MovedMode
    from solvers.fit.outcome import Fit

EXIT_REFUSED = 3
STOPPING = "stopping: a moment, for what is finished; once more to end at once"


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
            help="What stays as it is: walls, loss, size, shape, subs, microphones, a construction, a block, a slope, "
            "a sub, a seat, or one of their keys. May be given again.",
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
    page: PageFile = None,
    any_folder: AnyFolder = False,
    force: Force = False,
    as_json: Json = False,
    quiet: Quiet = False,
    debug: Debug = False,
) -> None:
    """Correct a project's walls, loss and size by measured responses.

    Also for a test of the bare room before the design: one sub, and a microphone moved about. Start a manifest with
    `roommodes new --manifest`. Parameters that are not identifiable are named; a project that does not explain the data
    is refused.

    Example: roommodes fit cellar.toml measured.toml -o corrected.toml --figure fit.png
    """
    from cli.terminal.figure_suffix import suffix_fault
    from cli.terminal.plan_options import PAGES
    from cli.terminal.plan_options import suffix_fault as page_fault
    from cli.words.fit import fit_json, print_fit
    from roommodes.errors import Interrupted
    from roommodes.measured.loading import load_manifest
    from roommodes.project.reading import load_project
    from solvers.fit.corrected_project import corrected_project
    from solvers.fit.moved_modes import moved_modes
    from solvers.fit.outcome import Stop
    from solvers.fit.run import Settings
    from solvers.fit.run import fit as fit_project
    from solvers.fit.verdict import Verdict

    if page and (fault := page_fault(page, PAGES)):
        raise typer.BadParameter(fault, param_hint="--page")
    if figure and (fault := suffix_fault(figure)):
        raise typer.BadParameter(fault, param_hint="--figure")
    project = load_project(file)
    measured = load_manifest(manifest, project, any_folder=any_folder).at_known_places()
    check_targets({"--output": output, "--figure": figure, "--page": page}, inputs=[file, *measured.paths], force=force)
    settings = Settings(hold=tuple(hold or ()), own=own.value if own else None)
    moved = None
    with interruptible(STOPPING) as stop_asked, progress(quiet=quiet, cancelled=stop_asked) as running:
        found = fit_project(project, measured, settings, running=running)
        whole = found.stop is not Stop.INTERRUPTED
        if whole:
            with contextlib.suppress(Interrupted):
                moved = moved_modes(project, found, running=running)
        refused = found.verdict is Verdict.REFUSED
        written = _write(
            {
                output: lambda: corrected_project(project, measured, found).encode() if whole and not refused else None,
                figure: lambda: _drawn(figure, project, measured, found, moved),
                page: lambda: _paged(page, project, measured, found) if whole else None,
            },
            force=force,
        )
        stopped = stop_asked()
    if as_json:
        print_json({**fit_json(project, measured, found, moved), "written": [str(path) for path in written]})
    elif not quiet:
        text = Page()
        print_fit(text, project, measured, found, moved or ())
        for path in written:
            text.line(f"Wrote {path}.")
    if stopped:
        say_error([_what_was_kept(found, moved, written)])
        raise typer.Exit(EXIT_INTERRUPTED)
    if refused:
        say_error([f"{file}: {found.judgement.text}" + (f" {output} was not written." if output else "")])
        raise typer.Exit(EXIT_REFUSED)


def _write(contents: "dict[Path | None, Callable[[], bytes | None]]", *, force: bool) -> list[Path]:
    """Write what was asked for and can be given; returns what was written."""
    from roommodes.storage.whole_file import write_whole

    made = [(path, make()) for path, make in contents.items() if path]
    for path, content in made:
        if content is not None:
            write_whole(path, content, force=force)
    return [path for path, content in made if content is not None]


def _drawn(
    figure: Path | None,
    project: "Project",
    measured: "MeasuredSet",
    found: "Fit",
    moved: "Sequence[MovedMode] | None",
) -> bytes | None:
    """The figure; None where the modes were not followed to the end."""
    from cli.figures.fit import fit_page

    return None if figure is None or moved is None else fit_page(project, measured, found, moved, figure.suffix)


def _paged(page: Path | None, project: "Project", measured: "MeasuredSet", found: "Fit") -> bytes | None:
    """The page."""
    from cli.report.on_site.measured_room import fit_page_bytes

    return None if page is None else fit_page_bytes(project, measured, found, page.suffix)


def _what_was_kept(found: "Fit", moved: "Sequence[MovedMode] | None", written: list[Path]) -> str:
    from solvers.fit.outcome import Stop

    kept = f"written: {', '.join(map(str, written))}" if written else "no file was written"
    what = "the fit is whole" + (", the modes were not followed to the end" if moved is None else "")
    if found.stop is Stop.INTERRUPTED:
        what = f"after {found.steps} steps: the values are those of the last whole one, not the fit's"
    return f"interrupted; {what}; {kept}"
