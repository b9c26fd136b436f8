"""The field of a rigid box between seats, sources and wall bases: cosine modes, closed sums at imaginary wavenumbers.

All modes inside a box of mode numbers are summed one axis at a time (`contraction`); the whole port matrix at
imaginary wavenumbers comes from `imaginary`. It is the maker of `ports.RigidField` for rectangular rooms; its modes
have three axes, their numbers along x, y and z.
"""

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from math import ceil, pi, prod
from typing import Any

import numpy as np
from numpy.typing import NDArray

from roommodes.acoustics import imaginary
from roommodes.acoustics.contraction import (
    PART_BYTES,
    AdjacentWalls,
    Factors,
    chosen_overlaps,
    chosen_shapes,
    parallel_walls,
    parts_of,
    points_to_family,
    points_to_points,
    wall_cosines,
)
from roommodes.acoustics.precision import Precision
from roommodes.acoustics.room import Room
from roommodes.acoustics.wall_bases import Family, cosine_table
from roommodes.arrays import Complexes, Floats
from roommodes.effort import Effort, require_room_for
from roommodes.shapes.faces import PLANE_AXES

MOST_TERMS = 6e6  # of any one sum over cosines: bounds time and memory in vast rooms

USUAL_M = 0.3  # of a sub from a wall, for what is expected alone
KERNEL_OPERATIONS = 150.0  # of one exponential with its root and quotient

Parts = tuple[Floats, Floats, Floats, Floats]


def counts_to(room: Room, wavenumber: float) -> tuple[int, int, int]:
    """Cosines per axis so that every mode below `wavenumber` is among them."""
    x, y, z = (ceil(wavenumber * size / pi) + 1 for size in room.size_m)
    return (x, y, z)


def cut_of(precision: Precision, max_wavenumber: float) -> float:
    """k_cut for the largest |k| that will be asked for [1/m]."""
    return max(precision.cut * max_wavenumber, precision.lowest_cut)


