"""Transfer functions from every source to every seat of a room.

    H = 4 pi [ Z_sc - Z_sb (1 + Y Z_bb)^-1 Y Z_bc ]   [1/m], H = p / (j omega rho q / 4 pi), free field e^{-jkr}/r

with Z the rigid room's port matrix (`ports`), b the boundary modes (`boundary`) and Y their strengths
(`strengths`). This is the Woodbury identity: one small solve per frequency, whatever the number of room modes.
Only seats are solved for; every source is one more column.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import ceil, log, pi

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roommodes.boundary import Family, legendre_family, legendre_order, sine_family
from roommodes.ports import Ports, Precision, table_counts
from roommodes.rooms import AXIS_OF_WALL, PLANE_AXES, Pane, Room, Surface
from roommodes.strengths import LocalStrength, Strength, plate_modes, plate_strength, skin_strength
from roommodes.walls import visible

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

NEAR_ORDER_LIMIT = 40  # polynomials per side for sources and seats close to a surface
PLATE_MARGIN = 2.0  # plate modes up to this times the highest frequency are explicit
CHUNK_BYTES = 64e6  # how much one block of frequencies may take for its boundary matrices


@dataclass(frozen=True, slots=True, kw_only=True)
class Boundary:
    """Boundary modes of a whole room and their strengths, family by family."""

    families: tuple[Family, ...]
    strengths: tuple[Strength, ...]

    @property
    def size(self) -> int:
        """Number of boundary modes."""
        return sum(family.size for family in self.families)


def boundary_of(
    room: Room,
    surfaces: Sequence[Surface],
    *,
    frequency_hz: Floats,
    seat_m: Floats,
    source_m: Floats,
    precision: Precision,
) -> Boundary:
    """Boundary modes for all of these frequencies, seats and sources."""
    families: list[Family] = []
    strengths: list[Strength] = []
    counts = table_counts(room, precision)
    max_omega = 2.0 * pi * float(frequency_hz.max())
    omega = (2.0 * pi * frequency_hz).astype(np.complex128)
    for surface in visible(surfaces):
        place = (room, surface.wall, surface.from_m, surface.to_m)
        width, height = (b - a for a, b in zip(surface.from_m, surface.to_m, strict=True))
        wavenumber = max_omega / room.air.speed_of_sound_m_s
        orders = [legendre_order(side, wavenumber, precision.extra_order) for side in (width, height)]
        if isinstance(surface.law, Pane):
            pane, edge = surface.law, PLATE_MARGIN * max_omega
            numbers = plate_modes(pane, width, height, edge)
            families.append(sine_family(*place, mode_numbers=numbers, counts=counts))
            strengths.append(plate_strength(pane, width, height, numbers=numbers, air=room.air))
            strengths.append(
                skin_strength(
                    pane,
                    width,
                    height,
                    above_omega=edge,
                    explicit=numbers,
                    orders=(orders[0], orders[1]),
                    air=room.air,
                )
            )
        else:
            beta = float(np.abs(surface.law.admittance(omega, room.air)).max())
            height_m = distance_m(room, surface, seat_m).min() + distance_m(room, surface, source_m).min()
            orders = [
                max(order, near_order(side, beta, float(height_m), precision.near_error))
                for order, side in zip(orders, (width, height), strict=True)
            ]
            strengths.append(LocalStrength(law=surface.law, air=room.air, size=orders[0] * orders[1]))
        families.append(legendre_family(*place, orders=(orders[0], orders[1]), counts=counts))
    return Boundary(families=tuple(families), strengths=tuple(strengths))


def distance_m(room: Room, surface: Surface, point_m: Floats) -> Floats:
    """Distance from points (n, 3) to a surface's rectangle: (n,) [m]."""
    axis, side = AXIS_OF_WALL[surface.wall]
    gap = [point_m[:, axis] - side * room.size_m[axis]]
    for i, along in enumerate(PLANE_AXES[axis]):
        inside = np.clip(point_m[:, along], surface.from_m[i], surface.to_m[i])
        gap.append(point_m[:, along] - inside)
    return np.asarray(np.sqrt(np.sum(np.square(gap), axis=0)))


