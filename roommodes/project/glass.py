"""The glass of a project, for figures, cautions and studies.

Glass is what vibrates as a pane, what is double glazing, and whatever is called glass or glazing.
"""

import re
from dataclasses import dataclass

from roommodes.acoustics.plates.panes import Plate
from roommodes.acoustics.room import AXIS_OF_WALL, Surface
from roommodes.acoustics.shaped_boundary import touched_area_m2
from roommodes.acoustics.visible_surfaces import visible
from roommodes.project.project import Project

CALLED_GLASS = re.compile(r"\b(?:glass|glaz)", re.IGNORECASE)


@dataclass(frozen=True, slots=True, kw_only=True)
class GlassMark:
    """Glass on an upright wall, from and to along that wall [m]."""

    wall: str
    from_m: float
    to_m: float


def glass_of(project: Project) -> tuple[GlassMark, ...]:
    """Every surface of glass, those on floor and ceiling included."""
    return tuple(
        GlassMark(wall=surface.wall, from_m=surface.from_m[0], to_m=surface.to_m[0])
        for surface in project.surfaces()
        if _is_glass(surface)
    )


def glass_walls(project: Project) -> dict[str, str]:
    """The walls that are glass all over, with the name of the glass."""
    room = project.room
    return {
        surface.wall: surface.name.rsplit(", ", 1)[0]
        for surface in project.surfaces()
        if _is_glass(surface)
        and surface.wall in AXIS_OF_WALL
        and (surface.from_m, surface.to_m) == ((0.0, 0.0), room.wall_size_m(surface.wall))
    }


def glass_area_m2(project: Project) -> float:
    """Area of all glass that is not covered by something else [m2]."""
    return sum(touched_area_m2(project.room, surface) for surface in visible(project.surfaces()) if _is_glass(surface))


def _is_glass(surface: Surface) -> bool:
    plate = isinstance(surface.law, Plate) and surface.law.glass
    return plate or bool(CALLED_GLASS.search(surface.name))
