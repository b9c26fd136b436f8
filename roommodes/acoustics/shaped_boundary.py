"""The parts of the faces of a room that is no box, and the boundary modes on them.

A surface covers a rectangle of a face's plane; of it counts what air touches, in convex parts. `room_boundary` decides
how many modes each part needs.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from roommodes.acoustics.plates.panes import Plate
from roommodes.acoustics.room import Room, Surface
from roommodes.acoustics.wall_bases import kept_products
from roommodes.arrays import Floats
from roommodes.elements.face_bases import FaceBasis, offset_m
from roommodes.shapes.faces import Plane
from roommodes.shapes.polygons import area_of, common_part, rectangle
from roommodes.shapes.solids import Pair


@dataclass(frozen=True, slots=True, kw_only=True)
class FacePart(Surface):
    """The part of a surface that air touches: within a convex outline, and within from_m to to_m.

    Parameters
    ----------
    plane : the face's.
    outline_m : corners in the plane, in turn [m].
    corners_m : of the surface that it is a part of.
    """

    plane: Plane
    outline_m: tuple[Pair, ...]
    corners_m: tuple[Pair, Pair]

    @property
    def polygon_m(self) -> Floats | None:
        """What of the outline lies between from_m and to_m: (n, 2) [m]; None if nothing does."""
        return common_part(np.array(self.outline_m), rectangle(self.from_m, self.to_m))

    def distance_m(self, point_m: Floats) -> Floats:
        """Distance from points (n, 3) to the rectangle around it: (n,) [m]."""
        flat = self.plane.flat(point_m)
        aside = flat - np.clip(flat, self.from_m, self.to_m)
        return np.asarray(np.sqrt(self.plane.distance_m(point_m) ** 2 + (aside**2).sum(axis=1)))

    @property
    def seams(self) -> tuple[tuple[int, float], ...]:
        """Planes through the edges of its surface, where these run along the room's axes: (axis, place) each [m]."""
        found = []
        for along, unit in enumerate((self.plane.along, self.plane.up)):
            axis = int(np.argmax(np.abs(unit)))
            if abs(unit[axis]) > 1.0 - 1e-9:
                found += [(axis, round(float(corner[along]), 6)) for corner in self.corners_m]
        return tuple(found)

    def basis(self, degrees: Sequence[Pair], *, sines: bool = False, strong: bool = False) -> FaceBasis | None:
        """The boundary modes on it; None if no air touches it."""
        polygon = self.polygon_m
        if polygon is None:
            return None
        normal = np.abs(self.plane.normal)
        return FaceBasis(
            face=self.wall,
            outline_m=tuple((float(u), float(v)) for u, v in polygon),
            degrees=tuple((int(a), int(b)) for a, b in degrees),
            sines=sines,
            at_m=offset_m(self.plane),
            normal_axis=int(normal.argmax()) if normal.max() > 1.0 - 1e-9 else -1,
            seams=self.seams if strong else (),
        )


def face_parts(room: Room, surface: Surface) -> tuple[FacePart, ...]:
    """The convex parts of a surface that air touches.

    Raises
    ------
    ValueError : air touches only a part of a pane that does not divide; half a plate is not a plate.
    """
    whole = rectangle(surface.from_m, surface.to_m)
    found = []
    for face in room.shape.face(surface.wall):
        for part in face.parts_m:
            polygon = common_part(part, whole)
            if polygon is None:
                continue
            (u0, v0), (u1, v1) = polygon.min(axis=0), polygon.max(axis=0)
            found.append(
                FacePart(
                    wall=surface.wall,
                    from_m=(float(u0), float(v0)),
                    to_m=(float(u1), float(v1)),
                    law=surface.law,
                    name=surface.name,
                    plane=face.plane,
                    outline_m=tuple((float(u), float(v)) for u, v in polygon),
                    corners_m=(surface.from_m, surface.to_m),
                )
            )
    if isinstance(surface.law, Plate) and found:
        covered = sum(area_of(np.array(part.outline_m)) for part in found)
        if covered < area_of(whole) * (1.0 - 1e-6):
            if surface.law.divides:
                return tuple(found)
            raise ValueError(f"air touches only a part of the pane {surface.name!r}; move it or the block before it")
        if len(found) > 1:
            return (_one(surface, found[0]),)
    return tuple(found)


def touched_area_m2(room: Room, surface: Surface) -> float:
    """Area of a surface that air touches [m2]."""
    if room.is_box:
        return (surface.to_m[0] - surface.from_m[0]) * (surface.to_m[1] - surface.from_m[1])
    return sum(area_of(np.array(part.outline_m)) for part in face_parts(room, surface))


def _one(surface: Surface, part: FacePart) -> FacePart:
    """A pane whose rectangle lies over several parts of its face."""
    corners = tuple((float(u), float(v)) for u, v in rectangle(surface.from_m, surface.to_m))
    return FacePart(
        wall=surface.wall,
        from_m=surface.from_m,
        to_m=surface.to_m,
        law=surface.law,
        name=surface.name,
        plane=part.plane,
        outline_m=corners,
        corners_m=(surface.from_m, surface.to_m),
    )


def legendre_degrees(orders: tuple[int, int]) -> list[Pair]:
    """The pairs of degrees that `kept_products` keeps."""
    return [(int(one // orders[1]), int(one % orders[1])) for one in kept_products(orders)]
