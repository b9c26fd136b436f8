"""How the responses change as planes of blocks and slopes move, without another solution of the rigid room.

With Z = sum of p_u (K - k^2 M)^-1 p_v over the room's modes, whose K and M the moved shape changes (`moved_modes`),

    dH = -4 pi q(seat) (K - k^2 M)^-1 (dK - k^2 dM) (K - k^2 M)^-1 q(source),     q as in `room_slopes`,

and the modes at seats and sources change, since their cells move. What is left out: that walls' parts grow, and the
modes above the cut. So it leads a fit; what it ends with is worked out in the shape itself.
"""

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np

from roommodes.acoustics.room import Room
from roommodes.acoustics.transfer import bulk_k2
from roommodes.arrays import Complexes, Floats
from roommodes.elements.field import ShapedField
from roommodes.elements.moved_modes import moved_modes
from roommodes.elements.traces import values_at
from roommodes.shapes.movable import Movable, Planes, placed, planes_either_way
from roommodes.shapes.shape import Shape
from solvers.fit.parameter import Parameter
from solvers.fit.slopes.room import Enlarged

STEP_M = 2e-3  # by which planes are moved


class ShapeSlopes:
    """Slopes over the planes of one room that is no box.

    Parameters
    ----------
    room : as it is.
    field : of it.
    planes : for each parameter its plane in this room.
    seats, sources : how many of the field's are asked for, the first ones.
    """

    enlarged: Mapping[str, Enlarged] = MappingProxyType({})

    def __init__(
        self,
        room: Room,
        field: ShapedField,
        planes: Mapping[Parameter, Movable],
        *,
        seats: int,
        sources: int,
    ) -> None:
        self.room = room
        solution, shape = field.solution, room.shape
        moves = {parameter: _ends(shape, plane) for parameter, plane in planes.items()}
        kept = {parameter: plane for parameter, plane in planes.items() if moves[parameter]}
        self.place = {parameter: index for index, parameter in enumerate(kept)}
        self.k2, self.volume_m3 = solution.k2, solution.volume_m3
        self.moved = moved_modes(solution, shape, [(plane, STEP_M) for plane in kept.values()])
        self.seat, self.source = field.seat_shapes[:seats], field.source_shapes[:sources]
        points = (field.seat_m[:seats], field.source_m[:sources])
        self.overlap = field.overlaps(np.arange(len(self.k2))[:, None])
        drawn = shape.grid().planes
        self.turned: dict[Parameter, tuple[Floats, Floats]] = {}
        for parameter in kept:
            seat, source = (
                sum(
                    sign * np.asarray(values_at(solution.mesh, placed(point, built, drawn)) @ solution.vectors)
                    for sign, built in zip((0.5 / STEP_M, -0.5 / STEP_M), moves[parameter], strict=True)
                )
                for point in points
            )
            self.turned[parameter] = (np.asarray(seat), np.asarray(source))

    def tells(self, parameter: Parameter) -> bool:
        """Whether its plane is among them."""
        return parameter in self.place

    def slope(self, parameter: Parameter, omega: Complexes, *, to_seat: Complexes, to_source: Complexes) -> Complexes:
        """dH over the place of a parameter's plane: (k, seat, source) [1/m2]; arguments as of `RoomSlopes.slope`."""
        k2 = bulk_k2(self.room, omega)[:, None]
        inverse = 1.0 / (self.k2 - k2)  # (k, mode)
        seat = (self.seat - to_seat @ self.overlap) * inverse[:, None, :]  # (k, seat, mode)
        source = (self.source.T - self.overlap.T @ to_source) * inverse[:, :, None]  # (k, mode, source)
        index = self.place[parameter]
        change = self.moved.plane_stiffness[index] - k2[:, :, None] * self.moved.plane_mass[index]
        at_seat, at_source = self.turned[parameter]
        whole = at_seat @ source + seat @ at_source.T - seat @ change @ source
        return np.asarray(4.0 * np.pi / self.volume_m3 * whole)


def _ends(shape: Shape, plane: Movable) -> tuple[Planes, ...]:
    """The planes of the cells with one plane a step on and a step back; none where it stands too near to another."""
    try:
        return planes_either_way(shape, plane, STEP_M)
    except ValueError:
        return ()
