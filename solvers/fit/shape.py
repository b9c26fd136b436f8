"""The shape of a room that is no box, as a fit may move it: planes of blocks' faces, heights of slopes' ends.

What lies in one plane moves together (`shapes.movable`). A plane that would part from the line of a slope, or that has
another one within `LEAST_REACH_M`, stays.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from roommodes.acoustics.room import AXIS_OF_WALL, Room
from roommodes.shapes.faces import PLANE_AXES
from roommodes.shapes.grid import SAME_M
from roommodes.shapes.movable import Movable, movable_planes, moved_shape
from roommodes.shapes.shape import Shape
from roommodes.shapes.solids import BLOCK_FACES
from solvers.fit.parameter import Parameter

FACE_M, HEIGHT_M = 0.02, 0.03  # standard deviations of a block's face and of a slope's end (common practice, no source)
REACHES_M = (0.3, 0.2, 0.1, 0.05)  # how far a plane may go, the first of them in which the cells stay
LEAST_REACH_M = REACHES_M[-1]


class MovableShape:
    """What of a room's shape a fit may move; nothing in a box.

    Parameters
    ----------
    room : where the fit starts.
    """

    def __init__(self, room: Room) -> None:
        self.room = room
        self._plane: dict[Parameter, Movable] = {}
        for plane in () if room.is_box else movable_planes(room.shape):
            reach = next((one for one in REACHES_M if _can_move(room.shape, plane, one)), None)
            if reach is not None:
                self._plane[_parameter(plane, reach)] = plane

    @property
    def planes(self) -> tuple[Parameter, ...]:
        """A parameter for each plane."""
        return tuple(self._plane)

    def drawn(self, parameter: Parameter) -> Movable:
        """The plane of a parameter, where it is drawn."""
        return self._plane[parameter]

    def planes_in(self, room: Room, parameters: Sequence[Parameter]) -> dict[Parameter, Movable]:
        """The planes of some parameters where they are in a room that was moved."""
        there = {plane.faces: plane for plane in movable_planes(room.shape)}
        wanted = {p: self._plane[p].faces for p in parameters if p in self._plane}
        return {p: there[faces] for p, faces in wanted.items() if faces in there}

    def moved(self, room: Room, values: Mapping[Parameter, float]) -> Room:
        """The room with its planes at some parameters' values, in prior standard deviations; all others as drawn."""
        moves = {self._plane[p]: p.value(u) - p.start for p, u in values.items() if p in self._plane}
        if not any(moves.values()):
            return room
        shape = moved_shape(self.room.shape, moves=moves, same_cells=False)
        return replace(room, blocks=shape.blocks, slopes=shape.slopes)

    def at(self, axis: int, value: float, room: Room) -> float:
        """A coordinate of what ends in a plane, with that plane where it is in a room that was moved [m]."""
        for drawn, there in zip(self.room.blocks, room.blocks, strict=True):
            for a, b in ((drawn.low_m[axis], there.low_m[axis]), (drawn.high_m[axis], there.high_m[axis])):
                if abs(a - value) <= SAME_M:
                    return b
        return value

    def corner(self, wall: str, corner: Sequence[float], room: Room) -> tuple[float, float]:
        """A region's corner on a wall or on a block's face; on a slope as it is [m]."""
        owner, _, face = wall.rpartition(": ")
        if wall in AXIS_OF_WALL:
            axis = AXIS_OF_WALL[wall][0]
        elif face in BLOCK_FACES and owner in [block.name for block in room.blocks]:
            axis = BLOCK_FACES.index(face) // 2
        else:
            return corner[0], corner[1]
        first, second = PLANE_AXES[axis]
        return self.at(first, corner[0], room), self.at(second, corner[1], room)


def _parameter(plane: Movable, reach_m: float) -> Parameter:
    owner, _, part = plane.name.rpartition(": ")
    face = part in BLOCK_FACES
    return Parameter(
        group="shape",
        owner=owner,
        key=f"{part}_m" if face else f"{part}_height_m",
        unit="m",
        start=plane.at_m,
        sigma=FACE_M if face else HEIGHT_M,
        logarithmic=False,
        low=plane.at_m - reach_m,
        high=plane.at_m + reach_m,
    )


def _can_move(shape: Shape, plane: Movable, reach_m: float) -> bool:
    """Whether the cells stay the same ones with the plane so much elsewhere, either way."""
    try:
        for by in (reach_m, -reach_m):
            moved_shape(shape, moves={plane: by})
    except ValueError:
        return False
    return True
