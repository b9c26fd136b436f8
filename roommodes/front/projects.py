"""Projects: read, from text, the demo's, checked; starters and schemas."""
# ruff: noqa: PLC0415 (what is slow to load waits until it is asked for)

from __future__ import annotations

from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from roommodes.errors import OutsideModel
from roommodes.project.project import Project
from roommodes.project.reading import load_project, parse_project
from roommodes.running import Running

if TYPE_CHECKING:
    from solvers.listening.room import RoomFindings

Kind = Literal["project", "manifest", "study"]
ROOMS = ("attic", "cellar", "large", "open-plan", "two-row")
FOLDERS: dict[str, str] = {"project": "project", "manifest": "measured", "study": "studies"}


def load(path: str | Path) -> Project:
    """Read and check a project file.

    Parameters
    ----------
    path : the TOML file; `template()` gives one to begin with.

    Raises
    ------
    ProjectInvalid : with every fault that could be found, each with its line.
    FileUnusable : it cannot be read, or its format is newer than this version knows.

    Example: ``project = rm.load("room.toml")``
    """
    return load_project(path)


def loads(text: str, *, source: str = "project") -> Project:
    """Check a project's text; `source` is what messages call it. Raises as `load` does."""
    return parse_project(text, source=source)


def demo() -> Project:
    """The demo's project: a garden room with a glazed long wall, invented."""
    text = files("roommodes.project").joinpath("demo.toml").read_text(encoding="utf-8")
    return parse_project(text, source="demo.toml")


def check(project: Project | str | Path, *, running: Running | None = None) -> RoomFindings:
    """What a room does by itself, as `roommodes check`: modes as built, their density, warnings.

    Parameters
    ----------
    project : a project, or the name of its file, which is read and checked first.
    running : progress, cancelling, threads.

    Raises
    ------
    ProjectInvalid, FileUnusable : as `load` does.
    OutsideModel : the model cannot take this room.
    """
    from solvers.listening.room import examine

    return examine(project if isinstance(project, Project) else load(project), running=running or Running())


def template(kind: str = "project", project: Project | None = None) -> str:
    """A commented starter as `roommodes new` writes it.

    Parameters
    ----------
    kind : "project", "manifest" (of measurements) or "study"; or a kind of room to be
        changed: "attic", "cellar", "large", "open-plan", "two-row".
    project : with "manifest": whose subs and seats it names, in the order of measuring.

    Raises
    ------
    OutsideModel : no such starter; a project with another kind than "manifest".
    """
    if project is not None:
        from roommodes.measured.pattern import manifest_for

        if kind != "manifest":
            raise OutsideModel(f"template: got {kind!r} with a project; a project goes with 'manifest'")
        return manifest_for(project)
    if kind in ROOMS:
        return files("roommodes.project.templates").joinpath(f"{kind}.toml").read_text(encoding="utf-8")
    if kind not in FOLDERS:
        raise OutsideModel(f"template: got {kind!r}; allowed: {', '.join((*FOLDERS, *ROOMS))}")
    return files(f"roommodes.{FOLDERS[kind]}").joinpath("starter.toml").read_text(encoding="utf-8")


def outline(
    drawing: str | Path,
    *,
    layer: str | None = None,
    front: Literal["left", "right", "top", "bottom"] | None = None,
    height_m: float | None = None,
) -> str:
    """A project about the closed line of a drawing, as text with comments; `roommodes new --outline`.

    Parameters
    ----------
    drawing : the DXF file.
    layer : whose line; left out, the line about the largest area.
    front : where in the drawing the front wall is; left out, a short side.
    height_m : the room's height; left out, what the text then says is assumed.

    Raises
    ------
    FileUnusable : the file cannot be read as DXF.
    ProjectInvalid : no such layer, no closed line, or a shape that is no room.

    Example: ``project = rm.loads(rm.outline("ground-floor.dxf", height_m=2.5))``
    """
    from roommodes.outlines.from_drawing import project_from_drawing

    return project_from_drawing(Path(drawing), layer=layer, front=front, height_m=height_m)[0]


def schema(kind: Kind = "project") -> dict[str, Any]:
    """The JSON Schema of a file, for completion in editors; the same as `roommodes schema`.

    Parameters
    ----------
    kind : "project", "manifest" (of measurements) or "study".
    """
    if kind == "manifest":
        from roommodes.measured.manifest import manifest_schema

        return manifest_schema()
    if kind == "study":
        from roommodes.studies.reading import study_schema

        return study_schema()
    from roommodes.project.reading import project_schema

    return project_schema()
