"""The boundary of a whole room: which boundary modes each surface needs, and how strongly they react.

How many polynomials a surface needs depends on three things: its size in wavelengths, how strong it is, and how
close a source and a seat stand to it together. The numbers here were measured against much longer expansions
and against independent finite elements (`benchmarks.reference_cases`).
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from math import ceil, log, log10, pi

import numpy as np

from roommodes.acoustics.ports import Precision, table_counts
from roommodes.acoustics.room import AXIS_OF_WALL, PLANE_AXES, Pane, Room, Surface
from roommodes.acoustics.strengths import LocalStrength, Strength, plate_modes, plate_strength, skin_strength
from roommodes.acoustics.visible_surfaces import visible
from roommodes.acoustics.wall_bases import Family, legendre_family, sine_family
from roommodes.arrays import Floats

NEAR_GROWTH = 3  # polynomials a side may gain by closeness before the surface is halved
SMALLEST_PIECE_M = 0.1
SLOPE = 2.0  # polynomials fewer for each tenth of strength
MOST_EXTRA = 9  # polynomials beyond half a side's length in wavelengths
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
        if isinstance(surface.law, Pane):
            sides = _sides(surface)
            plate = (surface.law, *sides)
            place = (room, surface.wall, surface.from_m, surface.to_m)
            numbers = plate_modes(*plate, edge)
            orders = _orders(sides, wavenumber, SKIN_BETA, precision)
            families.append(sine_family(*place, mode_numbers=numbers, counts=counts))
            strengths.append(plate_strength(*plate, numbers=numbers, air=room.air))
            families.append(legendre_family(*place, orders=orders, counts=counts))
            strengths.append(skin_strength(*plate, above_omega=edge, explicit=numbers, orders=orders, air=room.air))
            continue
        beta = float(np.abs(surface.law.admittance(omega.astype(np.complex128), room.air)).max())
        if beta == 0.0:
            continue

        def orders_of(piece: Surface, beta: float = beta) -> tuple[tuple[int, int], tuple[int, int]]:
            away = sum(float(distance_m(room, piece, point).min(initial=np.inf)) for point in (seat_m, source_m))
            sides = _sides(piece)
            near = [near_order(side, beta, away, precision.near_error) for side in sides]
            return _orders(sides, wavenumber, beta, precision), (near[0], near[1])

        for piece, orders in _pieces(surface, orders_of):
            families.append(legendre_family(room, piece.wall, piece.from_m, piece.to_m, orders=orders, counts=counts))
            strengths.append(LocalStrength(law=surface.law, air=room.air, size=families[-1].size))
    return Boundary(families=tuple(families), strengths=tuple(strengths))


def _sides(surface: Surface) -> tuple[float, float]:
    return (surface.to_m[0] - surface.from_m[0], surface.to_m[1] - surface.from_m[1])


def _orders(sides: tuple[float, float], wavenumber: float, beta: float, precision: Precision) -> tuple[int, int]:
    """Polynomials per side: half its length in wavelengths, and the more beyond that the stronger the surface."""
    extra = min(max(round(precision.extra_order + SLOPE * log10(beta)), precision.fewest_extra), MOST_EXTRA)
    first, second = (ceil(0.5 * wavenumber * side) + extra for side in sides)
    return first, second


def _pieces(
    surface: Surface, orders_of: Callable[[Surface], tuple[tuple[int, int], tuple[int, int]]]
) -> Iterator[tuple[Surface, tuple[int, int]]]:
    """A surface with its orders, halved again and again where a source and a seat stand close to it together.

    `orders_of` gives what a piece needs for its size and for its closeness.
    """
    far, near = orders_of(surface)
    sides = _sides(surface)
    if max(near[0] - far[0], near[1] - far[1]) <= NEAR_GROWTH or max(sides) <= SMALLEST_PIECE_M:
        limit = NEAR_GROWTH + max(far)
        yield surface, (max(far[0], min(near[0], limit)), max(far[1], min(near[1], limit)))
        return
    along = 0 if sides[0] >= sides[1] else 1
    middle = 0.5 * (surface.from_m[along] + surface.to_m[along])
    low, high = list(surface.to_m), list(surface.from_m)
    low[along] = high[along] = middle
    yield from _pieces(replace(surface, to_m=(low[0], low[1])), orders_of)
    yield from _pieces(replace(surface, from_m=(high[0], high[1])), orders_of)


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
    return ceil(min(wanted, 1e6))
