"""The boundary of a whole room: which boundary modes each surface needs, and how strongly they react.

How many polynomials a surface needs depends on three things: its size in wavelengths, how strong it is, and how
close a source and a seat stand to it together. The numbers here were measured against much longer expansions
and against independent finite elements (`benchmarks.reference_cases`).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, log, log10, pi

import numpy as np
from numpy.typing import NDArray

from roommodes.boundary import Family, legendre_family, sine_family
from roommodes.ports import Precision, table_counts
from roommodes.rooms import AXIS_OF_WALL, PLANE_AXES, Pane, Room, Surface
from roommodes.strengths import LocalStrength, Strength, plate_modes, plate_strength, skin_strength
from roommodes.walls import visible

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

NEAR_ORDER_LIMIT = 40  # polynomials per side for sources and seats close to a surface
SLOPE = 2.0  # polynomials fewer for each tenth of strength
FEWEST_EXTRA, MOST_EXTRA = 2, 9  # polynomials beyond half a side's length in wavelengths
PLATE_MARGIN = 2.0  # plate modes up to this times the highest frequency are explicit
SKIN_BETA = 0.03  # a pane's remaining stiffness is resolved like a surface of this strength


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
    omega = 2.0 * pi * frequency_hz
    edge = PLATE_MARGIN * float(omega.max())
    wavenumber = float(omega.max()) / room.air.speed_of_sound_m_s
    for surface in visible(surfaces):
        place = (room, surface.wall, surface.from_m, surface.to_m)
        sides = (surface.to_m[0] - surface.from_m[0], surface.to_m[1] - surface.from_m[1])
        if isinstance(surface.law, Pane):
            plate = (surface.law, *sides)
            numbers = plate_modes(*plate, edge)
            orders = _orders(sides, wavenumber, SKIN_BETA, precision.extra_order)
            families.append(sine_family(*place, mode_numbers=numbers, counts=counts))
            strengths.append(plate_strength(*plate, numbers=numbers, air=room.air))
            strengths.append(skin_strength(*plate, above_omega=edge, explicit=numbers, orders=orders, air=room.air))
        else:
            beta = float(np.abs(surface.law.admittance(omega.astype(np.complex128), room.air)).max())
            if beta == 0.0:
                continue
            away = sum(float(distance_m(room, surface, point).min(initial=np.inf)) for point in (seat_m, source_m))
            far = _orders(sides, wavenumber, beta, precision.extra_order)
            near = [near_order(side, beta, away, precision.near_error) for side in sides]
            orders = (max(far[0], near[0]), max(far[1], near[1]))
        families.append(legendre_family(*place, orders=orders, counts=counts))
        if not isinstance(surface.law, Pane):
            strengths.append(LocalStrength(law=surface.law, air=room.air, size=families[-1].size))
    return Boundary(families=tuple(families), strengths=tuple(strengths))


def _orders(sides: tuple[float, float], wavenumber: float, beta: float, extra_order: int) -> tuple[int, int]:
    """Polynomials per side: half its length in wavelengths, and the more beyond that the stronger the surface."""
    extra = min(max(round(extra_order + SLOPE * log10(beta)), FEWEST_EXTRA), MOST_EXTRA)
    first, second = (ceil(0.5 * wavenumber * side) + extra for side in sides)
    return first, second


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

    A surface is seen the sharper the closer one is: order N leaves about 10 beta exp(-4 N d / a) of the seats'
    rms, with d the source's and the seat's distances added (measured on a 6.1 x 2.6 m wall, beta 0.05 to 1).
    """
    wanted = side_m / (4.0 * max(distance_m, 1e-6)) * log(max(10.0 * beta / error, 1.0))
    return ceil(min(wanted, NEAR_ORDER_LIMIT))
