"""How the responses change as the room becomes longer, wider, higher or more lossy, without another solve.

The room enters through the port matrix Z = sum over rigid modes of p_n p_n^T / (V (k_n^2 - k^2)) alone, p_n a port's
overlap with mode n. With the walls' reaction known, seat and source see each mode through

    q_n = p_n - U_n X Z,     dH = 4 pi sum over n of d[ q_n(seat) q_n(source) / (V (k_n^2 - k^2)) ],

X Z held. What of the walls' reaction Y hangs on their size, as a plate's resonances do, adds -4 pi P_s^T dY P_c as in
`model`. Modes up to `REACH` times the band are summed: those beyond hardly change with a length.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import pi

import numpy as np

from roommodes.acoustics.contraction import chosen_overlaps, chosen_shapes
from roommodes.acoustics.rigid_modes import rigid_modes
from roommodes.acoustics.room import Room
from roommodes.acoustics.strengths import Strength
from roommodes.acoustics.transfer import bulk_k2
from roommodes.acoustics.wall_bases import Family, cosine_table
from roommodes.arrays import Complexes, Floats, Integers
from roommodes.elements.face_bases import FaceBasis
from solvers.fit.parameter import Parameter

AnyFamily = Family | FaceBasis
REACH = 1.8


@dataclass(frozen=True, slots=True, kw_only=True)
class Enlarged:
    """A room that is a little larger along one axis.

    Parameters
    ----------
    step_m : by how much.
    room : it.
    families : its boundary modes, as many.
    strengths : of each; None where they are those of the room as it is. Empty where all are.
    """

    step_m: float
    room: Room
    families: tuple[AnyFamily, ...]
    strengths: tuple[Strength | None, ...]


class RoomSlopes:
    """Slopes over the sizes and the loss of one room.

    Parameters
    ----------
    room, families : as they are, with their boundary modes.
    enlarged : for each size another room.
    seat_m, source_m : (n_seat, 3), (n_source, 3) [m].
    top_hz : end of the band [Hz].
    """

    def __init__(
        self,
        room: Room,
        families: Sequence[AnyFamily],
        enlarged: Mapping[str, Enlarged],
        *,
        seat_m: Floats,
        source_m: Floats,
        top_hz: float,
    ) -> None:
        self.room = room
        self.number = rigid_modes(room, REACH * top_hz, with_pressure_mode=True).number
        size = np.array(room.size_m)
        self.k2 = ((self.number * (pi / size)) ** 2).sum(axis=1)
        self.overlap = _overlaps(families, self.number)
        self.seat, self.source = (_at_points(room, point, self.number) for point in (seat_m, source_m))
        self.turned = {}
        self.enlarged = enlarged
        for key, other in enlarged.items():
            self.turned[key] = (
                (_overlaps(other.families, self.number) - self.overlap) / other.step_m,
                (_at_points(other.room, seat_m, self.number) - self.seat) / other.step_m,
                (_at_points(other.room, source_m, self.number) - self.source) / other.step_m,
            )

    @staticmethod
    def tells(parameter: Parameter) -> bool:
        """Whether it is one of the room's."""
        return parameter.group in {"size", "loss"}

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


def _overlaps(families: Sequence[AnyFamily], number: Integers) -> Floats:
    """Every boundary mode's overlap with some rigid modes: (mode of the walls, rigid mode)."""
    return chosen_overlaps((family for family in families if isinstance(family, Family)), number)


def _at_points(room: Room, point_m: Floats, number: Integers) -> Floats:
    """Rigid modes at points: (point, mode)."""
    x, y, z = (
        cosine_table(size, point_m[:, axis], int(number[:, axis].max()) + 1) for axis, size in enumerate(room.size_m)
    )
    return chosen_shapes((x, y, z), number)