def near_order(side_m: float, beta: float, distance_m: float, error: float) -> int:
    """How many polynomials a side needs when a source and a seat both stand close to the surface.

    A surface is sharper the closer it is looked at: order N leaves about 10 beta exp(-4 N d / a) of the seats'
    rms, with d the source's and the seat's distances added (measured on a 6.1 x 2.6 m wall, beta 0.05 to 1).
    """
    if beta <= 0.0:
        return 0
    wanted = side_m / (4.0 * max(distance_m, 1e-6)) * log(max(10.0 * beta / error, 1.0))
    return ceil(min(wanted, NEAR_ORDER_LIMIT))


def bulk_k2(room: Room, omega: Complexes) -> Complexes:
    """k^2 with the bulk loss: (k,) rad/s -> (k,) [1/m2]."""
    return np.asarray((omega / room.air.speed_of_sound_m_s * (1.0 - 0.5j * room.loss_factor)) ** 2)


def strength_times(strengths: Sequence[Strength], omega: Complexes, matrix: Complexes) -> Complexes:
    """Y times a matrix over the boundary modes: (k, mode, n) -> (k, mode, n)."""
    result = np.empty_like(matrix)
    start = 0
    for strength in strengths:
        part = slice(start, start + strength.size)
        y = strength.matrix(omega)
        result[:, part] = y[:, :, None] * matrix[:, part] if y.ndim == 2 else y @ matrix[:, part]
        start += strength.size
    return result


def transfer_function(
    room: Room,
    surfaces: Sequence[Surface],
    *,
    frequency_hz: ArrayLike,
    seat_m: ArrayLike,
    source_m: ArrayLike,
    progress: Callable[[int, int], None] | None = None,
    precision: Precision | None = None,
) -> Complexes:
    """Pressure at every seat from every source.

    Parameters
    ----------
    room : the room.
    surfaces : what the walls are made of, later ones over earlier ones; the rest is rigid.
    frequency_hz : (n_freq,), all above zero [Hz].
    seat_m, source_m : (n_seat, 3), (n_source, 3) inside the room or on its walls [m].
    progress : called with (frequencies done, frequencies in all).
    precision : how far the sums go.

    Returns
    -------
    (n_freq, n_seat, n_source) complex128 [1/m].
    """
    precision = precision or Precision()
    hz = np.atleast_1d(np.asarray(frequency_hz, dtype=np.float64))
    seats = np.atleast_2d(np.asarray(seat_m, dtype=np.float64))
    sources = np.atleast_2d(np.asarray(source_m, dtype=np.float64))
    boundary = boundary_of(room, surfaces, frequency_hz=hz, seat_m=seats, source_m=sources, precision=precision)
    max_wavenumber = 2.0 * pi * float(hz.max()) / room.air.speed_of_sound_m_s
    ports = Ports(
        room,
        boundary.families,
        seat_m=seats,
        source_m=sources,
        max_wavenumber=max_wavenumber,
        precision=precision,
    )
    result = np.empty((len(hz), len(seats), len(sources)), dtype=np.complex128)
    step = max(1, int(CHUNK_BYTES / (16.0 * max(boundary.size, 64) ** 2)))
    for start in range(0, len(hz), step):
        part = slice(start, start + step)
        omega = (2.0 * pi * hz[part]).astype(np.complex128)
        z = ports.at(bulk_k2(room, omega))
        pressure = z.seat_source
        if boundary.size:
            system = strength_times(boundary.strengths, omega, z.boundary)
            index = np.arange(boundary.size)
            system[:, index, index] += 1.0
            driven = np.linalg.solve(system.transpose(0, 2, 1), z.seat_boundary.transpose(0, 2, 1))
            reaction = strength_times(boundary.strengths, omega, z.source_boundary.transpose(0, 2, 1))
            pressure = pressure - driven.transpose(0, 2, 1) @ reaction
        result[part] = 4.0 * pi * pressure
        if progress:
            progress(min(start + step, len(hz)), len(hz))
    return result
