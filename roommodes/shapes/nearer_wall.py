"""From which wall a tape measures to a place: the nearer one, unless a block stands between.

May import the shape only.
"""

from dataclasses import dataclass

import numpy as np

from roommodes.shapes.shape import Shape
from roommodes.shapes.solids import Triple

WALL_NAMES = (("front wall", "rear wall"), ("left wall", "right wall"))  # low and high side of x and y


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """A place along one axis, as a tape tells it.

    Parameters
    ----------
    name : of the wall or block from which it is measured.
    face_m : where that stands along the axis [m].
    side : 0 if it lies on the axis' low side of the place, 1 if on its high side.
    """

    name: str
    face_m: float
    side: int

    def distance_m(self, at_m: float) -> float:
        """How far from it a place along the axis is, which may lie beside the one asked for [m]."""
        return at_m - self.face_m if self.side == 0 else self.face_m - at_m


def nearer_wall(shape: Shape, point_m: Triple, axis: int) -> Measured:
    """Whence a place is measured along x or y: the nearer wall no block hides, or the nearer block if both are hidden.

    Parameters
    ----------
    shape : the room's.
    point_m : the place [m]; outside the air, the walls of the box are taken.
    axis : 0 or 1.
    """
    at, length_m = point_m[axis], shape.size_m[axis]
    ends: list[tuple[float, str | None]] = [(at, None), (length_m - at, None)]
    if shape.blocks and bool(shape.contains(np.array([point_m]))[0]):
        ends = [shape.next_wall(point_m, axis, direction) for direction in (-1, 1)]
    side = min((0, 1), key=lambda one: (ends[one][1] is not None, ends[one][0]))
    gap, block = ends[side]
    face = (0.0, length_m)[side] if block is None else at + (gap if side else -gap)
    return Measured(name=block or WALL_NAMES[axis][side], face_m=face, side=side)
