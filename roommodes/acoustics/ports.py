"""The port matrix of the rigid room: low modes exactly, all the others by a closed tail.

Seats, sources and boundary modes are ports; between two ports u and v

    Z_uv(k^2) = sum over n of u_n v_n / (V (k_n^2 - k^2)).

All modes inside a box of mode numbers are summed at every frequency. What lies outside the box is smooth in
k^2, since its poles lie far above the band: it is a weighted sum of its own values at a few imaginary
wavenumbers, where the whole matrix is known (`imaginary`). The weights are the least-squares answer for a pole
anywhere above the cut, which is some ten times better than passing a polynomial through the nodes.

| symbol | meaning |
| --- | --- |
| kappa_i | the nodes, k^2 = -kappa_i^2 [1/m] |
| k_cut | every mode below it is in the box [1/m] |
| t | k_n^2 of a mode outside the box, above k_cut^2 |
"""

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from math import ceil, pi, prod
from typing import Any

import numpy as np
from numpy.typing import NDArray

from roommodes.acoustics import imaginary
from roommodes.acoustics.contraction import (
    Factors,
    adjacent_walls,
    parallel_walls,
    points_to_family,
    points_to_points,
    wall_cosines,
)
from roommodes.acoustics.room import PLANE_AXES, Room, Wall
from roommodes.acoustics.wall_bases import Family, cosine_table
from roommodes.arrays import Complexes, Floats

MOST_TERMS = 6e6  # of any one sum over cosines: bounds time and memory in vast rooms


@dataclass(frozen=True, slots=True, kw_only=True)
class Precision:
    """How far the sums go; the defaults meet 1e-4 of the receivers' rms with a wide margin.

    Parameters
    ----------
    cut, lowest_cut : k_cut over the largest wavenumber asked for, and the least k_cut [1/m]; the nodes must lie
        well below it.
    nodes : kappa_i [1/m].
    plane_wavenumber : how far the cosines along a wall are summed, for parallel walls and points [1/m].
    edge_wavenumber : how far all three axes are summed, for walls that share an edge [1/m].
    extra_order : Legendre polynomials beyond half a side's length in wavelengths, for a surface of beta = 1.
    fewest_extra : the same, at least, however weak the surface.
    near_error : aimed error over the seats' rms where a source and a seat both stand close to a surface.
    """

    cut: float = 4.0
    lowest_cut: float = 8.0
    nodes: tuple[float, ...] = (1.0, 3.0, 6.0)
    plane_wavenumber: float = 300.0
    edge_wavenumber: float = 70.0
    extra_order: int = 7
    fewest_extra: int = 2
    near_error: float = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class PortMatrices:
    """Port matrices at some wavenumbers: b boundary modes, s seats, c sources."""

    seat_source: Complexes  # (k, seat, source)
    seat_boundary: Complexes  # (k, seat, mode)
    source_boundary: Complexes  # (k, source, mode)
    boundary: Complexes  # (k, mode, mode)


def counts_to(room: Room, wavenumber: float) -> tuple[int, int, int]:
    """Cosines per axis so that every mode below `wavenumber` is among them."""
    x, y, z = (ceil(wavenumber * size / pi) + 1 for size in room.size_m)
    return (x, y, z)


def tail_weights(k2: Complexes, nodes: Sequence[float], cut_wavenumber: float) -> Complexes:
    """Weights of the nodes' tails: (k,) -> (k, n_node).

    Least squares over t >= k_cut^2 of |1 / (t - k^2) - sum w_i / (t + kappa_i^2)| t.
    """
    t = np.geomspace(cut_wavenumber**2, 1e4 * cut_wavenumber**2, 400)
    basis = t[:, None] / (t[:, None] + np.square(nodes)[None, :])
    wanted = t[:, None] / (t[:, None] - k2[None, :])
    return np.asarray(np.linalg.lstsq(basis.astype(np.complex128), wanted, rcond=None)[0]).T