def box_effort(
    room: Room,
    families: Sequence[tuple[int, int]],
    *,
    precision: Precision,
    max_wavenumber: float,
    points: tuple[int, int],
    n_freq: int = 1,
) -> Effort:
    """What a box's field takes, known from the numbers of boundary modes, seats and sources.

    Parameters
    ----------
    room, precision, max_wavenumber : as for `BoxField`.
    families : of each the axis along its wall's normal, and its number of boundary modes.
    points : numbers of seats and of sources.
    n_freq : frequencies.
    """
    counts, sizes = table_counts(room, precision), [size for _, size in families]
    normals = {axis for axis, _ in families}
    planes = [prod(counts) // counts[axis] for axis in normals]  # two kernels for each, others while one is made
    edges = prod(_edge_counts(room, precision)) if len(normals) > 1 else 0
    return Effort(
        box=prod(counts_to(room, cut_of(precision, max_wavenumber))),
        boundary=sum(sizes),
        largest=max(sizes, default=0),
        table=max(2 * sum(planes) + 4 * max(planes, default=0), 2 * sum(planes) + 3 * edges),
        seats=points[0],
        sources=points[1],
        frequencies=n_freq,
        part_bytes=PART_BYTES,
        prepared=_prepared(room, families, precision=precision, points=points),
    )


def _prepared(
    room: Room, families: Sequence[tuple[int, int]], *, precision: Precision, points: tuple[int, int]
) -> float:
    """Operations of the whole sums at the nodes, about; points are taken as `USUAL_M` from the walls."""
    counts, edges = table_counts(room, precision), prod(_edge_counts(room, precision))
    near = counts_to(room, min(precision.plane_wavenumber, imaginary.PLANE_DECAY / USUAL_M))
    total = 0.0
    for axis in {axis for axis, _ in families}:
        total += 2.0 * KERNEL_OPERATIONS * prod(counts) / counts[axis]
    for place, (axis, size) in enumerate(families):
        plane, few = prod(counts) / counts[axis], prod(near) / near[axis]
        total += sum(points) * few * (2.0 * size**0.5 + KERNEL_OPERATIONS)
        for other, count in families[place:]:
            pair = float(size * count)
            total += 2.0 * (plane + pair) * pair**0.5 if other == axis else 4.0 * (edges + pair) * size**0.5
    reach = [(4.0 / 3.0 * pi * (imaginary.IMAGE_DECAY / kappa) ** 3) / room.volume_m3 for kappa in precision.nodes]
    images = (sum(reach) + 8.0 * len(reach)) * KERNEL_OPERATIONS * points[0] * points[1]
    return len(precision.nodes) * total + images


class BoxField:
    """A rigid box's field between some seats, sources and wall bases.

    Parameters
    ----------
    room : the room.
    families : boundary modes, with tables long enough for `table_counts`.
    seat_m, source_m : (n_seat, 3), (n_source, 3) [m].
    max_wavenumber : the largest |k| that will be asked for [1/m].
    precision : how far the sums go.

    Raises
    ------
    OutsideModel : this machine has not the memory.
    """

    def __init__(
        self,
        room: Room,
        families: Sequence[Family],
        *,
        seat_m: Floats,
        source_m: Floats,
        max_wavenumber: float,
        precision: Precision,
    ) -> None:
        self.room = room
        self.families = tuple(families)
        self.precision = precision
        self.nodes = precision.nodes
        self.volume_m3 = room.volume_m3
        self.cut_wavenumber = cut_of(precision, max_wavenumber)
        self.counts = counts_to(room, self.cut_wavenumber)
        self.effort = box_effort(
            room,
            [(family.normal_axis, family.size) for family in families],
            precision=precision,
            max_wavenumber=max_wavenumber,
            points=(len(seat_m), len(source_m)),
        )
        require_room_for(self.effort, room.size_m, round(max_wavenumber * room.air.speed_of_sound_m_s / (2.0 * pi)))
        full = self._plane_counts()
        self.seat_m, self.source_m = seat_m, source_m
        self.seat_factors = _point_factors(room, seat_m, full)
        self.source_factors = _point_factors(room, source_m, full)
        k2 = [(np.arange(n) * (pi / size)) ** 2 for n, size in zip(self.counts, room.size_m, strict=True)]
        self.k2_modes = k2[0][:, None, None] + k2[1][None, :, None] + k2[2][None, None, :]

    @property
    def size(self) -> int:
        """Number of boundary modes."""
        return sum(family.size for family in self.families)

    def shapes_at(self, number: NDArray[np.intp]) -> tuple[Floats, Floats]:
        """Some modes, their numbers (n, 3), at the seats and at the sources: (seat, n), (source, n)."""
        return chosen_shapes(self.seat_factors, number), chosen_shapes(self.source_factors, number)

    def overlaps(self, number: NDArray[np.intp]) -> Floats:
        """U, every boundary mode's overlap with some modes of the box: (mode, n) [m]; their numbers are (n, 3)."""
        return chosen_overlaps(self.families, number)

    def pulled(self, pull: Complexes) -> Complexes:
        """U^T times one number for each boundary mode, at every mode of the box: (mode,) -> (nx, ny, nz)."""
        planes: dict[int, Complexes] = {}  # of both walls along one axis: (nu, nv, side)
        start = 0
        for family in self.families:
            u, v = PLANE_AXES[family.normal_axis]
            first, second = family.first[:, : self.counts[u]], family.second[:, : self.counts[v]]
            weight = np.zeros(len(first) * len(second), dtype=np.complex128)
            weight[family.keep] = pull[start : start + family.size]
            empty = np.zeros((self.counts[u], self.counts[v], 2), dtype=np.complex128)
            planes.setdefault(family.normal_axis, empty)[:, :, family.side] += (
                first.T @ weight.reshape(len(first), len(second)) @ second
            )
            start += family.size
        result = np.zeros(self.counts, dtype=np.complex128)
        for axis, both in planes.items():  # the whole box is gone through once for each axis, not for each family
            normals = np.stack([wall_cosines(side, self.counts[axis]) for side in (0, 1)])
            result += np.moveaxis(both @ normals, -1, axis)
        return result

    def _plane_counts(self) -> tuple[int, int, int]:
        """Cosines per axis of the sums along walls: as many as the families' tables hold."""
        fewest = table_counts(self.room, self.precision)
        held = [[f.table(axis).shape[1] for f in self.families if f.normal_axis != axis] for axis in range(3)]
        x, y, z = (max(held[axis], default=fewest[axis]) for axis in range(3))
        return (x, y, z)

    def whole(self) -> Parts:
        """The whole sums at k^2 = -kappa^2 for all of `nodes`, in the order of PortMatrices' fields."""
        with ThreadPoolExecutor(len(self.nodes)) as pool:
            parts = list(pool.map(partial(self._whole, self.seat_m, self.source_m), self.nodes))
        points, seats, sources, walls = (np.stack([part[i] for part in parts]) for i in range(4))
        return points, seats, sources, walls

    def low(self, kernel: NDArray[Any]) -> Parts:
        """The sums over the box: (k, nx, ny, nz) -> in the order of PortMatrices' fields."""
        planes = {}
        for axis in {family.normal_axis for family in self.families}:
            near, far = (wall_cosines(side, self.counts[axis]) for side in (0, 1))
            moved = np.moveaxis(kernel, 1 + axis, -1)
            planes[axis] = (moved @ near**2, moved @ (near * far))
        adjacent = AdjacentWalls(kernel)

        def block(rows: Family, columns: Family) -> Floats:
            if rows.normal_axis != columns.normal_axis:
                return adjacent.block(rows, columns)
            return parallel_walls(planes[rows.normal_axis][int(rows.side != columns.side)], rows, columns)

        return (
            points_to_points(kernel, self.seat_factors, self.source_factors),
            self._points_low(kernel, self.seat_factors),
            self._points_low(kernel, self.source_factors),
            _symmetric(self.families, len(kernel), block),
        )

    def _points_low(self, kernel: Floats, factors: Factors) -> Floats:
        n_point = len(factors[0])
        result = np.empty((len(kernel), n_point, self.size))
        walls = {family.wall: self.counts[family.normal_axis] for family in self.families}
        planes = sum(prod(self.counts) / count for count in walls.values())
        for part in parts_of(n_point, 8.0 * len(kernel) * planes):
            x, y, z = (factor[part] for factor in factors)
            result[:, part] = self._some_points_low(kernel, (x, y, z))
        return result

    def _some_points_low(self, kernel: Floats, factors: Factors) -> Floats:
        n_point = len(factors[0])
        parts = [np.empty((len(kernel), n_point, 0))]
        planes: dict[str, Floats] = {}
        for family in self.families:
            axis, count = family.normal_axis, self.counts[family.normal_axis]
            if family.wall not in planes:
                normal = factors[axis][:, :count] * wall_cosines(family.side, count)
                moved = np.moveaxis(kernel, 1 + axis, 1)  # (k, normal, u, v)
                summed = normal @ moved.reshape(len(kernel), count, -1)
                planes[family.wall] = summed.reshape(len(kernel), n_point, *moved.shape[2:])
            parts.append(points_to_family(planes[family.wall], factors, family))
        return np.concatenate(parts, axis=2)

    def _whole(self, seat_m: Floats, source_m: Floats, kappa: float) -> tuple[Floats, Floats, Floats, Floats]:
        """The whole sums at k^2 = -kappa^2, in the order of PortMatrices' fields."""
        room = self.room
        plane = self._plane_counts()
        axes = {family.normal_axis for family in self.families}
        walls = {
            axis: [imaginary.wall_kernel(room, kappa, axis, opposite=far, counts=plane) for far in (False, True)]
            for axis in axes
        }
        edges = _edge_counts(room, self.precision) if len(axes) > 1 else (0, 0, 0)
        adjacent = AdjacentWalls(imaginary.edge_kernel(room, kappa, edges))

        def block(rows: Family, columns: Family) -> Floats:
            if rows.normal_axis != columns.normal_axis:
                return adjacent.block(rows, columns)
            return parallel_walls(walls[rows.normal_axis][int(rows.side != columns.side)], rows, columns)

        def against(point_m: Floats, factors: Factors) -> Floats:
            parts = [np.empty((len(point_m), 0))]
            parts += [
                imaginary.points_against_family(room, kappa, point_m, factors, family, plane)
                for family in self.families
            ]
            return np.concatenate(parts, axis=1)

        return (
            imaginary.points_against_points(room, kappa, seat_m, source_m),
            against(seat_m, self.seat_factors),
            against(source_m, self.source_factors),
            _symmetric(self.families, 1, block)[0],
        )


def table_counts(room: Room, precision: Precision) -> tuple[int, int, int]:
    """How many cosines the families' tables must hold along each axis; fewer in a vast room."""
    widest = room.volume_m3 / min(room.size_m)  # area of the largest wall [m2]
    return counts_to(room, min(precision.plane_wavenumber, pi * (MOST_TERMS / widest) ** 0.5))


def _edge_counts(room: Room, precision: Precision) -> tuple[int, int, int]:
    """How many cosines are summed along each axis for walls that share an edge; fewer in a vast room."""
    return counts_to(room, min(precision.edge_wavenumber, pi * (MOST_TERMS / room.volume_m3) ** (1.0 / 3.0)))


def _point_factors(room: Room, point_m: Floats, counts: tuple[int, int, int]) -> Factors:
    x, y, z = (cosine_table(room.size_m[i], point_m[:, i], counts[i]) for i in range(3))
    return (x, y, z)


def _symmetric(families: Sequence[Family], depth: int, block: Callable[[Family, Family], Floats]) -> Floats:
    """The whole boundary matrix (depth, mode, mode) from the blocks on and above its diagonal."""
    edges = np.cumsum([0, *(family.size for family in families)])
    result = np.empty((depth, edges[-1], edges[-1]))
    for i, rows in enumerate(families):
        for j in range(i, len(families)):
            part = block(rows, families[j])
            result[:, edges[i] : edges[i + 1], edges[j] : edges[j + 1]] = part
            if j > i:
                result[:, edges[j] : edges[j + 1], edges[i] : edges[i + 1]] = part.transpose(0, 2, 1)
    return result
