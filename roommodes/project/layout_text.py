"""A layout written into a project's text: positions and settings as [layout], rows where they were moved to."""

from collections.abc import Mapping
from typing import Any

from roommodes.places.layout import Layout
from roommodes.project.project import Project
from roommodes.project.reading import parse_project
from roommodes.toml.edit import with_table, with_values

MOST_DIGITS = 6  # of metres: micrometres


def with_layout(
    project: Project, layout: Layout, *, row_x_m: Mapping[int, float] | None = None, comment: str, source: str
) -> Project:
    """The project with this layout in place of its own; everything else in its text stays as it is written.

    Parameters
    ----------
    project : whose text is changed.
    layout : positions and settings.
    row_x_m : rows that stand elsewhere, by index [m].
    comment : a line above the table, where there is none yet.
    source : what messages call the new text.

    Raises
    ------
    ProjectInvalid : subs cannot stand there, or rows cannot.
    FileUnusable : the text cannot be changed without changing what else it says.
    """
    text = project.toml_text
    moved: dict[tuple[str | int, ...], Any] = {
        ("rows", row, "x_m"): round(float(x), MOST_DIGITS) for row, x in (row_x_m or {}).items()
    }
    if moved:
        text = with_values(text, moved, source=source)
    values = layout_values(layout)
    if len(project.kinds) > 1:
        values["kinds"] = [project.kinds[kind].name for kind in layout.kind]
    if project.layout is None:
        text = with_table(text, ("layout",), values, comment=comment, source=source)
    else:
        text = with_values(text, {("layout", key): value for key, value in values.items()}, source=source)
    return parse_project(text, source=source)


def layout_values(layout: Layout) -> dict[str, Any]:
    """The keys of [layout]."""
    return {
        "positions_m": [[round(float(value), MOST_DIGITS) for value in point] for point in layout.positions_m],
        "gain_db": [round(float(value), 4) + 0.0 for value in layout.gain_db],
        "delay_ms": [round(float(value), 5) + 0.0 for value in layout.delay_ms],
        "polarity": [int(value) for value in layout.polarity],
    }
