"""Sums over room modes between ports, done one axis at a time.

Every port is a product of three factors, one per axis: a point has the room's cosines at its coordinates; a
boundary mode has its overlaps along the two axes of its wall and the cosines at the wall along the normal. So a
sum over all modes of port * kernel * port is a chain of small matrix products, however many modes there are.

| symbol | shape | meaning |
| --- | --- | --- |
| kernel D | (k, nx, ny, nz) | 1 / (V (k_n^2 - k^2)); real and imaginary parts stacked along k where complex |
| plane kernel G | (k, nu, nv) | D summed over the normal axis of two parallel walls, with their cosines |
"""

from collections.abc import Iterable, Iterator
from math import prod

import numpy as np
from numpy.typing import NDArray

from roommodes.acoustics.wall_bases import Family
from roommodes.arrays import Floats
from roommodes.shapes.faces import PLANE_AXES

Factors = tuple[Floats, Floats, Floats]

HELD = 2.0  # what sums along one axis may take while they are used again, over the kernel itself
PART_BYTES = 256e6  # what the sums over points take at a time; where they need more, one part comes after another


def wall_cosines(side: int, count: int) -> Floats:
    """The room's cosines at a wall: (count,) sqrt(eps_n), times (-1)^n on the far side."""
    n = np.arange(count)
    value = np.where(n == 0, 1.0, np.sqrt(2.0))
    return np.where(n % 2 == 0, value, -value) if side else value


def pair_products(first: Floats, second: Floats) -> Floats:
    """All products of rows: (a, n), (b, n) -> (a b, n)."""
    return (first[:, None, :] * second[None, :, :]).reshape(-1, first.shape[1])


def chosen_shapes(factors: Factors, number: NDArray[np.intp]) -> Floats:
    """Modes of some numbers (n, 3) at points, from the points' cosines along each axis: (n_point, n)."""
    x, y, z = (factor[:, index] for factor, index in zip(factors, number.T, strict=True))
    return np.asarray(x * y * z)


def chosen_overlaps(families: Iterable[Family], number: NDArray[np.intp]) -> Floats:
    """Overlap of every boundary mode with the modes of some numbers (n, 3): (mode, n) [m]."""
    parts = [np.empty((0, len(number)))]
    for family in families:
        u, v = PLANE_AXES[family.normal_axis]
        along = number[:, family.normal_axis]
        first, second = np.divmod(family.keep, len(family.second))
        normal = wall_cosines(family.side, int(along.max(initial=0)) + 1)[along]
        parts.append(family.first[first][:, number[:, u]] * family.second[second][:, number[:, v]] * normal)
    return np.concatenate(parts)


def parallel_walls(plane_kernel: Floats, rows: Family, columns: Family) -> Floats:
    """Boundary modes of families on one wall or on two opposite walls.

    Parameters
    ----------
    plane_kernel : (k, nu, nv), the cosines at the walls already in it.
    rows, columns : the two families; their tables hold at least nu and nv cosines.

    Returns
    -------
    (k, rows.size, columns.size).
    """
    count_u, count_v = plane_kernel.shape[1:]
    a, b = rows.first[:, :count_u], rows.second[:, :count_v]
    c, d = columns.first[:, :count_u], columns.second[:, :count_v]
    inner = plane_kernel @ pair_products(b, d).T  # (k, u, b d)
    full = pair_products(a, c) @ inner  # (k, a c, b d)
    full = full.reshape(-1, len(a), len(c), len(b), len(d)).transpose(0, 1, 3, 2, 4)
    full = full.reshape(-1, len(a) * len(b), len(c) * len(d))
    return full[:, rows.keep[:, None], columns.keep[None, :]]


