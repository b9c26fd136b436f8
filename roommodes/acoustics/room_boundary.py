"""The boundary of a whole room: which boundary modes each surface needs, and how strongly they react.

How many polynomials a surface needs depends on three things: its size in wavelengths, how strong it is, and how
close a source and a seat stand to it together. The numbers here were measured against much longer expansions
and against independent finite elements (`benchmarks.reference_cases`).
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from math import ceil, log, log10, pi

import numpy as np
from numpy.typing import NDArray

from roommodes.acoustics.box_field import box_effort, table_counts
from roommodes.acoustics.box_within import box_within
from roommodes.acoustics.edge_functions import Ends, family_with_edges
from roommodes.acoustics.layering.layers import WallLaw
from roommodes.acoustics.plates.panes import Plate
from roommodes.acoustics.precision import Precision
from roommodes.acoustics.room import AXIS_OF_WALL, Room, Surface
from roommodes.acoustics.shaped_boundary import FacePart, face_parts, legendre_degrees
from roommodes.acoustics.strengths import (
    Strength,
    front_law,
    local_strength,
    plate_modes,
    plate_strength,
    skin_strength,
)
from roommodes.acoustics.visible_surfaces import visible
from roommodes.acoustics.wall_bases import Family, kept_products, legendre_family, sine_family
from roommodes.arrays import Complexes, Floats
from roommodes.effort import require_room_for
from roommodes.elements.face_bases import FaceBasis
from roommodes.shapes.faces import PLANE_AXES

NEAR_GROWTH = 3  # polynomials a side may gain by closeness before the surface is halved
SMALLEST_PIECE_M = 0.1
SLOPE = 2.0  # polynomials fewer for each tenth of strength
MOST_EXTRA = 12  # polynomials beyond half a side's length in wavelengths
PLATE_MARGIN = 2.0  # plate modes up to this times the highest frequency are explicit
SEAM_BETA = 0.25  # in a room that is no box, elements end at the edges of surfaces above this
SKIN_BETA = 0.03  # a pane's remaining stiffness is resolved like a surface of this strength
EDGE_BETA = 1.5  # surfaces above this have edge functions along their free edges
EDGE_REACH = 2.0  # how much further the cosines along a wall are then summed, over k0 |beta|
WAVE_DEPTH, WAVE_EXTRA = 6.0, 6  # waves along a surface are followed until e^-6; polynomials beyond what they need
MOST_WAVES = 30  # polynomials a side may gain for them
ON_EDGE_M = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Boundary:
    """Boundary modes of a whole room and their strengths, family by family."""

    families: tuple[Family | FaceBasis, ...]
    strengths: tuple[Strength, ...]

    @property
    def size(self) -> int:
        """Number of boundary modes."""
        return sum(family.size for family in self.families)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reaction:
    """How strongly a locally reacting surface reacts.

    Parameters
    ----------
    beta : (k,) its admittance; of a pane that of what lies before it, zeros for a bare one.
    wavenumber : (k,) k0 at the same frequencies [1/m].
    has_edges : whether it ends anywhere inside its wall.
    """

    beta: Complexes
    wavenumber: Floats
    has_edges: bool

    @classmethod
    def of(cls, surface: Surface, frequency_hz: Floats, room: Room) -> "Reaction":
        """Of one surface at some frequencies (k,) [Hz]."""
        omega = 2.0 * pi * frequency_hz
        law = _local_law(surface.law)
        beta = np.zeros(len(omega), dtype=np.complex128)
        if law is not None:
            beta = law.admittance(omega.astype(np.complex128), room.air)
        edges = room.is_box and any(map(any, _free_edges(room, surface, surface)))
        return cls(beta=beta, wavenumber=omega / room.air.speed_of_sound_m_s, has_edges=edges)

    @property
    def most(self) -> float:
        """The largest |beta|."""
        return float(np.abs(self.beta).max())

    @property
    def per_m(self) -> float:
        """The largest k0 |beta| [1/m]."""
        return float((self.wavenumber * np.abs(self.beta)).max())

    @property
    def strong_edges(self) -> bool:
        """Whether its edges need functions of their own."""
        return self.has_edges and self.most > EDGE_BETA

    @property
    def edge_per_m(self) -> float:
        """The largest k0 |beta| that meets an edge [1/m]."""
        return self.per_m if self.strong_edges else 0.0

    def wave_order(self, side_m: float) -> int:
        """Polynomials that follow the waves along a springy surface, 0 where they matter not.

        Where Im beta > 0 sound runs along the surface with a wavenumber k0 Im beta and fades as e^{-k0 Re(beta) x} from
        where it starts, an edge. Polynomials are closer together near the ends: to a depth d they need k sqrt(d side).
        """
        if not self.strong_edges:
            return 0
        running = self.wavenumber * np.maximum(self.beta.imag, 0.0)
        deep = WAVE_DEPTH / np.maximum(self.wavenumber * self.beta.real, 1e-9)
        wanted = running * np.minimum(0.5 * side_m, np.sqrt(deep * side_m))
        return ceil(min(float(wanted.max()), 1e6)) + WAVE_EXTRA if wanted.any() else 0


def boundary_of(
    room: Room,
    surfaces: Sequence[Surface],
    *,
    frequency_hz: Floats,
    seat_m: Floats,
    source_m: Floats,
    precision: Precision,
) -> Boundary:
    """Boundary modes for all of these frequencies, seats and sources.

    Raises
    ------
    OutsideModel : the room is a box, and with them it takes more than this machine has.
    """
    families, makers = _made(
        room, surfaces, frequency_hz=frequency_hz, seat_m=seat_m, source_m=source_m, precision=precision
    )
    return Boundary(families=families, strengths=tuple(make() for make in makers))


def families_of(
    room: Room,
    surfaces: Sequence[Surface],
    *,
    frequency_hz: Floats,
    seat_m: Floats,
    source_m: Floats,
    precision: Precision,
) -> tuple[Family | FaceBasis, ...]:
    """The families of `boundary_of` alone: without what the walls' strengths take."""
    return _made(room, surfaces, frequency_hz=frequency_hz, seat_m=seat_m, source_m=source_m, precision=precision)[0]


