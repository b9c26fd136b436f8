"""Parts of a project as the figures and the cautions want them."""

from dataclasses import dataclass

from roommodes.acoustics.room import Pane, Wall
from roommodes.acoustics.visible_surfaces import visible
from roommodes.acoustics.wall_laws import DoubleGlazing
from roommodes.project.project import Project


@dataclass(frozen=True, slots=True, kw_only=True)
class GlassMark:
    """Glass on an upright wall, from and to along that wall [m]."""

    wall: Wall
    from_m: float
    to_m: float


def glass_of(project: Project) -> tuple[GlassMark, ...]:
    """Every surface of glass: vibrating panes and double glazing, those on floor and ceiling included."""
    return tuple(
        GlassMark(wall=surface.wall, from_m=surface.from_m[0], to_m=surface.to_m[0])
        for surface in project.surfaces()
        if isinstance(surface.law, Pane | DoubleGlazing)
    )


def glass_area_m2(project: Project) -> float:
    """Area of all glass that is not covered by something else [m2]."""
    return sum(
        (surface.to_m[0] - surface.from_m[0]) * (surface.to_m[1] - surface.from_m[1])
        for surface in visible(project.surfaces())
        if isinstance(surface.law, Pane | DoubleGlazing)
    )
