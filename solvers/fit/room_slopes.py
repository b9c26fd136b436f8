"""How the responses change as the room becomes longer, wider, higher or more lossy, without another solve.

The room enters through the port matrix Z = sum over rigid modes of p_n p_n^T / (V (k_n^2 - k^2)) alone, p_n a port's
overlap with mode n. With the walls' reaction known, seat and source see each mode through

    q_n = p_n - U_n X Z,     dH = 4 pi sum over n of d[ q_n(seat) q_n(source) / (V (k_n^2 - k^2)) ],

X Z held. Modes up to `REACH` times the band are summed: those beyond hardly change with a length.
"""

from collections.abc import Mapping
from math import pi

import numpy as np

from roommodes.acoustics.contraction import chosen_overlaps, chosen_shapes
from roommodes.acoustics.rigid_modes import rigid_modes
from roommodes.acoustics.room import Room
from roommodes.acoustics.room_boundary import Boundary
from roommodes.acoustics.transfer import bulk_k2
from roommodes.acoustics.wall_bases import Family, cosine_table
from roommodes.arrays import Complexes, Floats, Integers
from solvers.fit.parameters import Parameter

REACH = 1.8


class RoomSlopes:
    """Slopes over the sizes and the loss of one room.

    Parameters
    ----------
    room, boundary : as they are.
    enlarged : for each size by how much another room is larger [m], that room, and as many boundary modes of it.
    seat_m, source_m : (n_seat, 3), (n_source, 3) [m].
    top_hz : end of the band [Hz].
    """

    def __init__(
        self,
        room: Room,
        boundary: Boundary,
        enlarged: Mapping[str, tuple[float, Room, Boundary]],
        *,
        seat_m: Floats,
        source_m: Floats,
        top_hz: float,
    ) -> None:
        self.room = room
        self.number = rigid_modes(room, REACH * top_hz, with_pressure_mode=True).number
        size = np.array(room.size_m)
        self.k2 = ((self.number * (pi / size)) ** 2).sum(axis=1)
        self.overlap = _overlaps(boundary, self.number)
        self.seat, self.source = (_at_points(room, point, self.number) for point in (seat_m, source_m))
        self.turned = {}
        for key, (step, other, families) in enlarged.items():
            self.turned[key] = (
                (_overlaps(families, self.number) - self.overlap) / step,
                (_at_points(other, seat_m, self.number) - self.seat) / step,
                (_at_points(other, source_m, self.number) - self.source) / step,
            )

    def slope(self, parameter: Parameter, omega: Complexes, *, to_seat: Complexes, to_source: Complexes) -> Complexes:
        """dH over the parameter in its own unit: (k, seat, source).

        Parameters
        ----------
        parameter : a size or the loss.
        omega : (k,) [rad/s].
        to_seat, to_source : X Z, (k, seat, mode of the walls) and (k, mode of the walls, source).
        """
        apart = self.k2 - bulk_k2(self.room, omega)[:, None]  # (k, mode)
        seat = self.seat - to_seat @ self.overlap  # (k, seat, mode)
        source = self.source.T - self.overlap.T @ to_source  # (k, mode, source)
        inverse = 1.0 / (self.room.volume_m3 * apart)
        if parameter.group == "loss":
            k = omega / self.room.air.speed_of_sound_m_s
            change = -1j * k**2 * (1.0 - 0.5j * self.room.loss_factor)  # of k^2
            return np.asarray(4.0 * pi * (seat * (inverse * change[:, None] / apart)[:, None, :]) @ source)
        axis = ("length_m", "width_m", "height_m").index(parameter.key)
        length = self.room.size_m[axis]
        own = (self.number[:, axis] * (pi / length)) ** 2
        overlap, at_seat, at_source = self.turned[parameter.key]
        whole = (seat * (inverse * (2.0 * own / apart - 1.0) / length)[:, None, :]) @ source
        whole += ((at_seat - to_seat @ overlap) * inverse[:, None, :]) @ source
        whole += (seat * inverse[:, None, :]) @ (at_source.T - overlap.T @ to_source)
        return np.asarray(4.0 * pi * whole)


def _overlaps(boundary: Boundary, number: Integers) -> Floats:
    """Every boundary mode's overlap with some rigid modes: (mode of the walls, rigid mode)."""
    return chosen_overlaps((family for family in boundary.families if isinstance(family, Family)), number)


def _at_points(room: Room, point_m: Floats, number: Integers) -> Floats:
    """Rigid modes at points: (point, mode)."""
    x, y, z = (
        cosine_table(size, point_m[:, axis], int(number[:, axis].max()) + 1) for axis, size in enumerate(room.size_m)
    )
    return chosen_shapes((x, y, z), number)