class AdjacentWalls:
    """Sums between boundary modes on walls that share an edge.

    The first axis is summed once for all families that meet the same wall, as far as `HELD` times the kernel's memory.

    Parameters
    ----------
    kernel : (k, nx, ny, nz).
    """

    def __init__(self, kernel: Floats) -> None:
        self.kernel = kernel
        self._held: list[tuple[Floats, int, Floats]] = []  # a family's table, the side of the wall it meets, the sum

    def block(self, rows: Family, columns: Family) -> Floats:
        """Two families with different normals: (k, rows.size, columns.size)."""
        d, e = rows.normal_axis, columns.normal_axis
        shared = 3 - d - e
        count = self.kernel.shape[1:]
        # the rows' family has a basis along e and the shared axis, the columns' family along d and the shared axis
        inner = self._along_two({e: (rows, columns.side), d: (columns, rows.side)}, shared)  # (k, t, low, high axis)
        if d < e:
            inner = inner.swapaxes(2, 3)
        n_rows_e, n_columns_d = inner.shape[2:]
        inner = inner.reshape(inner.shape[0], count[shared], -1)
        rows_t, columns_t = rows.table(shared)[:, : count[shared]], columns.table(shared)[:, : count[shared]]
        full = pair_products(rows_t, columns_t) @ inner  # (k, rows_t columns_t, rows_e columns_d)
        full = full.reshape(-1, len(rows_t), len(columns_t), n_rows_e, n_columns_d)
        # to (k, rows' first, rows' second, columns' first, columns' second)
        row_order = (3, 1) if e < shared else (1, 3)
        column_order = (4, 2) if d < shared else (2, 4)
        full = full.transpose(0, *row_order, *column_order)
        full = full.reshape(full.shape[0], len(rows_t) * n_rows_e, len(columns_t) * n_columns_d)
        return full[:, rows.keep[:, None], columns.keep[None, :]]

    def _along_two(self, met: dict[int, tuple[Family, int]], shared: int) -> Floats:
        """The kernel summed along two axes, by a family's table on a side of each: (k, shared, n low, n high).

        Each product takes arrays as they lie: one over strides that no library multiplies is many times as slow.
        """
        if shared == 0:
            return np.asarray(self._table(1, *met[1]) @ self._first(2, *met[2]))
        first = self._first(0, *met[0])
        if shared == 1:
            return np.asarray((first @ self._table(2, *met[2]).T).swapaxes(1, 2))
        return np.asarray(np.moveaxis(self._table(1, *met[1]) @ first, 3, 1))

    def _table(self, axis: int, family: Family, side: int) -> Floats:
        """Overlaps along an axis with the cosines at the wall met there: (n, count)."""
        count = self.kernel.shape[1 + axis]
        return np.asarray(family.table(axis)[:, :count] * wall_cosines(side, count))

    def _first(self, axis: int, family: Family, side: int) -> Floats:
        """The kernel summed along the first or the last axis: (k, n, ny, nz) or (k, nx, ny, n)."""
        own = family.table(axis)
        for table, other, found in self._held:
            if table is own and other == side:
                return found
        table, (depth, x, y, z) = self._table(axis, family, side), self.kernel.shape
        if axis == 2:
            found = self.kernel @ table.T
        else:
            found = (table @ self.kernel.reshape(depth, x, y * z)).reshape(depth, len(table), y, z)
        if sum(one.nbytes for *_, one in self._held) + found.nbytes > HELD * self.kernel.nbytes:
            self._held.clear()
        self._held.append((own, side, found))
        return found


def points_to_family(plane_kernel: Floats, factors: Factors, family: Family) -> Floats:
    """Points against one family.

    Parameters
    ----------
    plane_kernel : (k, point, nu, nv), the normal axis already summed for each point; a point axis of length 1
        serves all points alike.
    factors : the points' cosines (n_point, count) along x, y, z.
    family : the family; its normal axis is the one already summed.

    Returns
    -------
    (k, n_point, family.size).
    """
    count_u, count_v = plane_kernel.shape[2:]
    u, v = PLANE_AXES[family.normal_axis]
    n_point, n_first, n_second = len(factors[u]), len(family.first), len(family.second)
    result = np.empty((len(plane_kernel), n_point, family.size))
    each = n_first * count_u + n_second * count_v + len(plane_kernel) * n_first * (count_v + 2 * n_second)
    for part in parts_of(n_point, 8.0 * each):
        first = family.first[None, :, :count_u] * factors[u][part, None, :count_u]  # (point, a, u)
        second = family.second[None, :, :count_v] * factors[v][part, None, :count_v]  # (point, b, v)
        kernel = plane_kernel if plane_kernel.shape[1] == 1 else plane_kernel[:, part]
        full = first @ kernel @ second.transpose(0, 2, 1)  # (k, point, a, b)
        result[:, part] = full.reshape(*full.shape[:2], n_first * n_second)[:, :, family.keep]
    return result


def points_to_points(kernel: Floats, rows: Factors, columns: Factors) -> Floats:
    """Points against points.

    Parameters
    ----------
    kernel : (k, nx, ny, nz).
    rows, columns : cosines along x, y, z of (n_row,) and (n_column,) points.

    Returns
    -------
    (k, n_row, n_column).
    """
    count = kernel.shape[1:]
    result = np.zeros((len(kernel), len(rows[0]), len(columns[0])))
    for part in parts_of(count[0], 8.0 * prod(count[1:]) * (2 * len(rows[0]) + len(columns[0]))):
        held = (kernel[0, part].shape[0], *count[1:])
        left, right = (mode_products((x[:, part], y, z), held) for x, y, z in (rows, columns))
        for k, one in enumerate(kernel):
            result[k] += (left * one[part].ravel()) @ right.T
    return result


def mode_products(factors: Factors, count: tuple[int, ...]) -> Floats:
    """Mode shapes at points: (n_point, nx ny nz)."""
    x, y, z = (factor[:, :n] for factor, n in zip(factors, count, strict=True))
    return (x[:, :, None, None] * y[:, None, :, None] * z[:, None, None, :]).reshape(len(x), prod(count))


def parts_of(count: int, each_bytes: float) -> Iterator[slice]:
    """Slices of so many things, of so many bytes each, that stay within `PART_BYTES`; one of all where they can."""
    step = max(1, int(PART_BYTES / max(each_bytes, 1.0)))
    return (slice(start, min(start + step, count)) for start in range(0, count, step))
