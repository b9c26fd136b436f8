"""The layout file: positions and settings as the page of `explore` saves them, with the project they were found in.

JSON; `format` is "roommodes layout". It may gain keys within a version, and what is not known is passed over.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field, ValidationError

from roommodes.errors import Fault, FileUnusable, ProjectInvalid
from roommodes.places.layout import Layout
from roommodes.project.layout_text import with_layout
from roommodes.project.project import Project
from roommodes.project.reading import key_text, parse_project, read_text, reworded
from roommodes.project.tables import LayoutTable
from roommodes.toml.values import AnyLength, Range, Table

FORMAT = "roommodes layout"
FORMAT_VERSION = 1
COMMENT = "Positions and settings from a layout file."


class RowShift(Table):
    """How far a row stands from where the project draws it."""

    name: str = Field(description="Of the row.")
    shift_m: Annotated[float, Range(low=-200.0, high=200.0, unit="m")] = Field(description="Toward the rear [m].")


class LayoutFileTable(Table):
    """What is read of a layout file."""

    layout: LayoutTable = Field(description="As in the project file.")
    rows: Annotated[tuple[RowShift, ...], AnyLength] = Field(default=(), description="Rows that were moved.")
    project_toml: str | None = Field(default=None, description="The project's text.")


@dataclass(frozen=True, slots=True, kw_only=True)
class LayoutFile:
    """A layout with the project that it was found in.

    Parameters
    ----------
    source : the file.
    layout : positions and settings.
    shift_m : row -> how far it stands toward the rear of where it is drawn [m].
    project_toml : the project's text; None where the file does not hold it.
    """

    source: str
    layout: Layout
    shift_m: Mapping[str, float]
    project_toml: str | None

    def own_project(self) -> Project:
        """The project that the file holds, with this layout.

        Raises
        ------
        FileUnusable : it holds none.
        ProjectInvalid : it is not valid.
        """
        if self.project_toml is None:
            raise FileUnusable(f"{self.source}: holds no project; save the layout from the page anew.")
        return self.in_project(parse_project(self.project_toml, source=f"{self.source} (project inside)"))

    def in_project(self, project: Project) -> Project:
        """A project with this layout in place of its own.

        Raises
        ------
        ProjectInvalid : subs or rows cannot stand there, or a row that was moved is not the project's.
        """
        names = [row.name for row in project.rows]
        moved = {name: by for name, by in self.shift_m.items() if by}
        faults = [
            Fault(where="rows", message=f"names the row {name!r}, which the project has not; it has {', '.join(names)}")
            for name in moved
            if name not in names
        ]
        if faults:
            raise ProjectInvalid(self.source, faults)
        row_x_m = {names.index(name): project.rows[names.index(name)].x_m + by for name, by in moved.items()}
        source = f"{project.source} with the layout of {self.source}"
        return with_layout(project, self.layout, row_x_m=row_x_m, comment=COMMENT, source=source)


def read_layout(path: str | Path) -> LayoutFile:
    """Read a layout file.

    Raises
    ------
    FileUnusable : it cannot be read, is no layout file, or is newer than this version knows.
    ProjectInvalid : it is one, and wrong; with every fault.
    """
    data = _json(path)
    version = data["format_version"]
    if not isinstance(version, int) or isinstance(version, bool) or version < 1:
        raise FileUnusable(f"{path}: format_version is {version!r}; versions begin at 1. Save the layout anew.")
    if version > FORMAT_VERSION:
        raise FileUnusable(
            f"{path}: has format version {version}; this program reads up to {FORMAT_VERSION}; update roommodes to "
            "read it"
        )
    try:
        read = LayoutFileTable.model_validate({key: data[key] for key in LayoutFileTable.model_fields if key in data})
    except ValidationError as invalid:
        found = [reworded(error, LayoutFileTable) for error in invalid.errors(include_url=False)]
        raise ProjectInvalid(
            str(path), [Fault(where=key_text(one.path), message=one.message) for one in found]
        ) from None
    if read.layout.kinds is not None:
        message = "a layout file is of one kind of subwoofer; leave the key out."
        raise ProjectInvalid(str(path), [Fault(where="layout.kinds", message=message)])
    return LayoutFile(
        source=str(path),
        layout=read.layout.layout(),
        shift_m={row.name: row.shift_m for row in read.rows},
        project_toml=read.project_toml,
    )


def is_layout_file(path: Path) -> bool:
    """Whether a file's name says that it is one."""
    return path.suffix.lower() == ".json"


def _json(path: str | Path) -> dict[str, Any]:
    text = read_text(path, what="layout file", start="roommodes explore")
    try:
        data = json.loads(text)
    except (ValueError, RecursionError):
        raise FileUnusable(f"{path}: is no JSON; give a layout that the page of explore saved.") from None
    if not isinstance(data, dict) or data.get("format") != FORMAT or "format_version" not in data:
        raise FileUnusable(f'{path}: its format is not "{FORMAT}"; give a layout that the page of explore saved.')
    return data
