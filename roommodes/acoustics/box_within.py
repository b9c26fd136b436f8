"""The plain box that a room's air fills where blocks only make it smaller: that box is solved in place of the room.

A closed doorway, a room beside a wall of blocks, a wing filled up: what is left has its own origin.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from roommodes.acoustics.room import AXIS_OF_WALL, Room, Surface
from roommodes.acoustics.shaped_boundary import face_parts
from roommodes.acoustics.visible_surfaces import visible
from roommodes.arrays import Floats
from roommodes.shapes.faces import PLANE_AXES


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BoxWithin:
    """A box and where it lies in the room.

    Parameters
    ----------
    room : the box as a room of its own.
    origin_m : (3,) of its corner in the room's coordinates [m].
    outer : the room.
    """

    room: Room
    origin_m: Floats
    outer: Room

    def surfaces(self, surfaces: Sequence[Surface]) -> tuple[Surface, ...]:
        """What the box's walls are made of."""
        return tuple(surfaces) if self.room is self.outer else tuple(self._moved(visible(surfaces)))

    def _moved(self, surfaces: Sequence[Surface]) -> Iterator[Surface]:
        for surface in surfaces:
            for part in face_parts(self.outer, surface):
                axis = int(np.argmax(np.abs(part.plane.normal)))
                side = int(part.plane.normal[axis] > 0.0)
                wall = next(wall for wall, place in AXIS_OF_WALL.items() if place == (axis, side))
                shift = self.origin_m[list(PLANE_AXES[axis])]
                ends = [tuple(float(v) for v in np.round(np.array(end) - shift, 9)) for end in (part.from_m, part.to_m)]
                yield Surface(
                    wall=wall,
                    from_m=(ends[0][0], ends[0][1]),
                    to_m=(ends[1][0], ends[1][1]),
                    law=surface.law,
                    name=surface.name,
                )


def box_within(room: Room) -> BoxWithin | None:
    """The box that a room's air fills; None if it has another shape."""
    if room.is_box:
        return BoxWithin(room=room, origin_m=np.zeros(3), outer=room)
    corners = room.shape.box_m
    if corners is None:
        return None
    low, high = np.array(corners)
    length, width, height = (float(side) for side in high - low)
    inner = replace(room, length_m=length, width_m=width, height_m=height, blocks=(), slopes=(), inside_m=None)
    return BoxWithin(room=inner, origin_m=low, outer=room)