def _made(
    room: Room,
    surfaces: Sequence[Surface],
    *,
    frequency_hz: Floats,
    seat_m: Floats,
    source_m: Floats,
    precision: Precision,
) -> tuple[tuple[Family | FaceBasis, ...], list[Callable[[], Strength]]]:
    """The families, and what makes the strength of each."""
    families: list[Family | FaceBasis] = []
    makers: list[Callable[[], Strength]] = []
    room, wanted = require_boundary_fits(
        room, surfaces, frequency_hz=frequency_hz, seat_m=seat_m, source_m=source_m, precision=precision
    )
    omega = 2.0 * pi * frequency_hz
    along = precision.plane_wavenumber + EDGE_REACH * max((one.reaction.edge_per_m for one in wanted), default=0.0)
    bases = _Bases(room=room, counts=table_counts(room, replace(precision, plane_wavenumber=along)))
    for one in wanted:
        surface = one.surface
        if isinstance(surface.law, Plate):
            sides = _sides(surface)
            plate = (surface.law, *sides)
            edge = PLATE_MARGIN * float(omega.max())
            numbers = plate_modes(*plate, edge)
            orders = _orders(sides, float(omega.max()) / room.air.speed_of_sound_m_s, SKIN_BETA, precision)
            families += [*bases.sines(surface, numbers), *bases.polynomials(surface, orders)]
            makers.append(partial(plate_strength, *plate, numbers=numbers, air=room.air))
            skin = partial(skin_strength, above_omega=edge, explicit=numbers, orders=orders)
            makers.append(partial(skin, *plate, air=room.air))
        for piece, orders in one.pieces:
            for family in bases.reacting(piece, orders, surface, one.reaction):
                families.append(family)
                makers.append(partial(local_strength, surface.law, room.air, family.size))
    return tuple(families), makers


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """A surface, how it reacts, and its pieces with the polynomials that each needs along its sides."""

    surface: Surface
    reaction: Reaction
    pieces: tuple[tuple[Surface, tuple[int, int]], ...]


def shown_parts(room: Room, surfaces: Sequence[Surface]) -> tuple[Surface, ...]:
    """What is seen of surfaces, in parts that do not overlap and that air touches: each reacts by itself."""
    if box := box_within(room):
        return visible(box.surfaces(surfaces))
    return tuple(part for surface in visible(surfaces) for part in face_parts(room, surface))