class Ports:
    """All port matrices of a room, prepared once and evaluated at any wavenumber.

    Parameters
    ----------
    room : the room.
    families : boundary modes, with tables long enough for `table_counts`.
    seat_m, source_m : (n_seat, 3), (n_source, 3) [m].
    max_wavenumber : the largest |k| that will be asked for [1/m].
    precision : how far the sums go.
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
        self.cut_wavenumber = max(precision.cut * max_wavenumber, precision.lowest_cut)
        self.counts = counts_to(room, self.cut_wavenumber)
        full = self._plane_counts()
        self.seat_factors = _point_factors(room, seat_m, full)
        self.source_factors = _point_factors(room, source_m, full)
        k2 = [(np.arange(n) * (pi / size)) ** 2 for n, size in zip(self.counts, room.size_m, strict=True)]
        self.k2_modes = k2[0][:, None, None] + k2[1][None, :, None] + k2[2][None, None, :]
        low = self._low(self._kernel(-np.square(precision.nodes)))
        with ThreadPoolExecutor(len(precision.nodes)) as pool:
            whole = list(pool.map(partial(self._whole, seat_m, source_m), precision.nodes))
        self.tails = tuple(np.stack([part[i] for part in whole]) - low[i] for i in range(4))

    @property
    def size(self) -> int:
        """Number of boundary modes."""
        return sum(family.size for family in self.families)

    def at(self, k2: Complexes, *, without: NDArray[np.bool_] | None = None) -> PortMatrices:
        """Port matrices at squared wavenumbers.

        Parameters
        ----------
        k2 : (k,) [1/m2].
        without : (nx, ny, nz) as `k2_modes`, the modes to leave out of the sum.
        """
        kernel = self._kernel(k2)
        if without is not None:
            kernel = np.where(without, 0.0, kernel)
        low = self._low(np.concatenate([kernel.real, kernel.imag]))
        weights = tail_weights(k2, self.precision.nodes, self.cut_wavenumber)
        parts = [_joined(part, tail, weights) for part, tail in zip(low, self.tails, strict=True)]
        return PortMatrices(seat_source=parts[0], seat_boundary=parts[1], source_boundary=parts[2], boundary=parts[3])

    def overlaps(self) -> Floats:
        """U, every boundary mode's overlap with every mode of the box: (mode, nx, ny, nz) [m]."""
        parts = [np.empty((0, *self.counts))]
        for family in self.families:
            axis = family.normal_axis
            u, v = PLANE_AXES[axis]
            first, second = family.first[:, : self.counts[u]], family.second[:, : self.counts[v]]
            plane = (first[:, None, :, None] * second[None, :, None, :]).reshape(-1, *(self.counts[w] for w in (u, v)))
            normal = wall_cosines(family.side, self.counts[axis])
            parts.append(np.moveaxis(plane[family.keep][..., None] * normal, -1, 1 + axis))
        return np.concatenate(parts)

    def _plane_counts(self) -> tuple[int, int, int]:
        """Cosines per axis of the sums along walls: as many as the families' tables hold."""
        fewest = table_counts(self.room, self.precision)
        held = [[f.table(axis).shape[1] for f in self.families if f.normal_axis != axis] for axis in range(3)]
        x, y, z = (max(held[axis], default=fewest[axis]) for axis in range(3))
        return (x, y, z)

    def _kernel(self, k2: NDArray[Any]) -> NDArray[Any]:
        return np.asarray(1.0 / (self.room.volume_m3 * (self.k2_modes[None] - k2[:, None, None, None])))

    def _low(self, kernel: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """The sums over the box, in the order of PortMatrices' fields."""
        planes = {}
        for axis in {family.normal_axis for family in self.families}:
            near, far = (wall_cosines(side, self.counts[axis]) for side in (0, 1))
            moved = np.moveaxis(kernel, 1 + axis, -1)
            planes[axis] = (moved @ near**2, moved @ (near * far))

        def block(rows: Family, columns: Family) -> Floats:
            if rows.normal_axis != columns.normal_axis:
                return adjacent_walls(kernel, rows, columns)
            return parallel_walls(planes[rows.normal_axis][int(rows.side != columns.side)], rows, columns)

        return (
            points_to_points(kernel, self.seat_factors, self.source_factors),
            self._points_low(kernel, self.seat_factors),
            self._points_low(kernel, self.source_factors),
            _symmetric(self.families, len(kernel), block),
        )

    def _points_low(self, kernel: Floats, factors: Factors) -> Floats:
        n_point = len(factors[0])
        parts = [np.empty((len(kernel), n_point, 0))]
        planes: dict[Wall, Floats] = {}
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
        edge_wavenumber = min(self.precision.edge_wavenumber, pi * (MOST_TERMS / room.volume_m3) ** (1.0 / 3.0))
        edge = imaginary.edge_kernel(room, kappa, counts_to(room, edge_wavenumber)) if len(axes) > 1 else np.empty(0)

        def block(rows: Family, columns: Family) -> Floats:
            if rows.normal_axis != columns.normal_axis:
                return adjacent_walls(edge, rows, columns)
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


def _joined(low: Floats, tail: Floats, weights: Complexes) -> Complexes:
    """Low modes (2k, ...), real parts first, and the nodes' tails (node, ...) in one complex array (k, ...)."""
    count = len(weights)
    flat = tail.reshape(len(tail), prod(tail.shape[1:]))
    result = np.empty((count, *low.shape[1:]), dtype=np.complex128)
    np.add(low[:count], (weights.real @ flat).reshape(result.shape), out=result.real)
    np.add(low[count:], (weights.imag @ flat).reshape(result.shape), out=result.imag)
    return result


def table_counts(room: Room, precision: Precision) -> tuple[int, int, int]:
    """How many cosines the families' tables must hold along each axis; fewer in a vast room."""
    widest = room.volume_m3 / min(room.size_m)  # area of the largest wall [m2]
    return counts_to(room, min(precision.plane_wavenumber, pi * (MOST_TERMS / widest) ** 0.5))


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
