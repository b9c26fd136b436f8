"""Transfer functions from every source to every seat of a room.

    H = 4 pi [ Z_sc - Z_sb (1 + Y Z_bb)^-1 Y Z_bc ]   [1/m], H = p / (j omega rho q / 4 pi), free field e^{-jkr}/r

with Z the rigid room's port matrix (`ports`), b the boundary modes (`boundary`) and Y their strengths
(`strengths`). This is the Woodbury identity: one small solve per frequency, whatever the number of room modes.
Only seats are solved for; every source is one more column.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import pi

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roommodes.boundary import Family, legendre_family, legendre_order, sine_family
from roommodes.ports import Ports, Precision, table_counts
from roommodes.rooms import Pane, Room, Surface
from roommodes.strengths import LocalStrength, Strength, plate_modes, plate_strength, skin_strength
from roommodes.walls import visible

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

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


def boundary_of(room: Room, surfaces: Sequence[Surface], *, max_hz: float, precision: Precision) -> Boundary:
    """Boundary modes for frequencies up to `max_hz`."""
    families: list[Family] = []
    strengths: list[Strength] = []
    counts = table_counts(room, precision)
    wavenumber = 2.0 * pi * max_hz / room.air.speed_of_sound_m_s
    for surface in visible(surfaces):
        place = (room, surface.wall, surface.from_m, surface.to_m)
        width, height = (b - a for a, b in zip(surface.from_m, surface.to_m, strict=True))
        orders = (
            legendre_order(width, wavenumber, precision.extra_order),
            legendre_order(height, wavenumber, precision.extra_order),
        )
        if isinstance(surface.law, Pane):
            edge = PLATE_MARGIN * 2.0 * pi * max_hz
            numbers = plate_modes(surface.law, width, height, edge)
            families.append(sine_family(*place, mode_numbers=numbers, counts=counts))
            strengths.append(plate_strength(surface.law, width, height, numbers=numbers, air=room.air))
            strengths.append(
                skin_strength(
                    surface.law,
                    width,
                    height,
                    above_omega=edge,
                    explicit=numbers,
                    orders=orders,
                    air=room.air,
                )
            )
            families.append(legendre_family(*place, orders=orders, counts=counts))
        else:
            families.append(legendre_family(*place, orders=orders, counts=counts))
            strengths.append(LocalStrength(law=surface.law, air=room.air, size=families[-1].size))
    return Boundary(families=tuple(families), strengths=tuple(strengths))


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
    boundary = boundary_of(room, surfaces, max_hz=float(hz.max()), precision=precision)
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
