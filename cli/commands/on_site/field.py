"""`roommodes field`: the field at places that were not measured."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.terminal.guard import guarded, interruptible
from cli.terminal.options import AnyFolder, Debug, Force, Json, PageFile, ProjectFile, Quiet
from cli.terminal.output import Page, print_json
from cli.terminal.progress import progress
from cli.terminal.targets import check_targets

if TYPE_CHECKING:
    from roommodes.estimates.places_table import PlacesWanted
    from roommodes.measured.data import MeasuredSet
    from roommodes.project.project import Project

MOST_FURTHER = 20


@guarded
def field(
    file: ProjectFile,
    manifest: Annotated[Path, typer.Argument(metavar="MANIFEST", help="Which files hold what.", show_default=False)],
    places: Annotated[
        Path | None, typer.Option("--places", metavar="PLACES.csv", help="Where: a table name,x_m,y_m,z_m.")
    ] = None,
    height: Annotated[
        float | None,
        typer.Option("--height", metavar="M", help="Or over the whole room at this height, for a map in the report."),
    ] = None,
    spacing: Annotated[
        float | None,
        typer.Option("--spacing", metavar="M", min=0.05, help="With --height: between places; some 400 if left out."),
    ] = None,
    output: Annotated[
        Path | None,
        typer.Option("--output", "-o", metavar="FIELD.h5", help="Write the field, with deviations."),
    ] = None,
    figure: Annotated[
        Path | None, typer.Option("--figure", metavar="FIGURE", help="Draw errors and levels: a .png or .svg file.")
    ] = None,
    further: Annotated[
        int,
        typer.Option("--further", min=0, max=MOST_FURTHER, metavar="N", help="Name N places to measure at next."),
    ] = 3,
    page: PageFile = None,
    any_folder: AnyFolder = False,
    force: Force = False,
    as_json: Json = False,
    quiet: Quiet = False,
    debug: Debug = False,
) -> None:
    """Estimate the measured subs' field at places that were not measured.

    The model of the project's room, and what it leaves filled in from the measurements; best with a project that `fit`
    has corrected. Every measured place is also predicted from the others: that error says what the estimate is worth.
    At the end stand the places where further measurements would lower the deviation at the seats most. Of a set
    measured by reciprocity all places are those of subs: without --places the candidates along the zones.

    Example: roommodes field corrected.toml measured.toml --places places.csv -o field.h5 --figure field.png
    """
    from cli.terminal.figure_suffix import suffix_fault
    from cli.terminal.plan_options import PAGES
    from cli.terminal.plan_options import suffix_fault as page_fault
    from cli.words.on_site.field import field_json, print_field, print_next
    from roommodes.estimates.field_file import field_image
    from roommodes.estimates.places_table import even_places, read_places
    from roommodes.measured.loading import load_manifest
    from roommodes.project.reading import load_project
    from roommodes.storage.whole_file import write_whole
    from solvers.field.as_file import as_file
    from solvers.field.estimate import estimate
    from solvers.field.next_place import next_places
    from solvers.field.reciprocal import as_it_stood

    if page and (fault := page_fault(page, PAGES)):
        raise typer.BadParameter(fault, param_hint="--page")
    if figure and (fault := suffix_fault(figure)):
        raise typer.BadParameter(fault, param_hint="--figure")
    if places is not None and height is not None:
        raise typer.BadParameter("give one of --places and --height", param_hint="--places")
    if spacing is not None and height is None:
        raise typer.BadParameter("this goes with --height", param_hint="--spacing")
    project = load_project(file)
    table = even_places(project, height, spacing) if height is not None else None
    table = table if places is None else read_places(places, project)
    measured = load_manifest(manifest, project, any_folder=any_folder)
    wanted = table or _candidates(project, measured)
    measured = as_it_stood(measured)
    inputs = [file, *([places] if places else []), *measured.paths]
    check_targets({"--output": output, "--figure": figure, "--page": page}, inputs=inputs, force=force)
    with interruptible() as stop_asked, progress(quiet=quiet, cancelled=stop_asked) as running:
        found = estimate(project, measured, wanted.name, wanted.position_m, running=running)
        following = next_places(project, measured, found, count=further, running=running) if further else None
    if output:
        write_whole(output, field_image(as_file(found, following)), force=force)
    if figure:
        from cli.figures.field import field_page

        write_whole(figure, field_page(project, measured, found, figure.suffix), force=force)
    if page:
        from cli.report.on_site.measured_room import field_page_bytes

        write_whole(page, field_page_bytes(found, following, page.suffix), force=force)
    written = [path for path in (output, figure, page) if path]
    if as_json:
        print_json({**field_json(project, measured, found, following), "written": [str(path) for path in written]})
    elif not quiet:
        text = Page()
        print_field(text, project, measured, found)
        if further:
            print_next(text, following)
        for path in written:
            text.line(f"Wrote {path}.")


def _candidates(project: "Project", measured: "MeasuredSet") -> "PlacesWanted":
    """Of a set measured by reciprocity the candidates along the zones; of others a place must be given."""
    from roommodes.estimates.places_table import PlacesWanted
    from solvers.field.reciprocal import candidate_names

    if not measured.subs.exchanged:
        raise typer.BadParameter("give one of --places and --height", param_hint="--places")
    return PlacesWanted(name=candidate_names(project.candidates), position_m=project.candidates.position_m.copy())