def require_boundary_fits(
    room: Room,
    surfaces: Sequence[Surface],
    *,
    frequency_hz: Floats,
    seat_m: Floats,
    source_m: Floats,
    precision: Precision,
) -> tuple[Room, tuple[Wanted, ...]]:
    """What `boundary_of` will make, and whether this machine can: told before the first table, in a moment.

    Returns
    -------
    The room, or the box that its air fills, and what its visible surfaces need.

    Raises
    ------
    OutsideModel : as there.
    """
    shown = shown_parts(room, surfaces)
    if box := box_within(room):
        room = box.room
        seat_m, source_m = seat_m - box.origin_m, source_m - box.origin_m
    wavenumber = 2.0 * pi * float(frequency_hz.max()) / room.air.speed_of_sound_m_s

    def wanted_of(surface: Surface) -> Wanted:
        reaction = Reaction.of(surface, frequency_hz, room)

        def orders_of(piece: Surface) -> tuple[tuple[int, int], tuple[int, int]]:
            away = sum(float(distance_m(room, piece, point).min(initial=np.inf)) for point in (seat_m, source_m))
            sides = _sides(piece)
            near = [near_order(side, reaction.most, away, precision.near_error) for side in sides]
            first, second = _orders(sides, wavenumber, reaction.most, precision)
            waves = [min(reaction.wave_order(side), MOST_WAVES) for side in sides]
            return (max(first, waves[0]), max(second, waves[1])), (near[0], near[1])

        pieces = tuple(_pieces(surface, orders_of)) if reaction.most > 0.0 else ()
        return Wanted(surface=surface, reaction=reaction, pieces=pieces)

    wanted = tuple(wanted_of(surface) for surface in shown)
    if room.is_box:
        effort = box_effort(
            room,
            [
                (AXIS_OF_WALL[one.surface.wall][0], len(kept_products(orders)))
                for one in wanted
                for _, orders in one.pieces
            ],
            precision=precision,
            max_wavenumber=wavenumber,
            points=(len(seat_m), len(source_m)),
            n_freq=len(frequency_hz),
        )
        require_room_for(effort, room.size_m, float(frequency_hz.max()))
    return room, wanted


@dataclass(frozen=True, slots=True, kw_only=True)
class _Bases:
    """Makes the boundary modes of a box, whose overlaps are closed, or of any other room.

    Parameters
    ----------
    room : the room.
    counts : cosines per axis, in a box.
    """

    room: Room
    counts: tuple[int, int, int]

    def reacting(
        self, piece: Surface, orders: tuple[int, int], surface: Surface, reaction: Reaction
    ) -> list[Family] | list[FaceBasis]:
        """Those of a piece of a locally reacting surface; none where no air touches it."""
        if isinstance(piece, FacePart):
            basis = piece.basis(legendre_degrees(orders), strong=reaction.most > SEAM_BETA)
            return [] if basis is None else [basis]
        if not reaction.strong_edges:
            return self.polynomials(piece, orders)
        free = _free_edges(self.room, surface, piece)
        return [
            family_with_edges(self.room, piece, orders=orders, free=free, reaction=reaction.per_m, counts=self.counts)
        ]

    def polynomials(self, piece: Surface, orders: tuple[int, int]) -> list[Family] | list[FaceBasis]:
        """Legendre products; none where no air touches the piece."""
        if isinstance(piece, FacePart):
            basis = piece.basis(legendre_degrees(orders))
            return [] if basis is None else [basis]
        place = (self.room, piece.wall, piece.from_m, piece.to_m)
        return [legendre_family(*place, orders=orders, counts=self.counts)]

    def sines(self, pane: Surface, numbers: NDArray[np.intp]) -> list[Family] | list[FaceBasis]:
        """The plate modes `numbers` (n_mode, 2)."""
        if isinstance(pane, FacePart):
            basis = pane.basis(numbers.tolist(), sines=True)
            return [] if basis is None else [basis]
        place = (self.room, pane.wall, pane.from_m, pane.to_m)
        return [sine_family(*place, mode_numbers=numbers, counts=self.counts)]


def _local_law(law: WallLaw | Plate) -> WallLaw | None:
    """What reacts at every point by itself: the law, or what lies before a pane; None where nothing does."""
    return front_law(law) if isinstance(law, Plate) else law


def _free_edges(room: Room, surface: Surface, piece: Surface) -> tuple[Ends, Ends]:
    """Which ends of a piece's sides are ends of its surface inside the wall: there something else begins."""

    def ends(i: int, length_m: float) -> Ends:
        pair = ((surface.from_m[i], piece.from_m[i]), (surface.to_m[i], piece.to_m[i]))
        first, last = (here == there and ON_EDGE_M < here < length_m - ON_EDGE_M for here, there in pair)
        return first, last

    along, up = room.wall_size_m(surface.wall)
    return ends(0, along), ends(1, up)


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
    if isinstance(surface, FacePart):
        return surface.distance_m(point_m)
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
    wanted = side_m / (4.0 * max(distance_m, 1e-6)) * log(max(10.0 * beta * max(beta, 1.0) / error, 1.0))
    return ceil(min(wanted, 1e6))
