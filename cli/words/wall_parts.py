"""The parts of a project's walls with their letters, the same on drawings, in figures and in reports."""

from dataclasses import dataclass

import numpy as np

from cli.terminal.output import clean
from roommodes.acoustics.checks.surfaces import the_wall
from roommodes.acoustics.plates.panes import Plate
from roommodes.acoustics.room import AXIS_OF_WALL, Surface
from roommodes.lengths import METRIC, Lengths
from roommodes.places.zones import Triple
from roommodes.project.constructions import layers_words
from roommodes.project.project import Project
from roommodes.shapes.faces import PLANE_AXES


@dataclass(frozen=True, slots=True, kw_only=True)
class WallPart:
    """A part of a wall with its own construction.

    Parameters
    ----------
    key : letter on the sheet.
    wall : the wall it lies on.
    from_m, to_m : corners along the wall's two axes [m].
    name : its construction.
    glass : whether it is glass.
    corners_m : the box around it in the room, where it lies on a block or slope [m].
    """

    key: str
    wall: str
    from_m: tuple[float, float]
    to_m: tuple[float, float]
    name: str
    glass: bool
    corners_m: tuple[Triple, Triple] | None = None

    def words(self, lengths: Lengths = METRIC) -> str:
        """What it is and where."""
        fine = lengths.fine
        (a0, b0), (a1, b1) = self.from_m, self.to_m
        if self.corners_m is not None:
            x, y, z = (
                fine(low) if low == high else f"{fine(low)} to {fine(high)}"
                for low, high in zip(*self.corners_m, strict=True)
            )
            return f"{self.name}, {the_wall(self.wall)}: {x} from front wall, {y} from left wall, {z} from floor"
        along = {"front": "left wall", "rear": "left wall"}.get(self.wall, "front wall")
        up = "left wall" if self.wall in {"floor", "ceiling"} else "floor"
        return (
            f"{self.name}, {the_wall(self.wall)}: {fine(a0)} to {fine(a1)} from {along}, {fine(b0)} to {fine(b1)} "
            f"from {up}"
        )


def wall_parts(project: Project) -> tuple[WallPart, ...]:
    """The regions of a project in their order, with letters."""
    surfaces = project.surfaces()[-len(project.tables.regions) :] if project.tables.regions else ()
    return tuple(
        WallPart(
            key=_letter(index),
            wall=surface.wall,
            from_m=surface.from_m,
            to_m=surface.to_m,
            name=clean(layers_words(region.construction), 40),
            glass=isinstance(surface.law, Plate) and surface.law.glass,
            corners_m=_on_solid(project, surface),
        )
        for index, (region, surface) in enumerate(zip(project.tables.regions, surfaces, strict=True))
    )


def _on_solid(project: Project, surface: Surface) -> tuple[Triple, Triple] | None:
    """The box around a surface on a block or slope; None for one on a wall of the room's box."""
    if surface.wall in AXIS_OF_WALL:
        return None
    plane = project.room.shape.face(surface.wall)[0].plane
    corner = plane.place(np.array([surface.from_m, surface.to_m]))
    return triple(corner.min(axis=0)), triple(corner.max(axis=0))


def box_of(part: WallPart, room_m: Triple, normal: int, side: int) -> tuple[Triple, Triple]:
    """A part of a wall as a flat box in the room."""
    first, second = PLANE_AXES[normal]
    low, high = [0.0, 0.0, 0.0], [0.0, 0.0, 0.0]
    low[normal] = high[normal] = side * room_m[normal]
    low[first], high[first] = part.from_m[0], part.to_m[0]
    low[second], high[second] = part.from_m[1], part.to_m[1]
    return triple(low), triple(high)


def _letter(index: int) -> str:
    return chr(ord("A") + index % 26) + ("" if index < 26 else str(index // 26))


def triple(values: object) -> Triple:
    """Three coordinates as plain numbers."""
    x, y, z = np.asarray(values, dtype=np.float64).tolist()
    return (x, y, z)
